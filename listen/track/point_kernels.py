"""The hot loops that bring samples to the even grid of phase: where its points lie, and the signal there.

A grid has a whole number of points a cycle; point n lies at the phase n / points. Each kernel has its plain twin, under
the same name, in ``reference_grid.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints


@kernel("void(f8[::1], f8[::1], f8[::1], i8, i8, f8, f8[::1], f8[::1])", sums=True)
def grid_places(
    knots: Floats,
    turns: Floats,
    slopes: Floats,
    points: int,
    start: int,
    origin: float,
    place: Floats,
    dphi: Floats,
) -> None:
    """Where the grid's points start, start + 1 .. lie: samples after ``origin``, and cycles a sample there.

    knots, turns, slopes (k,): sample, phase in cycles and cycles a sample; between two knots time is a cubic of the
    phase with these slopes; the end pieces go on beyond the ends.
    """
    n = place.shape[0]
    inv_points = 1.0 / points
    for k in range(knots.shape[0] - 1):
        p0 = turns[k]
        p1 = turns[k + 1]
        a = math.ceil(p0 * points) - start
        b = math.ceil(p1 * points) - start
        if k == 0:
            a = 0
        if k == knots.shape[0] - 2:
            b = n
        if a < 0:
            a = 0
        if b > n:
            b = n
        if b <= a:
            continue
        h = p1 - p0
        d0 = h / slopes[k]
        d1 = h / slopes[k + 1]
        dt = knots[k + 1] - knots[k]
        c2 = 3.0 * dt - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * dt
        base = knots[k] - origin
        step = inv_points / h
        first = ((a + start) * inv_points - p0) / h
        for i in range(np.uint64(b - a)):
            u = first + i * step
            place[np.uint64(a) + i] = base + u * (d0 + u * (c2 + u * c3))
            dphi[np.uint64(a) + i] = h / (d0 + u * (2.0 * c2 + 3.0 * u * c3))


@part(sums=True)
def _add_middles(x: Floats, taps: Floats, first: int, count: int, sums: Floats) -> None:
    """Middles after the samples first, first + 1 .. of x: sums[i] = sum over m of taps[m] x[first + i - 31 + m]."""
    size = np.uint64(count)
    for j in range(size):
        sums[j] = np.float32(0.0)
    # four and their mirrors at a time: what is added to is read and written once for all of them
    for four in range(0, 32, 4):
        low = np.uint64(first - 31 + four)
        high = np.uint64(first + 32 - four)
        t0 = taps[four]
        t1 = taps[four + 1]
        t2 = taps[four + 2]
        t3 = taps[four + 3]
        for j in range(size):
            a = low + j
            b = high + j
            sums[j] += (
                t0 * (x[a] + x[b])
                + t1 * (x[a + np.uint64(1)] + x[b - np.uint64(1)])
                + t2 * (x[a + np.uint64(2)] + x[b - np.uint64(2)])
                + t3 * (x[a + np.uint64(3)] + x[b - np.uint64(3)])
            )


@kernel("void(f4[::1], f8[::1], f8, f4[::1], f4[:, :, ::1], i8[:, ::1], f4[::1], f4[::1], f4[::1])", sums=True)
def interpolate(
    x: Floats,
    place: Floats,
    origin: float,
    middle: Floats,
    table: Floats,
    rows: Ints,
    shares: Floats,
    twice: Floats,
    out: Floats,
) -> None:
    """Signal x (float32, x[0] at ``origin``) between its samples: out[i] = x at place[i], rising.

    The middle between each two samples by the taps ``middle`` (64,), symmetric; then all other places by taps from
    ``table`` (places, 3, 16). rows (2, m), shares (m,): room for m points at a time; twice (3 s,): for s samples, of
    which these may span no more than s - 20. What lies within 39 samples of the ends is drawn from what is there.
    """
    places = table.shape[0]
    span = twice.shape[0] // 3
    room = twice[2 * span :]
    start = 0
    while start < place.shape[0]:
        count = min(rows.shape[1], place.shape[0] - start)
        low = min(max(int(place[start] - origin) - 7, 31), x.shape[0] - 43)
        while count > 1 and place[start + count - 1] - origin > low + span - 12:
            count //= 2
        high = min(int(place[start + count - 1] - origin) + 9, x.shape[0] - 33, low + span - 1)
        samples = max(high - low + 1, 10)
        _add_middles(x, middle, low, samples, room)
        for j in range(np.uint64(samples)):
            twice[np.uint64(2) * j] = x[np.uint64(low) + j]
            twice[np.uint64(2) * j + np.uint64(1)] = room[j]
        first = np.uint64(start)
        size = np.uint64(count)
        highest = 2 * samples - 9
        # what can be done for several points at once is done before
        for i in range(size):
            at = 2.0 * (place[first + i] - origin - low)
            k = min(max(int(at), 7), highest)
            far = (at - k) * places
            q = min(max(int(far), 0), places - 1)
            rows[0, i] = k - 7
            rows[1, i] = q
            shares[i] = np.float32(far - q)
        for i in range(size):
            u = shares[i]
            near = np.uint64(rows[0, i])
            row = np.uint64(rows[1, i])
            total = np.float32(0.0)
            for m in range(np.uint64(16)):
                total += twice[near + m] * (table[row, 0, m] + u * (table[row, 1, m] + u * table[row, 2, m]))
            out[first + i] = total
        start += count


@kernel(
    "void(f8[::1], f8[::1], f8[::1], i8, i8, f4[::1], f8, f4[::1], f4[:, :, ::1], i8[:, ::1], f4[::1], f4[::1],"
    " f8[::1], f8[::1], f4[::1])",
    sums=True,
)
def lay_points(
    knots: Floats,
    turns: Floats,
    slopes: Floats,
    points: int,
    start: int,
    x: Floats,
    origin: float,
    middle: Floats,
    table: Floats,
    rows: Ints,
    shares: Floats,
    twice: Floats,
    place: Floats,
    dphi: Floats,
    y: Floats,
) -> None:
    """``grid_places`` of sample 0, and the signal there by ``interpolate``."""
    grid_places(knots, turns, slopes, points, start, 0.0, place, dphi)
    interpolate(x, place, origin, middle, table, rows, shares, twice, y)
