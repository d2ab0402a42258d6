"""The hot loops. Arrays and scalars in, arrays out: no options, no exceptions, no allocation of results.

Phases are in cycles (turns), never in radians: rounding to the nearest whole cycle is then a subtraction.
Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from listen.track.types import Floats, Ints

_SUMS = {"contract", "reassoc", "nsz"}
"""Flags that let a sum be vectorised; those that assume 'no NaN' are left out."""


@njit(cache=True, nogil=True, fastmath=_SUMS, inline="always")
def _cosine(q):  # type: ignore[no-untyped-def]
    """Cosine of an angle up to a right angle from its square, error below 1e-9."""
    c = 1.0 / 479001600.0 - q / 87178291200.0
    c = 1.0 / 40320.0 + q * (-1.0 / 3628800.0 + q * c)
    c = 1.0 / 24.0 + q * (-1.0 / 720.0 + q * c)
    return 1.0 + q * (-0.5 + q * c)


@njit(cache=True, nogil=True, fastmath=_SUMS, inline="always")
def _fine_cosine(q):  # type: ignore[no-untyped-def]
    """Cosine of an angle up to a right angle from its square, error below 1e-13."""
    c = 1.0 / 20922789888000.0 - q / 6402373705728000.0
    c = 1.0 / 479001600.0 + q * (-1.0 / 87178291200.0 + q * c)
    c = 1.0 / 40320.0 + q * (-1.0 / 3628800.0 + q * c)
    c = 1.0 / 24.0 + q * (-1.0 / 720.0 + q * c)
    return 1.0 + q * (-0.5 + q * c)


@njit(cache=True, nogil=True, fastmath=_SUMS, inline="always")
def _fine_sine(q):  # type: ignore[no-untyped-def]
    """Sine over the angle, up to a right angle, from its square, error below 1e-13."""
    s = 1.0 / 355687428096000.0 - q / 121645100408832000.0
    s = 1.0 / 6227020800.0 + q * (-1.0 / 1307674368000.0 + q * s)
    s = 1.0 / 362880.0 + q * (-1.0 / 39916800.0 + q * s)
    s = 1.0 / 120.0 + q * (-1.0 / 5040.0 + q * s)
    return 1.0 + q * (-1.0 / 6.0 + q * s)


@njit(cache=True, nogil=True, fastmath=_SUMS)
def phase_samples(
    knots: Floats,
    turns: Floats,
    slopes: Floats,
    first: int,
    dphi: Floats,
    cosine: Floats,
    sine: Floats,
    phase: Floats,
) -> None:
    """Cubic Hermite phase (cycles) at samples first, first + 1, ...: its slope, its cosine and sine, itself."""
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
        base = p0 - math.floor(p0)
        whole = p0 - base
        inv = 1.0 / h
        offset = first - a
        for i in range(start, stop):
            u = (i + offset) * inv
            p = base + u * (d0 + u * (c2 + u * c3))
            dphi[i] = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) * inv
            phase[i] = whole + p
            # sine and cosine of half the angle by Taylor series (error below 1e-13), then doubled
            r = p - np.rint(p)
            y = r * math.pi
            q = y * y
            s = y * _fine_sine(q)
            c = _fine_cosine(q)
            cosine[i] = 1.0 - 2.0 * s * s
            sine[i] = 2.0 * s * c


@njit(cache=True, nogil=True, fastmath=_SUMS)
def short_frames(
    x: Floats,
    dphi: Floats,
    cosine: Floats,
    sine: Floats,
    phase: Floats,
    frames: Floats,
    out: Floats,
) -> None:
    """First harmonic and power of short frames, weight 1 + cos(2 pi v) over phase.

    frames[i] = (first sample, last sample + 1, phase of the centre, cycles); out[i] = (re, im, mean square, mean).
    """
    for i in range(frames.shape[0]):
        a = int(frames[i, 0])
        b = int(frames[i, 1])
        centre = frames[i, 2]
        scale = math.pi / frames[i, 3]
        re = 0.0
        im = 0.0
        square = 0.0
        mean = 0.0
        weight = 0.0
        for j in range(a, b):
            y = (phase[j] - centre) * scale
            q = y * y
            c = _cosine(q)
            w = c * c * dphi[j]
            xj = x[j]
            weight += w
            re += w * xj * cosine[j]
            im -= w * xj * sine[j]
            square += w * xj * xj
            mean += w * xj
        if weight > 0.0:
            out[i, 0] = 2.0 * re / weight
            out[i, 1] = 2.0 * im / weight
            out[i, 2] = square / weight
            out[i, 3] = mean / weight
        else:
            out[i, :] = 0.0


@njit(cache=True, nogil=True, fastmath=_SUMS)
def spread(x: Floats, dphi: Floats, phase: Floats, frames: Floats, coefficients: Floats, out: Floats) -> None:
    """Each frame's samples, weighted 2 cos^2(pi v) dphi, spread on an even grid of the frame's phase.

    frames as in ``short_frames``; coefficients (degree + 1, width): the spreading kernel's pieces as polynomials in the
    place between two grid points, highest power first; out (n, grid + width), folded by the caller's FFT of the first
    ``grid`` columns after the tail was added to the head here.
    """
    width = coefficients.shape[1]
    degree = coefficients.shape[0] - 1
    grid = out.shape[1] - width
    piece = np.empty(width)
    for i in range(frames.shape[0]):
        a = int(frames[i, 0])
        b = int(frames[i, 1])
        centre = frames[i, 2]
        inverse = 1.0 / frames[i, 3]
        row = out[i]
        row[:] = 0.0
        for j in range(a, b):
            v = (phase[j] - centre) * inverse
            if v < -0.5 or v >= 0.5:
                continue
            y = v * math.pi
            q = y * y
            c = _cosine(q)
            value = 2.0 * c * c * dphi[j] * x[j]
            place = (v + 0.5) * grid
            left = int(place)
            t = place - left
            for m in range(width):
                piece[m] = coefficients[0, m]
            for d in range(1, degree + 1):
                for m in range(width):
                    piece[m] = piece[m] * t + coefficients[d, m]
            for m in range(width):
                row[left + m] += value * piece[m]
        for m in range(width):
            row[m] += row[grid + m]


@njit(cache=True, nogil=True, fastmath=_SUMS)
def tilt(
    x: Floats,
    dphi: Floats,
    cosine: Floats,
    sine: Floats,
    phase: Floats,
    frames: Floats,
    lines: Ints,
    out: Floats,
) -> None:
    """T_k = sum of sin(2 pi v) x exp(-j k phi) dphi for k = 1 .. lines[i]: out[i, k - 1] = (re, im)."""
    longest = 0
    for i in range(frames.shape[0]):
        n = int(frames[i, 1]) - int(frames[i, 0])
        if n > longest:
            longest = n
    weighted = np.empty(longest)
    ck = np.empty(longest)
    sk = np.empty(longest)
    for i in range(frames.shape[0]):
        a = int(frames[i, 0])
        n = int(frames[i, 1]) - a
        centre = frames[i, 2]
        scale = math.pi / frames[i, 3]
        re = 0.0
        im = 0.0
        for j in range(n):
            y = (phase[a + j] - centre) * scale
            if y < -0.5 * math.pi:
                y = -0.5 * math.pi
            if y > 0.5 * math.pi:
                y = 0.5 * math.pi
            q = y * y
            s = y * _fine_sine(q)
            c = _cosine(q)
            w = 2.0 * s * c * dphi[a + j] * x[a + j]
            weighted[j] = w
            ck[j] = cosine[a + j]
            sk[j] = sine[a + j]
            re += w * cosine[a + j]
            im -= w * sine[a + j]
        out[i, 0, 0] = re
        out[i, 0, 1] = im
        for k in range(1, lines[i]):
            re = 0.0
            im = 0.0
            for j in range(n):
                c1 = cosine[a + j]
                s1 = sine[a + j]
                c = ck[j] * c1 - sk[j] * s1
                s = ck[j] * s1 + sk[j] * c1
                ck[j] = c
                sk[j] = s
                re += weighted[j] * c
                im -= weighted[j] * s
            out[i, k, 0] = re
            out[i, k, 1] = im


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True, fastmath=_SUMS)
def frame_means(x: Floats, dphi: Floats, phase: Floats, frames: Floats, out: Floats) -> None:
    """Means over phase, weight 1 + cos(2 pi v): out[i] = (mean of dphi, sum of the weights, mean of x, mean of x^2)."""
    for i in range(frames.shape[0]):
        centre = frames[i, 2]
        scale = math.pi / frames[i, 3]
        slope = 0.0
        weight = 0.0
        mean = 0.0
        square = 0.0
        for j in range(int(frames[i, 0]), int(frames[i, 1])):
            y = (phase[j] - centre) * scale
            q = y * y
            c = _cosine(q)
            w = c * c * dphi[j]
            xj = x[j]
            weight += w
            slope += w * dphi[j]
            mean += w * xj
            square += w * xj * xj
        out[i, 0] = slope / weight
        out[i, 1] = 2.0 * weight
        out[i, 2] = mean / weight
        out[i, 3] = square / weight
