"""The hot loops behind a frame's lines: what lies between them, the shape of the mean cycle.

Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints


@part(sums=True)
def _at_most(bits: Ints, count: int, limit: int) -> int:
    """How many of bits[:count] are at most ``limit``."""
    # counted in float32: exact up to 2^24, and twice as many at a time as the integers that numba would count in
    found = np.float32(0.0)
    least = np.int32(limit)
    for i in range(np.uint64(count)):
        found += np.float32(1.0) if bits[np.uint64(i)] <= least else np.float32(0.0)
    return int(found)


@part(sums=True)
def _median(bits: Ints, count: int, low: int, high: int, few: Ints) -> int:
    """Middle one of bits[:count], none below 0, the lower of two; few: room for 32.

    It lies not above ``high``, and probably above ``low``. The place is halved until few values are left to sort.
    """
    rank = (count + 1) // 2
    a = low
    b = high
    below = _at_most(bits, count, a)
    if below >= rank:
        b = a
        a = -1
        below = 0
    upto = count
    # the value lies above a, not above b
    while upto - below > few.shape[0] and b - a > 1:
        middle = (a + b) // 2
        found = _at_most(bits, count, middle)
        if found >= rank:
            b = middle
            upto = found
        else:
            a = middle
            below = found
    if b - a == 1:
        return b
    kept = 0
    for i in range(count):
        value = bits[np.uint64(i)]
        if a < value <= b and kept < few.shape[0]:
            j = kept
            while j > 0 and few[j - 1] > value:
                few[j] = few[j - 1]
                j -= 1
            few[j] = value
            kept += 1
    # nothing lies between them only where the numbers are not finite: no place of ``few`` is read that was not filled
    return int(few[min(max(rank - below, 1), kept) - 1]) if kept > 0 else b


@part(sums=True)
def _half_orders(power: Floats, m: int, stop: int, bins: int, out: Floats) -> None:
    """Power at odd half orders below the sixth into out[3], their number into out[4]."""
    half = 0.0
    halves = 0
    if m % 2 == 0 and m >= 4:
        for k in range(6):
            b = k * m + m // 2
            if b >= stop:
                break
            halves += 1
            # a line, not the skirt of a harmonic whose pitch jitters
            if m < 8 or power[b] > 4.0 * max(power[b - 2], power[min(b + 2, bins - 1)]):
                half += power[b]
    out[3] = half
    out[4] = halves


@part(sums=True)
def _gathered(power: Floats, m: int, first: int, stop: int, kept: Floats) -> int:
    """Put the bins between the harmonics side by side: how many."""
    count = 0
    k = 0
    while k * m < stop:
        a = max(k * m + 2, first)
        b = min(k * m + m - 1, stop)
        skipped = k * m + m // 2 if m % 2 == 0 and k < 6 else -1
        k += 1
        if b <= a:
            continue
        for j in range(np.uint64(b - a)):
            kept[np.uint64(count) + j] = power[np.uint64(a) + j]
        count += b - a
        if a <= skipped < b:
            # the last one takes the half order's place
            kept[count - (b - skipped)] = kept[count - 1]
            count -= 1
    return count


@part(sums=True)
def _loud(power: Floats, m: int, first: int, stop: int, limit: float, out: Floats) -> None:
    """Power of the bins between the harmonics above ``limit`` into out[5], their mean place into out[6]."""
    loud = 0.0
    place = 0.0
    k = first // m
    while k * m < stop:
        a = max(k * m + 2, first)
        b = min(k * m + m - 1, stop)
        skipped = k * m + m // 2 if m % 2 == 0 and k < 6 else -1
        k += 1
        while a < b:
            # up to the half order, and on behind it
            end = skipped if a <= skipped < b else b
            for j in range(np.uint64(max(end - a, 0))):
                p = power[np.uint64(a) + j]
                taken = np.float64(p) if p > limit else 0.0
                loud += taken
                place += taken * np.float64(np.int64(j) + a)
            a = end if end == b else end + 1
    out[5] = loud
    out[6] = place / loud if loud > 0.0 else np.nan


@kernel("void(f4[:, :, ::1], f8, i8, i8[::1], i8[::1], i8, f4[:, ::1], i4[::1], i4[::1], f8[:, ::1])", sums=True)
def between_lines(
    spectrum: Floats,
    scale: float,
    cycles: int,
    last: Ints,
    first: Ints,
    high: int,
    power: Floats,
    bits: Ints,
    few: Ints,
    out: Floats,
) -> None:
    """Power between the harmonics: bins that are no harmonic nor next to one, from first[i] up to last[i].

    spectrum (n, bins, 2), float32: real and imaginary parts, of frames of so many cycles, their squares times ``scale``
    are the power; out[i] = (median, mean, bins, power at odd half orders below the sixth, their number, power of the
    bins from ``high`` on that stand ten times over the median, their mean place in bins); power (2, at least bins + 1)
    is room of float32, bits its second row as int32, whose order is the same; few (32,): room of int32.
    """
    bins = spectrum.shape[1]
    narrow = np.float32(scale)
    for i in range(spectrum.shape[0]):
        stop = min(last[i], bins)
        for b in range(np.uint64(min(stop + 3, bins))):
            re = spectrum[i, b, 0]
            im = spectrum[i, b, 1]
            power[0, b] = narrow * (re * re + im * im)
        _half_orders(power[0], cycles, stop, bins, out[i])
        count = _gathered(power[0], cycles, first[i], stop, power[1])
        out[i, 2] = count
        if count == 0:
            out[i, 0] = np.nan
            out[i, 1] = np.nan
            out[i, 5] = 0.0
            out[i, 6] = np.nan
            continue
        total = 0.0
        for j in range(np.uint64(count)):
            total += power[1, j]
        # the room's last place turns numbers into bits and back; half of all values are at most twice their mean
        spare = power.shape[1] - 1
        power[1, spare] = np.float32(2.001 * total / count)
        high_bits = int(bits[spare])
        power[1, spare] = np.float32(total / count / 64.0)
        bits[spare] = _median(bits, count, int(bits[spare]), high_bits, few)
        median = np.float64(power[1, spare])
        out[i, 0] = median
        out[i, 1] = total / count
        _loud(power[0], cycles, max(first[i], high), stop, 10.0 * median, out[i])


@kernel("void(f8[:, :, ::1], i8[::1], f8[::1], i8[::1])")
def loud_orders(amplitude: Floats, limits: Ints, least: Floats, out: Ints) -> None:
    """The highest harmonic below limits[i] whose power reaches least[i], 1 at the least.

    amplitude (n, harmonics + 1, 2): real and imaginary parts.
    """
    for i in range(amplitude.shape[0]):
        k = min(limits[i], amplitude.shape[1]) - 1
        while k > 1 and not amplitude[i, k, 0] ** 2 + amplitude[i, k, 1] ** 2 >= least[i]:
            k -= 1
        out[i] = max(k, 1)


@kernel("void(f8[:, :, ::1], i8[::1], i8, f8[:, ::1])", sums=True)
def high_orders(amplitude: Floats, limits: Ints, first: int, out: Floats) -> None:
    """Mean square of the harmonics ``first`` .. limits[i] - 1, and their mean order; NaN where none fits, or all are 0.

    amplitude (n, harmonics + 1, 2): real and imaginary parts; out (n, 2).
    """
    for i in range(amplitude.shape[0]):
        total = 0.0
        place = 0.0
        for k in range(np.uint64(first), np.uint64(max(min(limits[i], amplitude.shape[1]), first))):
            power = amplitude[i, k, 0] ** 2 + amplitude[i, k, 1] ** 2
            total += power
            place += power * np.float64(np.int64(k))
        out[i, 0] = 0.5 * total if limits[i] > first else np.nan
        out[i, 1] = place / total if total > 0.0 else np.nan


@kernel("void(f8[:, :, ::1], i8[::1], i8[::1], f8[::1], f8, f8, f8[::1], f4[:, :, :, ::1])", sums=True)
def draw_cycles(
    amplitude: Floats,
    rows: Ints,
    limits: Ints,
    least: Floats,
    jump: float,
    scale: float,
    taper: Floats,
    drawn: Floats,
) -> None:
    """Spectra of mean cycles and of their slopes, from the harmonics whose power reaches least[i], and the first.

    amplitude (n, harmonics + 1, 2), limits, least (n,): as in ``loud_orders``; rows (m,) of these; drawn (2, m, bins,
    2), float32, zeros before: the cycle, and its slope a cycle tapered by Lanczos' factors over the first one's; both
    times ``scale``. A cycle whose last quarter of harmonics falls as 1/k with more than ``jump`` of the first is
    tapered. taper (at least bins): room.
    """
    held = -1
    for r in range(rows.shape[0]):
        i = rows[r]
        length = min(limits[i], amplitude.shape[1], drawn.shape[2])
        if length != held:
            held = length
            taper[0] = 1.0
            for k in range(1, length):
                taper[k] = math.sin(math.pi * k / length) / (math.pi * k / length)
        tail = 3 * length // 4
        rest = 0.0
        for k in range(tail, length):
            power = amplitude[i, k, 0] ** 2 + amplitude[i, k, 1] ** 2
            if power >= least[i]:
                rest += power
        first = amplitude[i, 1, 0] ** 2 + amplitude[i, 1, 1] ** 2
        jumps = length > 8 and rest / (length - tail) * length**2 > jump**2 * first
        for k in range(1, length):
            re = amplitude[i, k, 0]
            im = amplitude[i, k, 1]
            if k > 1 and not re * re + im * im >= least[i]:
                continue
            plain = scale * taper[k] if jumps else scale
            drawn[0, r, k, 0] = plain * re
            drawn[0, r, k, 1] = plain * im
            steep = scale * 2.0 * math.pi * k * taper[k] / taper[1]
            drawn[1, r, k, 0] = -steep * im
            drawn[1, r, k, 1] = steep * re


@kernel("void(f4[:, ::1], f4[:, ::1], f8[:, ::1])")
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
