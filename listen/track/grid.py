"""An even grid of phase along a tone: the signal is brought to it once; then frames are whole cycles of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.track import grid_kernels
from listen.track.phase import PhaseCurve
from listen.track.resampling import TAPS, tap_table
from listen.track.types import Floats, Ints

_POINTS = np.array([4, *sorted(f * 2**p for p in range(1, 20) for f in (3, 4, 5))])
_ROOM = 1.02
"""Points a cycle, at the least, over its samples: a grid's own band ends above the samples'."""
_AT_ONCE = 256
_LAP = 64
"""Short cycles are handled several at a time: loops over fewer points than this cost more than they do."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """The signal at the points start, start + 1 .. of a grid; point n lies at the phase n / points.

    Attributes
    ----------
    points : int
        Points a cycle.
    lap : int
        Points of a few whole cycles, at least 64.
    start : int
    y : ndarray of float32, shape (n,)
    place : ndarray, shape (n,)
        Samples after sample 0 of the file.
    dphi : ndarray, shape (n,)
        Cycles a sample.
    """

    points: int
    lap: int
    start: int
    y: NDArray[np.float32]
    place: Floats
    dphi: Floats


def points_for(slopes: Floats) -> Ints:
    """Points a cycle that hold all a cycle's samples hold.

    Parameters
    ----------
    slopes : ndarray
        Cycles a sample, the least that a grid must serve.
    """
    at = np.searchsorted(_POINTS, _ROOM / slopes)
    chosen: Ints = _POINTS[np.minimum(at, len(_POINTS) - 1)]
    return chosen


def lay_grid(x: Floats, first: int, curve: PhaseCurve, points: int, low: float, high: float) -> Grid:
    """Bring samples to the grid.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples, x[0] is sample ``first`` of the file; nothing is there before and after.
    first : int
    curve : PhaseCurve
    points : int
        Points a cycle.
    low, high : float
        Phases, in cycles, that the grid covers.

    Returns
    -------
    Grid
    """
    start = int(np.floor(low * points)) - 1
    count = int(np.ceil(high * points)) + 2 - start
    place, dphi = np.empty(count), np.empty(count)
    a = max(0, int(np.searchsorted(curve.turns, low, side="right")) - 2)
    b = int(np.searchsorted(curve.turns, high)) + 2
    knots = slice(a, max(b, a + 2))
    grid_kernels.grid_places(
        curve.samples[knots], curve.turns[knots], curve.slopes[knots], points, start, 0.0, place, dphi
    )
    # nothing is there beyond the ends: zeros
    begin = int(place[0]) - TAPS // 2
    near = np.zeros(max(int(place[-1]) + TAPS // 2 + 2 - begin, TAPS), dtype=np.float32)
    low_sample, high_sample = max(begin, first), min(begin + len(near), first + len(x))
    if low_sample < high_sample:
        near[low_sample - begin : high_sample - begin] = x[low_sample - first : high_sample - first]
    y = np.empty(count, dtype=np.float32)
    rows, shares = np.empty((2, _AT_ONCE), dtype=np.int64), np.empty(_AT_ONCE, dtype=np.float32)
    grid_kernels.interpolate(near, place, float(begin), tap_table(), rows, shares, y)
    return Grid(points=points, lap=points * max(1, -(-_LAP // points)), start=start, y=y, place=place, dphi=dphi)
