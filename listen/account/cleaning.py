"""The recording with its mains lines subtracted, to be tracked again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import Raised
from listen.account.mains import MainsLines
from listen.account.mains_wander import unturned
from listen.bench import RecorderSettings
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
    A line's complex amplitude runs straight from window to window, but for what the mains' own frequency wanders; where
    a harmonic of the tone hid it, it is carried across; where it was looked for and is not, it is zero.
    """

    def __init__(self, capture: Any, mains: MainsLines) -> None:
        self._capture = capture
        self._lock = threading.Lock()
        self._hum = Raised(_hum_of(mains), capture)
        self.true_rate_hz: float = capture.true_rate_hz
        self.start_sample: int = capture.start_sample
        self.stop_sample: int = capture.stop_sample
        self.ac_coupling_hz: float | None = capture.ac_coupling_hz
        self.recorder: RecorderSettings | None = getattr(capture, "recorder", None)
        # single precision adds nothing above -150 dBFS, less than any recording's own noise
        self._cache = SampleCache(True, self.stop_sample)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the file, mains lines taken off."""
        with self._lock:
            return self._cache.read(start, stop, 0, self._cleaned)

    def _cleaned(self, start: int, stop: int) -> Floats:
        return np.asarray(self._capture.read(start, stop) - self._hum.read(start, stop))


def _hum_of(mains: MainsLines) -> Callable[[Floats], Floats]:
    """All lines together, at some times in seconds."""
    even = unturned(mains.amplitude, mains.wander_rad)
    carried = [_carried(even[:, k], mains.seen[:, k]) for k in range(len(mains.lines_hz))]

    def hum(time_s: Floats) -> Floats:
        out = np.zeros(len(time_s))
        wander = np.interp(time_s, mains.time_s, mains.wander_rad)
        turned = first = np.exp(1j * (2 * np.pi * mains.lines_hz[0] * time_s + wander))
        for k, amplitude in enumerate(carried):
            if k:
                turned = turned * first
            if amplitude.any():
                real, imag = amplitude.real, amplitude.imag
                size = np.interp(time_s, mains.time_s, real) + 1j * np.interp(time_s, mains.time_s, imag)
                out += np.real(size * turned)
        return out

    return hum


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
