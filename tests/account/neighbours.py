"""What every function of the account and of the findings answers near what it was given in the check of a take.

The arguments of a function's first calls are kept, changed at random by seed, and the function is called again with
them. Of the changes some are mild and many at once - levels, times and pitches move by up to a factor of about two -
and some are few and wild: a factor of ten, nought, another sign, another word of the same kind, one more or one less. A
limit that lies between the two sides is then passed somewhere: a constant or a comparison that changes moves the sum of
the answers.
"""

from __future__ import annotations

import inspect
import time
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
ABSOLUTE, RELATIVE = 5e-3, 1e-9
"""Of a sum: a value that moves by half a per cent, or a mask by one row. Another processor moves it by a tenth of that:
answers that it moves more, of fits that end early, are left out by ``near_of``."""
WORDS = 40
"""Characters: no name of a kind, half or part is so long."""
DEEPEST = 8
KEPT_CALLS = 3
"""Of each function in one take: a later call seldom differs in kind."""
BUDGET_S = 0.02
"""Processor time for the neighbours of one function in one take, by which their number is chosen when it is written."""
FEWEST, MOST = 4, 120
"""Neighbours of a slow function, and of one that takes no time."""
SLOWEST_S = 0.25
"""Of one call: whole fits, which whole takes test."""
MILD = 4
"""Of so many neighbours in turn one has many mild changes, the others have few wild ones."""
WORDS_ALIKE = (
    ("sine", "triangle", "sawtooth", "square", "pulse"),
    ("positive", "negative", "both"),
    ("oscillator", "two-tones", "not-an-oscillator", "absent"),
    ("fade", "off"),
    ("fs", "share", "along", "hz"),
)
"""Words of which one may stand for another: waves, halves, what is heard, how it stops, what a level is fixed in."""
COMPOSED = ("findings.words.words",)
"""The table of sentences, which tests of its own hold."""
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


@dataclass(frozen=True)
class Moves:
    """How arguments are changed: the part of their numbers that is, and whether by far."""

    rng: Generator
    part: float
    wild: bool

    def here(self) -> bool:
        return bool(self.rng.uniform() < self.part)


def moves_of(size: int, k: int, seed: int) -> Moves:
    """The changes of neighbour ``k`` of arguments with so many values, an array counted as one."""
    rng = np.random.default_rng(seed)
    return Moves(rng, 0.5, False) if k % MILD == 0 else Moves(rng, min(0.5, 1.5 / max(size, 1)), True)


def places_of(value: Any, depth: int = 0) -> int:
    """How many values can be moved, an array counted as one."""
    if depth > DEEPEST or value is None:
        return 0
    if is_dataclass(value) and not isinstance(value, type):
        return sum(places_of(getattr(value, one.name), depth + 1) for one in fields(value) if one.init)
    if isinstance(value, dict):
        return sum(places_of(one, depth + 1) for one in value.values())
    if type(value) in (list, tuple):
        return sum(places_of(one, depth + 1) for one in value)
    return int(isinstance(value, (bool, int, float, str, np.generic, np.ndarray)))


def moved(value: Any, moves: Moves, depth: int = 0) -> Any:
    """A value of the same form, some of its numbers moved; what is no record and what did not change stays the same."""
    if depth > DEEPEST or value is None:
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return _moved_record(value, moves, depth)
    if isinstance(value, dict):
        return {key: moved(one, moves, depth + 1) for key, one in value.items()}
    if type(value) in (list, tuple):
        return type(value)(moved(one, moves, depth + 1) for one in value)
    if not moves.here():
        return value
    if isinstance(value, np.ndarray):
        return _moved_array(value, moves)
    if isinstance(value, (bool, np.bool_)):
        return not value if moves.wild else value
    if isinstance(value, (float, np.floating)):
        return type(value)(_moved_number(float(value), moves))
    if isinstance(value, int) and moves.wild:
        return max(0, value + int(moves.rng.choice([-1, 1])))
    return _other_word(value, moves) if isinstance(value, str) and moves.wild else value


def _moved_record(value: Any, moves: Moves, depth: int) -> Any:
    changed = {}
    for one in fields(value):
        if one.init:
            was = getattr(value, one.name)
            missing = moves.wild and "None" in str(one.type) and moves.rng.uniform() < 0.1 * moves.part
            now = None if missing else moved(was, moves, depth + 1)
            if now is not was:
                changed[one.name] = now
    return replace(value, **changed) if changed else value


def _other_word(value: str, moves: Moves) -> str:
    for words in WORDS_ALIKE:
        if value in words:
            return str(moves.rng.choice([word for word in words if word != value]))
    return value


def _moved_number(value: float, moves: Moves) -> float:
    if not moves.wild:
        return value * float(np.exp(moves.rng.uniform(-0.8, 0.8)))
    how = moves.rng.integers(8)
    if how < 3:
        return value * float(np.exp(moves.rng.uniform(-0.8, 0.8)))
    if how < 6:
        return value * float(np.exp(moves.rng.uniform(-2.5, 2.5)))
    return -value if how == 6 else 0.0


def _moved_array(value: np.ndarray[Any, Any], moves: Moves) -> np.ndarray[Any, Any]:
    rng, kind = moves.rng, value.dtype.kind
    if kind == "b":
        if moves.wild and rng.uniform() < 0.5:
            return _in_a_stretch(value, ~value, moves)
        return value ^ (rng.uniform(size=value.shape) < 0.03)
    if kind in "iu" and moves.wild:
        return np.maximum(value + rng.integers(-1, 2, value.shape), 0).astype(value.dtype)
    if kind not in "fc":
        return value
    far = 2.5 if moves.wild and rng.uniform() < 0.5 else 0.8
    how = rng.integers(6 if moves.wild else 3)
    if how == 0:
        return (value * np.exp(rng.uniform(-far, far))).astype(value.dtype)
    if how == 1:
        return (value * np.exp(rng.normal(0.0, 0.02, value.shape))).astype(value.dtype)
    if how == 2:
        few = rng.uniform(size=value.shape) < 0.1
        return np.where(few, value * np.exp(rng.uniform(-far, far, value.shape)), value).astype(value.dtype)
    if how == 3:
        return _in_a_stretch(value, (value * np.exp(rng.uniform(-far, far))).astype(value.dtype), moves)
    if how == 4:
        return _in_a_stretch(value, np.full_like(value, np.nan if rng.uniform() < 0.5 else 0.0), moves)
    return _in_a_stretch(value, -value, moves)


def _in_a_stretch(value: np.ndarray[Any, Any], other: np.ndarray[Any, Any], moves: Moves) -> np.ndarray[Any, Any]:
    """The other values in one stretch of the first axis."""
    if value.ndim == 0 or len(value) == 0:
        return other
    first, last = np.sort(moves.rng.integers(0, len(value) + 1, 2))
    out = value.copy()
    out[first:last] = other[first:last]
    return out


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


@dataclass(frozen=True)
class Near:
    """Answers near a function's calls.

    Attributes
    ----------
    count : int
        Neighbours of each call.
    total : float
        Sum over all answers.
    left_out : tuple of int
        Neighbours whose answers differ from processor to processor.
    """

    count: int
    total: float
    left_out: tuple[int, ...] = ()


def answer(call: Call, k: int, seed: int) -> float:
    """The sum over what a function returns at one neighbour of a call; for an error, over the error's name."""
    moves = moves_of(places_of([call.arguments, dict(call.named)]), k, seed)
    try:
        result = call.function(*moved(call.arguments, moves), **moved(dict(call.named), moves))
        return summed(list(result) if inspect.isgenerator(result) else result)
    except Exception as error:
        return summed(type(error).__name__)


def small_calls(calls: Mapping[str, list[Call]]) -> dict[str, list[Call]]:
    """Calls whose functions are called again, by function."""
    out = {label: [c for c in kept if size_of([c.arguments, c.named]) < LARGEST] for label, kept in calls.items()}
    return {label: kept for label, kept in sorted(out.items()) if kept and not label.startswith(COMPOSED)}


def answers_near(label: str, kept: list[Call], count: int) -> list[float]:
    """Answers at so many neighbours of each call."""
    return [answer(call, k, crc32(f"{label} {i} {k}".encode())) for i, call in enumerate(kept) for k in range(count)]


def count_for(label: str, kept: list[Call]) -> int:
    """How many neighbours of each call the budget allows; none of a function that is too slow."""
    began_s = time.process_time()
    answers_near(label, kept, 1)
    each_s = (time.process_time() - began_s) / len(kept)
    if each_s > SLOWEST_S:
        return 0
    return int(np.clip(BUDGET_S / (max(each_s, 1e-9) * len(kept)), FEWEST, MOST))


def values_near(calls: Mapping[str, list[Call]], counts: Mapping[str, int]) -> dict[str, list[float]]:
    """By function that a number of neighbours is stated of: its answers; what is not called is missing."""
    small = small_calls({label: kept for label, kept in calls.items() if label in counts})
    return {label: answers_near(label, kept, counts[label]) for label, kept in small.items()}


def answered(calls: Mapping[str, list[Call]], known: Mapping[str, Near]) -> dict[str, Near]:
    """By function what is known, answered anew; what is not called any more is missing."""
    values = values_near(calls, {label: near.count for label, near in known.items()})
    return {label: replace(known[label], total=total_of(v, known[label].left_out)) for label, v in values.items()}


def near_of(count: int, values: list[float], elsewhere: list[float]) -> Near:
    """What is known from the answers here and on another processor, without those that differ most."""
    apart = np.abs(np.subtract(values, elsewhere))
    order = np.argsort(apart, kind="stable")
    too_far = np.cumsum(apart[order]) > 0.1 * ABSOLUTE
    left_out = tuple(sorted(order[too_far].tolist()))
    return Near(count, total_of(values, left_out), left_out)


def total_of(values: list[float], left_out: tuple[int, ...]) -> float:
    skipped = set(left_out)
    return float(sum(value for i, value in enumerate(values) if i not in skipped))


def differing(was: Mapping[str, Near], now: Mapping[str, Near]) -> list[str]:
    """Functions that answer otherwise, or are called in one of the two only."""
    both = was.keys() & now.keys()
    return sorted([*(k for k in both if differ(was[k].total, now[k].total)), *(was.keys() ^ now.keys())])


def differ(was: float, now: float) -> bool:
    return abs(was - now) > ABSOLUTE + RELATIVE * abs(was)
