"""The kernels once more in plain numpy: each under its kernel's name, with its arguments, written for reading.

Nothing in the package imports this: the tests hold the kernels to it, and it says what they compute. Phases are in
cycles; v is the place in a frame of whole cycles, -1/2 to 1/2, and its weight over phase is
1 + cos(2 pi v) = 2 cos(pi v)^2.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _hermite(k: int | Ints, knots: Floats, turns: Floats, slopes: Floats, u: Any) -> tuple[Any, Any]:
    """Cubic Hermite curve in piece k at u = 0 .. 1: its value and its slope a sample."""
    h = knots[k + 1] - knots[k]
    p0, p1, d0, d1 = turns[k], turns[k + 1], slopes[k] * h, slopes[k + 1] * h
    value = (
        p0 * (2 * u**3 - 3 * u**2 + 1) + p1 * (3 * u**2 - 2 * u**3) + d0 * (u**3 - 2 * u**2 + u) + d1 * (u**3 - u**2)
    )
    slope = ((p0 - p1) * (6 * u**2 - 6 * u) + d0 * (3 * u**2 - 4 * u + 1) + d1 * (3 * u**2 - 2 * u)) / h
    return value, slope


def phase_samples(knots: Floats, turns: Floats, slopes: Floats, first: int, dphi: Floats, phase: Floats) -> None:
    """Cubic Hermite phase p(n) at n = first ..: dp/dn, and p; end pieces go on outside."""
    n = first + np.arange(len(phase))
    k = np.clip(np.searchsorted(knots, n, side="right") - 1, 0, len(knots) - 2)
    u = (n - knots[k]) / (knots[k + 1] - knots[k])
    phase[:], dphi[:] = _hermite(k, knots, turns, slopes, u)


def short_frames(
    knots: Floats, turns: Floats, slopes: Floats, first: int, x: Floats, centres: Floats, cycles: Floats, out: Floats
) -> None:
    """A_1 = 2 <x exp(-2 pi j p)>, <x^2> and <x>, the means weighted by (1 + cos 2 pi v) dp/dn; an empty frame is 0."""
    dphi, phase = np.empty(len(x)), np.empty(len(x))
    phase_samples(knots, turns, slopes, first, dphi, phase)
    turned = np.vstack([x * np.cos(2 * np.pi * phase), -x * np.sin(2 * np.pi * phase), x**2, x])
    for i, (centre, m) in enumerate(zip(centres, cycles, strict=True)):
        s = slice(*np.searchsorted(phase, [centre - 0.5 * m, centre + 0.5 * m]))
        weight = np.cos(np.pi * (phase[s] - centre) / m) ** 2 * dphi[s]
        total = np.sum(weight)
        out[i] = turned[:, s] @ weight * [2.0, 2.0, 1.0, 1.0] / total if total > 0.0 else 0.0


def place_knots(
    samples: Floats, turns: Floats, slopes: Floats, spacing: float, start: float, stop: float, out: Floats
) -> int:
    """Places where a cubic Hermite phase passes multiples of a step of 1/2, 1, 2, 4 .. cycles: (sample, phase, slope).

    The step there is the largest power of two times 1/2 that is at most ``spacing`` samples long, but 1/2 at least.
    """
    count = 0
    k = max(0, min(int(np.searchsorted(samples, start, side="left")) - 1, len(samples) - 2))
    target = math.ceil(2.0 * turns[k]) / 2.0
    while target <= turns[-1] and count < len(out):
        k = max(k, min(int(np.searchsorted(turns, target, side="left")) - 1, len(samples) - 2))
        u = brentq(lambda u, k=k, want=target: _hermite(k, samples, turns, slopes, u)[0] - want, 0.0, 1.0, xtol=1e-15)
        slope = float(_hermite(k, samples, turns, slopes, u)[1])
        place = samples[k] + u * (samples[k + 1] - samples[k])
        if place > stop:
            break
        if place >= start:
            out[count] = place, target, slope
            count += 1
        step = 2.0 ** max(-1, math.floor(math.log2(spacing * slope)))
        target = (math.floor(target / step + 1e-9) + 1.0) * step
    return count


def settle_knots(knots: Floats, sums: Floats, order: float, smoother: Floats, within: float, out: Floats) -> None:
    """Phase + arg(A) / order, unwrapped and smoothed where smooth; slopes by parabolas; |A|; <x^2> - <x>^2; residue."""
    sample, turns, _ = knots.T
    line = sums[:, 0] + 1j * sums[:, 1]
    residue = np.unwrap(np.angle(line)) / (2 * np.pi * order)
    smooth, half = residue.copy(), len(smoother) // 2
    if len(residue) >= 2 * len(smoother):
        smooth[half:-half] = np.correlate(residue, smoother, mode="valid")
        off = np.abs(smooth - residue) > within
        smooth = np.where(np.convolve(off, np.ones(2 * half + 1), mode="same") > 0, residue, smooth)
    out[:2] = sample, turns + smooth
    for row, phase in ((2, turns + smooth), (3, turns + residue)):
        # np.gradient's ends are straight; here the parabola goes on
        out[row] = np.gradient(phase, sample)
        out[row, [0, -1]] = 2 * out[row, [0, -1]] - out[row, [1, -2]]
    out[4:] = np.abs(line), np.maximum(sums[:, 2] - sums[:, 3] ** 2, 0.0), residue


def curve_points(samples: Floats, turns: Floats, slopes: Floats, places: Floats, out: Floats) -> None:
    """Cubic Hermite phase p(s) at s = places: p, and dp/ds; end pieces go on outside."""
    k = np.clip(np.searchsorted(samples, places, side="right") - 1, 0, len(samples) - 2)
    u = (places - samples[k]) / (samples[k + 1] - samples[k])
    out[:] = _hermite(k, samples, turns, slopes, u)


def torn_places(
    values: Floats, side: int, gap: int, least: float, over_noise: float, fits: Floats, out: Floats, found: Ints
) -> int:
    """Least-squares lines through values[i : i + side] and through as many behind the gap, carried on to its middle."""
    del fits
    place = np.arange(side) - 0.5 * (side - 1)
    for i in range(out.shape[1]):
        carried, slopes, scatter = [], [], []
        for at, middle in ((i, i + side + gap), (i + side + 2 * gap + 1, i + side + gap)):
            run = values[at : at + side]
            line = np.polyfit(place + at + 0.5 * (side - 1) - middle, run, 1)
            slopes.append(line[0])
            carried.append(line[1])
            scatter.append(np.sqrt(np.mean((run - np.polyval(line, place + at + 0.5 * (side - 1) - middle)) ** 2)))
        out[:, i] = carried[1] - carried[0], abs(slopes[1] - slopes[0]) * (gap + 0.5 * (side + 1)), max(scatter)
    size = np.abs(out[0])
    places = np.flatnonzero((size > least) & (size > over_noise * out[2]) & (out[1] < 2.0 * size))
    found[: len(places)] = places
    return len(places)


def window_powers(x: Floats, starts: Ints, width: int, out: Floats) -> None:
    """Variance of x[starts[i] : starts[i] + width]; 0 where there is none."""
    for i, start in enumerate(starts):
        part = x[max(start, 0) : max(start + width, 0)]
        out[i] = part.var() if len(part) else 0.0


def spectra_single(frames: Floats, out: Floats) -> None:
    """Discrete Fourier transform of each row, its lower half: real and imaginary parts."""
    spectra = np.fft.rfft(frames.astype(float), axis=1)
    out[..., 0], out[..., 1] = spectra.real, spectra.imag


def spectra_double(frames: Floats, out: Floats) -> None:
    """Discrete Fourier transform of each row, its lower half: real and imaginary parts."""
    spectra_single(frames, out)


def rows_single(spectra: Floats, scale: float, out: Floats) -> None:
    """Rows of which these are the spectra, times their length and a scale."""
    size = out.shape[1]
    out[:] = np.fft.irfft(spectra[..., 0] + 1j * spectra[..., 1].astype(float), n=size, axis=1) * size * scale


def line_pitches(
    spectra: Floats, scale: Floats, tops: Ints, cycles: Ints, apart: float, amplitude: Floats, turned: Floats,
    used: Ints, sums: Floats, far: Ints
) -> None:  # fmt: skip
    """A_k = scale S_k up to k = tops[i], A_0 half of it and real; Im(T_k A_k*) of the tilted; which lines weigh 98 %.

    The weights are k^2 |A_k|^2; sums of k Im(T_k A_k*) and of them; the largest sum over successive frames of 2 where
    |d_k - d_1| > apart, else -1, d = Im(T_k A_k*) / (k |A_k|^2 cycles).
    """
    lines, tilted = (spectra[..., 0] + 1j * spectra[..., 1]) * scale[:, None]
    columns, few = amplitude.shape[1], turned.shape[1]
    masked = np.where(np.arange(columns) <= tops[:, None], lines[:, :columns], 0.0)
    masked[:, 0] = 0.5 * masked[:, 0].real
    amplitude[..., 0], amplitude[..., 1] = masked.real, masked.imag
    k = np.arange(1, few + 1)
    first = masked[:, 1 : few + 1]
    turned[:] = (tilted[:, 1 : few + 1] * first.conj()).imag
    weight = k**2 * np.abs(first) ** 2
    gathered = np.cumsum(weight, axis=1)
    used[:] = 1 + np.argmax(gathered >= 0.98 * gathered[:, -1:], axis=1)
    sums[:, 0] = np.sum(np.where(k <= used[:, None], k * turned, 0.0), axis=1)
    sums[:, 1] = np.sum(np.where(k <= used[:, None], weight, 0.0), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = turned * k / weight / cycles[:, None]
        gain = np.cumsum(np.where(np.abs(off - off[:, :1]) > apart, 2, -1), axis=0)
    before = np.minimum.accumulate(np.concatenate([np.zeros((1, few), dtype=np.int64), gain]), axis=0)
    far[:] = np.max(gain - before[:-1], axis=0, initial=0)


def loud_orders(amplitude: Floats, limits: Ints, least: Floats, out: Ints) -> None:
    """Highest k < limits[i] with |A_k|^2 >= least[i], 1 where there is none."""
    for i, row in enumerate(amplitude):
        loud = np.flatnonzero(np.sum(row[: limits[i]] ** 2, axis=1) >= least[i])
        out[i] = max(1, int(loud.max(initial=1)))


def high_orders(amplitude: Floats, limits: Ints, first: int, out: Floats) -> None:
    """Half the sum of the squares of the harmonics first .. limits[i] - 1, and their mean order weighted by these."""
    power = (amplitude**2).sum(axis=2)
    for i, limit in enumerate(limits):
        k = np.arange(first, min(int(limit), power.shape[1]))
        total = power[i, k].sum()
        out[i] = 0.5 * total if limit > first else np.nan, power[i, k] @ k / total if total > 0.0 else np.nan


def _drawn(lines: Any, length: int, least: float, jump: float, points: int) -> tuple[Floats, Floats]:
    """Loud A_k, tapered by sinc(k / limit) if the wave jumps; 2 pi i k A_k sinc(k / limit) / sinc(1 / limit): waves."""
    k = np.arange(length)
    line = lines[:length, 0] + 1j * lines[:length, 1]
    clear = np.where((np.abs(line) ** 2 >= least) | (k == 1), line, 0.0)
    clear[0] = 0.0
    tail = np.abs(clear[3 * length // 4 :]) ** 2
    jumps = length > 8 and np.sqrt(tail.sum() / len(tail)) * length > jump * np.abs(line[1])
    factor = np.sinc(k / length)
    both = np.zeros((2, points // 2 + 1), dtype=complex)
    both[0, :length] = clear * factor if jumps else clear
    both[1, :length] = 2j * np.pi * k * clear * factor / factor[1]
    cycle, slope = np.fft.irfft(both, n=points, axis=1) * points * 0.5
    return cycle, slope


def cycle_shapes(
    amplitude: Floats, rows: Ints, limits: Ints, least: Floats, jump: float, points: int, out: Floats
) -> None:
    """Extremes of a cycle by a parabola, the parts of it beyond 98 % of each by straight lines, the steepest slopes.

    (largest, least, part above 98 % of the largest, part below 98 % of the least, steepest up, down, places of both).
    """
    for r, i in enumerate(rows):
        length = min(int(limits[i]), amplitude.shape[1], points // 2 + 1)
        row, slope = _drawn(amplitude[i], length, float(least[i]), jump, points)
        for side, sign in ((0, 1.0), (1, -1.0)):
            y = sign * row
            at = int(np.argmax(y))
            a, b, c = y[at - 1], y[at], y[(at + 1) % points]
            curve = a - 2.0 * b + c
            shift = 0.5 * (a - c) / curve if curve < 0.0 else 0.0
            peak = b - 0.25 * (a - c) * shift
            top, bottom = np.maximum(y, np.roll(y, 1)), np.minimum(y, np.roll(y, 1))
            part = np.where(bottom >= 0.98 * peak, 1.0, 0.0)
            cut = (top >= 0.98 * peak) & (bottom < 0.98 * peak)
            part[cut] = ((top - 0.98 * peak)[cut]) / (top - bottom)[cut]
            out[r, side], out[r, 2 + side], out[r, 6 + side] = sign * peak, part.mean(), (at + shift) / points
        out[r, 4], out[r, 5] = max(0.0, slope.max()), min(0.0, slope.min())
