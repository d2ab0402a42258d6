"""The recording with its mains lines subtracted, to be tracked again."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import Raised, SampleSource, centre_s, factor_of
from listen.account.mains import MainsLines
from listen.capture import SampleCache

Floats = NDArray[np.floating[Any]]


class CleanedCapture:
    """A capture less the mains lines that were found in it.

    Parameters
    ----------
    capture : Samples
        With ``ac_coupling_hz``.
    mains : MainsLines

    Notes
    -----
    A line's complex amplitude runs straight from window to window; where a harmonic of the tone hid it, it is carried
    across; where it was looked for and is not, it is zero.
    """

    def __init__(self, capture: Any, mains: MainsLines) -> None:
        self._capture = capture
        self._lock = threading.Lock()
        self._hum = Raised(_low_rate_hum(capture, mains), capture)
        self.true_rate_hz: float = capture.true_rate_hz
        self.start_sample: int = capture.start_sample
        self.stop_sample: int = capture.stop_sample
        self.ac_coupling_hz: float | None = capture.ac_coupling_hz
        # single precision adds nothing above -150 dBFS, less than any recording's own noise
        self._cache = SampleCache(True, self.stop_sample)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the file, mains lines taken off."""
        with self._lock:
            return self._cache.read(start, stop, 0, self._cleaned)

    def _cleaned(self, start: int, stop: int) -> Floats:
        return np.asarray(self._capture.read(start, stop) - self._hum.read(start, stop))


def _low_rate_hum(capture: SampleSource, mains: MainsLines) -> Floats:
    factor = factor_of(capture.true_rate_hz)
    count = max(1, (capture.stop_sample - capture.start_sample) // factor)
    time_s = centre_s(np.arange(float(count)), capture)
    out = np.zeros(count)
    for k, line_hz in enumerate(mains.lines_hz.tolist()):
        amplitude = _carried(mains.amplitude[:, k], mains.seen[:, k])
        if not amplitude.any():
            continue
        size = np.interp(time_s, mains.time_s, amplitude.real) + 1j * np.interp(time_s, mains.time_s, amplitude.imag)
        out += np.real(size * np.exp(2j * np.pi * line_hz * time_s))
    return out


def _carried(amplitude: NDArray[np.complex128], seen: NDArray[np.bool_]) -> NDArray[np.complex128]:
    """Amplitude in every window, interpolated linearly across those in which it could not be measured."""
    known = np.flatnonzero(seen)
    if not len(known):
        return np.zeros(len(amplitude), dtype=complex)
    index = np.arange(len(amplitude))
    # a window in which the line is missed between two that have it is a miss, not a pause
    there = np.abs(amplitude) > 0
    isolated = seen & ~there
    if len(amplitude) > 2:
        isolated[1:-1] &= there[:-2] & there[2:]
        isolated[[0, -1]] = False
    known = np.flatnonzero(seen & ~isolated)
    if not len(known):
        return np.zeros(len(amplitude), dtype=complex)
    return np.asarray(
        np.interp(index, known, amplitude[known].real) + 1j * np.interp(index, known, amplitude[known].imag)
    )
