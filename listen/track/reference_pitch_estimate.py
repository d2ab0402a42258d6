"""The kernels of the rough pitch once more in plain numpy, as in ``reference.py``: lower rates, windows, peaks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    chosen: list[Floats] = []
    bottom = lowest
    for level in (2, 1, 0):
        spacing = rates[level] / size
        found = np.empty((400, 3))
        low, high = int(bottom / spacing), int(edges[level] / spacing) + 2
        n = _peak_bins(spectra[level], low, high, 1e-14, rates[level], size, found, 0, level)
        before = np.array([p[:2] for p in chosen]).reshape(-1, 2)
        for peak in found[:n]:
            near = (np.abs(before[:, 0] - peak[0]) < 1.5 * spacing) & (before[:, 1] > 0.3 * peak[1])
            double = near.any() and peak[0] < bottom + 2.0 * spacing
            if level == 2 or not double:
                chosen.append(peak)
        bottom = edges[level]
    peaks = np.array(chosen).reshape(-1, 3)
    loud: Floats = peaks[peaks[:, 1] > 2.5e-3 * peaks[:, 1].max(initial=0.0)]
    return loud


def _level(rates: Floats, f: float) -> int:
    """The lowest rate, of three, at which half of it still holds 24 samples a period."""
    level = 0
    while level < 2 and 0.5 * rates[level + 1] / f >= 24.0:
        level += 1
    return level


def _by_periodicity(
    signals: list[Floats], hop: Ints, rates: Floats, strong: float, lowest: float
) -> tuple[float, float]:
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
    difference = 1.0 - power[on_line].sum() / (1e-300 + power.sum())
    for order in range(2, 17) if difference > 0.03 else ():
        lower = strong / order
        if lower >= 6.0 * fine or lower < lowest or 0.5 * rates[0] / lower < 24.0:
            continue
        level = _level(rates, lower)
        best_period(signals[level], hop[level], 0.5 * rates[level] / lower, fit)
        if 1.1 * fit[0] + 0.04 < difference:
            difference, f0 = float(fit[0]), 0.5 * rates[level] / fit[1]
    return float(f0), float(difference)


def coarse_pitch(
    spectra0: Floats, spectra1: Floats, spectra2: Floats, d0: Floats, d1: Floats, d2: Floats, hops: Ints, rates: Floats,
    size: int, edges: Floats, lowest: float, peaks: Floats, room: Floats, out: Floats
) -> None:  # fmt: skip
    """Each hop: (pitch or 0, normalised difference one period on, the strongest line's power, a strong one).

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
            out[i, :2] = _by_periodicity(signals, hop, rates, strong, lowest)
        else:
            out[i, :2] = _by_lines(spectra0[i].astype(float), peaks, signals, hop, rates, size, edges, strong, lowest)
