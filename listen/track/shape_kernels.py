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
    """Middle one of bits[:count], none below 0, the lower of two; few: room for one more than shall be sorted.

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
    while upto - below >= few.shape[0] and b - a > 1:
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
    # every value is written, and kept or written over: a branch that cannot be foreseen costs more
    kept = 0
    for i in range(count):
        value = bits[np.uint64(i)]
        few[kept] = value
        kept += 1 if a < value <= b and kept < few.shape[0] - 1 else 0
    for i in range(1, kept):
        value = few[i]
        j = i
        while j > 0 and few[j - 1] > value:
            few[j] = few[j - 1]
            j -= 1
        few[j] = value
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


@part()
def _between(m: int, bins: int, places: Ints) -> int:
    """Put the bins between the harmonics, the half orders below the sixth left out, into ``places``: how many."""
    count = 0
    k = 0
    while k * m < bins:
        skipped = k * m + m // 2 if m % 2 == 0 and k < 6 else -1
        for b in range(k * m + 2, min(k * m + m - 1, bins)):
            places[count] = b
            count += 0 if b == skipped else 1
        k += 1
    return count


@part()
def _first_from(places: Ints, count: int, least: int) -> int:
    """How many of the rising places[:count] lie below ``least``."""
    a = 0
    b = count
    while a < b:
        middle = (a + b) // 2
        if places[middle] < least:
            a = middle + 1
        else:
            b = middle
    return a


@part(sums=True)
def _loud(kept: Floats, places: Ints, skipped: int, first: int, count: int, limit: float, out: Floats) -> None:
    """Power of kept[first:count] above ``limit`` into out[5], their mean place into out[6]."""
    loud = 0.0
    place = 0.0
    least = np.float32(limit)
    for i in range(np.uint64(max(count - first, 0))):
        j = np.uint64(first) + i
        taken = np.float64(kept[j] if kept[j] > least else np.float32(0.0))
        loud += taken
        place += taken * np.float64(places[np.uint64(skipped) + j])
    out[5] = loud
    out[6] = place / loud if loud > 0.0 else np.nan


@kernel(
    "void(f4[:, :, ::1], f8, i8, i8[::1], i8[::1], i8, f4[:, ::1], i4[::1], i4[::1], i4[::1], f8[:, ::1])", sums=True
)
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
    places: Ints,
    out: Floats,
) -> None:
    """Power between the harmonics: bins that are no harmonic nor next to one, from first[i] up to last[i].

    spectrum (n, bins, 2), float32: real and imaginary parts, of frames of so many cycles, their squares times ``scale``
    are the power; out[i] = (median, mean, bins, power at odd half orders below the sixth, their number, power of the
    bins from ``high`` on that stand ten times over the median, their mean place in bins); power (2, at least bins + 1)
    is room of float32, bits its second row as int32, whose order is the same; few (any) and places (at
    least bins + 1): room of int32.
    """
    bins = spectrum.shape[1]
    narrow = np.float32(scale)
    known = _between(cycles, bins, places)
    for i in range(spectrum.shape[0]):
        stop = min(last[i], bins)
        for b in range(np.uint64(min(stop + 3, bins))):
            re = spectrum[i, b, 0]
            im = spectrum[i, b, 1]
            power[0, b] = narrow * (re * re + im * im)
        _half_orders(power[0], cycles, stop, bins, out[i])
        below = _first_from(places, known, first[i])
        count = max(_first_from(places, known, stop) - below, 0)
        for j in range(np.uint64(count)):
            power[1, j] = power[0, places[np.uint64(below) + j]]
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
        begin = _first_from(places, known, max(first[i], high)) - below
        _loud(power[1], places, below, begin, count, 10.0 * median, out[i])


@kernel(
    "void(f8[:, :, :, ::1], f8[::1], i8[::1], i8[::1], f8, f8[:, :, ::1], f8[:, ::1], i8[::1], f8[:, ::1], i8[::1])",
    sums=True,
    brief=True,
)
def line_pitches(
    spectra: Floats,
    scale: Floats,
    tops: Ints,
    cycles: Ints,
    apart: float,
    amplitude: Floats,
    turned: Floats,
    used: Ints,
    sums: Floats,
    far: Ints,
) -> None:
    """Harmonics of frames, and how far each one's phase runs from the rough pitch's.

    spectra (2, n, bins, 2): real and imaginary parts of the folded cycles' and of the tilted ones', times scale[i] the
    amplitudes; tops (n,): the highest harmonic to keep; cycles (n,). amplitude (n, harmonics + 1, 2): 0 above
    tops[i], the mean real and not doubled; turned (n, few): imaginary part of T_k A_k*; used (n,): the lowest lines
    that hold 98 % of the weight k^2 |A_k|^2 of the first ``few``; sums (n, 2): of k turned and of the weight over
    these; far (few,): frames in which each line's relative deviation, turned / (k |A_k|^2 cycles), is further than
    ``apart`` from the first one's.
    """
    few = turned.shape[1]
    for k in range(few):
        far[k] = 0
    for i in range(amplitude.shape[0]):
        kept = min(tops[i] + 1, amplitude.shape[1])
        for k in range(np.uint64(kept)):
            amplitude[i, k, 0] = scale[i] * spectra[0, i, k, 0]
            amplitude[i, k, 1] = scale[i] * spectra[0, i, k, 1]
        for k in range(kept, amplitude.shape[1]):
            amplitude[i, k, 0] = 0.0
            amplitude[i, k, 1] = 0.0
        amplitude[i, 0, 0] *= 0.5
        amplitude[i, 0, 1] = 0.0
        total = 0.0
        own = np.nan
        for k in range(1, few + 1):
            re = amplitude[i, k, 0]
            im = amplitude[i, k, 1]
            power = re * re + im * im
            total += k * k * power
            across = scale[i] * (spectra[1, i, k, 1] * re - spectra[1, i, k, 0] * im)
            turned[i, k - 1] = across
            off = across / (k * power) / cycles[i]
            if k == 1:
                own = off
            far[k - 1] += 1 if abs(off - own) > apart else 0
        line = 1
        gathered = amplitude[i, 1, 0] ** 2 + amplitude[i, 1, 1] ** 2
        along = turned[i, 0]
        while gathered < 0.98 * total and line < few:
            line += 1
            gathered += line * line * (amplitude[i, line, 0] ** 2 + amplitude[i, line, 1] ** 2)
            along += line * turned[i, line - 1]
        used[i] = line
        sums[i, 0] = along
        sums[i, 1] = gathered


@kernel("void(f8[:, :, ::1], i8[::1], f8[::1], i8[::1])", brief=True)
def loud_orders(amplitude: Floats, limits: Ints, least: Floats, out: Ints) -> None:
    """The highest harmonic below limits[i] whose power reaches least[i], 1 at the least.

    amplitude (n, harmonics + 1, 2): real and imaginary parts.
    """
    for i in range(amplitude.shape[0]):
        k = min(limits[i], amplitude.shape[1]) - 1
        while k > 1 and not amplitude[i, k, 0] ** 2 + amplitude[i, k, 1] ** 2 >= least[i]:
            k -= 1
        out[i] = max(k, 1)


@kernel("void(f8[:, :, ::1], i8[::1], i8, f8[:, ::1])", sums=True, brief=True)
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


@kernel("void(f8[:, :, ::1], i8[::1], i8[::1], f8[::1], f8, f8, f8[::1], f4[:, :, :, ::1])", sums=True, brief=True)
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
