"""The bench file: what the builder knows of the build and of the recording chain (TOML, every key optional)."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from listen.errors import BenchError, ListenError, close_match, suggestion

TOPOLOGIES = ("wien-bridge", "phase-shift", "twin-t", "quadrature", "triangle-core", "sawtooth-core", "other")
GAIN_CONTROLS = ("jfet", "diodes", "lamp", "ldr", "none", "other")
WAVES = ("sine", "triangle", "sawtooth", "square", "any")

_LARGEST_FILE_BYTES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """The circuit.

    Attributes
    ----------
    name : str or None
    topology : str or None
        One of `TOPOLOGIES`.
    gain_control : str or None
        One of `GAIN_CONTROLS`.
    wave : str or None
        The intended wave, one of `WAVES`.
    supply_v : tuple of float or None
        Lower and upper supply rail.
    parts : mapping of str to tuple of float
        What sets the pitch, ``r1_ohm`` ... ``c4_f``: the smallest and the largest value that the control gives
        (twice the same where it is fixed).
    """

    name: str | None = None
    topology: str | None = None
    gain_control: str | None = None
    wave: str | None = None
    supply_v: tuple[float, float] | None = None
    parts: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSettings:
    """The recording chain.

    Attributes
    ----------
    channel : int or None
        Counted from 1.
    volts_per_full_scale : float or None
        Peak volts at the jack at sample value 1.0.
    inverted : bool
        The interface turns the wave over.
    clock_error_ppm : float
        How much faster than nominal the interface's clock runs.
    ac_coupling_hz : float or None
        The interface's high-pass corner; 0 is DC-coupled.
    """

    channel: int | None = None
    volts_per_full_scale: float | None = None
    inverted: bool = False
    clock_error_ppm: float = 0.0
    ac_coupling_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CvSettings:
    """The recorded control voltage.

    Attributes
    ----------
    channel : int or None
        Counted from 1.
    volts_per_full_scale : float or None
        Volts at sample value 1.0.
    offset_v : float
        Volts at sample value 0.
    """

    channel: int | None = None
    volts_per_full_scale: float | None = None
    offset_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench file.

    Attributes
    ----------
    path : str or None
        Where it was read from.
    build : BuildSettings
    capture : CaptureSettings
    cv : CvSettings
    """

    path: str | None = None
    build: BuildSettings = field(default_factory=BuildSettings)
    capture: CaptureSettings = field(default_factory=CaptureSettings)
    cv: CvSettings = field(default_factory=CvSettings)


Check = Callable[[object], Any]
"""Gives the value as it is kept, or raises ValueError with what was expected."""


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200 or not value.isprintable():
        raise ValueError("a text on one line, 1 to 200 characters, in quotes")
    return value


def _one_of(words: tuple[str, ...]) -> Check:
    def check(value: object) -> str:
        if not isinstance(value, str) or value not in words:
            close = close_match(value, words) if isinstance(value, str) else None
            raise ValueError("one of " + ", ".join(words) + (f' (did you mean "{close}"?)' if close else ""))
        return value

    return check


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false, without quotes")
    return value


def _channel(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= 32:
        raise ValueError("a whole number, 1 to 32; channels count from 1")
    return value


def _number(low: float, high: float, unit: str, *, above: bool = False) -> Check:
    """Make a check for low..high, or for above low..high."""

    def check(value: object) -> float:
        expected = f"a number {'above' if above else 'from'} {low:g} {'up ' if above else ''}to {high:g} {unit}"
        if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
            raise ValueError(expected.strip())
        if not low <= value <= high or (above and value == low):
            raise ValueError(expected.strip())
        return float(value)

    return check


def _supply(value: object) -> tuple[float, float]:
    volt = _number(-1000.0, 1000.0, "V")
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two numbers, the lower rail first: [-12.0, 12.0]")
    low, high = volt(value[0]), volt(value[1])
    if low >= high:
        raise ValueError("the lower rail first: [-12.0, 12.0]")
    return low, high


def _part(low: float, high: float, unit: str) -> Check:
    number = _number(low, high, unit)

    def check(value: object) -> tuple[float, float]:
        if not isinstance(value, list):
            return number(value), number(value)
        if len(value) != 2:
            raise ValueError("one number, or two: the smallest and the largest")
        return tuple(sorted(number(v) for v in value))

    return check


def _table(known: Mapping[str, Check]) -> Check:
    """Make a check for a table within a table; the error names the key within."""

    def check(value: object) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise ValueError("a table")
        return _checked(value, known, "build.parts")

    return check


_PARTS: Mapping[str, Check] = {
    **{f"r{i}_ohm": _part(1e-3, 1e9, "ohm") for i in (1, 2, 3, 4)},
    **{f"c{i}_f": _part(1e-14, 1.0, "F") for i in (1, 2, 3, 4)},
}

_TABLES: Mapping[str, Mapping[str, Check]] = {
    "build": {
        "name": _text,
        "topology": _one_of(TOPOLOGIES),
        "gain_control": _one_of(GAIN_CONTROLS),
        "wave": _one_of(WAVES),
        "supply_v": _supply,
        "parts": _table(_PARTS),
    },
    "capture": {
        "channel": _channel,
        "volts_per_full_scale": _number(0.0, 1e4, "V", above=True),
        "inverted": _truth,
        "clock_error_ppm": _number(-50e3, 50e3, "ppm"),
        "ac_coupling_hz": _number(0.0, 1e3, "Hz"),
    },
    "cv": {
        "channel": _channel,
        "volts_per_full_scale": _number(0.0, 1e4, "V", above=True),
        "offset_v": _number(-1e3, 1e3, "V"),
    },
}


class _BadKeyError(Exception):
    """A key that is wrong: what, mend."""


def _checked(table: Mapping[str, object], known: Mapping[str, Check], name: str) -> dict[str, Any]:
    """Check one table against the keys known for it."""
    kept: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            raise _BadKeyError(f'unknown key "{key}" in [{name}]', suggestion(key, known))
        try:
            kept[key] = known[key](value)
        except ValueError as error:
            raise _BadKeyError(f"[{name}] {key} = {_shown(value)} cannot be used", f"expected: {error}") from None
    return kept


def _shown(value: object) -> str:
    """Write a value as in the file, shortened."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value).replace("'", '"')
    return text if len(text) <= 60 else text[:57] + "..."


def read_toml(path: str | os.PathLike[str], error: type[ListenError], what: str) -> dict[str, Any]:
    """Read a TOML file that a user wrote.

    Parameters
    ----------
    path : path-like
        The file; UTF-8, with or without a byte order mark.
    error : type of ListenError
        What to raise.
    what : str
        What the file is, for the message: ``bench file``.

    Returns
    -------
    dict

    Raises
    ------
    ListenError
        Of the type asked for: missing, a folder, not readable, too large, not text, not TOML.
    """
    import tomllib

    def fail(problem: str, mend: str, cause: Exception | None = None) -> NoReturn:
        raise error(f"{os.fspath(path)}: {problem}", mend) from cause

    try:
        with Path(path).open("rb") as file:
            raw = file.read(_LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as cause:
        fail("no such file", f"check the name of the {what}", cause)
    except IsADirectoryError as cause:
        fail("is a folder", f"name the {what} itself", cause)
    except PermissionError as cause:
        fail("may not be read", "change its permissions", cause)
    except (OSError, ValueError) as cause:
        fail(f"cannot be read ({cause})", f"check the name of the {what}", cause)
    if len(raw) > _LARGEST_FILE_BYTES:
        fail("is over 1 MB", f"a {what} is a short text in TOML")
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as cause:
        fail("is not a text in UTF-8", f"a {what} is a short text in TOML", cause)
    except tomllib.TOMLDecodeError as cause:
        fail(f"is not valid TOML ({cause})", "mend that line", cause)
    except RecursionError as cause:
        fail("is nested too deeply", f"a {what} is a short text in TOML", cause)


def load_bench(path: str | os.PathLike[str]) -> Bench:
    """Read a bench file.

    Parameters
    ----------
    path : path-like
        A TOML file with the tables ``[build]`` (and in it ``[build.parts]``), ``[capture]`` and ``[cv]``.

    Returns
    -------
    Bench
        What the file leaves out is at its default.

    Raises
    ------
    BenchError
        The file cannot be read, a key is unknown, or a value is out of range; the message names the key.
    """
    document = read_toml(path, BenchError, "bench file")
    tables: dict[str, dict[str, Any]] = {}
    try:
        for name, table in document.items():
            if name not in _TABLES:
                kind = "table" if isinstance(table, dict) else "key"
                raise _BadKeyError(f'unknown {kind} "{name}"', suggestion(name, [f"[{t}]" for t in _TABLES]))
            if not isinstance(table, dict):
                raise _BadKeyError(f"{name} is not a table", f"write [{name}] on a line of its own, its keys below")
            tables[name] = _checked(table, _TABLES[name], name)
    except _BadKeyError as bad:
        what, mend = bad.args
        raise BenchError(f"{os.fspath(path)}: {what}", mend) from None
    return Bench(
        path=os.fspath(path),
        build=BuildSettings(**tables.get("build", {})),
        capture=CaptureSettings(**tables.get("capture", {})),
        cv=CvSettings(**tables.get("cv", {})),
    )
