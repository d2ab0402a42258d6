"""A chart as data: lines, points, bands and limits over one x; the page and the pictures are drawn from it alone.

To draw something new, make a ``Chart`` and hand it to ``svg.figure_svg`` (a page) or to
``pictures.picture_bytes`` (a file): scales, ticks, margins and the key follow from it. A chart of input against output:

>>> u = np.linspace(-1.0, 1.0, 5)
>>> curve = Chart(
...     name="amplifier", title="The amplifier's curve", alt="Output against input: straight to 0.5 V, then bent.",
...     x_label="input, V", y_label="output, V", x=u, x_axis="ratio", unit="V",
...     lines=(Line(label="fitted", y=3.0 * u), Line(label="measured", y=3.0 * u, dots=True, ink="second")),
...     areas=(Area(label="sigma", x=u, low=3.0 * u - 0.1, high=3.0 * u + 0.1),),
... )
>>> curve.x_scale.low, curve.x_scale.log
(-1.0, False)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from listen.report.page.axes import Scale

Floats = NDArray[np.float64]
AxisKind = Literal["time", "pitch", "volts", "degrees", "ratio", "log", "log-percent", "pitch-y", "plain"]
Dash = Literal["solid", "dashed", "dotted"]
LineInk = Literal["first", "second", "faint"]
Fill = Literal["band", "hatch"]
_LOG_AXES = ("pitch", "pitch-y", "log", "log-percent")
_ROOM = 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One line of a chart; NaN is a gap, never a zero.

    Attributes
    ----------
    label : str
        Stands in the key and in the reading under the chart; lines of one label share their place there.
    y : ndarray, shape (n,)
    ink, dash : str
        Two inks that differ in lightness too, and a pattern.
    dots : bool
        Points instead of a line.
    """

    label: str
    y: Floats
    ink: LineInk = "first"
    dash: Dash = "solid"
    dots: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limit:
    """From where something is worth attention or a fault: a value, or one for each x.

    What stands in brackets at the end of the label is its second line beside the chart. An empty label is a limit
    that another one names (the lower of two alike).
    """

    label: str
    y: float | Floats
    heavy: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Area:
    """An area between two curves, with its own x: a band of uncertainty, or hatched for a fault.

    Attributes
    ----------
    label : str
    x, low, high : ndarray, shape (m,)
        Of one unbroken piece; NaN parts it.
    fill : {'band', 'hatch'}
    """

    label: str
    x: Floats
    low: Floats
    high: Floats
    fill: Fill = "band"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A finding's interval on the x axis."""

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
        What is drawn along them: it decides the scale and how a value is read out.
    lines : tuple of Line
    limits : tuple of Limit
    areas : tuple of Area
    marks : tuple of Mark
    x_range, y_range : (float, float) or None
        The ends; those of the lines where not given.
    unit, decimals, x_unit : str, int, str
        How a value is read out, and its place on an axis of volts.
    group : str
        Charts of one group share the pointer and the zoom; the axis where not given.
    half_width : bool
        Whether two of its kind share the width of the page.
    """

    name: str
    title: str
    alt: str
    x_label: str
    y_label: str
    x: Floats
    x_axis: AxisKind
    lines: tuple[Line, ...]
    y_axis: AxisKind = "plain"
    limits: tuple[Limit, ...] = ()
    areas: tuple[Area, ...] = ()
    marks: tuple[Mark, ...] = ()
    x_range: tuple[float, float] | None = None
    y_range: tuple[float, float] | None = None
    unit: str = ""
    decimals: int = 1
    x_unit: str = ""
    group: str = ""
    half_width: bool = False

    @property
    def x_scale(self) -> Scale:
        """The scale along the chart."""
        low, high = self.x_range or self.own_x_range
        if high <= low:
            low, high = (low / 1.06, low * 1.06) if self.x_axis in _LOG_AXES else (low - 0.5, low + 0.5)
        return Scale(low=low, high=high, log=self.x_axis in _LOG_AXES and low > 0.0)

    @property
    def y_scale(self) -> Scale:
        """The scale up the chart."""
        log = self.y_axis in _LOG_AXES
        low, high = self.y_range or self._own_y_range(log)
        if not (np.isfinite(low) and np.isfinite(high)) or high <= low:
            low, high = (low / 2.0, low * 2.0) if log and low > 0.0 else (low - 1.0, low + 1.0)
        return Scale(low=low, high=high, log=log and low > 0.0)

    @property
    def own_x_range(self) -> tuple[float, float]:
        """From where to where there is something to draw."""
        known = [np.isfinite(line.y) for line in self.lines]
        x = self.x[np.any(known, axis=0)] if known else self.x
        x = x if len(x) else self.x
        return float(x[0]), float(x[-1])

    def _own_y_range(self, log: bool) -> tuple[float, float]:
        parts = [line.y for line in self.lines]
        parts += [np.atleast_1d(np.asarray(limit.y, dtype=float)) for limit in self.limits]
        parts += [edge for area in self.areas for edge in (area.low, area.high)]
        values = np.concatenate(parts)
        values = values[np.isfinite(values) & ((values > 0.0) | (not log))]
        if len(values) == 0:
            return (0.1, 10.0) if log else (-1.0, 1.0)
        low, high = float(values.min()), float(values.max())
        if log:
            return low / 1.12, high * 1.12
        room = _ROOM * (high - low) or max(0.05 * abs(high), 1e-9)
        return low - room, high + room

    @property
    def in_group(self) -> str:
        """Name of what shares the pointer and the zoom with it."""
        return self.group or self.x_axis


def aligned(charts: Sequence[Chart]) -> tuple[Chart, ...]:
    """Give charts of one group the same ends of x, so that what stands below each other is the same place."""
    ends: dict[str, tuple[float, float]] = {}
    for chart in charts:
        low, high = chart.x_range or chart.own_x_range
        before = ends.get(chart.in_group, (low, high))
        ends[chart.in_group] = (min(low, before[0]), max(high, before[1]))
    return tuple(replace(chart, x_range=ends[chart.in_group]) for chart in charts)


_NOTHING = 1e-300
"""Drawn as zero: the power of ten that brings less to five digits is no number any more."""


def plain_numbers(values: NDArray[np.float64]) -> list[float | None]:
    """Return numbers with five digits, None where there is none: it is drawn, not computed with."""
    finite = np.isfinite(values)
    safe = np.where(finite & (np.abs(values) > _NOTHING), values, 1.0)
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
