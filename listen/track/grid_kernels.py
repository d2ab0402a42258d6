"""The hot loops on the even grid of phase: frames folded, what their mean cycles leave.

A grid has a whole number of points a cycle; point n lies at the phase n / points, so that the place of a point in the
cycle is n modulo ``points``. Each kernel has its plain twin, under the same name, in ``reference_grid.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints


@part(sums=True)
def turn_table(size: int, cosine: Floats, sine: Floats) -> None:
    """Cosine and sine of 2 pi j / size for j = 0 .. size - 1, each half of the table turned on from the one before."""
    cosine[0] = 1.0
    sine[0] = 0.0
    done = 1
    while done < size:
        angle = 2.0 * math.pi * done / size
        c = math.cos(angle)
        s = math.sin(angle)
        more = min(done, size - done)
        for j in range(np.uint64(more)):
            cosine[np.uint64(done) + j] = c * cosine[j] - s * sine[j]
            sine[np.uint64(done) + j] = s * cosine[j] + c * sine[j]
        done += more


@kernel(
    "void(f4[::1], f8[::1], i8, i8, i8, i8[::1], i8[::1], f8[:, ::1], f8[:, ::1], f8[:, ::1], f8[:, ::1])", sums=True
)
def fold_frames(
    y: Floats,
    dphi: Floats,
    start: int,
    points: int,
    lap: int,
    centres: Ints,
    cycles: Ints,
    scratch: Floats,
    folded: Floats,
    tilted: Floats,
    means: Floats,
) -> None:
    """Weighted sum of each frame's cycles, and the same with the derivative of the weight.

    y (float32), dphi (n,): signal and cycles a sample at the grid's points start, start + 1 ..; centres, cycles (f,):
    point of y at each frame's centre, and its even number of cycles; scratch (2, longest frame). folded, tilted
    (f, lap): weights 1 + cos(2 pi v) and sin(2 pi v), v the place in the frame, -1/2 to 1/2; a lap is a whole number of
    cycles and begins at a whole phase. means (f, 2): means under the first weight of dphi and of y^2.
    """
    before = 0
    for f in range(centres.shape[0]):
        size = cycles[f] * points
        first = centres[f] - size // 2
        if size != before:
            turn_table(size, scratch[0], scratch[1])
            before = size
        for p in range(np.uint64(lap)):
            folded[f, p] = 0.0
            tilted[f, p] = 0.0
        slope = 0.0
        square = 0.0
        j = 0
        p = (start + first) % lap
        while j < size:
            m = min(lap - p, size - j)
            at = np.uint64(first + j)
            a = np.uint64(j)
            b = np.uint64(p)
            for i in range(np.uint64(m)):
                value = np.float64(y[at + i])
                weight = 1.0 - scratch[0, a + i]
                weighted = weight * value
                slope += weight * dphi[at + i]
                square += weighted * value
                folded[f, b + i] += weighted
                tilted[f, b + i] -= scratch[1, a + i] * value
            j += m
            p = 0
        means[f, 0] = slope / size
        means[f, 1] = square / size


@kernel("void(f4[::1], i8, i8[::1], f4[:, ::1], f8[::1], f4[::1])", sums=True, brief=True)
def leave(
    y: Floats,
    start: int,
    centres: Ints,
    tables: Floats,
    dc: Floats,
    out: Floats,
) -> None:
    """What the mean cycles leave of the signal, faded from frame to frame.

    y (float32) at the grid's points start, start + 1 ..; centres (f,): rising points of y at which each frame's
    own cycle rules, before the first and after the last alone; tables (f, places): a whole number of cycles,
    float32, without its mean, phase 0 first; dc (f,): the means.
    """
    n = y.shape[0]
    places = tables.shape[1]
    frames = centres.shape[0]
    for f in range(frames + 1):
        r0 = max(f - 1, 0)
        r1 = min(f, frames - 1)
        a = 0 if f == 0 else min(max(centres[f - 1], 0), n)
        b = n if f == frames else min(max(centres[f], 0), n)
        if b <= a:
            continue
        span = max(centres[r1] - centres[r0], 1)
        step = np.float32(1.0 / span)
        low = np.float32(dc[r0])
        rise = np.float32(dc[r1] - dc[r0])
        at = a
        while at < b:
            p = (start + at) % places
            m = min(places - p, b - at)
            u0 = np.float32((at - centres[r0]) / span) if r1 != r0 else np.float32(0.0)
            for j in range(np.uint64(m)):
                u = u0 + np.float32(j) * step
                here = tables[r0, np.uint64(p) + j]
                there = tables[r1, np.uint64(p) + j]
                out[np.uint64(at) + j] = y[np.uint64(at) + j] - (low + here + u * (rise + there - here))
            at += m


@kernel("void(f4[::1], i8, i8[::1], i8, f8[:, ::1], f4[:, ::1])", sums=True, brief=True)
def weigh_frames(r: Floats, points: int, centres: Ints, cycles: int, scratch: Floats, out: Floats) -> None:
    """Frames of the residual r of ``cycles`` cycles, weighted 1 + cos(2 pi v): out (f, cycles * points), float32."""
    size = cycles * points
    turn_table(size, scratch[0], scratch[1])
    for f in range(centres.shape[0]):
        first = np.uint64(centres[f] - size // 2)
        for j in range(np.uint64(size)):
            out[f, j] = (1.0 - scratch[0, j]) * r[first + j]


@part()
def _place_in_cycle(p: int, points: int, crest: float, bins: int) -> float:
    """Where point p of a cycle lies, counted in parts of it; the first one has its middle at ``crest``."""
    turn = p / points - crest + 0.5 / bins
    return (turn - math.floor(turn)) * bins


@part(sums=True)
def _share_points(scratch: Floats, points: int, crest: float, own: int, bins: int, out: Floats) -> None:
    """Sum each part's points: out (2, bins), over their mean number, ``own`` points being the frame's."""
    p = 0
    while p < points:
        place = _place_in_cycle(p, points, crest, bins)
        k = min(int(place), bins - 1)
        # where the next part begins, give or take a rounding
        stop = min(p + max(int((k + 1 - place) * points / bins), 1), points)
        while stop > p + 1 and min(int(_place_in_cycle(stop - 1, points, crest, bins)), bins - 1) != k:
            stop -= 1
        while stop < points and min(int(_place_in_cycle(stop, points, crest, bins)), bins - 1) == k:
            stop += 1
        power = 0.0
        change = 0.0
        for j in range(np.uint64(stop - p)):
            power += scratch[0, np.uint64(p) + j]
            change += scratch[1, np.uint64(p) + j]
        out[0, k] += power * bins / own
        out[1, k] += change * bins / own
        p = stop


@part()
def _read_between(scratch: Floats, points: int, crest: float, own: int, bins: int, out: Floats) -> None:
    """Read each part's middle between two points: out (2, bins)."""
    for k in range(bins):
        turn = crest + k / bins
        place = (turn - math.floor(turn)) * points
        p = min(int(place), points - 1)
        t = place - p
        q = p + 1 if p + 1 < points else 0
        for side in range(2):
            value = (1.0 - t) * scratch[side, p] + t * scratch[side, q]
            out[side, k] = value * points / own


@kernel("void(f4[::1], i8, i8, i8, i8[::1], f8[::1], i8, f4[:, ::1], f4[:, :, ::1])", sums=True)
def fold_residual(
    r: Floats,
    start: int,
    points: int,
    lap: int,
    edges: Ints,
    crests: Floats,
    bins: int,
    scratch: Floats,
    out: Floats,
) -> None:
    """Power of the residual and of its first difference in equal parts of the cycle, each frame's own points.

    r (float32) at the grid's points start, start + 1 ..; a lap is a whole number of cycles and begins at a whole phase;
    edges (f + 1,): points between which each frame's own lie, if r has them; crests (f,): place in the cycle, give or
    take whole ones, at which part 0 has its middle; scratch (2, at least lap), float32; out (f, 2, bins). A cycle of
    fewer than four points a part is read between its points.
    """
    for f in range(edges.shape[0] - 1):
        a = max(edges[f], 1)
        b = min(edges[f + 1], r.shape[0])
        for k in range(bins):
            out[f, 0, k] = 0.0
            out[f, 1, k] = 0.0
        if b <= a:
            continue
        for p in range(np.uint64(lap)):
            scratch[0, p] = np.float32(0.0)
            scratch[1, p] = np.float32(0.0)
        at = a
        while at < b:
            p = (start + at) % lap
            m = min(lap - p, b - at)
            for j in range(np.uint64(m)):
                value = r[np.uint64(at) + j]
                step = value - r[np.uint64(at - 1) + j]
                scratch[0, np.uint64(p) + j] += value * value
                scratch[1, np.uint64(p) + j] += step * step
            at += m
        for p in range(points, lap):
            scratch[0, p % points] += scratch[0, p]
            scratch[1, p % points] += scratch[1, p]
        # each place of the cycle holds as many points as the frame has cycles, give or take one
        if points >= 4 * bins:
            _share_points(scratch, points, crests[f], b - a, bins, out[f])
        else:
            _read_between(scratch, points, crests[f], b - a, bins, out[f])


@kernel("void(f4[::1], f8[::1], i8, i8, f8, i8, f8[:, ::1])", sums=True)
def gather_blocks(
    r: Floats,
    place: Floats,
    first: int,
    last: int,
    origin: float,
    block: int,
    low: Floats,
) -> None:
    """Add the residual's points first .. last times the time each stands for, and that time, to blocks of samples.

    place (n,): sample of each point; a point stands for half the way to each of its neighbours, the first and the last
    of the grid for nothing; block b begins at sample origin + b * block; low (blocks, 2).
    """
    i = max(first, 1)
    last = min(last, r.shape[0] - 1)
    one = np.uint64(1)
    while i < last:
        b = math.floor((place[i] - origin) / block)
        end = origin + (b + 1) * block
        # the block's points, as many as there would be if they lay evenly, give or take a few
        even = (end - place[i]) / (place[i + 1] - place[i])
        stop = i + min(max(int(min(even, float(last - i))), 1), last - i)
        while stop > i + 1 and place[stop - 1] >= end:
            stop -= 1
        while stop < last and place[stop] < end:
            stop += 1
        total = 0.0
        for j in range(np.uint64(stop - i)):
            width = place[np.uint64(i) + j + one] - place[np.uint64(i) + j - one]
            total += width * r[np.uint64(i) + j]
        if 0 <= b < low.shape[0]:
            low[b, 0] += 0.5 * total
            low[b, 1] += 0.5 * ((place[stop] - place[i]) + (place[stop - 1] - place[i - 1]))
        i = stop


@kernel(
    "void(f4[::1], f8[::1], i8, i8, i8, i8[::1], f4[:, ::1], f8[::1], i8[::1], f8[::1], i8, f4[:, ::1], f8, i8,"
    " f4[::1], f8[:, ::1], f4[:, :, ::1])",
    sums=True,
)
def take_out(
    y: Floats,
    place: Floats,
    start: int,
    points: int,
    lap: int,
    centres: Ints,
    tables: Floats,
    dc: Floats,
    edges: Ints,
    crests: Floats,
    bins: int,
    scratch: Floats,
    origin: float,
    block: int,
    left: Floats,
    low: Floats,
    folded: Floats,
) -> None:
    """``leave``, then of what is left ``gather_blocks`` between the outer edges and ``fold_residual``."""
    leave(y, start, centres, tables, dc, left)
    gather_blocks(left, place, edges[0], edges[edges.shape[0] - 1], origin, block, low)
    fold_residual(left, start, points, lap, edges, crests, bins, scratch, folded)
