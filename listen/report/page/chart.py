"""A chart as data: the page draws it in the browser, the pictures are drawn from the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Axis = Literal["time", "pitch", "volts", "degrees", "ratio", "log-percent", "pitch-y", "plain"]
Dash = Literal["solid", "dashed", "dotted"]
Ink = Literal["first", "second", "faint"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One line of a chart; NaN is a gap, never a zero.

    Attributes
    ----------
    label : str
        Stands at the line's end and in the reading under the chart.
    y : ndarray, shape (n,)
    ink, dash : str
        Two inks that differ in lightness too, and a pattern.
    dots : bool
        Points instead of a line.
    """

    label: str
    y: Floats
    ink: Ink = "first"
    dash: Dash = "solid"
    dots: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limit:
    """From where something is worth attention or a fault: a value, or one for each x."""

    label: str
    y: float | Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A finding's stretch on the x axis."""

    number: int
    severity: str
    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """One chart.

    Attributes
    ----------
    name : str
        Its key in the words file and its place on the page.
    title, alt, x_label, y_label : str
        ``alt`` tells the numbers to who cannot see them.
    x : ndarray, shape (n,)
        Rising.
    x_axis, y_axis : str
    lines : tuple of Line
    limits : tuple of Limit
    marks : tuple of Mark
    y_range : (float, float) or None
    unit, decimals, x_unit : str, int, str
        How a value is read out, and its place on an axis of volts.
    """

    name: str
    title: str
    alt: str
    x_label: str
    y_label: str
    x: Floats
    x_axis: Axis
    lines: tuple[Line, ...]
    y_axis: Axis = "plain"
    limits: tuple[Limit, ...] = ()
    marks: tuple[Mark, ...] = ()
    y_range: tuple[float, float] | None = None
    unit: str = ""
    decimals: int = 1
    x_unit: str = ""

    @property
    def half_width(self) -> bool:
        """Whether two of its kind share the width of the page."""
        return self.name in ("h2", "h3", "h4", "h5", "even-pitch", "odd-pitch", "positive-pitch", "negative-pitch")


def chart_data(chart: Chart) -> dict[str, Any]:
    """Return what the browser draws from: plain lists, None for gaps.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    dict
    """
    return {
        "name": chart.name,
        "xAxis": chart.x_axis,
        "yAxis": chart.y_axis,
        "xLabel": chart.x_label,
        "xUnit": chart.x_unit,
        "yLabel": chart.y_label,
        "x": plain_numbers(chart.x),
        "range": chart.y_range,
        "unit": chart.unit,
        "decimals": chart.decimals,
        "lines": [
            {"label": line.label, "ink": line.ink, "dash": line.dash, "dots": line.dots, "y": plain_numbers(line.y)}
            for line in chart.lines
        ],
        "limits": [
            {"label": limit.label, "y": plain_numbers(np.broadcast_to(limit.y, chart.x.shape))}
            for limit in chart.limits
        ],
        "marks": [
            {"number": mark.number, "severity": mark.severity, "start": mark.start, "end": mark.end}
            for mark in chart.marks
        ],
    }


def plain_numbers(values: NDArray[np.float64]) -> list[float | None]:
    """Return numbers with five digits, None where there is none: it is drawn, not computed with."""
    finite = np.isfinite(values)
    safe = np.where(finite & (values != 0.0), values, 1.0)
    scale = 10.0 ** (4 - np.floor(np.log10(np.abs(safe))))
    rounded = np.round(np.where(finite, values, 0.0) * scale) / scale
    return [float(f"{v:.6g}") if ok else None for v, ok in zip(rounded.tolist(), finite.tolist(), strict=True)]


def thinned(x: Floats, values: list[Floats], most: int = 3000) -> tuple[Floats, list[Floats]]:
    """Return at most so many points: of each bucket the least and the largest, in their order, so that no dip is lost.

    Parameters
    ----------
    x : ndarray, shape (n,)
    values : list of ndarray, shape (n,)
    most : int

    Returns
    -------
    x, values
    """
    if len(x) <= most:
        return x, values
    size = -(-2 * len(x) // most)
    n = len(x) // size * size
    grid = x[:n].reshape(-1, size)
    places = np.stack([grid[:, size // 4], grid[:, (3 * size) // 4]], axis=1).ravel()
    out = []
    for value in values:
        table = value[:n].reshape(-1, size)
        known = np.isfinite(table)
        low = np.where(known, table, np.inf)
        high = np.where(known, table, -np.inf)
        first = np.where(np.argmin(low, axis=1) <= np.argmax(high, axis=1), low.min(axis=1), high.max(axis=1))
        last = np.where(np.argmin(low, axis=1) <= np.argmax(high, axis=1), high.max(axis=1), low.min(axis=1))
        pair = np.stack([first, last], axis=1).ravel()
        out.append(np.where(np.isfinite(pair), pair, np.nan))
    return places, out
