"""The voltages as a person gives them: typed, as steps, as places of a dial, in a file."""

from __future__ import annotations

import csv
import math
import os
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from typing import NoReturn

from listen.calibration.types import StepAxis
from listen.errors import OptionError
from listen.streams import read_beginning
from listen.units import read_number

MOST_STEPS = 1000
_UNCOUNTED = 1e9
"""So many steps are not even told by their number: a step of 1e-320 V would make more than there are numbers."""
LARGEST_V = 1000.0
_STOP_TOLERANCE = 0.01
_LARGEST_FILE_BYTES = 1_000_000
_WAYS = ("up", "down", "updown")
_STEPS_REMEDY = "write START:STOP:STEP, for example 0:5:1 or 0:5:0.5:updown"


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageInput:
    """Voltages in the order in which they were held.

    Attributes
    ----------
    values : tuple of float
        Volts, or places of a dial.
    times_s : tuple of (float, float), or None
        Start and end of each, where a file has them.
    nominal_v : tuple of float, or None
        What was meant, where ``values`` were measured.
    resolution_v : tuple of float, or None
        The last digit of each, as typed; None where they are nominal.
    axis : {'volts', 'positions'}
    source : str
        For messages: the option, or the file.
    """

    values: tuple[float, ...]
    resolution_v: tuple[float, ...] | None = None
    times_s: tuple[tuple[float, float], ...] | None = None
    nominal_v: tuple[float, ...] | None = None
    axis: StepAxis = "volts"
    source: str


def parse_values(text: str, option: str = "--cv-values") -> VoltageInput:
    """Read volts as typed from the meter.

    Parameters
    ----------
    text : str
        ``0.98,2.01,2.97``; with semicolons or spaces between them commas are decimal: ``0,98;2,01``, ``0,98 2,01``.
    option : str

    Returns
    -------
    Given

    Raises
    ------
    OptionError
        One of them is no number, or there are fewer than two.
    """
    words, decimal_comma = _listed(text)
    values = tuple(_volts(word, f"{option}: value {i}", decimal_comma) for i, word in enumerate(words, start=1))
    _count(len(values), option)
    digits = tuple(_last_digit(word, decimal_comma) for word in words)
    return VoltageInput(values=values, resolution_v=digits, source=option)


def _listed(text: str) -> tuple[list[str], bool]:
    """Return the words of a list, and whether a comma within one is a decimal comma."""
    apart = text.split()
    if ";" in text:
        words, decimal_comma = text.split(";"), True
    elif len(apart) > 1 and not any(word.startswith(",") or word.endswith(",") for word in apart):
        words, decimal_comma = apart, True
    else:
        words, decimal_comma = text.split(","), False
    words = [word.strip() for word in words]
    return words[:-1] if words and not words[-1] else words, decimal_comma


def parse_steps(text: str, option: str = "--cv-steps") -> VoltageInput:
    """Read a staircase, ``START:STOP:STEP[:up|down|updown]``.

    Parameters
    ----------
    text : str
        STOP is part of it where it lies within 1 % of a step of one; ``updown`` holds the top once.
    option : str

    Returns
    -------
    Given

    Raises
    ------
    OptionError
        It is no staircase: STOP not above START, STEP not above 0, over 1000 steps.
    """
    words = text.strip().split(":")
    if len(words) not in (3, 4):
        raise OptionError(f"{option} {text!r} has {len(words)} parts, expected 3 or 4", _STEPS_REMEDY)
    way = words[3] if len(words) == 4 else "up"
    if way not in _WAYS:
        raise OptionError(f"{option} {text!r}: {way!r} is no way to go", "write up, down or updown")
    start, stop, step = (_volts(word, f"{option} {text!r}", True) for word in words[:3])
    if step <= 0.0:
        raise OptionError(f"{option} {text!r}: a step of {step:g} leads nowhere", "give a STEP above 0")
    if stop <= start:
        raise OptionError(
            f"{option} {text!r}: STOP is not above START", f"for the way down write {stop:g}:{start:g}:{step:g}:down"
        )
    if (stop - start) / step > _UNCOUNTED:
        raise OptionError(f"{option} {text!r}: a step of {step:g} makes more steps than can be held", _STEPS_REMEDY)
    count = math.floor((stop - start) / step + _STOP_TOLERANCE) + 1
    total = 2 * count - 1 if way == "updown" else count
    _count(total, f"{option} {text!r}")
    up = [round(start + i * step, 9) for i in range(count)]
    values = {"up": up, "down": up[::-1], "updown": up + up[-2::-1]}[way]
    return VoltageInput(values=tuple(values), source=option)


def parse_positions(text: str) -> VoltageInput:
    """Read places of a dial, ``START:STOP:STEP[:up|down|updown]``, or typed, ``0,2,5,10``."""
    option = "--positions"
    positions = parse_steps(text, option) if ":" in text else parse_values(text, option)
    return VoltageInput(values=positions.values, resolution_v=positions.resolution_v, axis="positions", source=option)


def read_steps_file(path: str | os.PathLike[str]) -> VoltageInput:
    """Read a file of steps.

    Parameters
    ----------
    path : path
        CSV with a header: ``start_s,end_s,cv_v``, or ``cv_v`` alone; ``nominal_v`` may stand beside it. Semicolons with
        decimal commas, as spreadsheets write them in many countries, are read too.

    Returns
    -------
    Given

    Raises
    ------
    OptionError
        It cannot be read, a column is missing, a value is no number, rows overlap or go backwards.
    """
    name = f"--cv-file {os.fspath(path)}"
    text = _file_text(path, name)
    head = text.lstrip().splitlines()[0] if text.strip() else ""
    mark = ";" if ";" in head else "\t" if "\t" in head else ","
    decimal_comma = mark != ","
    # lines end as Windows, Unix and the first Macintosh systems end them; a field holds no line end
    try:
        rows = [row for row in csv.reader(text.splitlines(), delimiter=mark) if any(cell.strip() for cell in row)]
    except csv.Error as cause:  # a quotation mark that never closes, or a cell of some 100,000 characters
        raise OptionError(f"{name}: is no table ({cause})", "a steps file is a short table, a row a step") from cause
    if not rows:
        raise OptionError(f"{name}: is empty", "write a header start_s,end_s,cv_v and a row a step")
    if len(rows) > MOST_STEPS + 1:
        _count(len(rows) - 1, name)
    columns = [cell.strip().lower() for cell in rows[0]]
    if "cv_v" not in columns:
        shown = ",".join(columns)[:60]
        raise OptionError(
            f"{name}: has no column cv_v, its first line is {shown!r}", "write a header start_s,end_s,cv_v"
        )
    timed = "start_s" in columns or "end_s" in columns
    if timed and not {"start_s", "end_s"} <= set(columns):
        raise OptionError(f"{name}: has only one of start_s and end_s", "give both, or cv_v alone")
    place = columns.index("nominal_v") if "nominal_v" in columns else None
    # a table that --csv wrote without nominal volts has the column, all of it empty
    meant = place is not None and any(row[place].strip() for row in rows[1:] if len(row) > place)
    values: list[float] = []
    digits: list[float] = []
    nominal: list[float] = []
    times: list[tuple[float, float]] = []
    for number, row in enumerate(rows[1:], start=2):
        cells = {key: cell.strip() for key, cell in zip(columns, row, strict=False)}
        values.append(_volts(cells.get("cv_v", ""), f"{name}: line {number}, cv_v", decimal_comma))
        digits.append(_last_digit(cells["cv_v"], decimal_comma))
        if meant:
            nominal.append(_volts(cells.get("nominal_v", ""), f"{name}: line {number}, nominal_v", decimal_comma))
        if timed:
            start_s, end_s = (
                _seconds(cells.get(key, ""), f"{name}: line {number}, {key}", decimal_comma)
                for key in ("start_s", "end_s")
            )
            _in_order(start_s, end_s, times, f"{name}: line {number}")
            times.append((start_s, end_s))
    _count(len(values), name)
    return VoltageInput(
        values=tuple(values),
        resolution_v=tuple(digits),
        times_s=tuple(times) or None,
        nominal_v=tuple(nominal) or None,
        source=name,
    )


def with_nominal(typed: VoltageInput, nominal: VoltageInput) -> VoltageInput:
    """Join measured volts with what was meant.

    Raises
    ------
    OptionError
        They are not equally many.
    """
    if len(typed.values) != len(nominal.values):
        raise OptionError(
            f"{typed.source} has {len(typed.values)} values, {nominal.source} has {len(nominal.values)} steps",
            "give one value a step",
        )
    return replace(typed, nominal_v=nominal.values)


def _in_order(start_s: float, end_s: float, before: list[tuple[float, float]], where: str) -> None:
    if end_s <= start_s:
        raise OptionError(f"{where}: ends at {end_s:g} s, before it starts at {start_s:g} s", "give a later end_s")
    if before and start_s < before[-1][0]:
        raise OptionError(f"{where}: starts at {start_s:g} s, before the row above it", "put the rows in order of time")
    if before and start_s < before[-1][1] - 1e-6:
        raise OptionError(
            f"{where}: starts at {start_s:g} s, the row above it ends at {before[-1][1]:g} s", "let no two rows overlap"
        )


def _file_text(path: str | os.PathLike[str], name: str) -> str:
    def fail(problem: str, remedy: str, cause: Exception | None = None) -> NoReturn:
        raise OptionError(f"{name}: {problem}", remedy) from cause

    try:
        raw = read_beginning(path, _LARGEST_FILE_BYTES + 1)
        if raw is None:
            fail("is a pipe", "name the steps file itself")
    except FileNotFoundError as cause:
        fail("no such file", "check the name of the steps file", cause)
    except IsADirectoryError as cause:
        fail("is a folder", "name the steps file itself", cause)
    except (OSError, ValueError) as cause:
        fail(f"cannot be read ({getattr(cause, 'strerror', None) or cause})", "check its name and permissions", cause)
    if len(raw) > _LARGEST_FILE_BYTES:
        fail("is over 1 MB", "a steps file is a short table, a row a step")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        fail("is not a text in UTF-8", "save it as CSV, UTF-8", cause)
    if "\0" in text:
        fail("is no text", "save it as CSV, UTF-8")
    return text


def _number(word: str, where: str, decimal_comma: bool) -> float:
    number = read_number(word) if decimal_comma or "," not in word else None
    if number is None:
        what = f"{where} is empty" if not word else f"{where}: {word!r} is no number"
        raise OptionError(what, "write 0.98,2.01 with decimal points, or 0,98;2,01 with decimal commas")
    return number


def _last_digit(word: str, decimal_comma: bool) -> float:
    """Return the size of one in the last digit of a number as typed: 0.01 of ``2.97``."""
    try:
        exponent = Decimal(word.replace(",", ".") if decimal_comma else word).as_tuple().exponent
        return float(10.0**exponent) if isinstance(exponent, int) else math.inf
    except (InvalidOperation, OverflowError):  # 0e400, 1e-99999999999999999999
        return math.inf


def _volts(word: str, where: str, decimal_comma: bool) -> float:
    number = _number(word, where, decimal_comma)
    if abs(number) > LARGEST_V:
        raise OptionError(f"{where}: {number:g} is beyond any control voltage", "give volts, -1000 to 1000")
    return number


def _seconds(word: str, where: str, decimal_comma: bool) -> float:
    number = _number(word, where, decimal_comma)
    if number < 0.0:
        raise OptionError(f"{where}: {number:g} s is before the take", "give seconds from the file's first sample")
    return number


def _count(count: int, where: str) -> None:
    if count < 2:
        raise OptionError(
            f"{where}: {count} step{'' if count == 1 else 's'}, a table needs two or more", "give more steps"
        )
    if count > MOST_STEPS:
        raise OptionError(f"{where}: {count} steps, at most {MOST_STEPS} are read", "give fewer, or several takes")
