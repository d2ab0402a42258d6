"""Plateaus: segments of constant pitch or recorded voltage."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listen.calibration.types import Floats
from listen.track.types import Frames
from listen.units import cents_between, hz_from_cents

GRID_S = 0.01
SIDE = 6
"""Points whose median stands for one side of a change: 60 ms."""
LEAST_HOLD_POINTS = 4
LEAST_CENTS = 2.0
_OVER_NOISE = 6.0
_THRESHOLDS = 36
_LEAST_RUN = 0.25
_SHORT_GAP_S = 0.05
_SILENCE_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A quantity on an even grid, what is not there left out.

    Attributes
    ----------
    time_s, value : ndarray, shape (n,)
        Cents above 1 Hz, or a voltage in millivolts.
    """

    time_s: Floats
    value: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    """A rest of the control.

    Attributes
    ----------
    start_s : float
        Where the change before it was fastest.
    end_s : float
        Where the next change begins.
    level : float
        Median of the last third, in the trace's unit.
    silent : bool
        Nothing oscillates here; ``level`` is NaN.
    """

    start_s: float
    end_s: float
    level: float
    silent: bool = False

    @property
    def hold_s(self) -> float:
        """How long it is."""
        return self.end_s - self.start_s


def pitch_trace(frames: Frames) -> Trace:
    """Return the pitch every 10 ms, in cents above 1 Hz, from the envelope between the frames."""
    envelope = frames.envelope
    there = envelope.oscillating & np.isfinite(envelope.f0_hz) & (envelope.f0_hz > 0)
    time_s = envelope.time_s[there].astype(np.float64)
    if not len(time_s):
        return Trace(time_s=np.empty(0), value=np.empty(0))
    cents = cents_between(envelope.f0_hz[there].astype(np.float64), 1.0)
    cell = np.floor(time_s / GRID_S).astype(np.int64)
    first = cell - cell[0]
    count = np.bincount(first)
    mean = np.bincount(first, cents) / np.maximum(count, 1)
    grid_s = (cell[0] + np.arange(len(count)) + 0.5) * GRID_S
    # Low notes have fewer values than the grid has cells: those between two of one tone are on the line between them.
    period_s = 1.0 / hz_from_cents(np.interp(grid_s, time_s, cents), 1.0)
    right = np.minimum(np.searchsorted(time_s, grid_s), len(time_s) - 1)
    spacing = time_s[right] - time_s[np.maximum(right - 1, 0)]
    interpolated = (count == 0) & (spacing < np.maximum(0.012, 1.2 * period_s)) & (spacing > 0)
    value = np.where(count > 0, mean, np.interp(grid_s, time_s, cents))
    keep = (count > 0) | interpolated
    return Trace(time_s=grid_s[keep], value=value[keep])


def silences(trace: Trace, start_s: float, stop_s: float) -> list[Plateau]:
    """Return the segments of at least 0.1 s in which nothing oscillates."""
    edges = np.concatenate([[start_s - 0.5 * GRID_S], trace.time_s, [stop_s + 0.5 * GRID_S]])
    gaps = np.flatnonzero(np.diff(edges) > _SILENCE_S)
    return [
        Plateau(start_s=edges[i] + 0.5 * GRID_S, end_s=edges[i + 1] - 0.5 * GRID_S, level=np.nan, silent=True)
        for i in gaps
    ]


def find_plateaus(trace: Trace, wanted: int | None, *, least: float = LEAST_CENTS) -> list[list[Plateau]]:
    """Find where the trace rests: the views of :func:`find_views`, the likeliest first."""
    return [view.plateaus for view in find_views(trace, wanted, least=least)]


class View(NamedTuple):
    """One way to see where a trace rests, and over which part of all thresholds it is seen."""

    plateaus: list[Plateau]
    share: float


def find_views(trace: Trace, wanted: int | None, *, least: float = LEAST_CENTS) -> list[View]:
    """Find where the trace rests.

    Parameters
    ----------
    trace : Trace
    wanted : int or None
        How many there should be, where that is known.
    least : float
        No change smaller than this is one.

    Returns
    -------
    list of View
        Ways to see it, the likeliest first, each in order of time. Empty where the trace never rests.

    Notes
    -----
    A change is a difference between the medians of 60 ms on either side. How large it must be to count is taken from
    the trace: every threshold between the noise and half of the largest change is tried, and the number of plateaus
    that holds over the widest range of thresholds is the likeliest, that which is wanted before others
    unless its range is much narrower.
    """
    x = trace.value
    if len(x) < 2 * SIDE + LEAST_HOLD_POINTS:
        if len(x) < LEAST_HOLD_POINTS:
            return []
        return [View([_plateau(trace, 0, len(x) - 1)], 1.0)]
    change = _changes(x)
    wander = 1.4826 * float(np.median(np.abs(change - np.median(change))))
    # A pitch that creeps all the time has no noise of that size: what is off the neighbours' mean tells it.
    rough = 1.4826 * float(np.median(np.abs(x[1:-1] - 0.5 * (x[:-2] + x[2:])))) / np.sqrt(1.5)
    low = max(least, _OVER_NOISE * min(wander, max(rough, 0.1 * wander)))
    high = max(0.5 * float(np.abs(change).max()), 1.001 * low)
    found: dict[int, tuple[int, list[Plateau]]] = {}
    run: list[list[Plateau]] = []
    for threshold in [*np.geomspace(low, high, _THRESHOLDS), None]:
        plateaus = [] if threshold is None else _at_threshold(trace, change, float(threshold))
        if run and (threshold is None or len(plateaus) != len(run[0])):
            count = len(run[0])
            if count and (count not in found or len(run) > found[count][0]):
                found[count] = (len(run), run[len(run) // 2])
            run = []
        if threshold is not None:
            run.append(plateaus)
    longest = max((length for length, _ in found.values()), default=0)
    order = sorted(
        found, key=lambda count: (count != wanted or found[count][0] < _LEAST_RUN * longest, -found[count][0])
    )
    return [View(found[count][1], found[count][0] / _THRESHOLDS) for count in order]


def _changes(x: Floats) -> Floats:
    """Median of the right side minus median of the left one, at each boundary between two points."""
    medians = np.median(np.lib.stride_tricks.sliding_window_view(x, SIDE), axis=1)
    out = np.zeros(len(x) + 1)
    out[SIDE : len(x) - SIDE + 1] = medians[SIDE:] - medians[: len(medians) - SIDE]
    return out


def _at_threshold(trace: Trace, change: Floats, threshold: float) -> list[Plateau]:
    still = np.abs(change) <= threshold
    bounds = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    runs = [(int(a), int(b) - 1) for a, b in bounds.reshape(-1, 2) if b - a > LEAST_HOLD_POINTS]
    if not runs:
        return []
    x, n = trace.value, len(trace.value)
    lows = [0] + [_fastest(x, end, start) for (_, end), (start, _) in pairwise(runs)]
    out = []
    for index, (start, end) in enumerate(runs):
        first = lows[index] if index else max(0, start - SIDE if start > SIDE else 0)
        last = n - 1 if end >= n - SIDE else _leave(x, start, end, threshold)
        last = min(last, lows[index + 1] - 1) if index + 1 < len(runs) else last
        out.append(_plateau(trace, first, max(last, first)))
    return out


def _fastest(x: Floats, end: int, start: int) -> int:
    """Return the point that the fastest change between two rests leads to."""
    low, high = max(1, end - 1), min(len(x) - 1, start + 1)
    return low + int(np.argmax(np.abs(np.diff(x[low - 1 : high + 1]))))


def _leave(x: Floats, start: int, end: int, threshold: float) -> int:
    """Return the last point at the level that the rest ends with."""
    before = x[max(start, end - SIDE) : end] if end > start else x[end : end + 1]
    level = np.median(before)
    near = max(0.25 * threshold, 4.0 * 1.4826 * float(np.median(np.abs(before - level))))
    ahead = np.abs(x[end : end + SIDE + 1] - level) <= near
    away = np.flatnonzero(~ahead)
    return end + (int(away[0]) if len(away) else len(ahead)) - 1


def _plateau(trace: Trace, first: int, last: int) -> Plateau:
    time_s, n = trace.time_s, len(trace.time_s)
    start_s, end_s = time_s[first] - 0.5 * GRID_S, time_s[last] + 0.5 * GRID_S
    # The tracker leaves out a little around a jump; the jump itself is in the middle of that.
    if first > 0 and 0 < time_s[first] - time_s[first - 1] - GRID_S <= _SHORT_GAP_S:
        start_s = 0.5 * (time_s[first] + time_s[first - 1])
    if last + 1 < n and 0 < time_s[last + 1] - time_s[last] - GRID_S <= _SHORT_GAP_S:
        end_s = 0.5 * (time_s[last] + time_s[last + 1])
    settled = trace.value[(time_s >= end_s - (end_s - start_s) / 3.0) & (time_s <= end_s)]
    level = float(np.median(settled)) if len(settled) else float(trace.value[last])
    return Plateau(start_s=float(start_s), end_s=float(end_s), level=level)


def moving_share(trace: Trace, plateaus: list[Plateau]) -> float:
    """Return the part of the trace that is in no plateau."""
    inside: NDArray[np.bool_] = np.zeros(len(trace.time_s), dtype=bool)
    for plateau in plateaus:
        inside |= (trace.time_s >= plateau.start_s) & (trace.time_s <= plateau.end_s)
    return 1.0 - float(inside.mean()) if len(inside) else 1.0
