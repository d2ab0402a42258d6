"""Harmonics with their phases, and the pitch, from frames of whole cycles.

Under a Hann window in phase, 1 + cos(2 pi v) over M whole cycles, harmonics are exactly orthogonal, in a sweep too. On
a grid of phase the cycles of a frame coincide point by point: the FFT of their weighted sum, one cycle, has all
harmonics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
    # a line's median deviates no further than that unless half of the frames do
    if n >= _ROWS_TO_TELL and 2 * int(far.max()) >= n:
        sums = _own_sums(amplitude[:, 1 : few + 1], turned, used, cycles, sums)
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


def _own_sums(lines: NDArray[np.complex128], turned: Floats, used: Ints, cycles: Ints, sums: Floats) -> Floats:
    """``sums`` of frames without lines of another tone."""
    k = np.arange(1, lines.shape[1] + 1)
    power = lines.real**2 + lines.imag**2
    apart = _apart(turned, power, cycles[:, None], k)
    if not apart.any():
        return sums
    weight = k**2 * power
    own = k <= used[:, None]
    own &= ~_inharmonic(apart, power, weight, own, k)
    return np.column_stack([np.sum(np.where(own, k * turned, 0.0), axis=1), np.sum(np.where(own, weight, 0.0), axis=1)])


def _parts(lines: NDArray[np.complex128]) -> Floats:
    """Real and imaginary parts, along a last axis."""
    return lines.view(np.float64).reshape(*lines.shape, 2)


def _apart(turned: Floats, power: Floats, cycles: Ints, k: Ints) -> NDArray[np.bool_]:
    """Which lines k are inharmonic with the lowest: partials of another tone carry no information on the pitch."""
    with np.errstate(invalid="ignore", divide="ignore"):
        # relative deviation of each line's frequency from k times the rough pitch
        off = turned / (k * power) / cycles
        step = off - off[:, :1]
        known = np.mean(np.isfinite(step), axis=0) > 0.8
        step = np.nan_to_num(step)
        half = len(step) // 2
        middle = np.partition(step, half, axis=0)[half]
        scatter = 1.4826 * np.partition(np.abs(step - middle), half, axis=0)[half]
        apart = np.abs(middle) > np.maximum(_APART, 5.0 * scatter / np.sqrt(len(step)))
    own: NDArray[np.bool_] = apart & known
    return own


def _inharmonic(
    apart: NDArray[np.bool_], power: Floats, weight: Floats, used: NDArray[np.bool_], k: Ints
) -> NDArray[np.bool_]:
    """Lines of another tone in each frame: inharmonic ones with some weight, where the lowest line is strong."""
    strong = power[:, :1] > _LOWEST_SHARE * np.max(power, axis=1, keepdims=True)
    heavy = np.where(used, weight, 0.0)
    share = np.sum(np.where(apart, heavy, 0.0), axis=1, keepdims=True)
    share = share / np.maximum(heavy.sum(axis=1, keepdims=True), 1e-300)
    others: NDArray[np.bool_] = strong & (share > 0.02) & (k > 1) & apart
    return others
