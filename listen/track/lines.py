"""Frames of whole cycles: every harmonic with its phase, the pitch, and what lies between the harmonics.

Over a frame of M whole cycles, weighted 1 + cos(2 pi v) in phase, harmonics are exactly orthogonal, in a sweep too. The
samples are brought to an even grid of phase, and one FFT gives all lines at once, those between the harmonics too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.track import kernels, shape_kernels
from listen.track.gridding import WIDTH, grid_size, line_gain, spreading_coefficients
from listen.track.phase import PhaseSamples, frame_bounds
from listen.track.types import Floats

FRAME_S = 0.040
FRAME_CYCLES = 4
BAND = 0.45
"""Harmonics are measured below this part of the sample rate."""
RESIDUAL_BAND = 0.49
"""... and taken out of the residual below this part: what an input filter leaves there is no burst."""
MOST_HARMONICS = 2000
_PITCH_LINES = 12
_LOWEST_SHARE = 0.01
_ROWS_TO_TELL = 12
_APART = 1.2e-4
"""A line further than this part (0.2 cents) off its multiple of the lowest line is another tone's."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines of some frames, in order.

    Attributes
    ----------
    amplitude : list of ndarray of complex
        A_0 (the mean, real), A_1 .. A_K of each frame, up to ``RESIDUAL_BAND``: peak amplitude and cosine phase at the
        frame's centre.
    f0 : ndarray, shape (n,)
        Cycles a sample at the frame's centre, curvature not yet undone.
    f0_variance : ndarray, shape (n,)
        Variance of ``f0`` for noise of variance 1 a sample.
    power : ndarray, shape (n,)
        Mean square about the mean.
    spans : ndarray, shape (n,)
        Samples of each frame.
    noise_power : ndarray, shape (n,)
        Variance a sample of white noise that would give the median of the bins between the harmonics; NaN: no bin.
    half_power : ndarray, shape (n,)
        Sum of the squared amplitudes (over 2) of the lines at odd half orders, noise taken off; NaN: none could be
        read.
    half_noise : ndarray, shape (n,)
        What noise alone would give there.
    spur_power : ndarray, shape (n,)
        Mean square of the lines between the harmonics that stand ten times over their median.
    spur_order : ndarray, shape (n,)
        Their mean frequency over the pitch; NaN: none.
    """

    amplitude: list[NDArray[np.complex128]]
    f0: Floats
    f0_variance: Floats
    power: Floats
    spans: Floats
    noise_power: Floats
    half_power: Floats
    half_noise: Floats
    spur_power: Floats
    spur_order: Floats


def frame_cycles(f0_hz: Floats) -> Floats:
    """Whole cycles of a frame: even, at least four and at least 40 ms."""
    cycles: Floats = np.maximum(2.0 * np.ceil(0.5 * FRAME_S * f0_hz), FRAME_CYCLES)
    return cycles


def measure_lines(x: Floats, phase: PhaseSamples, centres: Floats, cycles: Floats, slopes: Floats) -> Lines:
    """Measure frames of one stretch.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples that belong to ``phase``.
    phase : PhaseSamples
    centres, cycles : ndarray, shape (m,)
        Phase of each frame's centre, and its whole number of cycles.
    slopes : ndarray, shape (m,)
        Cycles a sample at each centre, near enough for counting harmonics.

    Returns
    -------
    Lines
    """
    frames = frame_bounds(phase.phase, centres, cycles)
    n = len(frames)
    spans = frames[:, 1] - frames[:, 0]
    sizes = np.array([grid_size(int(span)) for span in spans], dtype=np.int64)
    amplitude: list[NDArray[np.complex128]] = [np.empty(0, dtype=complex)] * n
    noise = np.full(n, np.nan)
    half = np.full(n, np.nan)
    half_noise = np.full(n, np.nan)
    spur = np.full(n, np.nan)
    spur_order = np.full(n, np.nan)
    top = np.clip((RESIDUAL_BAND / slopes).astype(np.int64), 1, MOST_HARMONICS)
    for size in np.unique(sizes):
        rows = np.flatnonzero(sizes == size)
        for part in np.array_split(rows, max(1, len(rows) * int(size) // 600_000)):
            spectrum = _spectrum(x, phase, frames[part], int(size))
            m = cycles[part].astype(np.int64)
            for j, i in enumerate(part):
                line = spectrum[j, : m[j] * top[i] + 1 : m[j]] * (2.0 / cycles[i])
                line[0] = 0.5 * line[0].real
                amplitude[i] = line
            for target, value in zip(
                (noise, half, half_noise, spur, spur_order),
                _between(spectrum, m, spans[part], slopes[part]),
                strict=True,
            ):
                target[part] = value
    means = np.empty((n, 4))
    kernels.frame_means(x, phase.dphi, phase.phase, frames, means)
    f0, variance = _pitch(x, phase, frames, amplitude, means)
    return Lines(
        amplitude=amplitude,
        f0=f0,
        f0_variance=variance,
        power=np.maximum(means[:, 3] - means[:, 2] ** 2, 0.0),
        spans=spans,
        noise_power=noise,
        half_power=half,
        half_noise=half_noise,
        spur_power=spur,
        spur_order=spur_order,
    )


def _spectrum(x: Floats, phase: PhaseSamples, frames: Floats, size: int) -> NDArray[np.complex128]:
    """Lines 0, 1/M, 2/M .. of each frame, phase zero at its centre."""
    grid = np.empty((len(frames), size + WIDTH))
    kernels.spread(x, phase.dphi, phase.phase, np.ascontiguousarray(frames), spreading_coefficients(), grid)
    spectrum: NDArray[np.complex128] = np.fft.rfft(grid[:, :size], axis=1)
    spectrum /= line_gain(size)
    return spectrum


def _between(
    spectrum: NDArray[np.complex128], m: NDArray[np.int64], spans: Floats, slopes: Floats
) -> tuple[Floats, ...]:
    last = np.minimum((BAND / slopes * m).astype(np.int64), spectrum.shape[1])
    first = np.minimum(np.maximum(2, (0.004 / slopes * m).astype(np.int64)), last)
    power = spectrum.real**2 + spectrum.imag**2
    out = np.empty((len(m), 7))
    # above the tone, its sidebands and the mains: 1.5 times the pitch
    high = (1.5 * m).astype(np.int64) + 2
    shape_kernels.between_lines(power, m, last, first, high, np.empty(spectrum.shape[1]), out)
    # sum of (w dphi)^2 over the frame's samples, for noise of variance 1
    gain = 1.5 * m**2 / spans
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = out[:, 0] / np.log(2) / gain
        half_noise = out[:, 4] * noise * gain * 2.0 / m**2
        half = np.where(out[:, 4] > 0, out[:, 3] * 2.0 / m**2 - half_noise, np.nan)
        # a line's Hann bins hold 1.5 times its own; of M bins M - 3 are looked at
        spur = out[:, 5] * 2.0 / m**2 / 1.5 * m / np.maximum(m - 3, 1)
    return noise, half, half_noise, spur, out[:, 6] / m


def _pitch(
    x: Floats, phase: PhaseSamples, frames: Floats, amplitude: list[NDArray[np.complex128]], means: Floats
) -> tuple[Floats, Floats]:
    """Pitch at the frames' centres from the slope of the harmonics' phases, each weighted by k^2 |A_k|^2."""
    n = len(frames)
    lines = np.ones(n, dtype=np.int64)
    strengths = np.zeros((n, _PITCH_LINES), dtype=complex)
    for i, a in enumerate(amplitude):
        few = a[1 : _PITCH_LINES + 1]
        strengths[i, : len(few)] = few
    k = np.arange(1, _PITCH_LINES + 1)
    weight = (k * np.abs(strengths)) ** 2
    gathered = np.cumsum(weight, axis=1)
    total = gathered[:, -1:]
    lines = 1 + np.argmax(gathered >= 0.98 * total, axis=1)
    used = k <= lines[:, None]
    tilts = np.zeros((n, _PITCH_LINES, 2))
    kernels.tilt(x, phase.dphi, phase.cosine, phase.sine, phase.phase, frames, lines, tilts)
    # T_k and A_k about the frame's centre: turn by exp(j k phi_c)
    turned = (tilts[..., 0] + 1j * tilts[..., 1]) * np.exp(2j * np.pi * k * (frames[:, 2:3] % 1.0))
    turned *= 2.0 / means[:, 1:2]
    used = used & ~_inharmonic(turned, strengths, weight.astype(np.float64), used, frames[:, 3:4], k)
    sums = np.sum(np.where(used, k * (turned * strengths.conj()).imag, 0.0), axis=1)
    strength = np.sum(np.where(used, weight, 0.0), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        delta = sums / strength / frames[:, 3]
        # var(Im T_k) = 1 / N for noise of variance 1
        variance = means[:, 0] ** 2 / (strength * (frames[:, 1] - frames[:, 0]) * frames[:, 3] ** 2)
    return means[:, 0] * (1.0 + delta), variance


def _inharmonic(
    turned: NDArray[np.complex128],
    strengths: NDArray[np.complex128],
    weight: Floats,
    used: NDArray[np.bool_],
    cycles: Floats,
    k: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Lines that do not keep step with the lowest: partials of another tone say nothing of the pitch."""
    with np.errstate(invalid="ignore", divide="ignore"):
        # relative deviation of each line's frequency from its multiple of the rough pitch
        off = (turned * strengths.conj()).imag / (k * np.abs(strengths) ** 2) / cycles
        step = off - off[:, :1]
        known = np.mean(np.isfinite(step), axis=0) > 0.8
        step = np.nan_to_num(step)
        middle = np.median(step, axis=0)
        scatter = 1.4826 * np.median(np.abs(step - middle), axis=0)
        apart = (
            (np.abs(middle) > np.maximum(_APART, 5.0 * scatter / np.sqrt(len(step))))
            & known
            & (len(step) >= _ROWS_TO_TELL)
        )
    strong = np.abs(strengths[:, :1]) ** 2 > _LOWEST_SHARE * np.max(np.abs(strengths) ** 2, axis=1, keepdims=True)
    heavy = np.where(used, weight, 0.0)
    share = np.sum(np.where(apart, heavy, 0.0), axis=1, keepdims=True)
    share = share / np.maximum(heavy.sum(axis=1, keepdims=True), 1e-300)
    others: NDArray[np.bool_] = strong & (share > 0.02) & (k > 1) & apart
    return others
