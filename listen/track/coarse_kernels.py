"""The hot loops of the rough pitch. Arrays and scalars in, arrays out: no options, no exceptions.

Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints

_LEAST_BESIDE = 1e-3
_NOT_YET = 3e-4
"""Below this part of the highest bin no peak counts, nor hides another: 2.5e-3, 0.3, and 2.4 by a parabola."""


@part(sums=True)
def periodicity(x: Floats, centre: int, lag: int, span: int) -> float:
    """Mean squared difference between x and x one lag later, over their mean power: 0 periodic, 1 noise, 2 opposed."""
    start = centre - (span + lag) // 2
    if start < 0:
        start = 0
    if start + span + lag > x.shape[0]:
        start = x.shape[0] - span - lag
    if start < 0:
        return 2.0
    first = np.uint64(start)
    mean = 0.0
    for i in range(np.uint64(span + lag)):
        mean += np.float64(x[first + i])
    mean /= span + lag
    power = 0.0
    difference = 0.0
    for i in range(np.uint64(span)):
        a = np.float64(x[first + i]) - mean
        b = np.float64(x[first + np.uint64(lag) + i]) - mean
        power += a * a + b * b
        difference += (a - b) * (a - b)
    if power <= 0.0:
        return 2.0
    return difference / power


@part()
def best_period(x: Floats, centre: int, period: float, out: Floats) -> None:
    """Least of ``periodicity`` within 4 % of a period: out = (value, period in samples, interpolated)."""
    low = int(period * 0.96) - 1
    high = int(period * 1.04) + 2
    if low < 2:
        low = 2
    span = int(1.5 * period) + 2
    best = 2.0
    best_lag = low
    for lag in range(low, high + 1):
        value = periodicity(x, centre, lag, span)
        if value < best:
            best = value
            best_lag = lag
    before = periodicity(x, centre, best_lag - 1, span)
    after = periodicity(x, centre, best_lag + 1, span)
    curvature = before - 2.0 * best + after
    shift = 0.0
    if curvature > 0.0:
        shift = 0.5 * (before - after) / curvature
        if shift > 0.5:
            shift = 0.5
        elif shift < -0.5:
            shift = -0.5
    value = best - 0.25 * (before - after) * shift
    out[0] = value if value > 0.0 else 0.0
    out[1] = best_lag + shift


@part()
def _peak_bins(
    power: Floats,
    low: int,
    high: int,
    base: float,
    rate: float,
    size: int,
    peaks: Floats,
    count: int,
    level: int,
) -> int:
    """Append the local maxima of power[low:high] to peaks: (frequency, power, level).

    A line's neighbours in a Hann window are 20 dB below it at the most; next to an empty bin a parabola has no sense.
    """
    for b in range(max(low, 1), min(high, power.shape[0] - 1)):
        p = np.float64(power[b])
        if p > base and p > power[b - 1] and p >= power[b + 1]:
            if count >= peaks.shape[0]:
                break
            la = math.log(max(np.float64(power[b - 1]), _LEAST_BESIDE * p))
            lb = math.log(p)
            lc = math.log(max(np.float64(power[b + 1]), _LEAST_BESIDE * p))
            curve = la - 2.0 * lb + lc
            shift = 0.0
            if curve < 0.0:
                shift = 0.5 * (la - lc) / curve
            peaks[count, 0] = (b + shift) * rate / size
            peaks[count, 1] = math.exp(lb - 0.25 * (la - lc) * shift)
            peaks[count, 2] = level
            count += 1
    return count


@part()
def _highest(power: Floats, low: int, high: int, found: float) -> float:
    """The highest of the local maxima of power[low:high], or ``found`` if that is higher."""
    best = np.float32(found)
    for b in range(max(low, 1), min(high, power.shape[0] - 1)):
        p = power[np.uint64(b)]
        if p > best and p > power[b - 1] and p >= power[b + 1]:
            best = p
    return np.float64(best)


@part()
def _comb_fill(
    peaks: Floats,
    count: int,
    f0: float,
    order: int,
    tolerance_hz: float,
    floor: float,
    out: Floats,
) -> None:
    """Lines at j f0, j < 2 order and not a multiple of it: out = (their power, share of them that is there)."""
    total = 0.0
    filled = 0
    asked = 0
    for j in range(1, 2 * order):
        if j % order == 0:
            continue
        asked += 1
        target = j * f0
        best = 0.0
        for i in range(count):
            if abs(peaks[i, 0] - target) < tolerance_hz + 0.01 * target and peaks[i, 1] > best:
                best = peaks[i, 1]
        if best > floor:
            total += best
            filled += 1
    out[0] = total
    out[1] = filled / asked


@part()
def _scan(x: Floats, centre: int, low: int, high: int, out: Floats) -> None:
    """The deepest dip of ``periodicity`` among the lags low..high, shorter lags first: out = (value, lag)."""
    best = 2.0
    chosen = 0
    before = 2.0
    here = 2.0
    for lag in range(low, high + 1):
        after = periodicity(x, centre, lag, int(1.5 * lag) + 2)
        if here <= before and here < after and here < best - 0.02:
            best = here
            chosen = lag - 1
        before = here
        here = after
    out[0] = best
    out[1] = chosen


@part()
def _gather_peaks(
    spectra0: Floats,
    spectra1: Floats,
    spectra2: Floats,
    rates: Floats,
    size: int,
    edges: Floats,
    lowest: float,
    peaks: Floats,
) -> int:
    """Local maxima of one hop within 26 dB of the strongest, lowest first: returns how many.

    A peak on the edge of two spectra is taken from the coarser rate's, which shows it first.
    """
    count = 0
    highest = 0.0
    bottom_hz = lowest
    for level in range(2, -1, -1):
        spectrum = spectra2 if level == 2 else (spectra1 if level == 1 else spectra0)
        low = int(bottom_hz / (rates[level] / size))
        highest = _highest(spectrum, low, int(edges[level] / (rates[level] / size)) + 2, highest)
        bottom_hz = edges[level]
    base = max(1e-14, _NOT_YET * highest)
    bottom_hz = lowest
    for level in range(2, -1, -1):
        spectrum = spectra2 if level == 2 else (spectra1 if level == 1 else spectra0)
        spacing = rates[level] / size
        first = count
        low = int(bottom_hz / spacing)
        high = int(edges[level] / spacing) + 2
        count = _peak_bins(spectrum, low, high, base, rates[level], size, peaks, count, level)
        if level < 2:
            kept = first
            for p in range(first, count):
                double = False
                for q in range(first):
                    near = abs(peaks[q, 0] - peaks[p, 0]) < 1.5 * spacing
                    alike = peaks[q, 1] > 0.3 * peaks[p, 1]
                    if near and alike and peaks[p, 0] < bottom_hz + 2.0 * spacing:
                        double = True
                if not double:
                    for column in range(3):
                        peaks[kept, column] = peaks[p, column]
                    kept += 1
            count = kept
        bottom_hz = edges[level]
    top = 0.0
    for p in range(count):
        if peaks[p, 1] > top:
            top = peaks[p, 1]
    kept = 0
    for p in range(count):
        if peaks[p, 1] > 2.5e-3 * top:
            for column in range(3):
                peaks[kept, column] = peaks[p, column]
            kept += 1
    return kept


@part()
def _level_for(f: float, rates: Floats) -> int:
    """The coarsest of the three rates that still has 24 samples a period at half of it."""
    level = 0
    while level < 2 and 0.5 * rates[level + 1] / f >= 24.0:
        level += 1
    return level


@part()
def _by_likeness(
    d0: Floats,
    d1: Floats,
    d2: Floats,
    hop: Ints,
    rates: Floats,
    lowest: float,
    f_strong: float,
    room: Floats,
    out: Floats,
) -> None:
    """Many samples a period: the shortest period after which the signal is itself again, as good as any longer one."""
    fit = room[0]
    differences = room[1]
    periods = room[2]
    for order in range(17):
        differences[order] = 9.0
        periods[order] = 0.0
    best_order = 0
    least = 2.0
    for order in range(1, 17):
        f = f_strong / order
        if f < lowest:
            continue
        level = _level_for(f, rates)
        x = d2 if level == 2 else (d1 if level == 1 else d0)
        best_period(x, hop[level], 0.5 * rates[level] / f, fit)
        differences[order] = fit[0]
        periods[order] = 2.0 * fit[1] / rates[level]
        if fit[0] < least:
            least = fit[0]
            best_order = order
        if order == 1 and fit[0] < 0.004:
            break
    for order in range(1, best_order + 1):
        if differences[order] < 9.0 and differences[order] <= 1.1 * least + 0.04:
            best_order = order
            break
    if best_order == 0:
        return
    period = periods[best_order]
    unlike = differences[best_order]
    if least > 0.05 and f_strong < 300.0:
        # lines too close to be told apart: search all lags
        unlike = least
        for level in range(1, 3):
            x = d2 if level == 2 else d1
            _scan(x, hop[level], 22, int(min(0.5 * rates[level] / lowest, 110.0)), fit)
            if fit[1] > 0.0 and fit[0] < 0.7 * least - 0.005:
                best_period(x, hop[level], fit[1], fit)
                if fit[0] < unlike:
                    unlike = fit[0]
                    period = 2.0 * fit[1] / rates[level]
    out[0] = 1.0 / period
    out[1] = unlike


@part()
def _inside(spectrum: Floats, f0: float, spacing: float, top_hz: float) -> float:
    """Part of a spectrum's power that lies at multiples of f0."""
    inside = 0.0
    total = 1e-300
    for b in range(2, min(int(top_hz / spacing) + 1, spectrum.shape[0])):
        power = np.float64(spectrum[b])
        total += power
        f = b * spacing
        k = math.floor(f / f0 + 0.5)
        if k >= 1.0 and abs(f - k * f0) <= 2.6 * spacing + 0.01 * f:
            inside += power
    return inside / total


@part()
def _order_by_lines(
    peaks: Floats,
    count: int,
    f_strong: float,
    top: float,
    fine: float,
    tolerance_hz: float,
    comb: Floats,
) -> int:
    """Which harmonic the strongest line is, from the lines that lie below and between."""
    best_power = 0.01 * top
    chosen = 1
    for order in range(2, 17):
        f = f_strong / order
        if f < 6.0 * fine:
            break
        _comb_fill(peaks, count, f, order, tolerance_hz, 0.004 * top, comb)
        if comb[1] >= 0.5 and comb[0] > 1.25 * best_power:
            best_power = comb[0]
            chosen = order
    return chosen


@kernel(
    "void(f4[:, ::1], f4[:, ::1], f4[:, ::1], f4[::1], f4[::1], f4[::1], i8[:, ::1], f8[::1], i8, f8[::1], f8,"
    " f8[:, ::1], f8[:, ::1], f8[:, ::1])"
)
def coarse_pitch(
    spectra0: Floats,
    spectra1: Floats,
    spectra2: Floats,
    d0: Floats,
    d1: Floats,
    d2: Floats,
    hops: Ints,
    rates: Floats,
    size: int,
    edges: Floats,
    lowest: float,
    peaks: Floats,
    room: Floats,
    out: Floats,
) -> None:
    """One rough pitch a hop, from spectra at three rates and the signal's likeness to itself one period later.

    spectra (n, bins): power, each normalised so that a line has the same power at every rate, rates (3,). d0, d1, d2:
    the signal at half of each rate, band-limited to 0.18 of that, so that a lag between two samples can be
    interpolated, d0 at least within 128 samples of the hops; hops (n, 3): sample of each hop in each. edges (3,): up
    to which frequency spectrum 0, 1, 2 is searched. peaks (400, 3), room (3, 17): room. out (n, 4) = (f0 or 0, how
    unlike itself one period later 0..2, power of the strongest line, frequency).
    """
    fit = room[0]
    spacing = rates[0] / size
    fine = rates[1] / size
    for i in range(hops.shape[0]):
        out[i, 0] = 0.0
        out[i, 1] = 2.0
        out[i, 2] = 0.0
        out[i, 3] = 0.0
        count = _gather_peaks(spectra0[i], spectra1[i], spectra2[i], rates, size, edges, lowest, peaks)
        top = 0.0
        for p in range(count):
            if peaks[p, 1] > top:
                top = peaks[p, 1]
        out[i, 2] = top
        if count == 0 or top <= 0.0:
            continue
        strong = 0
        while peaks[strong, 1] <= 0.4 * top:
            strong += 1
        f_strong = peaks[strong, 0]
        out[i, 3] = f_strong
        if 0.5 * rates[0] / f_strong >= 24.0:
            _by_likeness(d0, d1, d2, hops[i], rates, lowest, f_strong, room, out[i])
            continue
        # few samples a period: the lines lie far apart, look for those below the strongest
        tolerance_hz = fine if f_strong < edges[1] else spacing
        f0 = f_strong / _order_by_lines(peaks, count, f_strong, top, fine, tolerance_hz, room[1])
        unlike = 1.0 - _inside(spectra0[i], f0, spacing, edges[0])
        if unlike > 0.03:
            # orders whose lines the spectra cannot part: ask the signal itself
            for order in range(2, 17):
                f = f_strong / order
                if f >= 6.0 * fine or f < lowest or 0.5 * rates[0] / f < 24.0:
                    continue
                level = _level_for(f, rates)
                x = d2 if level == 2 else (d1 if level == 1 else d0)
                best_period(x, hops[i, level], 0.5 * rates[level] / f, fit)
                if 1.1 * fit[0] + 0.04 < unlike:
                    unlike = fit[0]
                    f0 = 0.5 * rates[level] / fit[1]
        out[i, 0] = f0
        out[i, 1] = unlike
