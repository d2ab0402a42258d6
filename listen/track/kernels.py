"""The hot loops. Arrays and scalars in, arrays out: no options, no exceptions, no allocation of results.

Phases are in cycles (turns), never in radians: rounding to the nearest whole cycle is then a subtraction.
Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints

_C = tuple(np.float32((-1) ** k / math.factorial(2 * k)) for k in range(7))
_S = tuple(np.float32((-1) ** k / math.factorial(2 * k + 1)) for k in range(6))

_ADDED = 256


@part(sums=True)
def _cosine(q):  # type: ignore[no-untyped-def]
    """Cosine of an angle up to a right angle from its square, in single precision and as exact as that."""
    return _C[0] + q * (_C[1] + q * (_C[2] + q * (_C[3] + q * (_C[4] + q * (_C[5] + q * _C[6])))))


@part(sums=True)
def _sine(q):  # type: ignore[no-untyped-def]
    """Sine over the angle, up to a right angle, from its square, in single precision and as exact as that."""
    return _S[0] + q * (_S[1] + q * (_S[2] + q * (_S[3] + q * (_S[4] + q * _S[5]))))


@kernel("void(f8[::1], f8[::1], f8[::1], i8, f8[::1], f8[::1])", sums=True)
def phase_samples(knots: Floats, turns: Floats, slopes: Floats, first: int, dphi: Floats, phase: Floats) -> None:
    """Cubic Hermite phase (cycles) at samples first, first + 1, ...: its slope, itself; the end pieces go on."""
    n = phase.shape[0]
    for k in range(knots.shape[0] - 1):
        a = knots[k]
        b = knots[k + 1]
        start = math.ceil(a) - first
        stop = math.ceil(b) - first
        if k == 0:
            start = 0
        if k == knots.shape[0] - 2:
            stop = n
        if start < 0:
            start = 0
        if stop > n:
            stop = n
        h = b - a
        p0 = turns[k]
        d0 = slopes[k] * h
        dp = turns[k + 1] - p0
        d1 = slopes[k + 1] * h
        c2 = 3.0 * dp - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * dp
        inv = 1.0 / h
        offset = start + first - a
        for j in range(np.uint64(max(stop - start, 0))):
            u = (j + offset) * inv
            dphi[np.uint64(start) + j] = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) * inv
            phase[np.uint64(start) + j] = p0 + u * (d0 + u * (c2 + u * c3))


@kernel("void(f8[::1], f8[::1], f8[::1], f4[:, ::1])", sums=True)
def turn_down(x: Floats, dphi: Floats, phase: Floats, out: Floats) -> None:
    """Samples times dphi and: the phase's cosine, its sine, the sample, one: out (4, n), float32."""
    for j in range(np.uint64(x.shape[0])):
        # half the angle, then doubled
        y = np.float32((phase[j] - np.rint(phase[j])) * math.pi)
        q = y * y
        s = y * _sine(q)
        c = _cosine(q)
        weighted = np.float32(x[j] * dphi[j])
        twice = s + s
        out[0, j] = weighted * (_C[0] - twice * s)
        out[1, j] = weighted * (twice * c)
        out[2, j] = weighted * np.float32(x[j])
        out[3, j] = weighted


@part()
def _sample_of(phase: Floats, dphi: Floats, target: float, guess: int) -> int:
    """First sample at which the rising phase reaches a target."""
    n = phase.shape[0]
    at = int(min(max(guess, 0), n - 1))
    if dphi[at] > 0.0:
        at = int(min(max(at + (target - phase[at]) / dphi[at], 0.0), float(n)))
    while at > 0 and phase[at - 1] >= target:
        at -= 1
    while at < n and phase[at] < target:
        at += 1
    return at


@kernel("void(f4[:, ::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[:, ::1])", sums=True)
def short_frames(turned: Floats, dphi: Floats, phase: Floats, centres: Floats, cycles: Floats, out: Floats) -> None:
    """First harmonic and power of short frames, weight 1 + cos(2 pi v) over phase.

    turned (4, n): of ``turn_down``; centres, cycles (f,): phase of each frame's centre, its length; out[i] = (re, im,
    mean square, mean). A frame without a sample is 0.
    """
    first = 0
    for i in range(centres.shape[0]):
        centre = centres[i]
        first = _sample_of(phase, dphi, centre - 0.5 * cycles[i], first)
        last = _sample_of(phase, dphi, centre + 0.5 * cycles[i], first)
        scale = math.pi / cycles[i]
        re = 0.0
        im = 0.0
        square = 0.0
        mean = 0.0
        weight = 0.0
        # in single precision no more than so many at a time are added up
        for start in range(first, last, _ADDED):
            a = np.uint64(start)
            part_re = np.float32(0.0)
            part_im = np.float32(0.0)
            part_square = np.float32(0.0)
            part_mean = np.float32(0.0)
            part_weight = np.float32(0.0)
            for j in range(np.uint64(min(_ADDED, last - start))):
                y = np.float32((phase[a + j] - centre) * scale)
                c = _cosine(y * y)
                w = c * c
                part_weight += w * np.float32(dphi[a + j])
                part_re += w * turned[0, a + j]
                part_im -= w * turned[1, a + j]
                part_square += w * turned[2, a + j]
                part_mean += w * turned[3, a + j]
            re += np.float64(part_re)
            im += np.float64(part_im)
            square += np.float64(part_square)
            mean += np.float64(part_mean)
            weight += np.float64(part_weight)
        if weight > 0.0:
            out[i, 0] = 2.0 * re / weight
            out[i, 1] = 2.0 * im / weight
            out[i, 2] = square / weight
            out[i, 3] = mean / weight
        else:
            for column in range(4):
                out[i, column] = 0.0


@kernel("i8(f8[::1], f8[::1], f8[::1], f8, f8, f8, f8[:, ::1])", brief=True)
def place_knots(
    samples: Floats,
    turns: Floats,
    slopes: Floats,
    spacing: float,
    start: float,
    stop: float,
    out: Floats,
) -> int:
    """Knots along a rough phase between two samples, whole half cycles and at least half of ``spacing`` samples apart.

    samples, turns, slopes (n,): the rough phase as a cubic Hermite curve; out (most, 3) = (sample, phase, slope);
    returns how many. Half cycles, so that the ripple at twice the pitch that a rough phase leaves is the same at
    every knot; steps are powers of two of them, so that the places do not depend on where one begins.
    """
    count = 0
    k = 0
    last = samples.shape[0] - 1
    while k < last - 1 and samples[k + 1] < start:
        k += 1
    target = math.ceil(2.0 * turns[k]) * 0.5
    while target <= turns[last] and count < out.shape[0]:
        while k < last - 1 and turns[k + 1] < target:
            k += 1
        h = samples[k + 1] - samples[k]
        p0 = turns[k]
        d0 = slopes[k] * h
        d1 = slopes[k + 1] * h
        dp = turns[k + 1] - p0
        c2 = 3.0 * dp - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * dp
        u = (target - p0) / dp
        for _ in range(4):
            u -= (p0 + u * (d0 + u * (c2 + u * c3)) - target) / (d0 + u * (2.0 * c2 + 3.0 * u * c3))
        slope = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) / h
        place = samples[k] + u * h
        if place > stop:
            break
        if place >= start:
            out[count, 0] = place
            out[count, 1] = target
            out[count, 2] = slope
            count += 1
        step = 0.5
        while step * 2.0 <= spacing * slope:
            step *= 2.0
        target = (math.floor(target / step + 1e-9) + 1.0) * step
    return count


@part()
def _slopes(samples: Floats, turns: Floats, out: Floats) -> None:
    """Slope at each of three knots or more of the parabola through it and its neighbours."""
    n = samples.shape[0]
    for i in range(1, n - 1):
        before = samples[i] - samples[i - 1]
        after = samples[i + 1] - samples[i]
        rise = (turns[i] - turns[i - 1]) / before
        out[i] = (rise * after + (turns[i + 1] - turns[i]) / after * before) / (before + after)
    out[0] = 2.0 * (turns[1] - turns[0]) / (samples[1] - samples[0]) - out[1]
    out[n - 1] = 2.0 * (turns[n - 1] - turns[n - 2]) / (samples[n - 1] - samples[n - 2]) - out[n - 2]


@part()
def _smoothed(residue: Floats, smoother: Floats, within: float, out: Floats) -> None:
    """Residue with its noise taken down, where all of it that the smoother reads is smooth to ``within``."""
    n = residue.shape[0]
    width = smoother.shape[0]
    half = width // 2
    for i in range(n):
        out[i] = residue[i]
    if n < 2 * width:
        return
    clean = 0
    for i in range(half, n - half):
        total = 0.0
        for j in range(width):
            total += smoother[j] * residue[i - half + j]
        out[i] = total
        if abs(total - residue[i]) > within:
            # this one and its neighbours stay as they were
            for j in range(max(i - half, 0), i):
                out[j] = residue[j]
            clean = i + half + 1
        if i < clean:
            out[i] = residue[i]


@kernel("void(f8[:, ::1], f8[:, ::1], f8, f8[::1], f8, f8[:, ::1])", brief=True)
def settle_knots(knots: Floats, sums: Floats, order: float, smoother: Floats, within: float, out: Floats) -> None:
    """Correct the knots of a rough phase by what short frames leave of it.

    knots (n, 3): of ``place_knots``; sums (n, 4): of ``short_frames``, of harmonic ``order``; out (7, n) = sample,
    phase, its slope, the slope before smoothing, amplitude, mean square about the mean, residue in cycles. The residue
    is smoothed by ``smoother`` (weights, odd many) where it departs from that by no more than ``within``.
    """
    n = knots.shape[0]
    whole = 0.0
    before = 0.0
    for i in range(n):
        re = sums[i, 0]
        im = sums[i, 1]
        turn = math.atan2(im, re) / (2.0 * math.pi)
        if i > 0:
            whole -= np.rint(turn - before)
        before = turn
        out[6, i] = (turn + whole) / order
        out[5, i] = max(sums[i, 2] - sums[i, 3] * sums[i, 3], 0.0)
        out[4, i] = math.sqrt(re * re + im * im)
        out[0, i] = knots[i, 0]
        out[1, i] = knots[i, 1] + out[6, i]
    _slopes(out[0], out[1], out[3])
    _smoothed(out[6], smoother, within, out[2])
    for i in range(n):
        out[1, i] = knots[i, 1] + out[2, i]
    _slopes(out[0], out[1], out[2])


@kernel("void(f8[::1], f8[::1], f8[::1], f8[::1], f8[:, ::1])", brief=True)
def curve_points(samples: Floats, turns: Floats, slopes: Floats, places: Floats, out: Floats) -> None:
    """Cubic Hermite phase through knots (samples, turns, slopes) at some places: out (2, n) = itself, its slope.

    The end pieces go on beyond the ends. Places that rise are found fastest.
    """
    last = samples.shape[0] - 2
    k = 0
    for i in range(places.shape[0]):
        place = places[i]
        while k < last and samples[k + 1] <= place:
            k += 1
        while k > 0 and samples[k] > place:
            k -= 1
        h = samples[k + 1] - samples[k]
        u = (place - samples[k]) / h
        dp = turns[k + 1] - turns[k]
        d0 = slopes[k] * h
        d1 = slopes[k + 1] * h
        c2 = 3.0 * dp - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * dp
        out[0, i] = turns[k] + u * (d0 + u * (c2 + u * c3))
        out[1, i] = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) / h


@part()
def _line_fits(values: Floats, side: int, out: Floats) -> None:
    """Lines through each run of ``side`` values: out (3, n - side + 1) = value at the middle, slope, scatter."""
    middle_place = 0.5 * (side - 1)
    spread = side * (side * side - 1.0) / 12.0
    for i in range(values.shape[0] - side + 1):
        total = 0.0
        tilt = 0.0
        for j in range(side):
            total += values[i + j]
            tilt += (j - middle_place) * values[i + j]
        middle = total / side
        slope = tilt / spread
        off = 0.0
        for j in range(side):
            off += (values[i + j] - middle - (j - middle_place) * slope) ** 2
        out[0, i] = middle
        out[1, i] = slope
        out[2, i] = math.sqrt(off / side)


@kernel("i8(f8[::1], i8, i8, f8, f8, f8[:, ::1], f8[:, ::1], i8[::1])", brief=True)
def torn_places(
    values: Floats, side: int, gap: int, least: float, over_noise: float, fits: Floats, out: Floats, found: Ints
) -> int:
    """Where lines through ``side`` values on both sides of a gap miss each other; returns how many places.

    The gap is the place and ``gap`` values on each side of it. values (n,); fits (3, at least n): room; out (3, m), m =
    n - 2 (side + gap), for each place: the jump from line to line, what their slopes' difference makes up to the
    middle, the larger scatter about them. found (m,): of these the places where the jump is more than ``least``, than
    ``over_noise`` times the scatter and than half of the second.
    """
    _line_fits(values, side, fits)
    arm = gap + 0.5 * (side + 1)
    count = 0
    for i in range(out.shape[1]):
        right = i + side + 2 * gap + 1
        jump = (fits[0, right] - arm * fits[1, right]) - (fits[0, i] + arm * fits[1, i])
        bend = abs(fits[1, right] - fits[1, i]) * arm
        noise = max(fits[2, i], fits[2, right])
        out[0, i] = jump
        out[1, i] = bend
        out[2, i] = noise
        if abs(jump) > max(least, over_noise * noise) and bend < 2.0 * abs(jump):
            found[count] = i
            count += 1
    return count


@kernel("void(f8[::1], i8[::1], i8, f8[::1])", sums=True, brief=True)
def window_powers(x: Floats, starts: Ints, width: int, out: Floats) -> None:
    """Mean square about the mean of the samples starts[i] .. starts[i] + width, those that there are."""
    for i in range(starts.shape[0]):
        a = min(max(starts[i], 0), x.shape[0])
        count = min(max(starts[i] + width, 0), x.shape[0]) - a
        total = 0.0
        square = 0.0
        for j in range(np.uint64(max(count, 0))):
            value = x[np.uint64(a) + j]
            total += value
            square += value * value
        mean = total / max(count, 1)
        out[i] = max(square / max(count, 1) - mean * mean, 0.0)
