"""What every function of the account and of the findings answers near what it was given in the check of a take.

The arguments of a function's first calls are kept, changed at random by seed - lengths and words stay, levels, times
and pitches move by up to a factor of about two - and the function is called again with them. A limit that lies between
the two sides is then passed somewhere: a constant or a comparison that changes moves the sum of the answers.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import wraps
from importlib import import_module
from pkgutil import walk_packages
from threading import get_ident
from types import FunctionType, ModuleType
from typing import Any
from zlib import crc32

import numpy as np

PACKAGES = ("listen.account", "listen.findings")
USERS = ("listen.api", "listen.circuit", "listen.report")
"""Loaded beforehand, so that none of them takes a counting function for the real one."""
SMALL = 1e-4
"""Values far below count in proportion, values above by their logarithm: hertz and shares weigh alike in one sum."""
GOLDEN = 0.6180339887498949
"""Weights of successive values, so that two that change places move the sum."""
ABSOLUTE, RELATIVE = 0.01, 1e-6
"""Of a sum: a value that moves by 1 %, or a mask by one row. Processors and libraries differ by a thousandth of that,
but for fits that end early, which ``python -m tests.account.figures`` leaves out."""
WORDS = 40
"""Characters: no name of a kind, half or part is so long."""
DEEPEST = 8
KEPT_CALLS = 2
"""Of each function in one take: a later call seldom differs in kind."""
NEIGHBOURS = 12
"""Of each call: a limit half as high again lies between two of so many in most functions."""
COMPOSED = (
    "account.build.",
    "account.curve.choose.",
    "account.shape.",
    "account.tone._on_a_grid",
    "account.tone.find_tone",
    "account.waves.edge.",
    "account.waves.choose.",
    "account.waves.read.read_wave",
    "findings.words.words",
)
"""Functions that only call others in order, whose whole fits are tested by whole takes; and the table of sentences."""
LARGEST = 400_000
"""Numbers within the arguments: what takes the samples themselves is slow, and is tested by whole takes."""

Generator = np.random.Generator


@dataclass(frozen=True)
class Call:
    """A function and what it was called with."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    named: Mapping[str, Any]


def _of_numbers(values: np.ndarray[Any, Any]) -> float:
    flat = np.asarray(values).ravel()
    if flat.dtype.kind == "c":
        flat = np.concatenate((flat.real, flat.imag))
    x = np.nan_to_num(flat.astype(np.float64), nan=-1.0, posinf=-2.0, neginf=-3.0)
    weights = 1.0 + (GOLDEN * np.arange(len(x))) % 1.0 + 0.5 * (x < 0)
    return float(np.sum(weights * np.log1p(np.abs(x) / SMALL)))


def summed(value: Any, depth: int = 0) -> float:
    """One number for a result of any kind: arrays, records, lists, words."""
    if value is None or depth > DEEPEST:
        return 0.0
    if isinstance(value, str):
        # sentences are words, which tests of their own hold
        return 1.0 + crc32(value.encode()) / 2**32 if len(value) < WORDS else 0.0
    if isinstance(value, (bool, int, float, complex, np.generic)):
        return _of_numbers(np.asarray([value]))
    if isinstance(value, np.ndarray):
        return _of_numbers(value) if value.dtype.kind in "biufc" else float(value.size)
    if is_dataclass(value) and not isinstance(value, type):
        return _in_order([getattr(value, one.name) for one in fields(value)], depth)
    if isinstance(value, Mapping):
        return _in_order([value[key] for key in sorted(value, key=str)], depth)
    if isinstance(value, (list, tuple)):
        return _in_order(list(value), depth)
    if isinstance(value, (set, frozenset)):
        return float(sum(summed(one, depth + 1) for one in value))
    return 0.0


def _in_order(values: list[Any], depth: int) -> float:
    return float(sum((1.0 + (GOLDEN * (i + 1)) % 1.0) * summed(one, depth + 1) for i, one in enumerate(values)))


def size_of(value: Any, depth: int = 0) -> int:
    """How many numbers a value holds."""
    if isinstance(value, np.ndarray):
        return int(value.size)
    if depth > DEEPEST:
        return 0
    if is_dataclass(value) and not isinstance(value, type):
        return sum(size_of(getattr(value, one.name), depth + 1) for one in fields(value))
    if isinstance(value, Mapping):
        return sum(size_of(one, depth + 1) for one in value.values())
    if isinstance(value, (list, tuple)):
        return sum(size_of(one, depth + 1) for one in value)
    return 1


def moved(value: Any, rng: Generator, depth: int = 0) -> Any:
    """A value of the same form, some of its numbers moved; counts, words and what is no record stay."""
    if depth > DEEPEST or isinstance(value, (bool, np.bool_)):
        return value
    if isinstance(value, (float, np.floating)):
        return type(value)(value * _factor(rng))
    if isinstance(value, np.ndarray):
        return _moved_array(value, rng)
    if is_dataclass(value) and not isinstance(value, type):
        changed = {one.name: moved(getattr(value, one.name), rng, depth + 1) for one in fields(value) if one.init}
        return replace(value, **changed)
    if isinstance(value, dict):
        return {key: moved(one, rng, depth + 1) for key, one in value.items()}
    if type(value) in (list, tuple):
        return type(value)(moved(one, rng, depth + 1) for one in value)
    return value


def _factor(rng: Generator) -> float:
    return float(np.exp(rng.uniform(-0.8, 0.8))) if rng.uniform() < 0.5 else 1.0


def _moved_array(value: np.ndarray[Any, Any], rng: Generator) -> np.ndarray[Any, Any]:
    if value.dtype.kind == "b":
        return value ^ (rng.uniform(size=value.shape) < 0.03) if rng.uniform() < 0.3 else value
    if value.dtype.kind not in "fc":
        return value
    how = rng.integers(4)
    if how == 0:
        return value
    if how == 1:
        return (value * np.exp(rng.uniform(-0.8, 0.8))).astype(value.dtype)
    if how == 2:
        return (value * np.exp(rng.normal(0.0, 0.02, value.shape))).astype(value.dtype)
    few = rng.uniform(size=value.shape) < 0.1
    return np.where(few, value * np.exp(rng.uniform(-0.8, 0.8, value.shape)), value).astype(value.dtype)


def _modules() -> list[ModuleType]:
    """All of the two packages, also those that the tool loads only when it needs them."""
    out = []
    for package in map(import_module, (*USERS, *PACKAGES)):
        names = [one.name for one in walk_packages(package.__path__, f"{package.__name__}.")]
        out += [package, *map(import_module, names)]
    return [module for module in out if module.__name__.startswith(PACKAGES)]


def label_of(function: Callable[..., Any]) -> str:
    """Module and name, without the package's."""
    return f"{function.__module__.removeprefix('listen.')}.{function.__qualname__}"


def _keeping(function: Callable[..., Any], into: dict[str, list[Call]]) -> Callable[..., Any]:
    thread = get_ident()

    @wraps(function)
    def kept(*arguments: Any, **named: Any) -> Any:
        # which call is the first in another thread hangs on the machine
        calls = into.setdefault(label_of(function), []) if get_ident() == thread else None
        if calls is not None and len(calls) < KEPT_CALLS:
            calls.append(Call(function, arguments, named))
        return function(*arguments, **named)

    return kept


def _places(module: ModuleType) -> Iterator[tuple[Any, str, Any]]:
    """Where a function of the packages can be reached: owner, name, and what stands there."""
    for name, value in list(vars(module).items()):
        if not getattr(value, "__module__", "").startswith(PACKAGES):
            continue
        if isinstance(value, type) and value.__module__ == module.__name__:
            for inner, method in list(vars(value).items()):
                if not inner.startswith("__") and isinstance(method, (FunctionType, property)):
                    yield value, inner, method
        elif isinstance(value, FunctionType) or hasattr(value, "cache_clear"):
            yield module, name, value


@contextmanager
def kept_calls() -> Iterator[dict[str, list[Call]]]:
    """The first calls of each function, method and property of the two packages, by ``label_of``."""
    into: dict[str, list[Call]] = {}
    wrapped: dict[int, Any] = {}
    placed = [place for module in _modules() for place in _places(module)]
    for owner, name, value in placed:
        if hasattr(value, "cache_clear"):
            value.cache_clear()  # what was kept from another take would not be called
        if id(value) not in wrapped:
            is_property = isinstance(value, property)
            counted = _keeping(value.fget if is_property else value, into)
            wrapped[id(value)] = property(counted) if is_property else counted
        setattr(owner, name, wrapped[id(value)])
    try:
        yield into
    finally:
        for owner, name, value in placed:
            setattr(owner, name, value)


def answer(call: Call, seed: int) -> float:
    """The sum over what a function returns near one call; for an error, over the error's name."""
    rng = np.random.default_rng(seed)
    try:
        result = call.function(*moved(call.arguments, rng), **moved(dict(call.named), rng))
        return summed(list(result) if inspect.isgenerator(result) else result)
    except Exception as error:
        return summed(type(error).__name__)


def answers(calls: Mapping[str, list[Call]]) -> dict[str, float]:
    """By function: the sum over its kept calls and their neighbours."""
    out = {}
    for label, kept in sorted(calls.items()):
        small = [call for call in kept if size_of([call.arguments, call.named]) < LARGEST]
        if small and not label.startswith(COMPOSED):
            out[label] = sum(
                answer(call, crc32(f"{label} {i} {k}".encode()))
                for i, call in enumerate(small)
                for k in range(NEIGHBOURS)
            )
    return out


def differing(was: Mapping[str, float], now: Mapping[str, float]) -> list[str]:
    """Functions that answer otherwise, or are called in one of the two only."""
    both = was.keys() & now.keys()
    moved_ones = [label for label in both if abs(was[label] - now[label]) > ABSOLUTE + RELATIVE * abs(was[label])]
    return sorted([*moved_ones, *(was.keys() ^ now.keys())])
