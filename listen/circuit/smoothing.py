"""A slow quantity from noisy rows: a local parabola whose width the rows themselves choose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median

Floats = NDArray[np.floating[Any]]

_WIDTHS = (7, 11, 17, 27, 43, 67)
"""Rows that a parabola is laid through, each 1.6 times the last."""
_NARROWEST = 5
"""A tenth of a second: no hand turns a control, and back, in less."""
_END_WIDTH = 17
"""At the ends: 0.3 s, in which a turn's own bend is small against the noise of a row."""
_AGREE = 3.5
"""Standard deviations of their difference by which a parabola may leave a narrower one: noise does so once in two
thousand rows."""
_SHARED = 1
"""Rows on either side whose frames share samples with a row's own: they know its noise, and foretell it."""
GAP = 2.5
"""Times the usual distance of rows: there the tone was not read, and may have been anywhere."""
_OUTLIER = 5.0
"""Standard deviations (1.4826 median deviations of a normal scatter): of noise, one row in a million is as far."""
_MEDIAN_ROWS = 5
"""The fewest whose median two rows of a switch do not move."""
SHARED = 0.4
"""Frames of 40 ms every 20 ms share samples: neighbours agree in so much of their noise."""
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


def smoothed(rows: Floats, time_s: Floats | None = None, shared: float = SHARED) -> Smoothed:
    """Smooth rows by local parabolas, each as wide as the rows about it allow.

    Parameters
    ----------
    rows : ndarray, shape (n,)
    time_s : ndarray, shape (n,), optional
        In order; what lies beyond a gap is not laid through.
    shared : float
        Correlation of the noise of neighbours.

    Notes
    -----
    Parabolas of the width that best foretells rows that are left out with their neighbours: cross-validation in blocks,
    for neighbours agree in their noise (Burman, Chow and Nolan, Biometrika 81, 1994; from memory). Where the control
    hastens that is too wide, and the widest is taken that agrees with all narrower ones (A. Goldenshluger and A.
    Nemirovski, Mathematical Methods of Statistics 6, 1997; from memory). What noise adds to a span is its mean over
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
    pieces = _pieces(n, time_s)
    y = np.concatenate([_without_outliers(rows[piece]) for piece in pieces])
    noise, width = _noise_and_width([y[piece] for piece in pieces])
    # of a mean, where neighbours agree
    noise *= math.sqrt(1.0 + 2.0 * shared)
    matrix, bent = np.zeros((n, n)), np.zeros(n)
    for piece in pieces:
        matrix[piece, piece], bent[piece] = _as_wide_as_agrees(y[piece], width, noise)
    values = matrix @ y
    drawn = values + noise * np.random.default_rng(n).standard_normal((_DRAWS, n)) @ matrix.T
    spans = np.ptp(drawn, axis=1)
    span, ends = float(np.ptp(values)), (int(np.argmax(values)), int(np.argmin(values)))
    return Smoothed(
        values=values,
        sigma=np.hypot(noise * np.sqrt(np.sum(matrix**2, axis=1)), bent),
        span=max(2.0 * span - float(np.mean(spans)), 0.0),
        span_sigma=math.hypot(float(np.std(spans)), *bent[list(ends)].tolist()),
    )


def median_of_take(time_s: Floats, values: Floats, tone_s: Floats, moved: NDArray[np.bool_]) -> tuple[float, float]:
    """Median over all the time that the tone is heard, of what some rows of it tell.

    Where the values change along the take, their median depends on which rows are read: the others are taken as
    straight between their neighbours; in a gap they may have been anywhere from one end to the other, and beyond the
    ends they go on as there, somewhat.

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
    least, most = (median(level + share * further) for share in (0.0, _OUTRUNS))
    early, late = (median(ends + 0.5 * _OUTRUNS * further) for ends in _held(time_s, values, tone_s, level, moved))
    # evenly likely within
    return 0.5 * (early + late), math.hypot(most - least, late - early) / math.sqrt(12.0)


def _held(
    time_s: Floats, values: Floats, tone_s: Floats, level: Floats, moved: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Level of each row, in gaps in which the control moved that of the gap's first end, and of its last."""
    if len(time_s) < 3:
        return level, level
    apart = np.diff(time_s)
    after = np.searchsorted(time_s, tone_s, side="right").clip(1, len(time_s) - 1)
    gap = moved & (apart[after - 1] > GAP * median(apart)) & (tone_s > time_s[0]) & (tone_s < time_s[-1])
    return np.where(gap, values[after - 1], level), np.where(gap, values[after], level)


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


def _pieces(n: int, time_s: Floats | None) -> list[slice]:
    """Rows without a gap between them."""
    if time_s is None:
        return [slice(0, n)]
    apart = np.diff(time_s)
    ends = [0, *(np.flatnonzero(apart > GAP * median(apart)) + 1).tolist(), n]
    return [slice(a, b) for a, b in pairwise(ends)]


def _without_outliers(rows: Floats) -> Floats:
    """Rows far from the median of their neighbours are set to it: a click, a switch."""
    half = _MEDIAN_ROWS // 2
    if len(rows) < _MEDIAN_ROWS:
        return rows
    # turned over at the ends, so that a trend goes on there and no end row stands out
    before, after = 2 * rows[0] - rows[half:0:-1], 2 * rows[-1] - rows[-2 : -half - 2 : -1]
    padded = np.concatenate([before, rows, after])
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(padded, _MEDIAN_ROWS), axis=1)
    middle = ordered[:, half]
    off = np.abs(rows - middle)
    # a tip is no further from the median than those on its other side
    other_side = np.where(rows > middle, middle - ordered[:, 0], ordered[:, -1] - middle)
    return np.where((off > _OUTLIER * 1.4826 * median(off)) & (off > 2.0 * other_side), middle, rows)


def _noise_and_width(pieces: list[Floats]) -> tuple[float, int]:
    """A row's noise, and the width of the parabolas that best foretell rows without their neighbours.

    The noise is the median of all rows, and a miss counts for no more than an outlier's: the few rows where the control
    hastens decide neither.
    """
    best, least, noise = _WIDTHS[0], np.inf, 0.0
    for width in _WIDTHS:
        missed, noisier = (np.concatenate(each) for each in zip(*(_foretold(y, width) for y in pieces), strict=True))
        if not len(missed):
            break
        if width == _WIDTHS[0]:
            noise = 1.4826 * median(np.abs(missed / noisier))
        error = float(np.mean(np.minimum(np.abs(missed), _OUTLIER * noise) ** 2))
        if error < least:
            best, least = width, error
    return noise, best


def _foretold(rows: Floats, width: int) -> tuple[Floats, Floats]:
    """By how much parabolas through the others miss each row, and how much noisier than a row that is.

    The same rows for all widths: without the outermost, that the narrowest would have to foretell from one side.
    """
    inner = slice(_WIDTHS[0] // 2, len(rows) - _WIDTHS[0] // 2)
    weight = _without_neighbours(len(rows), width)
    return (rows - weight @ rows)[inner], np.sqrt(1.0 + np.sum(weight**2, axis=1))[inner]


def _as_wide_as_agrees(rows: Floats, width: int, noise: float) -> tuple[Floats, Floats]:
    """Smoother of the rows, up to a width, and what a bend may have moved each value by.

    Each row has the widest parabola that agrees with all narrower ones.
    """
    n = len(rows)
    smoothers = [_parabolas(n, w) for w in (_NARROWEST, *_WIDTHS) if w <= width]
    values = [matrix @ rows for matrix in smoothers]
    # where even the narrowest is too wide, the row itself tells by how much
    alone = noise * np.sqrt(np.sum((smoothers[0] - np.eye(n)) ** 2, axis=1))
    out, bent = smoothers[0].copy(), np.sqrt(np.maximum((values[0] - rows) ** 2 - alone**2, 0.0))
    agrees = np.ones(n, dtype=bool)
    for i in range(1, len(smoothers)):
        moved = np.zeros(n)
        for j in range(i):
            unsure = noise * np.sqrt(np.sum((smoothers[i] - smoothers[j]) ** 2, axis=1))
            off = np.abs(values[i] - values[j])
            agrees &= off <= _AGREE * unsure
            moved = np.sqrt(np.maximum(off**2 - unsure**2, 0.0)) if j else moved
        out[agrees], bent[agrees] = smoothers[i][agrees], moved[agrees]
    return out, bent


def _window(i: int, n: int, width: int) -> tuple[int, int]:
    """First row and number of rows of the parabola for row i.

    Beside the middle of its rows a parabola errs by the third order, so that those at the ends are narrow.
    """
    own = min(width, max(2 * min(i, n - 1 - i) + 1, _END_WIDTH), n)
    return min(max(i - own // 2, 0), n - own), own


@lru_cache(maxsize=128)
def _laid_through(rows: int, at: int, spared: int) -> Floats:
    """Weights of evenly spaced rows for a parabola's value at one of them, so many on either side of it left out."""
    columns = np.vander(np.linspace(-1.0, 1.0, rows), min(3, rows), increasing=True)
    others = np.abs(np.arange(rows) - at) >= spared
    weight = np.zeros(rows)
    weight[others] = columns[at] @ np.linalg.pinv(columns[others])
    return weight


@lru_cache(maxsize=32)
def _parabolas(n: int, width: int) -> Floats:
    """Smoother of n rows: each is the value there of the parabola about it."""
    return _weights(n, width, 0)


@lru_cache(maxsize=32)
def _without_neighbours(n: int, width: int) -> Floats:
    """Foreteller of n rows: each from the parabola about it that knows neither it nor its neighbours."""
    return _weights(n, width, _SHARED + 1)


def _weights(n: int, width: int, spared: int) -> Floats:
    matrix = np.zeros((n, n))
    for i in range(n):
        first, own = _window(i, n, width)
        matrix[i, first : first + own] = _laid_through(own, i - first, spared)
    matrix.setflags(write=False)
    return matrix
