"""A slow quantity from noisy rows: a local parabola whose width the rows themselves choose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median

Floats = NDArray[np.floating[Any]]

_WIDTHS = (7, 11, 17, 27, 43, 67)
"""Rows that a parabola is laid through, each 1.6 times the last."""
_END_WIDTH = 17
"""At the ends: 0.3 s, in which a turn's own bend is small against the noise of a row."""
_SHARED = 1
"""Rows on either side whose frames share samples with a row's own: they know its noise, and foretell it."""
_OUTLIER = 5.0
"""Standard deviations (1.4826 median deviations of a normal scatter): of noise, one row in a million is as far."""
_MEDIAN_ROWS = 5
"""The fewest whose median two rows of a switch do not move."""
_OVERLAP = 1.35
"""Frames of 40 ms every 20 ms share samples: neighbours agree to four tenths, which leaves 1.35 times the noise."""
_EDGE_ROWS = 5
"""Rows whose slope tells how far the next ones may lie."""
_OUTRUNS = 1.5
"""Times that slope, at the most: a hand comes to rest at the ends of a turn, and seldom hastens there."""
_DRAWS = 64
"""A span's mean is known to an eighth of its scatter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Smoothed:
    """Smooth values along the rows.

    Attributes
    ----------
    values, sigma : ndarray, shape (n,)
    span, span_sigma : float
        Most less least, without what noise adds to it.
    """

    values: Floats
    sigma: Floats
    span: float
    span_sigma: float


def smoothed(rows: Floats) -> Smoothed:
    """Smooth rows by local parabolas of the width that best predicts rows that are left out with their neighbours.

    Parameters
    ----------
    rows : ndarray, shape (n,)

    Notes
    -----
    Cross-validation in blocks, for neighbours agree in their noise (Burman, Chow and Nolan, Biometrika 81, 1994; from
    memory): by single rows the narrowest parabolas win, which follow that. What noise adds to a span is its mean over
    drawn noise (parametric bootstrap: Efron, Annals of Statistics 7, 1979; from memory).

    Examples
    --------
    >>> noisy = np.linspace(0.0, 1.0, 100) + 0.05 * np.random.default_rng(1).standard_normal(100)
    >>> found = smoothed(noisy)
    >>> bool(abs(found.span - 1.0) < 3 * found.span_sigma)
    True
    """
    n = len(rows)
    if n <= _WIDTHS[0]:
        return Smoothed(values=rows, sigma=np.zeros(n), span=float(np.ptp(rows)) if n else 0.0, span_sigma=0.0)
    y = _without_outliers(rows)
    width = min((width for width in _WIDTHS if width <= n), key=lambda width: _foretold(y, width)[0])
    matrix, noise = _parabolas(n, width), _foretold(y, width)[1]
    values = matrix @ y
    drawn = values + _OVERLAP * noise * np.random.default_rng(n).standard_normal((_DRAWS, n)) @ matrix.T
    spans = np.ptp(drawn, axis=1)
    span = float(np.ptp(values))
    return Smoothed(
        values=values,
        sigma=_OVERLAP * noise * np.sqrt(np.sum(matrix**2, axis=1)),
        span=max(2.0 * span - float(np.mean(spans)), 0.0),
        span_sigma=float(np.std(spans)),
    )


def median_of_take(time_s: Floats, values: Floats, tone_s: Floats, moved: NDArray[np.bool_]) -> tuple[float, float]:
    """Median over all the time that the tone is heard, of what some rows of it tell.

    Where the values change along the take, their median depends on which rows are read: the others are taken as
    straight between their neighbours; beyond the ends they go on as there, somewhat.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        What was read, in order of time.
    tone_s : ndarray, shape (m,)
        Rows with the tone, evenly spaced.
    moved : ndarray of bool, shape (m,)
        Rows where the control stands elsewhere than at the nearest one that was read.

    Returns
    -------
    median, sigma : float
        The deviation is of what the rows that were not read may move.

    Examples
    --------
    >>> rows = np.arange(1.0, 9.0)
    >>> sounding = np.arange(0.0, 14.0)
    >>> found, sigma = median_of_take(rows, rows**2, sounding, np.ones(14, dtype=bool))
    >>> float(found), sigma
    (42.5, 0.0)
    """
    if not len(tone_s):
        return median(values), 0.0
    level, further = np.interp(tone_s, time_s, values), np.zeros(len(tone_s))
    for at, sign, end in ((0, -1.0, slice(0, _EDGE_ROWS)), (-1, 1.0, slice(-_EDGE_ROWS, None))):
        outside = moved & (sign * (tone_s - time_s[at]) > 0)
        slope = float(np.polyfit(time_s[end], values[end], 1)[0]) if len(values[end]) > 1 else 0.0
        further[outside] = slope * (tone_s[outside] - time_s[at])
    least, middle, most = (median(level + share * further) for share in (0.0, 0.5 * _OUTRUNS, _OUTRUNS))
    # evenly likely within
    return middle, abs(most - least) / math.sqrt(12.0)


def row_at_median(values: Floats) -> float:
    """By how much the sorted values change there from row to row.

    Examples
    --------
    >>> row_at_median(np.arange(101.0) / 4)
    0.25
    """
    ordered, middle = np.sort(values), len(values) // 2
    low, high = max(middle - _EDGE_ROWS, 0), min(middle + _EDGE_ROWS, len(values) - 1)
    return float(ordered[high] - ordered[low]) / max(high - low, 1)


def _without_outliers(rows: Floats) -> Floats:
    """Rows far from the median of their neighbours are set to it: a click, a switch."""
    half = _MEDIAN_ROWS // 2
    # turned over at the ends, so that a trend goes on there and no end row stands out
    before, after = 2 * rows[0] - rows[half:0:-1], 2 * rows[-1] - rows[-2 : -half - 2 : -1]
    padded = np.concatenate([before, rows, after])
    middle = np.sort(np.lib.stride_tricks.sliding_window_view(padded, _MEDIAN_ROWS), axis=1)[:, half]
    off = np.abs(rows - middle)
    return np.where(off > _OUTLIER * 1.4826 * median(off), middle, rows)


def _foretold(rows: Floats, width: int) -> tuple[float, float]:
    """Mean square by which parabolas through the other rows of a window miss its middle one, and a row's noise."""
    half = width // 2
    columns = np.vander((np.arange(width) - half) / width, 3, increasing=True)
    others = np.abs(np.arange(width) - half) > _SHARED
    weight = np.zeros(width)
    weight[others] = np.linalg.pinv(columns[others])[0]
    missed = rows[half : len(rows) - half] - np.lib.stride_tricks.sliding_window_view(rows, width) @ weight
    error = float(np.mean(missed**2))
    return error, math.sqrt(error / (1.0 + float(weight @ weight)))


@lru_cache(maxsize=16)
def _parabolas(n: int, width: int) -> Floats:
    """Smoother: row i is the parabola's value there, over ``width`` rows about it, or as many as there are to its end.

    Beside the middle of its rows a parabola errs by the third order, so that those at the ends are narrow.
    """
    matrix = np.zeros((n, n))
    for i in range(n):
        own = min(width, max(2 * min(i, n - 1 - i) + 1, _END_WIDTH))
        first = min(max(i - own // 2, 0), n - own)
        columns = np.vander((np.arange(own) - (i - first)) / own, 3, increasing=True)
        matrix[i, first : first + own] = np.linalg.pinv(columns)[0]
    matrix.setflags(write=False)
    return matrix
