"""Harmonics with their phases, and the pitch, from frames of whole cycles.

Under a Hann window in phase, 1 + cos(2 pi v) over M whole cycles, harmonics are exactly orthogonal, in a sweep too. On
a grid of phase the cycles of a frame coincide point by point: the FFT of their weighted sum, one cycle, has all
harmonics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track import fourier
from listen.track.grid import Grid
from listen.track.types import Floats, Ints

FRAME_S = 0.040
FRAME_CYCLES = 4
"""A frame lasts two rows (50 % overlap), and four cycles at least: of these the Hann window is zero at half orders."""
BAND = 0.45
"""Harmonics are measured below this part of the sample rate: the filters of the grid are flat up to it."""
RESIDUAL_BAND = 0.49
"""Harmonics are subtracted from the residual below this part: an input filter's remnant there is no burst."""
MOST_HARMONICS = 2000
"""Of the lowest pitch, 12 Hz, they reach 24 kHz."""
_PITCH_LINES = 12
_LOWEST_SHARE = 0.01
_ROWS_TO_TELL = 12
AROUND_ROWS = 24
"""A row hangs on so many on either side of it: a second tells a line of another tone from one that beats, and from
scatter; half of it is the mean of the DC offset and of its strays."""
_KNOWN = 0.8
"""Part of the frames in which a line must be there."""
_OTHERS_SHARE = 0.02
"""Lines of another tone that weigh less are left: they hardly pull the pitch."""
_APART = 1.2e-4
"""Relative deviation (0.2 cents) from a multiple of the lowest line, beyond which a line belongs to another tone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Spectral lines of the frames on one grid, in order of time.

    Attributes
    ----------
    amplitude : ndarray of complex, shape (n, harmonics + 1)
        A_0 (the mean, real), A_1 ..: peak amplitude, and cosine phase at phase 0 of the grid; 0 above
        ``RESIDUAL_BAND``.
    sums : ndarray, shape (n, 2)
        Phase drift of the lines relative to the grid, and their power, both weighted by the order.
    means : ndarray, shape (n, 2)
        Cycles a sample and mean square, under the frame's window.
    """

    amplitude: NDArray[np.complex128]
    sums: Floats
    means: Floats

    def part(self, i: int, j: int) -> Lines:
        """Frames i .. j."""
        return Lines(amplitude=self.amplitude[i:j], sums=self.sums[i:j], means=self.means[i:j])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pitches:
    """Pitch and power of frames.

    Attributes
    ----------
    f0 : ndarray, shape (n,)
        Cycles a sample at the frame's centre, not yet corrected for curvature.
    f0_variance : ndarray, shape (n,)
        Variance of ``f0`` for noise of variance 1 a sample.
    mean, power : ndarray, shape (n,)
        Mean, and mean square about it.
    first : ndarray of complex, shape (n,)
        A_1.
    spans : ndarray, shape (n,)
        Samples of each frame.
    """

    f0: Floats
    f0_variance: Floats
    mean: Floats
    power: Floats
    first: NDArray[np.complex128]
    spans: Floats

    def part(self, i: int, j: int) -> Pitches:
        """Frames i .. j."""
        return Pitches(**{field.name: getattr(self, field.name)[i:j] for field in fields(self)})


def frame_cycles(f0_hz: Floats) -> Floats:
    """Cycles in a frame: an even number, at least four and at least 40 ms."""
    cycles: Floats = np.maximum(2.0 * np.ceil(0.5 * FRAME_S * f0_hz), FRAME_CYCLES)
    return cycles


def highest_harmonics(slopes: Floats) -> Ints:
    """Highest harmonic below the band limit in each frame, from its frequency in cycles a sample."""
    tops: Ints = np.clip((RESIDUAL_BAND / slopes).astype(np.int64), 1, MOST_HARMONICS)
    return tops


def measure_lines(grid: Grid, centres: Ints, cycles: Ints, tops: Ints) -> Lines:
    """Measure frames on one grid.

    Parameters
    ----------
    grid : Grid
    centres, cycles : ndarray of int, shape (n,)
        Point of the grid's signal at each frame's centre, and the frame's whole, even number of cycles.
    tops : ndarray of int, shape (n,)
        The highest harmonic of each.
    """
    n, points, lap = len(centres), grid.points, grid.lap
    summed = np.empty((2, n, lap))
    means = np.empty((n, 2))
    scratch = np.empty((2, int(cycles.max()) * points))
    kernels.sum_cycles(
        grid.y, grid.dphi, grid.start, points, lap, centres, cycles, scratch, summed[0], summed[1], means
    )
    once = summed.reshape(2, n, lap // points, points).sum(axis=2) if lap > points else summed
    spectra: NDArray[np.complex128] = fourier.spectra(once)
    most = min(int(tops.max()), points // 2)
    amplitude = np.empty((n, most + 1), dtype=complex)
    few = min(_PITCH_LINES, most)
    turned, used = np.empty((n, few)), np.empty(n, dtype=np.int64)
    sums: Floats = np.empty((n, 2))
    far = np.empty(few, dtype=np.int64)
    kernels.line_pitches(
        _parts(spectra), 2.0 / (cycles * points), tops, cycles, _APART, _parts(amplitude), turned, used, sums, far
    )
    # a line's median deviates no further than that unless half of the frames around do, at the least of these
    deviating = 1 + np.flatnonzero(2 * far[1 : int(used.max())] >= min(n, AROUND_ROWS + 1))
    if n >= _ROWS_TO_TELL and len(deviating):
        sums = _own_sums(amplitude[:, 1 : few + 1], turned, used, cycles, deviating, sums)
    return Lines(amplitude=amplitude, sums=sums, means=means)


def settle_pitches(lines: Sequence[Lines], cycles: Ints) -> Pitches:
    """Pitch at the centres of the frames of successive grids, from the phase slopes of their lines.

    Lines are weighted k^2 |A_k|^2. cycles (n,): of all frames.
    """
    along, strength = np.concatenate([one.sums for one in lines]).T
    slope, square = np.concatenate([one.means for one in lines]).T
    mean = np.concatenate([one.amplitude[:, 0].real for one in lines])
    with np.errstate(invalid="ignore", divide="ignore"):
        delta = along / strength / cycles
        # var(Im T_k) = 1 / N for noise of variance 1
        variance = slope**3 / (strength * cycles.astype(float) ** 3)
    return Pitches(
        f0=slope * (1.0 + delta),
        f0_variance=variance,
        mean=mean,
        power=np.maximum(square - mean**2, 0.0),
        first=np.concatenate([one.amplitude[:, 1] for one in lines]),
        spans=cycles / slope,
    )


def _own_sums(
    lines: NDArray[np.complex128], turned: Floats, used: Ints, cycles: Ints, deviating: Ints, sums: Floats
) -> Floats:
    """``sums`` of frames without lines of another tone: inharmonic ones with some weight beside a strong lowest one.

    deviating : columns of the lines of which some frames deviate.
    """
    k = np.arange(1, lines.shape[1] + 1)
    power = lines.real**2 + lines.imag**2
    with np.errstate(invalid="ignore", divide="ignore"):
        # relative deviation of each line's frequency from k times the rough pitch, from the lowest one's
        lowest = turned[:, :1] / power[:, :1]
        step = (turned[:, deviating] / (k[deviating] * power[:, deviating]) - lowest) / cycles[:, None]
    first, last = _windows(len(step))
    asked = _perhaps_apart(step, last - first)
    if not asked.any():
        return sums
    own = k <= used[:, None]
    heavy = np.where(own, k**2 * power, 0.0)
    least = _OTHERS_SHARE * heavy.sum(axis=1)
    strong = power[:, 0] > _LOWEST_SHARE * np.max(power, axis=1)
    some = heavy[:, deviating]
    asked &= own[:, deviating]
    asked &= (strong & (np.where(asked, some, 0.0).sum(axis=1) > least))[:, None]
    apart = np.zeros_like(asked)
    for column in np.flatnonzero(asked.any(axis=0)).tolist():
        rows = np.flatnonzero(asked[:, column])
        apart[rows, column] = _apart(np.nan_to_num(step[:, column]), first[rows], last[rows])
    others = apart & (np.where(apart, some, 0.0).sum(axis=1) > least)[:, None]
    own[:, deviating] &= ~others
    without = np.where(own, k * turned, 0.0).sum(axis=1), np.where(own, heavy, 0.0).sum(axis=1)
    return np.where(others.any(axis=1)[:, None], np.column_stack(without), sums)


def _parts(lines: NDArray[np.complex128]) -> Floats:
    """Real and imaginary parts, along a last axis."""
    return lines.view(np.float64).reshape(*lines.shape, 2)


def _windows(n: int) -> tuple[Ints, Ints]:
    """First of the rows around each, and the row after the last."""
    index = np.arange(n)
    return np.maximum(index - AROUND_ROWS, 0), np.minimum(index + AROUND_ROWS + 1, n)


def _perhaps_apart(step: Floats, count: Ints) -> NDArray[np.bool_]:
    """Lines (n, k) that may be inharmonic: of the ``count`` rows around so many deviate that their median may."""
    there = (2 * _among(step > _APART) >= count) | (2 * _among(step < -_APART) > count)
    if there.any():
        there &= (_among(np.isfinite(step)) > _KNOWN * count) & (count >= _ROWS_TO_TELL)
    return np.ascontiguousarray(there.T)


def _among(flags: NDArray[np.bool_]) -> NDArray[np.int32]:
    """How many (k, n) of the rows around each are flagged (n, k)."""
    n, columns = flags.shape
    total = np.zeros((columns, n + 2 * AROUND_ROWS + 1), dtype=np.int32)
    np.cumsum(flags.T, axis=1, out=total[:, AROUND_ROWS + 1 : AROUND_ROWS + 1 + n])
    total[:, AROUND_ROWS + 1 + n :] = total[:, AROUND_ROWS + n, None]
    whole = 2 * AROUND_ROWS + 1
    counts: NDArray[np.int32] = total[:, whole:] - total[:, :-whole]
    return counts


def _apart(step: Floats, first: Ints, last: Ints) -> NDArray[np.bool_]:
    """Whether the median deviation of the rows first .. last is beyond what harmonics have, and beyond chance."""
    index = first[:, None] + np.arange(int((last - first).max()))
    inside = index < last[:, None]
    near = np.where(inside, step[np.minimum(index, len(step) - 1)], np.inf)
    half, one = (last - first) // 2, np.arange(len(first))
    middle = np.sort(near, axis=1)[one, half]
    scatter = 1.4826 * np.sort(np.abs(near - middle[:, None]), axis=1)[one, half]
    apart: NDArray[np.bool_] = np.abs(middle) > np.maximum(_APART, 5.0 * scatter / np.sqrt(last - first))
    return apart
