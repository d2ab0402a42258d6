"""The hot loops of what is slow: windows of the remains, mains lines in their spectra, the frames' offset.

Each kernel has its plain twin, under the same name, in ``reference_hum.py``.
"""

from __future__ import annotations

import math

import numpy as np

from listen.compiled import kernel, part
from listen.track.types import Floats, Ints

_STANDS_OUT = 3.0
"""Times what is beside it: noise alone, which rises and falls from bin to bin, is left as it reads."""


@kernel("void(f8[::1], i8, f8[::1], f8[:, ::1], f8[::1])", sums=True, brief=True)
def level_windows(rest: Floats, step: int, window: Floats, out: Floats, lost: Floats) -> None:
    """Windows of a row of values, without their mean and their slope: a slow drift is no line.

    Window i begins at rest[i * step] and is as long as ``window``, which weighs it. out (n, at least as long): zeros
    behind it; lost (n,): the share of its values that are NaN; they count as 0.
    """
    width = np.uint64(window.shape[0])
    middle = 0.5 * (window.shape[0] - 1)
    squares = 0.0
    for j in range(width):
        squares += (np.float64(j) - middle) * (np.float64(j) - middle)
    for i in range(out.shape[0]):
        first = np.uint64(i * step)
        total = 0.0
        along = 0.0
        known = 0.0
        for j in range(width):
            value = rest[first + j]
            there = value == value
            kept = value if there else 0.0
            known += 1.0 if there else 0.0
            total += kept
            along += kept * (np.float64(j) - middle)
            out[i, j] = kept
        mean = total / window.shape[0]
        slope = along / squares if squares > 0.0 else 0.0
        for j in range(width):
            out[i, j] = (out[i, j] - mean - slope * (np.float64(j) - middle)) * window[j]
        for j in range(width, np.uint64(out.shape[1])):
            out[i, j] = 0.0
        lost[i] = 1.0 - known / window.shape[0]


@part(sums=True)
def _ranked(values: Floats, count: int, rank: int) -> float:
    """Value at the place ``rank`` of the sorted values[:count], NaN last."""
    for i in range(count):
        value = values[np.uint64(i)]
        below = 0.0
        upto = 0.0
        for j in range(np.uint64(count)):
            below += 1.0 if values[j] < value else 0.0
            upto += 1.0 if values[j] <= value else 0.0
        if below <= rank < upto:
            return float(value)
    return math.nan


@part(sums=True)
def _middle(values: Floats, count: int) -> float:
    """Median of values[:count], NaN being larger than all others."""
    low = _ranked(values, count, (count - 1) // 2)
    high = low if count % 2 else _ranked(values, count, count // 2)
    return 0.5 * (low + high)


@kernel("void(f8[::1], f8, f8[::1], f8[::1])", sums=True)
def limit_strays(values: Floats, times: float, room: Floats, out: Floats) -> None:
    """Values no further from the median around them than ``times`` the median of such distances.

    Around: as many values as ``room`` has place for; near an end, the first or last so many. room: at most as many as
    there are values.
    """
    width = room.shape[0]
    middle = 0.0
    usual = 0.0
    before = -1
    for i in range(values.shape[0]):
        first = min(max(i - width // 2, 0), values.shape[0] - width)
        if first != before:
            before = first
            for j in range(np.uint64(width)):
                room[j] = values[np.uint64(first) + j]
            middle = _middle(room, width)
            for j in range(np.uint64(width)):
                room[j] = abs(room[j] - middle)
            usual = _middle(room, width)
        most = times * usual
        off = values[i] - middle
        out[i] = middle - most if off < -most else (middle + most if off > most else values[i])


@part()
def _is_skirt(spectrum: Floats, largest: float, first: int, last: int) -> bool:
    """Whether one of the two bins before ``first`` or after ``last`` holds more than ``largest`` power."""
    found = False
    for b in (first - 2, first - 1, last + 1, last + 2):
        if 0 <= b < spectrum.shape[0] and spectrum[b, 0] ** 2 + spectrum[b, 1] ** 2 > largest:
            found = True
    return found


@kernel("void(f8[:, :, ::1], f8, i8[::1], i8[::1], i8[::1], i8[::1], f8[::1], f8[:, :, ::1])", sums=True)
def line_levels(
    spectra: Floats,
    scale: float,
    near: Ints,
    near_ends: Ints,
    beside: Ints,
    beside_ends: Ints,
    room: Floats,
    out: Floats,
) -> None:
    """Amplitude of each line and of what is beside it: out (n, lines, 2).

    spectra (n, bins, 2): real and imaginary parts, times ``scale`` the amplitudes. Of line k: the largest of the bins
    near[near_ends[k]:near_ends[k + 1]], and the median of the bins beside[beside_ends[k]:beside_ends[k + 1]]; NaN where
    there is none. What stands out but rises on into the two bins beyond is the skirt of another line: then the median
    stands for the line too. room: as many as a line has bins beside it.
    """
    for i in range(spectra.shape[0]):
        for k in range(out.shape[1]):
            largest = -1.0
            for j in range(near_ends[k], near_ends[k + 1]):
                b = near[j]
                largest = max(largest, spectra[i, b, 0] ** 2 + spectra[i, b, 1] ** 2)
            count = beside_ends[k + 1] - beside_ends[k]
            for j in range(count):
                b = beside[beside_ends[k] + j]
                room[j] = spectra[i, b, 0] ** 2 + spectra[i, b, 1] ** 2
            out[i, k, 0] = scale * math.sqrt(largest) if largest >= 0.0 else math.nan
            out[i, k, 1] = math.nan
            if count > 0:
                low = math.sqrt(_ranked(room, count, (count - 1) // 2))
                high = low if count % 2 else math.sqrt(_ranked(room, count, count // 2))
                out[i, k, 1] = scale * 0.5 * (low + high)
                if out[i, k, 0] > _STANDS_OUT * out[i, k, 1] and _is_skirt(
                    spectra[i], largest, near[near_ends[k]], near[near_ends[k + 1] - 1]
                ):
                    out[i, k, 0] = out[i, k, 1]
