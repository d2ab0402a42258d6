"""Frames around the rows of a piece of tone, and the grids of phase on which runs of them lie."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track.grid import Grid, Padded, lay_grid, points_for
from listen.track.lines import Lines, frame_cycles, highest_harmonics, measure_lines
from listen.track.phase import PhaseCurve, curve_at
from listen.track.types import Floats, Ints

_MOVED = 0.3
"""In cycles: a frame that an edge shifts by more than this does not measure the signal at its row's time."""
_CALM_KNOTS = 7
_BENT = 0.006
"""Relative departure of the pitch from linear over a frame, above which the frame is shortened."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowFrames:
    """Frames of one piece of a segment.

    Attributes
    ----------
    row : ndarray of int, shape (n,)
        Number of each row.
    samples : ndarray, shape (n,)
        Its time, in samples of the file.
    middle : ndarray, shape (n,)
        Phase of the frame's centre, in cycles.
    cycles : ndarray of int, shape (n,)
        Length of the frame.
    slope : ndarray, shape (n,)
        Cycles a sample at the row's time.
    points : ndarray of int, shape (n,)
        Points in a cycle of its grid.
    centred : ndarray of bool, shape (n,)
        The frame measures the signal at the row's time.
    """

    row: Ints
    samples: Floats
    middle: Floats
    cycles: Ints
    slope: Floats
    points: Ints
    centred: NDArray[np.bool_]

    def part(self, i: int, j: int) -> RowFrames:
        """Frames i .. j."""
        return RowFrames(**{field.name: getattr(self, field.name)[i:j] for field in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """Rows i to j of the frames, on one grid.

    Attributes
    ----------
    grid : Grid
    i, j : int
    centres : ndarray of int, shape (j - i,)
        Point of the grid's signal at each frame's centre.
    lines : Lines
        Of these frames.
    """

    grid: Grid
    i: int
    j: int
    centres: Ints
    lines: Lines


def frames_of(row: Ints, hop: float, curve: PhaseCurve, low: float, high: float, rate_hz: float) -> RowFrames:
    """Frames around the rows, within a range of phase: shortened at its ends and where the pitch is curved.

    Parameters
    ----------
    row : ndarray of int, shape (n,)
    hop : float
        Samples from row to row.
    curve : PhaseCurve
    low, high : float
        The range of phase, in cycles.
    rate_hz : float
    """
    centres = row * hop
    middle, slope = curve_at(curve, centres)
    # hum ripples the slopes without curving the pitch: the mean of a few short frames is free of it
    calm = running_mean(curve.slopes, _CALM_KNOTS)
    out = np.empty((3, len(row)))
    wanted = frame_cycles(slope * rate_hz)
    kernels.lay_frames(
        curve.samples, curve.slopes, calm, centres, middle, slope, wanted, _BENT, float(low), float(high), out
    )
    cycles, moved, least = out
    return RowFrames(
        row=row,
        samples=centres,
        middle=moved,
        cycles=cycles.astype(np.int64),
        slope=slope,
        points=points_for(np.maximum(least, 0.5 * slope)),
        centred=np.abs(moved - middle) < _MOVED,
    )


def lay_runs(x: Padded, curve: PhaseCurve, frames: RowFrames, zones: Floats) -> list[Run]:
    """Grids of the frames with their lines: neighbours of equally many points a cycle share one.

    Parameters
    ----------
    x : Padded
    curve : PhaseCurve
    frames : RowFrames
        n of them.
    zones : ndarray, shape (n + 1,)
        Bounds, in cycles, of each row's share of the signal, which the grids cover too.
    """
    bottoms, tops = _reaches(frames)
    centres = np.round(frames.middle * frames.points).astype(np.int64)
    highest = highest_harmonics(frames.slope)
    runs = []
    for i, j in _equal(frames.points):
        bottom, top = min(zones[i], float(bottoms[i:j].min())), max(zones[j], float(tops[i:j].max()))
        grid = lay_grid(x, curve, int(frames.points[i]), bottom, top)
        at = centres[i:j] - grid.start
        lines = measure_lines(grid, at, frames.cycles[i:j], highest[i:j])
        runs.append(Run(grid=grid, i=i, j=j, centres=at, lines=lines))
    return runs


def part_of_runs(runs: list[Run], frames: RowFrames, zones: Floats, first: int, last: int) -> list[Run]:
    """Runs of the frames ``first`` to ``last``, from which on they are counted.

    Parameters
    ----------
    runs : list of Run
    frames : RowFrames
        All of the runs' frames.
    zones : ndarray
        As ``lay_runs`` has it, of all these frames.
    first, last : int
    """
    bottoms, tops = _reaches(frames)
    chosen = []
    for run in runs:
        i, j = max(run.i, first), min(run.j, last)
        if i >= j:
            continue
        bottom, top = min(zones[i], float(bottoms[i:j].min())), max(zones[j], float(tops[i:j].max()))
        grid = run.grid.part(bottom, top)
        centres = run.centres[i - run.i : j - run.i] + run.grid.start - grid.start
        lines = run.lines.part(i - run.i, j - run.i)
        chosen.append(Run(grid=grid, i=i - first, j=j - first, centres=centres, lines=lines))
    return chosen


def running_mean(values: Floats, width: int) -> Floats:
    """Mean of as many values around each; beyond the ends the last one goes on."""
    width = min(len(values), width)
    before = width // 2
    padded = np.concatenate([np.full(before, values[0]), values, np.full(width - 1 - before, values[-1])])
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def _reaches(frames: RowFrames) -> tuple[Floats, Floats]:
    """First and last phase of each frame."""
    reach = 0.5 * frames.cycles
    return frames.middle - reach, frames.middle + reach


def _equal(values: Ints) -> list[tuple[int, int]]:
    """Bounds of the runs of equal values."""
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1, [len(values)]])
    return [(int(a), int(b)) for a, b in itertools.pairwise(bounds)]
