"""Small drawings in text: a bar, and a line made of one dot a row."""

from __future__ import annotations

import math
from collections.abc import Iterable

_EIGHTHS = " ▏▎▍▌▋▊▉"


def bar(part: float, columns: int) -> str:
    """Return a bar that fills a part (0 to 1) of the columns, to an eighth of a column.

    Examples
    --------
    >>> bar(0.5, 4)
    '██  '
    >>> bar(0.3, 5)
    '█▌   '
    """
    eighths = round(min(max(part, 0.0), 1.0) * columns * 8)
    whole, rest = divmod(eighths, 8)
    drawn = "█" * whole + (_EIGHTHS[rest] if rest else "")
    return f"{drawn:<{columns}}"


def dot(part: float, columns: int) -> str:
    """Return a lane with a dot at a part (0 left, 1 right) of it; rows below each other draw a line.

    Examples
    --------
    >>> dot(0.5, 5)
    '  •  '
    """
    place = round(min(max(part, 0.0), 1.0) * (columns - 1))
    return " " * place + "•" + " " * (columns - 1 - place)


def lane_ends(values: Iterable[float], *, least: float) -> tuple[float, float]:
    """Return whole-numbered ends of a lane that holds all values, at least so wide.

    Examples
    --------
    >>> lane_ends([-10.4, -10.2], least=3.0)
    (-12.0, -9.0)
    """
    known = list(values)
    low, high = math.floor(min(known)), math.ceil(max(known))
    while high - low < least:
        low, high = (low - 1, high) if (high - low) % 2 else (low, high + 1)
    return float(low), float(high)


def log_part(value: float, low: float, high: float) -> float:
    """Return where a value stands between two others on a scale of decades, 0 to 1."""
    if value <= low:
        return 0.0
    return min(1.0, math.log(value / low) / math.log(high / low))
