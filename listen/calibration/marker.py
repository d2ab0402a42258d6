"""The start marker of a played staircase: two pulses that nothing else looks like, and the steps begin after it."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

import numpy as np

from listen.calibration.plateaus import GRID_S, Trace
from listen.calibration.types import Floats

PULSES: tuple[tuple[Literal["low", "high"], float], ...] = (
    ("low", 0.50),
    ("high", 0.40),
    ("low", 0.40),
    ("high", 0.80),
    ("low", 1.00),
)
"""Levels and seconds, the first low at least so long; the first step begins where the last low ends."""
_ALIKE = 0.88
_REFINE_S = 0.06


def marker_s() -> float:
    """Return how long the marker is, its first low counted in."""
    return sum(seconds for _, seconds in PULSES)


def find_marker(trace: Trace, floor: float | None = None) -> float | None:
    """Find where the steps begin.

    Parameters
    ----------
    trace : Trace
        Pitch in cents or a voltage in millivolts.
    floor : float, optional
        What stands where the trace has nothing (a voltage that does not oscillate); its lowest value where not given.

    Returns
    -------
    float or None
        Seconds from the file's first sample; None where there is no marker.

    Notes
    -----
    Normalised correlation with the two pulses; the edges of the pulses then give the place to a few milliseconds.
    """
    if len(trace.time_s) < 10:
        return None
    first, last = trace.time_s[0] - 2.0 * GRID_S, trace.time_s[-1]
    grid = np.arange(first, last + GRID_S, GRID_S)
    low = float(trace.value.min()) if floor is None else floor
    values = np.interp(grid, trace.time_s, trace.value)
    nearest = np.clip(np.searchsorted(trace.time_s, grid), 1, len(trace.time_s) - 1)
    gap = np.minimum(np.abs(trace.time_s[nearest] - grid), np.abs(grid - trace.time_s[nearest - 1]))
    values[gap > 0.06] = low
    pattern = _pattern()
    n = len(pattern)
    if len(values) < n:
        return None
    views = np.lib.stride_tricks.sliding_window_view(values, n)
    mean, spread = views.mean(axis=1), views.std(axis=1)
    centred = pattern - pattern.mean()
    alike = (views @ centred) / n / np.maximum(spread, 1e-9) / pattern.std()
    alike[spread < 25.0] = 0.0
    best = int(np.argmax(alike))
    if alike[best] < _ALIKE or mean[best] != mean[best]:
        return None
    return _refined(grid, values, float(grid[best] + n * GRID_S))


def _pattern() -> Floats:
    parts = [np.full(round(seconds / GRID_S), 1.0 if level == "high" else 0.0) for level, seconds in PULSES]
    return np.concatenate(parts)


def _refined(grid: Floats, values: Floats, begin_s: float) -> float:
    """Move the place by what the four edges say: where the trace crosses half-way."""
    edge_s, offsets = begin_s - marker_s(), []
    for (level, seconds), (after, _) in pairwise(PULSES):
        edge_s += seconds
        near = np.flatnonzero(np.abs(grid - edge_s) <= _REFINE_S)
        if not len(near):
            continue
        part = values[near]
        middle = 0.5 * (np.median(part[:3]) + np.median(part[-3:]))
        high = part > middle
        crossing = np.flatnonzero(high[1:] != high[:-1])
        if len(crossing) == 1 and level != after:
            offsets.append(float(grid[near[crossing[0]]] + 0.5 * GRID_S - edge_s))
    return begin_s + (float(np.median(offsets)) if offsets else 0.0)
