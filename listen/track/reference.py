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


def turn_down(x: Floats, dphi: Floats, phase: Floats, out: Floats) -> None:
    """Rows x dphi cos(2 pi p), x dphi sin(2 pi p), x^2 dphi, x dphi."""
    angle = 2 * np.pi * phase
    out[:] = x * dphi * np.vstack([np.cos(angle), np.sin(angle), x, np.ones(len(x))])


def short_frames(turned: Floats, dphi: Floats, phase: Floats, centres: Floats, cycles: Floats, out: Floats) -> None:
    """A_1 = 2 <x exp(-2 pi j p)>, <x^2> and <x>, the means weighted by (1 + cos 2 pi v) dphi; an empty frame is 0.

    turned: of ``turn_down``.
    """
    for i, (centre, m) in enumerate(zip(centres, cycles, strict=True)):
        s = slice(*np.searchsorted(phase, [centre - 0.5 * m, centre + 0.5 * m]))
        weight = np.cos(np.pi * (phase[s] - centre) / m) ** 2
        total = np.sum(weight * dphi[s])
        out[i] = turned[:, s] @ weight * [2.0, -2.0, 1.0, 1.0] / total if total > 0.0 else 0.0


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


def decimate(x: Floats, taps: Floats, step: int, out: Floats) -> None:
    """Every step-th value of x filtered: out[i] = sum over j of taps[j] x[i step + j]."""
    out[:] = np.correlate(x, taps, mode="valid")[::step][: len(out)] if len(out) else 0.0


def decimate_near(x: Floats, taps: Floats, step: int, centres: Ints, reach: int, out: Floats) -> None:
    """Every step-th value of x filtered, where it is nearer to a centre than reach."""
    whole = np.correlate(x, taps, mode="valid")[::step][: len(out)]
    for centre in centres:
        near = slice(max(centre - reach, 0), max(min(centre + reach, len(out)), 0))
        out[near] = whole[near]


def line_powers(spectra: Floats, scale: float, out: Floats) -> None:
    """Sum of the squares of both parts of each line, scaled."""
    out[:] = scale * (spectra**2).sum(axis=2)


def take_windows(x: Floats, centres: Ints, window: Floats, out: Floats) -> None:
    """Pieces as long as the window about each centre, x being 0 outside, less their mean, times the window."""
    size = len(window)
    padded = np.concatenate([np.zeros(size), x, np.zeros(size)])
    for i, centre in enumerate(centres):
        a = int(np.clip(centre - size // 2 + size, 0, len(padded) - size))
        out[i] = (padded[a : a + size] - padded[a : a + size].mean()) * window


def periodicity(x: Floats, centre: int, lag: int, span: int) -> float:
    """Sum of (x(n) - x(n + lag))^2 over the sum of x(n)^2 + x(n + lag)^2, mean removed; 2 where there is nothing."""
    start = max(centre - (span + lag) // 2, 0)
    start = min(start, len(x) - span - lag)
    if start < 0:
        return 2.0
    part = x[start : start + span + lag] - x[start : start + span + lag].mean()
    power = float(np.sum(part[:span] ** 2 + part[lag:] ** 2))
    return 2.0 if power <= 0.0 else float(np.sum((part[:span] - part[lag:]) ** 2)) / power


def best_period(x: Floats, centre: int, period: float, out: Floats) -> None:
    """Least of ``periodicity`` within 4 % of a period, by a parabola through three lags: (value, period)."""
    span = int(1.5 * period) + 2
    lags = np.arange(max(2, int(period * 0.96) - 1), int(period * 1.04) + 3)
    values = np.array([periodicity(x, centre, int(lag), span) for lag in lags])
    lag = int(lags[np.argmin(values)]) if values.min() < 2.0 else int(lags[0])
    before, best, after = (periodicity(x, centre, lag + step, span) for step in (-1, 0, 1))
    curvature = before - 2.0 * best + after
    shift = float(np.clip(0.5 * (before - after) / curvature, -0.5, 0.5)) if curvature > 0.0 else 0.0
    out[:2] = max(best - 0.25 * (before - after) * shift, 0.0), lag + shift


def _peak_bins(
    power: Floats, low: int, high: int, base: float, rate: float, size: int, peaks: Floats, count: int, level: int
) -> int:
    """Local maxima of power[low:high] over ``base``, a parabola through the logarithms: (Hz, power, level) appended."""
    for b in range(max(low, 1), min(high, len(power) - 1)):
        if power[b] > base and power[b - 1] < power[b] >= power[b + 1] and count < len(peaks):
            before, here, after = np.log(np.maximum(power[b - 1 : b + 2].astype(float), 1e-3 * float(power[b])))
            curve = before - 2.0 * here + after
            shift = 0.5 * (before - after) / curve if curve < 0.0 else 0.0
            peaks[count] = (b + shift) * rate / size, np.exp(here - 0.25 * (before - after) * shift), level
            count += 1
    return count


def _comb_fill(
    peaks: Floats, count: int, f0: float, order: int, tolerance_hz: float, floor: float, out: Floats
) -> None:
    """The strongest peak near each line j f0, j < 2 order, j no multiple of order: (their power, the share found)."""
    found = []
    for j in range(1, 2 * order):
        if j % order:
            near = np.abs(peaks[:count, 0] - j * f0) < tolerance_hz + 0.01 * j * f0
            found.append(peaks[:count, 1][near].max(initial=0.0))
    filled = np.array(found) > floor
    out[:2] = np.array(found)[filled].sum(), filled.mean()


def _scan(x: Floats, centre: int, low: int, high: int, out: Floats) -> None:
    """Dips of ``periodicity`` over the lags low .. high, each 0.02 below the one before: (the last, its lag or 0)."""
    values = [2.0] + [periodicity(x, centre, lag, int(1.5 * lag) + 2) for lag in range(low, high + 1)]
    out[:2] = 2.0, 0
    for i in range(1, len(values) - 1):
        if values[i] <= values[i - 1] and values[i] < values[i + 1] and values[i] < out[0] - 0.02:
            out[:2] = values[i], low + i - 1


def _hop_peaks(spectra: list[Floats], rates: Floats, size: int, edges: Floats, lowest: float) -> Floats:
    """Peaks of one hop within 26 dB of the strongest, low ones from the finer spectra; none is taken twice."""
    kept: list[Floats] = []
    bottom = lowest
    for level in (2, 1, 0):
        spacing = rates[level] / size
        found = np.empty((400, 3))
        low, high = int(bottom / spacing), int(edges[level] / spacing) + 2
        n = _peak_bins(spectra[level], low, high, 1e-14, rates[level], size, found, 0, level)
        before = np.array([p[:2] for p in kept]).reshape(-1, 2)
        for peak in found[:n]:
            near = (np.abs(before[:, 0] - peak[0]) < 1.5 * spacing) & (before[:, 1] > 0.3 * peak[1])
            double = near.any() and peak[0] < bottom + 2.0 * spacing
            if level == 2 or not double:
                kept.append(peak)
        bottom = edges[level]
    peaks = np.array(kept).reshape(-1, 3)
    loud: Floats = peaks[peaks[:, 1] > 2.5e-3 * peaks[:, 1].max(initial=0.0)]
    return loud


def _level(rates: Floats, f: float) -> int:
    """The lowest rate, of three, at which half of it still holds 24 samples a period."""
    level = 0
    while level < 2 and 0.5 * rates[level + 1] / f >= 24.0:
        level += 1
    return level


def _by_likeness(signals: list[Floats], hop: Ints, rates: Floats, strong: float, lowest: float) -> tuple[float, float]:
    """Pitch strong / order, order 1 .. 16, at which the signal repeats best, the lowest of equally good ones."""
    fit = np.empty(2)
    fits: dict[int, tuple[float, float]] = {}
    for order in range(1, 17):
        if strong / order < lowest:
            continue
        level = _level(rates, strong / order)
        best_period(signals[level], hop[level], 0.5 * rates[level] / (strong / order), fit)
        fits[order] = float(fit[0]), 2.0 * float(fit[1]) / rates[level]
        if order == 1 and fit[0] < 0.004:
            break
    least = min([2.0, *(value for value, _ in fits.values())])
    best = [order for order, (value, _) in fits.items() if value == least < 2.0]
    period = 0.0
    if best:
        period = next(p for order, (v, p) in fits.items() if order <= best[0] and v <= 1.1 * least + 0.04)
    if not (least > 0.05 and strong < 300.0):
        first = [v for v, p in fits.values() if p == period]
        return (1.0 / period, first[0]) if best else (0.0, 2.0)
    for level in (1, 2):
        rate = 0.5 * rates[level]
        _scan(signals[level], hop[level], 22, int(min(rate / lowest, 110.0)), fit)
        if fit[1] > 0.0 and fit[0] < 0.7 * least - 0.005:
            best_period(signals[level], hop[level], fit[1], fit)
            if fit[0] < least:
                least, period = float(fit[0]), 2.0 * float(fit[1]) / rates[level]
    return (1.0 / period, least) if period > 0.0 else (0.0, 2.0)


def _by_lines(
    spectrum: Floats, peaks: Floats, signals: list[Floats], hop: Ints, rates: Floats, size: int, edges: Floats,
    strong: float, lowest: float
) -> tuple[float, float]:  # fmt: skip
    """Pitch strong / order whose lines below the strong one are there, and the share of power on no line."""
    top = peaks[:, 1].max()
    spacing, fine = rates[0] / size, rates[1] / size
    comb, fit = np.empty(2), np.empty(2)
    best_power, f0 = 0.01 * top, strong
    for order in range(2, 17):
        if strong / order < 6.0 * fine:
            break
        width = fine if strong < edges[1] else spacing
        _comb_fill(peaks, len(peaks), strong / order, order, width, 0.004 * top, comb)
        if comb[1] >= 0.5 and comb[0] > 1.25 * best_power:
            best_power, f0 = comb[0], strong / order
    f = np.arange(2, min(int(edges[0] / spacing) + 1, len(spectrum))) * spacing
    power = spectrum[2 : 2 + len(f)]
    k = np.floor(f / f0 + 0.5)
    on_line = (k >= 1.0) & (np.abs(f - k * f0) <= 2.6 * spacing + 0.01 * f)
    unlike = 1.0 - power[on_line].sum() / (1e-300 + power.sum())
    for order in range(2, 17) if unlike > 0.03 else ():
        lower = strong / order
        if lower >= 6.0 * fine or lower < lowest or 0.5 * rates[0] / lower < 24.0:
            continue
        level = _level(rates, lower)
        best_period(signals[level], hop[level], 0.5 * rates[level] / lower, fit)
        if 1.1 * fit[0] + 0.04 < unlike:
            unlike, f0 = float(fit[0]), 0.5 * rates[level] / fit[1]
    return float(f0), float(unlike)


def coarse_pitch(
    spectra0: Floats, spectra1: Floats, spectra2: Floats, d0: Floats, d1: Floats, d2: Floats, hops: Ints, rates: Floats,
    size: int, edges: Floats, lowest: float, peaks: Floats, room: Floats, out: Floats
) -> None:  # fmt: skip
    """Rough pitch of each hop: (pitch or 0, unlikeness one period later, the strongest line's power, a strong Hz).

    The strong line is the lowest within 4 dB of the strongest. It is a multiple of the pitch: which, the signal itself
    decides where a period of the line holds 24 samples of half the rate, the lines of the spectra where not.
    """
    del room
    signals = [np.asarray(d, dtype=float) for d in (d0, d1, d2)]
    for i, hop in enumerate(hops):
        peaks = _hop_peaks([s[i].astype(float) for s in (spectra0, spectra1, spectra2)], rates, size, edges, lowest)
        out[i] = 0.0, 2.0, peaks[:, 1].max(initial=0.0), 0.0
        if not len(peaks):
            continue
        strong = float(peaks[np.argmax(peaks[:, 1] > 0.4 * peaks[:, 1].max()), 0])
        out[i, 3] = strong
        if 0.5 * rates[0] / strong >= 24.0:
            out[i, :2] = _by_likeness(signals, hop, rates, strong, lowest)
        else:
            out[i, :2] = _by_lines(spectra0[i].astype(float), peaks, signals, hop, rates, size, edges, strong, lowest)


def between_lines(
    spectrum: Floats, scale: float, cycles: int, last: Ints, first: Ints, high: int, power: Floats, bits: Ints,
    few: Ints, places: Ints, out: Floats
) -> None:  # fmt: skip
    """Bins between the harmonics (bins that are multiples of ``cycles``) and more than one bin away from one.

    (median - the lower one of an even number -, mean, number, power at odd half orders below the sixth, their number,
    power of the bins from ``high`` on that stand ten times over the median, their mean place). Half orders are left out
    of all but their own two numbers; one in a frame of eight cycles or more counts if it stands four times over what is
    two bins beside it.
    """
    del power, bits, few, places
    m = cycles
    for i, row in enumerate(scale * (spectrum[:, :, 0] ** 2 + spectrum[:, :, 1] ** 2)):
        bins = np.arange(2, min(int(last[i]), len(row)))
        place = bins % m
        apart = (place > 1) & (place < m - 1)
        halfway = apart & (2 * place == m) & (bins < 6 * m)
        halves = bins[halfway]
        beside = np.maximum(row[halves - 2], row[np.minimum(halves + 2, len(row) - 1)])
        lines = halves if m < 8 else halves[row[halves] > 4.0 * beside]
        rest = bins[apart & ~halfway & (bins >= first[i])]
        out[i] = np.nan, np.nan, len(rest), row[lines].sum(), len(halves), 0.0, np.nan
        if len(rest):
            median = np.sort(row[rest])[(len(rest) - 1) // 2]
            loud = rest[(rest >= high) & (row[rest] > 10.0 * median)]
            out[i, [0, 1, 5]] = median, row[rest].mean(), row[loud].sum()
            if row[loud].sum() > 0.0:
                out[i, 6] = np.average(loud, weights=row[loud])


def line_pitches(
    spectra: Floats, scale: Floats, tops: Ints, cycles: Ints, apart: float, amplitude: Floats, turned: Floats,
    used: Ints, sums: Floats, far: Ints
) -> None:  # fmt: skip
    """A_k = scale S_k up to k = tops[i], A_0 half of it and real; Im(T_k A_k*) of the tilted; which lines weigh 98 %.

    The weights are k^2 |A_k|^2; sums of k Im(T_k A_k*) and of them; number of frames with |d_k - d_1| > apart, d =
    Im(T_k A_k*) / (k |A_k|^2 cycles).
    """
    lines, tilted = (spectra[..., 0] + 1j * spectra[..., 1]) * scale[:, None]
    columns, few = amplitude.shape[1], turned.shape[1]
    kept = np.where(np.arange(columns) <= tops[:, None], lines[:, :columns], 0.0)
    kept[:, 0] = 0.5 * kept[:, 0].real
    amplitude[..., 0], amplitude[..., 1] = kept.real, kept.imag
    k = np.arange(1, few + 1)
    first = kept[:, 1 : few + 1]
    turned[:] = (tilted[:, 1 : few + 1] * first.conj()).imag
    weight = k**2 * np.abs(first) ** 2
    gathered = np.cumsum(weight, axis=1)
    used[:] = 1 + np.argmax(gathered >= 0.98 * gathered[:, -1:], axis=1)
    sums[:, 0] = np.sum(np.where(k <= used[:, None], k * turned, 0.0), axis=1)
    sums[:, 1] = np.sum(np.where(k <= used[:, None], weight, 0.0), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = turned * k / weight / cycles[:, None]
        far[:] = np.sum(np.abs(off - off[:, :1]) > apart, axis=0)


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


def draw_cycles(
    amplitude: Floats, rows: Ints, limits: Ints, least: Floats, jump: float, scale: float, taper: Floats, drawn: Floats
) -> None:
    """Loud A_k, tapered by sinc(k / limit) if the wave jumps; and 2 pi i k A_k sinc(k / limit) / sinc(1 / limit)."""
    del taper
    for r, i in enumerate(rows):
        length = min(int(limits[i]), amplitude.shape[1], drawn.shape[2])
        k = np.arange(length)
        line = amplitude[i, :length, 0] + 1j * amplitude[i, :length, 1]
        kept = np.where((np.abs(line) ** 2 >= least[i]) | (k == 1), line, 0.0)
        kept[0] = 0.0
        tail = np.abs(kept[3 * length // 4 :]) ** 2
        jumps = length > 8 and np.sqrt(tail.sum() / len(tail)) * length > jump * np.abs(line[1])
        factor = np.sinc(k / length)
        for side, lines in enumerate((kept * factor if jumps else kept, 2j * np.pi * k * kept * factor / factor[1])):
            drawn[side, r, :length, 0], drawn[side, r, :length, 1] = scale * lines.real, scale * lines.imag


def cycle_shape(cycle: Floats, slope: Floats, out: Floats) -> None:
    """Extremes of a cycle by a parabola, the parts of it beyond 98 % of each by straight lines, the steepest slopes.

    (largest, least, part above 98 % of the largest, part below 98 % of the least, steepest up, down, places of both).
    """
    points = cycle.shape[1]
    for i, row in enumerate(cycle):
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
            out[i, side], out[i, 2 + side], out[i, 6 + side] = sign * peak, part.mean(), (at + shift) / points
        out[i, 4], out[i, 5] = max(0.0, slope[i].max()), min(0.0, slope[i].min())
