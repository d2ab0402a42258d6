"""The kernels of the even grid of phase once more in plain numpy, as in ``reference.py``.

Point n of a grid lies at the phase n / points; a frame of M cycles is the M points points round its centre; v is the
place in it, -1/2 to 1/2, and its weight 1 + cos(2 pi v).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def grid_places(
    knots: Floats, turns: Floats, slopes: Floats, points: int, start: int, origin: float, place: Floats, dphi: Floats
) -> None:
    """Cubic Hermite time t(p), with the slopes 1 / slopes at the knots, at the phases p of the points: t, 1 / t'."""
    p = (start + np.arange(len(place))) / points
    k = np.clip(np.searchsorted(turns, p, side="right") - 1, 0, len(turns) - 2)
    h = turns[k + 1] - turns[k]
    u = (p - turns[k]) / h
    d0, d1, rise = h / slopes[k], h / slopes[k + 1], knots[k + 1] - knots[k]
    place[:] = knots[k] + d0 * (u**3 - 2 * u**2 + u) + d1 * (u**3 - u**2) + rise * (3 * u**2 - 2 * u**3) - origin
    dphi[:] = h / (d0 * (3 * u**2 - 4 * u + 1) + d1 * (3 * u**2 - 2 * u) + rise * (6 * u - 6 * u**2))


def interpolate(
    x: Floats, place: Floats, origin: float, middle: Floats, table: Floats, rows: Ints, shares: Floats, twice: Floats,
    out: Floats
) -> None:  # fmt: skip
    """Samples and their middles in turn, z; then sum over m of z[k - 7 + m] h(m), k = floor(2 (place - origin))."""
    del rows, shares, twice
    z = np.zeros(2 * len(x))
    z[::2] = x
    z[63 : 2 * (len(x) - 32) : 2] = np.correlate(np.asarray(x, dtype=float), np.asarray(middle, dtype=float))
    at = 2.0 * (place - origin)
    k = np.clip(at.astype(np.int64), 7, len(z) - 9)
    far = (at - k) * len(table)
    q = np.clip(far.astype(np.int64), 0, len(table) - 1)
    u = (far - q)[:, None]
    taps = table[q, 0].astype(float) + u * table[q, 1] + u**2 * table[q, 2]
    out[:] = np.sum(z[k[:, None] - 7 + np.arange(table.shape[2])] * taps, axis=1)


def lay_points(
    knots: Floats, turns: Floats, slopes: Floats, points: int, start: int, x: Floats, origin: float, middle: Floats,
    table: Floats, rows: Ints, shares: Floats, twice: Floats, place: Floats, dphi: Floats, y: Floats
) -> None:  # fmt: skip
    """The two one after the other."""
    grid_places(knots, turns, slopes, points, start, 0.0, place, dphi)
    interpolate(x, place, origin, middle, table, rows, shares, twice, y)


def turn_table(size: int, cosine: Floats, sine: Floats) -> None:
    """Cosine and sine of 2 pi j / size, j = 0 .. size - 1."""
    cosine[:size], sine[:size] = (f(2 * np.pi * np.arange(size) / size) for f in (np.cos, np.sin))


def sum_cycles(
    y: Floats, dphi: Floats, start: int, points: int, lap: int, centres: Ints, cycles: Ints, scratch: Floats,
    summed: Floats, tilted: Floats, means: Floats
) -> None:  # fmt: skip
    """Sums of (1 + cos 2 pi v) y and of sin(2 pi v) y over the points at each place of a lap; means of dphi and y^2."""
    del scratch
    for f, (centre, m) in enumerate(zip(centres, cycles, strict=True)):
        n = int(centre) - int(m) * points // 2 + np.arange(int(m) * points)
        v = np.arange(len(n)) / len(n) - 0.5
        weight = 1.0 + np.cos(2 * np.pi * v)
        for out, weighted in ((summed, weight * y[n]), (tilted, np.sin(2 * np.pi * v) * y[n])):
            out[f] = np.bincount((start + n) % lap, weights=weighted, minlength=lap)
        means[f] = np.mean(weight * dphi[n]), np.mean(weight * y[n].astype(float) ** 2)


def leave(y: Floats, start: int, centres: Ints, tables: Floats, dc: Floats, out: Floats) -> None:
    """Signal less cycle and mean, each a straight fade from one frame's centre to the next one's."""
    n = np.arange(len(y))
    share = np.interp(n, centres, np.arange(len(centres)))
    a = np.minimum(share.astype(np.int64), max(len(centres) - 2, 0))
    b = np.minimum(a + 1, len(centres) - 1)
    place = (start + n) % tables.shape[1]
    fade = share - a
    out[:] = y - (1 - fade) * (tables[a, place] + dc[a]) - fade * (tables[b, place] + dc[b])


def interharmonic_lines(
    r: Floats,
    points: int,
    cycles: int,
    centres: Ints,
    last: Ints,
    first: Ints,
    high: int,
    out: Floats,
    halves: NDArray[np.float32],
) -> None:
    """Of spectra of the frames (1 + cos 2 pi v) r / points: bins between the harmonics, at least two away from one.

    (median - the lower one of an even number -, mean, number, power at odd half orders below the sixth, their number,
    power of the bins from ``high`` on that stand ten times over the median, their mean place). Half orders are left out
    of all but their own two numbers; one in a frame of eight cycles or more counts if it stands four times over what is
    two bins beside it. The lines at odd half orders themselves, as many as are asked for, are ``halves``.
    """
    m, size = cycles, cycles * points
    n = centres[:, None] - size // 2 + np.arange(size)
    frames = (1.0 + np.cos(2 * np.pi * (np.arange(size) / size - 0.5))) * r[n]
    spectra = np.fft.rfft(frames, axis=1)
    halfway = m // 2 + m * np.arange(halves.shape[1] // 2)
    known = halfway < spectra.shape[1]
    lines = np.where(known, spectra[:, np.where(known, halfway, 0)], 0.0)
    halves[:] = np.stack([lines.real, lines.imag], axis=2).reshape(halves.shape)
    for i, row in enumerate(np.abs(spectra / points) ** 2):
        bins = np.arange(2, min(int(last[i]), len(row)))
        place = bins % m
        apart = (place > 1) & (place < m - 1)
        half_order = apart & (2 * place == m) & (bins < 6 * m)
        at = bins[half_order]
        neighbour = np.maximum(row[at - 2], row[np.minimum(at + 2, len(row) - 1)])
        clear = at if m < 8 else at[row[at] > 4.0 * neighbour]
        rest = bins[apart & ~half_order & (bins >= first[i])]
        out[i] = np.nan, np.nan, len(rest), row[clear].sum(), len(at), 0.0, np.nan
        if len(rest):
            median = np.sort(row[rest])[(len(rest) - 1) // 2]
            loud = rest[(rest >= high) & (row[rest] > 10.0 * median)]
            out[i, [0, 1, 5]] = median, row[rest].mean(), row[loud].sum()
            if row[loud].sum() > 0.0:
                out[i, 6] = np.average(loud, weights=row[loud])


def residual_histogram(
    r: Floats, start: int, points: int, lap: int, edges: Ints, crests: Floats, bins: int, scratch: Floats, out: Floats
) -> None:
    """Of r(n)^2 and of (r(n) - r(n - 1))^2: their sum in each part of the cycle, over the mean number of points a part.

    With fewer than four points a part: the sum at the middle of the part, by a straight line between two points.
    """
    del lap, scratch
    for i in range(len(edges) - 1):
        n = np.arange(max(edges[i], 1), edges[i + 1])
        out[i] = 0.0
        if not len(n):
            continue
        for side, values in enumerate((r[n], r[n].astype(float) - r[n - 1])):
            cycle = np.bincount((start + n) % points, weights=values.astype(float) ** 2, minlength=points)
            if points >= 4 * bins:
                turn = (np.arange(points) / points - crests[i] + 0.5 / bins) % 1.0
                part = np.minimum((turn * bins).astype(np.int64), bins - 1)
                out[i, side] = np.bincount(part, weights=cycle, minlength=bins) * bins / len(n)
            else:
                place = (crests[i] + np.arange(bins) / bins) % 1.0 * points
                p = np.minimum(place.astype(np.int64), points - 1)
                out[i, side] = (cycle[p] + (place - p) * (cycle[(p + 1) % points] - cycle[p])) * points / len(n)


def gather_blocks(r: Floats, place: Floats, first: int, last: int, origin: float, block: int, low: Floats) -> None:
    """Adds the width, and r times the width, of the points first .. last to the block of samples each lies in."""
    n = np.arange(max(first, 1), min(last, len(r) - 1))
    b = np.floor((place[n] - origin) / block).astype(np.int64)
    there = (b >= 0) & (b < len(low))
    width = 0.5 * (place[n + 1] - place[n - 1])
    np.add.at(low[:, 1], b[there], width[there])
    np.add.at(low[:, 0], b[there], (r[n] * width)[there])


def subtract_mean_cycle(
    y: Floats, place: Floats, start: int, points: int, lap: int, centres: Ints, tables: Floats, dc: Floats,
    edges: Ints, crests: Floats, bins: int, scratch: Floats, origin: float, block: int, residual: Floats, low: Floats,
    histogram: Floats
) -> None:  # fmt: skip
    """The three one after the other."""
    leave(y, start, centres, tables, dc, residual)
    gather_blocks(residual, place, int(edges[0]), int(edges[-1]), origin, block, low)
    residual_histogram(residual, start, points, lap, edges, crests, bins, scratch, histogram)
