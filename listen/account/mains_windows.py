"""Spectra of the recording at a low rate, window by window, in which mains lines are looked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource, centre_s
from listen.account.tone import BoardTone
from listen.track import MAINS_HZ

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

ORDERS = 8
"""Multiples that are looked at: ripple of a rectifier has little above."""
WINDOW_S, HOP_S = 0.8, 0.1
"""Main lobe of 2.5 Hz on each side, and hum of a second fills one. Half of it decided alike on the takes tried, but its
lobe reaches to a harmonic 5 Hz off; twice would smear such hum. Every eighth of a window, so that a beginning is known
to a tenth of a second."""
_GROWING = 0.35
"""In natural logarithm, 3 dB: rows so far under the loudest of their window belong to a tone that grows or dies."""
_THROUGHOUT = 0.9
"""Part of a window for which a tone sounds that sounds through all of it: the rows at its ends may be cut."""
_STILL_HZ, _STILL_SHARE = 1.5, 0.03
"""A tone keeps still within a bin or so of 1.25 Hz, or, as one that wavers keeps to its middle, half a semitone."""


@dataclass(frozen=True, slots=True)
class Windows:
    """Spectra of windows of the recording at the low rate, and the tone's range of pitch in each."""

    time_s: Floats
    spectra: Complexes
    bin_hz: float
    f_low: Floats
    f_high: Floats
    tone_log: Floats

    @property
    def still(self) -> Flags:
        """Windows in which the tone keeps its pitch."""
        with np.errstate(invalid="ignore"):
            span = np.maximum(_STILL_HZ, _STILL_SHARE * self.f_low)
            return np.asarray(self.f_high - self.f_low < span)


def windows_of(low: Floats, rate_hz: float, capture: SampleSource, tone: BoardTone | None) -> Windows | None:
    """Take the spectra of all windows of a recording.

    Parameters
    ----------
    low : ndarray, shape (n,)
        The recording at the low rate.
    rate_hz : float
    capture : SampleSource
    tone : BoardTone or None

    Returns
    -------
    Windows or None
        None where the take is shorter than a window.
    """
    size = round(WINDOW_S * rate_hz)
    hop = round(HOP_S * rate_hz)
    count = (len(low) - size) // hop + 1
    if count < 1:
        return None
    window = np.hanning(size + 1)[:-1]
    views = np.lib.stride_tricks.sliding_window_view(low, size)[::hop]
    bins = int(1.05 * MAINS_HZ[-1] * ORDERS / (rate_hz / size)) + 8
    spectra = np.empty((count, bins), dtype=np.complex128)
    for i in range(0, count, 64):
        spectra[i : i + 64] = np.fft.rfft(views[i : i + 64] * window, axis=1)[:, :bins]
    spectra *= 2.0 / window.sum()
    starts = hop * np.arange(count)
    time_s = centre_s(starts + 0.5 * size, capture)
    f_low, f_high, level = _pitch_ranges(time_s, tone)
    return Windows(time_s, spectra, rate_hz / size, f_low, f_high, level)


def _pitch_ranges(time_s: Floats, tone: BoardTone | None) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest pitch of the tone in each window, and its level; NaN where there is no tone.

    Hum is held against a tone that has grown: in a window that holds the start the level is what the tone reaches.
    """
    shape = len(time_s)
    low, high, level = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    if tone is None:
        return low, high, level
    begin = np.searchsorted(tone.time_s, time_s - 0.5 * WINDOW_S)
    end = np.searchsorted(tone.time_s, time_s + 0.5 * WINDOW_S)
    for i, (a, b) in enumerate(zip(begin.tolist(), end.tolist(), strict=True)):
        there = tone.tracked[a:b]
        if there.any():
            f0 = tone.f0_hz[a:b][there]
            low[i], high[i] = f0.min(), f0.max()
            strong = tone.log_level[a:b][tone.strong[a:b]]
            if len(strong):
                level[i] = np.mean(strong[strong > strong.max() - _GROWING])
                if len(strong) * tone.grid_s < _THROUGHOUT * WINDOW_S:
                    level[i] = max(level[i], tone.settled_log)
    return low, high, level
