"""Rough pitch every 40 ms: which octave, and to about one per cent which note."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track import fourier
from listen.track.types import Floats

HOP_S = 0.040
"""Spectra of the middle rate last 43 ms at 48 kHz: no sample is left out."""
LOWEST_HZ = 12.0
"""A spectrum at the lowest of the three rates lasts 171 ms at 48 kHz: the lobe of a line is 11.7 Hz (Hann)."""
TONE_BELOW = 0.35
"""A segment is a tone where the signal differs from itself one period later by less than this part of its power."""
_STEP = 4
_LEVELS = 3
"""The signal at its own rate, a quarter and a sixteenth of it: spectra of one length for high, middle and low lines."""
_TAPS = 64
"""The kernels' filters have so many; shorter ones end in zeros."""
_BEFORE = 20
"""Half the length of the low-pass before a quarter of the rate: 80 dB down from 0.189 of the rate on (computed), so
that what appears at wrong frequencies lies above 0.24 of the lower rate."""
_SMOOTH = 0.095, 16
"""Cut-off and half length of the low-pass before half the rate: 80 dB down from 0.181 of the rate on (computed), so
that nothing appears below 0.25."""
_NEAR = 128
"""At the highest rate periods of less than 96 samples of half the rate are looked for: one and a half of one and
another, 4 % longer, reach 125 samples to each side."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoarseTrack:
    """Rough pitch, one value a hop.

    Attributes
    ----------
    hop_samples : int
    first_sample : int
        Sample of the first hop; hop i is at first_sample + i * hop_samples.
    f0_hz : ndarray, shape (n,)
        0 where there is no tone.
    normalised_difference : ndarray, shape (n,)
        Mean square of the difference to one period later over the mean power: 0 periodic, 1 noise.
    power : ndarray, shape (n,)
        Square of the amplitude of the strongest line.
    strongest_hz : ndarray, shape (n,)
        Frequency of the lowest line within 4 dB of the strongest.
    """

    hop_samples: int
    first_sample: int
    f0_hz: Floats
    normalised_difference: Floats
    power: Floats
    strongest_hz: Floats


def spectrum_size(rate_hz: float) -> int:
    """Points of each spectrum: about 11 ms at the file's rate."""
    return max(128, 1 << int(round(math.log2(rate_hz * 512 / 48000), 0)))


def hop_samples(rate_hz: float) -> int:
    """Samples from hop to hop, a multiple of the coarsest level's step."""
    step: int = _STEP ** (_LEVELS - 1)
    return max(step, int(round(HOP_S * rate_hz / step, 0)) * step)


@lru_cache(maxsize=4)
def _low_pass(cutoff: float, half_width: int) -> NDArray[np.float32]:
    """Taps of a low-pass, zeros behind them, cutoff in cycles a sample; the stop band is 80 dB down."""
    n = np.arange(-half_width, half_width + 1)
    taps = 2 * cutoff * np.sinc(2 * cutoff * n) * np.kaiser(len(n), 8.0)
    padded = np.zeros(_TAPS, dtype=np.float32)
    padded[: len(n)] = taps / taps.sum()
    return padded


@lru_cache(maxsize=4)
def _hann(size: int) -> Floats:
    """Hann window, symmetric about the middle of its points."""
    window: Floats = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(size) + 0.5) / size)
    return window


class _Signal:
    """Samples with zeros on both sides, for filters to run beyond their ends."""

    def __init__(self, length: int) -> None:
        self._buffer = np.empty(_BEFORE + length + _TAPS, dtype=np.float32)
        self._buffer[:_BEFORE] = 0.0
        self._buffer[_BEFORE + length :] = 0.0
        self.samples = self._buffer[_BEFORE : _BEFORE + length]

    def before(self, count: int) -> NDArray[np.float32]:
        """Samples, zeros behind them and so many before."""
        return self._buffer[_BEFORE - count :]


def _decimated(signal: _Signal, cutoff: float, half_width: int, step: int) -> _Signal:
    out = _Signal((len(signal.samples) + step - 1) // step)
    kernels.decimate(signal.before(half_width), _low_pass(cutoff, half_width), step, out.samples)
    return out


def _smooth(signal: _Signal, centres: NDArray[np.int64] | None = None) -> NDArray[np.float32]:
    """The signal at half the rate and band-limited, everywhere or near some samples of the result."""
    if centres is None:
        return _decimated(signal, *_SMOOTH, 2).samples
    out = np.zeros((len(signal.samples) + 1) // 2, dtype=np.float32)
    kernels.decimate_near(signal.before(_SMOOTH[1]), _low_pass(*_SMOOTH), 2, centres, _NEAR, out)
    return out


def coarse_margin(rate_hz: float) -> int:
    """Samples read before the first and after the last hop of a chunk."""
    step = _STEP ** (_LEVELS - 1)
    return int(np.ceil((spectrum_size(rate_hz) * 0.75 + 64) * step / step) * step)


def coarse_chunk(x: Floats, rate_hz: float, n_hops: int) -> Floats:
    """Rough pitch of one chunk of a capture.

    Parameters
    ----------
    x : ndarray, shape (2 * margin + (n_hops - 1) * hop + 1,)
        Samples, from ``coarse_margin`` before the first hop to as many after the last.
    rate_hz : float
    n_hops : int

    Returns
    -------
    ndarray, shape (n_hops, 4)
        Pitch in Hz or 0, normalised_difference, power of the strongest line, its frequency.
    """
    size = spectrum_size(rate_hz)
    hop = hop_samples(rate_hz)
    margin = coarse_margin(rate_hz)
    signals = [_Signal(len(x))]
    signals[0].samples[:] = x
    for _ in range(1, _LEVELS):
        signals.append(_decimated(signals[-1], 0.125, _BEFORE, _STEP))
    window = _hann(size)
    hops = np.empty((n_hops, _LEVELS), dtype=np.int64)
    spectra = []
    rates = np.array([rate_hz / _STEP**level for level in range(_LEVELS)])
    for level, signal in enumerate(signals):
        step = _STEP**level
        centres = (margin + hop * np.arange(n_hops)) // step
        hops[:, level] = centres // 2
        pieces = np.empty((n_hops, size), dtype=np.float32)
        kernels.take_windows(signal.samples, centres, window, pieces)
        spectrum = fourier.spectra(pieces)
        power = np.empty(spectrum.shape, dtype=np.float32)
        kernels.line_powers(spectrum.view(np.float32).reshape(*spectrum.shape, 2), (4.0 / size) ** 2, power)
        spectra.append(power)
    # at the highest rate only periods of less than 96 samples are looked for
    smooth = [_smooth(signal, hops[:, 0].copy() if level == 0 else None) for level, signal in enumerate(signals)]
    edges = np.array([0.47 * rates[0], min(1500.0, 0.3 * rates[1]), min(120.0, 0.3 * rates[2])])
    out = np.empty((n_hops, 4))
    a, b, c = spectra
    d, e, f = smooth
    peaks, room = np.empty((400, 3)), np.empty((3, 17))
    kernels.coarse_pitch(a, b, c, d, e, f, hops, rates, size, edges, LOWEST_HZ, peaks, room, out)
    return out
