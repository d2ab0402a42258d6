"""Resampling of a tone to a uniform grid of phase, on which frames are whole cycles of equally many points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track.phase import PhaseCurve
from listen.track.resampling import TAPS, middle_taps, tap_table
from listen.track.types import Floats, Ints

_POINTS = np.array([4, *sorted(f * 2**p for p in range(1, 20) for f in (3, 4, 5))])
_ROOM = 1.02
"""Least ratio of points to samples in a cycle, so that the grid's band limit lies above the samples'."""
_AT_ONCE = 512
_SPAN = 576
"""Samples spanned by that many points, with a margin: points are closer together than samples."""
_LAP = 64
"""Short cycles are processed several at a time: below this many points the loop overhead dominates."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """The signal at the points start, start + 1, .. of a grid; point n is at the phase n / points.

    Attributes
    ----------
    points : int
        Points a cycle.
    lap : int
        Points of the smallest number of whole cycles that has at least 64.
    start : int
    y : ndarray of float32, shape (n,)
    place : ndarray, shape (n,)
        Position in samples from sample 0 of the file.
    dphi : ndarray, shape (n,)
        Cycles a sample.
    """

    points: int
    lap: int
    start: int
    y: NDArray[np.float32]
    place: Floats
    dphi: Floats

    def part(self, low: float, high: float) -> Grid:
        """The points that cover a range of phase, in cycles, of those that are there."""
        a, b = (min(max(at - self.start, 0), len(self.y)) for at in _span(low, high, self.points))
        return replace(self, start=self.start + a, y=self.y[a:b], place=self.place[a:b], dphi=self.dphi[a:b])


def _span(low: float, high: float, points: int) -> tuple[int, int]:
    """First point, and the one after the last, of a grid that covers a range of phase."""
    return int(np.floor(low * points)) - 1, int(np.ceil(high * points)) + 2


def points_for(slopes: Floats) -> Ints:
    """Points in a cycle that preserve the bandwidth of the samples.

    Parameters
    ----------
    slopes : ndarray
        Lowest frequency, in cycles a sample, on each grid.
    """
    at = np.searchsorted(_POINTS, _ROOM / slopes)
    chosen: Ints = _POINTS[np.minimum(at, len(_POINTS) - 1)]
    return chosen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Padded:
    """Samples in single precision, zero-padded on both sides.

    Attributes
    ----------
    first : int
        Sample of the file that values[0] stands for.
    values : ndarray of float32, shape (n,)
    """

    first: int
    values: NDArray[np.float32]

    @property
    def start(self) -> int:
        """First sample of the file before which all is padding."""
        return self.first + TAPS

    @property
    def stop(self) -> int:
        """First sample of the padding after the last one."""
        return self.first + len(self.values) - TAPS


def padded(x: Floats, first: int) -> Padded:
    """Pad samples, x[0] being sample ``first`` of the file."""
    values = np.empty(len(x) + 2 * TAPS, dtype=np.float32)
    values[:TAPS] = values[-TAPS:] = 0.0
    values[TAPS:-TAPS] = x
    return Padded(first=first - TAPS, values=values)


def lay_grid(x: Padded, curve: PhaseCurve, points: int, low: float, high: float) -> Grid:
    """Resample to the grid.

    Parameters
    ----------
    x : Padded
    curve : PhaseCurve
    points : int
        Points a cycle.
    low, high : float
        Range of phase, in cycles, that the grid covers; it lies within the samples.

    Returns
    -------
    Grid
    """
    start, end = _span(low, high, points)
    count = end - start
    a = max(0, int(np.searchsorted(curve.turns, low, side="right")) - 2)
    b = int(np.searchsorted(curve.turns, high)) + 2
    knots = slice(a, max(b, a + 2))
    rows, shares = np.empty((2, _AT_ONCE), dtype=np.int64), np.empty(_AT_ONCE, dtype=np.float32)
    place, dphi, y = np.empty(count), np.empty(count), np.empty(count, dtype=np.float32)
    kernels.lay_points(
        curve.samples[knots],
        curve.turns[knots],
        curve.slopes[knots],
        points,
        start,
        x.values,
        float(x.first),
        middle_taps(),
        tap_table(),
        rows,
        shares,
        np.empty(3 * _SPAN, dtype=np.float32),
        place,
        dphi,
        y,
    )
    return Grid(points=points, lap=points * max(1, -(-_LAP // points)), start=start, y=y, place=place, dphi=dphi)
