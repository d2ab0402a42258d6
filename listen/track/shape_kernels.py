"""The hot loops behind a frame's lines: what lies between them, the shape of the mean cycle, the residual.

Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from listen.track.types import Floats, Ints

_SUMS = {"contract", "reassoc", "nsz"}
"""Flags that let a sum be vectorised; those that assume 'no NaN' are left out."""


@njit(cache=True, nogil=True)
def between_lines(
    power: Floats,
    cycles: Ints,
    last: Ints,
    first: Ints,
    high: Ints,
    scratch: Floats,
    out: Floats,
) -> None:
    """Power between the harmonics: bins that are no harmonic nor next to one, from first[i] up to last[i].

    power (n, bins) of frames of cycles[i] cycles; out[i] = (median, mean, bins, power at odd half orders below the
    sixth, their number, power of the bins from high[i] on that stand ten times over the median, their mean place
    in bins).
    """
    for i in range(power.shape[0]):
        m = cycles[i]
        count = 0
        total = 0.0
        half = 0.0
        halves = 0
        for b in range(2, last[i]):
            place = b % m
            if place <= 1 or place == m - 1:
                continue
            p = power[i, b]
            if 2 * place == m and b < 6 * m:
                halves += 1
                # a line, not the skirt of a harmonic whose pitch jitters
                if m < 8 or p > 4.0 * max(power[i, b - 2], power[i, b + 2]):
                    half += p
                continue
            if b < first[i]:
                continue
            scratch[count] = p
            count += 1
            total += p
        out[i, 2] = count
        out[i, 3] = half
        out[i, 4] = halves
        out[i, 5] = 0.0
        out[i, 6] = np.nan
        if count == 0:
            out[i, 0] = np.nan
            out[i, 1] = np.nan
            continue
        median = np.median(scratch[:count])
        out[i, 0] = median
        out[i, 1] = total / count
        loud = 0.0
        place_sum = 0.0
        for b in range(max(first[i], high[i]), last[i]):
            place = b % m
            if place <= 1 or place == m - 1 or (2 * place == m and b < 6 * m):
                continue
            p = power[i, b]
            if p > 10.0 * median:
                loud += p
                place_sum += p * b
        out[i, 5] = loud
        if loud > 0.0:
            out[i, 6] = place_sum / loud


@njit(cache=True, nogil=True)
def cycle_shape(cycle: Floats, slope: Floats, out: Floats) -> None:
    """Extremes and flat spans of mean cycles, the mean removed by the caller.

    cycle, slope (n, points): one cycle and its slope a cycle. out[i] = (largest, least, part of the cycle above 98 % of
    the largest, part below 98 % of the least, steepest slope up, steepest slope down, place of the largest, of the
    least).
    """
    points = cycle.shape[1]
    for i in range(cycle.shape[0]):
        row = cycle[i]
        high = 0
        low = 0
        up = 0.0
        down = 0.0
        for j in range(points):
            if row[j] > row[high]:
                high = j
            if row[j] < row[low]:
                low = j
            if slope[i, j] > up:
                up = slope[i, j]
            if slope[i, j] < down:
                down = slope[i, j]
        for side in range(2):
            sign = 1.0 if side == 0 else -1.0
            at = high if side == 0 else low
            a = sign * row[at - 1]
            b = sign * row[at]
            c = sign * row[(at + 1) % points]
            curve = a - 2.0 * b + c
            shift = 0.0
            if curve < 0.0:
                shift = 0.5 * (a - c) / curve
            peak = b - 0.25 * (a - c) * shift
            limit = 0.98 * peak
            span = 0.0
            before = sign * row[points - 1]
            for j in range(points):
                here = sign * row[j]
                if before >= limit and here >= limit:
                    span += 1.0
                elif before >= limit or here >= limit:
                    top = before if before > here else here
                    bottom = here if before > here else before
                    span += (top - limit) / (top - bottom)
                before = here
            out[i, side] = sign * peak
            out[i, 2 + side] = span / points
            out[i, 6 + side] = (at + shift) / points
        out[i, 4] = up
        out[i, 5] = down


@njit(cache=True, nogil=True, fastmath=_SUMS)
def residual(
    x: Floats,
    phase: Floats,
    edges: Ints,
    which: Ints,
    centres: Floats,
    tables: Floats,
    dc: Floats,
    out: Floats,
) -> None:
    """What the mean cycles leave of the samples, cross-faded from frame to frame.

    Frame which[i] rules at sample edges[i]; centres (n,): phase at which its table (n, points, cycle without DC)
    starts; between edges[i] and edges[i + 1] the two tables fade into each other. Third-order interpolation in the
    table.
    """
    points = tables.shape[1]
    for i in range(edges.shape[0] - 1):
        a = edges[i]
        b = edges[i + 1]
        if b <= a:
            continue
        inv = 1.0 / (b - a)
        r0 = which[i]
        r1 = which[i + 1]
        c0 = centres[r0]
        c1 = centres[r1]
        for j in range(a, b):
            u = (j - a) * inv
            value = (1.0 - u) * dc[r0] + u * dc[r1]
            for side in range(2):
                p = phase[j] - (c0 if side == 0 else c1)
                p -= math.floor(p)
                p *= points
                k = int(p)
                t = p - k
                row = r0 if side == 0 else r1
                if k >= points:
                    k -= points
                ym = tables[row, k - 1]
                y0 = tables[row, k]
                y1 = tables[row, k + 1 if k + 1 < points else k + 1 - points]
                y2 = tables[row, k + 2 if k + 2 < points else k + 2 - points]
                h = y0 + t * (
                    (y1 - ym / 3.0 - 0.5 * y0 - y2 / 6.0)
                    + t * ((0.5 * (ym + y1) - y0) + t * ((y2 - ym) / 6.0 + 0.5 * (y0 - y1)))
                )
                value += (1.0 - u if side == 0 else u) * h
            out[j] = x[j] - value


@njit(cache=True, nogil=True)
def fold_residual(r: Floats, phase: Floats, edges: Ints, centres: Floats, bins: int, out: Floats) -> None:
    """Power of the residual and of its first difference in equal parts of the cycle, each frame's own samples.

    out[i] = (residual power, difference power) a part, (n, 2, bins); centres: phase of the parts' start.
    """
    counts = np.empty(bins)
    for i in range(edges.shape[0] - 1):
        out[i, :, :] = 0.0
        counts[:] = 0.0
        a = edges[i]
        b = edges[i + 1]
        for j in range(max(a, 1), b):
            p = phase[j] - centres[i]
            p -= math.floor(p)
            k = int(p * bins)
            if k >= bins:
                k = bins - 1
            d = r[j] - r[j - 1]
            out[i, 0, k] += r[j] * r[j]
            out[i, 1, k] += d * d
            counts[k] += 1.0
        for k in range(bins):
            if counts[k] > 0.0:
                out[i, 0, k] /= counts[k]
                out[i, 1, k] /= counts[k]
