"""Checks of the values in a bench file: each gives the value as it is kept, or says what was expected."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from typing import Any

from listen.bench.settings import (
    GAIN_CONTROLS,
    PHASE_SHIFT_ORDERS,
    PHASE_SHIFT_SECTIONS,
    SHAPERS,
    TOPOLOGIES,
    WAVES,
)
from listen.errors import close_match, suggestion

ORDERS = range(2, 11)
"""Harmonics of the recorder that its table may state."""

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


def _tolerance(value: object) -> tuple[float, float]:
    percent = _number(0.0, 50.0, "%")
    if not isinstance(value, list):
        return percent(value), percent(value)
    if len(value) != 2:
        raise ValueError("one number, or two: at the lowest and at the highest note")
    return percent(value[0]), percent(value[1])


def _headroom(value: object) -> tuple[float, float]:
    volt = _number(0.0, 100.0, "V")
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two numbers, toward the lower and toward the upper rail: [1.5, 1.5]")
    return volt(value[0]), volt(value[1])


def _numbers(low: float, high: float, unit: str, *, rising: bool = False) -> Check:
    """Make a check for a list of numbers, each in its range."""
    number = _number(low, high, unit)

    def check(value: object) -> tuple[float, ...]:
        if not isinstance(value, list) or not 1 <= len(value) <= _LONGEST_LIST:
            raise ValueError(f"a list of numbers from {low:g} to {high:g} {unit}, at most {_LONGEST_LIST}")
        numbers = tuple(number(v) for v in value)
        if rising and any(b <= a for a, b in itertools.pairwise(numbers)):
            raise ValueError("numbers that rise, the lowest first")
        return numbers

    return check


def _table(known: Mapping[str, Check], name: str) -> Check:
    """Make a check for a table within a table; the error names the key within."""

    def check(value: object) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise ValueError("a table")
        return checked(value, known, name)

    return check


_LONGEST_LIST = 100
"""Seven levels and two dozen pitches are measured; a list that was typed is no longer."""

_PARTS: Mapping[str, Check] = {
    **{f"r{i}_ohm": _part(1e-3, 1e9, "ohm") for i in (1, 2, 3, 4)},
    **{f"c{i}_f": _part(1e-14, 1.0, "F") for i in (1, 2, 3, 4)},
    "tolerance_percent": _tolerance,
    "measured": _truth,
}
_GAIN: Mapping[str, Check] = {name: _number(1e-3, 1e9, "ohm") for name in ("rf_ohm", "rg_ohm")}
_OPAMP: Mapping[str, Check] = {
    "gain_bandwidth_hz": _number(1e3, 1e10, "Hz"),
    "slew_v_per_us": _number(1e-3, 1e5, "V/us"),
    "headroom_v": _headroom,
}

TABLES: Mapping[str, Mapping[str, Check]] = {
    "build": {
        "name": _text,
        "topology": _one_of(TOPOLOGIES),
        "gain_control": _one_of(GAIN_CONTROLS),
        "wave": _one_of(WAVES),
        "duty_percent": _number(1.0, 99.0, "%"),
        "shaper": _one_of(SHAPERS),
        "supply_v": _supply,
        "parts": _table(_PARTS, "build.parts"),
        "phase_shift_sections": _one_of(PHASE_SHIFT_SECTIONS),
        "phase_shift_order": _one_of(PHASE_SHIFT_ORDERS),
        "gain": _table(_GAIN, "build.gain"),
        "opamp": _table(_OPAMP, "build.opamp"),
    },
    "capture": {
        "channel": _channel,
        "volts_per_full_scale": _number(0.0, 1e4, "V", above=True),
        "inverted": _truth,
        "clock_error_ppm": _number(-50e3, 50e3, "ppm"),
        "ac_coupling_hz": _number(0.0, 1e3, "Hz"),
        "response_hz": _number(1e3, 1e7, "Hz"),
    },
    "recorder": {
        "level_dbfs": _numbers(-150.0, 10.0, "dBFS", rising=True),
        **{f"h{k}_dbc": _numbers(-200.0, 20.0, "dBc") for k in ORDERS},
        "floor_dbfs": _number(-200.0, 0.0, "dBFS"),
        "hum_hz": _number(10.0, 100.0, "Hz"),
        "hum_dbfs": _number(-200.0, 0.0, "dBFS"),
        "corner_hz": _number(0.0, 1e3, "Hz"),
        "response_hz": _numbers(0.1, 1e6, "Hz", rising=True),
        "response_db": _numbers(-100.0, 40.0, "dB"),
        "loop_inverted": _truth,
    },
    "cv": {
        "channel": _channel,
        "volts_per_full_scale": _number(0.0, 1e4, "V", above=True),
        "offset_v": _number(-1e3, 1e3, "V"),
    },
}


class BadKeyError(Exception):
    """A key that is wrong: what, remedy."""


def checked(table: Mapping[str, object], known: Mapping[str, Check], name: str) -> dict[str, Any]:
    """Check one table against the keys known for it."""
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            raise BadKeyError(f'unknown key "{key}" in [{name}]', suggestion(key, known))
        try:
            values[key] = known[key](value)
        except ValueError as error:
            raise BadKeyError(f"[{name}] {key} = {_shown(value)} cannot be used", f"expected: {error}") from None
    return values


def _shown(value: object) -> str:
    """Write a value as in the file, shortened."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value).replace("'", '"')
    return text if len(text) <= 60 else text[:57] + "..."
