"""The recording at a low rate, for lines below some hundred hertz, and back."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

LOW_RATE_HZ = 2400.0
"""About this rate: eight multiples of 60 Hz fit below a fifth of it."""
_REACH, _BETA = 3, 7.0
"""The filter spans so many output periods on each side: 75 dB down from 0.8 of the low rate on (Kaiser's window, beta
7)."""
_BLOCK = 1 << 17
"""Samples read at once, 1 MB. No result hangs on it."""
_AT_ONCE = 4096
"""Low-rate values computed at once, 1.7 s. No result hangs on it."""


class SampleSource(Protocol):
    """Reads the samples of a capture."""

    @property
    def true_rate_hz(self) -> float:
        """Samples a second."""
        ...

    @property
    def start_sample(self) -> int:
        """First sample of the span."""
        ...

    @property
    def stop_sample(self) -> int:
        """Sample after the last one of the span."""
        ...

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the file."""
        ...


def factor_of(rate_hz: float) -> int:
    """Samples of the file that become one."""
    return max(1, round(rate_hz / LOW_RATE_HZ))


@lru_cache(maxsize=8)
def _taps(factor: int) -> Floats:
    """Low-pass of unit gain at zero, 2 * _REACH * factor taps in rows of ``factor``; cut off at 0.4 of the low rate."""
    n = 2 * _REACH * factor
    at = (np.arange(n) - 0.5 * (n - 1)) / factor
    taps = np.sinc(0.8 * at) * np.kaiser(n, _BETA)
    return np.asarray((taps / taps.sum()).reshape(2 * _REACH, factor))


def read_low(capture: SampleSource) -> tuple[Floats, float]:
    """Read a capture at the low rate.

    Returns
    -------
    values : ndarray, shape (n,)
        Value i is centred on sample ``start_sample + (i + 0.5) * factor - 0.5``; zeros lie beyond the ends.
    rate_hz : float
    """
    factor = factor_of(capture.true_rate_hz)
    first, last = capture.start_sample, capture.stop_sample
    count = max(1, (last - first) // factor)
    taps = _taps(factor)
    # before the filter, products of each block of samples with each block of taps; then their sums along diagonals
    products = np.zeros((count + 2 * _REACH, 2 * _REACH))
    step = max(1, _BLOCK // factor)
    for low in range(0, count, step):
        high = min(count, low + step)
        x = capture.read(first + low * factor, first + high * factor).reshape(high - low, factor)
        products[_REACH + low : _REACH + high] = x @ taps.T
    # the window of output i spans input blocks i - _REACH + 1/2 .. : shift by half a block is in the taps' centre
    out = np.zeros(count)
    for j in range(2 * _REACH):
        out += products[j : j + count, j]
    return out, capture.true_rate_hz / factor


def centre_s(index: Floats, capture: SampleSource) -> Floats:
    """Time of values of `read_low`, in seconds from the file's first sample."""
    factor = factor_of(capture.true_rate_hz)
    # blocks i - 3 .. i + 2 enter: their centre lies half a block before the centre of block i
    return np.asarray((capture.start_sample + index * factor - 0.5) / capture.true_rate_hz)


class Raised:
    """A low-rate signal as samples of the file: windowed-sinc interpolation.

    Parameters
    ----------
    values_at : callable
        Gives the values at some times in seconds (as `centre_s`), which hold nothing above a fifth of the low rate. It
        is asked for what is read alone.
    capture : Samples
    """

    def __init__(self, values_at: Callable[[Floats], Floats], capture: SampleSource) -> None:
        self._factor = factor_of(capture.true_rate_hz)
        self._first = capture.start_sample
        self._capture, self._values_at = capture, values_at
        count = max(1, (capture.stop_sample - capture.start_sample) // self._factor)
        self._values = np.zeros(count + 2 * _SIDE + 1)
        self._count = count
        self._known = np.zeros(-(-count // _AT_ONCE), dtype=bool)
        self._taps = _raising_taps(self._factor)

    def _ensure(self, low: int, high: int) -> None:
        """Compute the values low .. high, where they were not yet asked for."""
        for i in range(max(low, 0) // _AT_ONCE, min(high - 1, self._count - 1) // _AT_ONCE + 1):
            if not self._known[i]:
                index = np.arange(i * _AT_ONCE, min((i + 1) * _AT_ONCE, self._count))
                self._values[_SIDE + index] = self._values_at(centre_s(index.astype(float), self._capture))
                self._known[i] = True

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the file."""
        factor = self._factor
        # value i lies at sample i * factor - 0.5 from the first
        low = (start - self._first) // factor
        high = (stop - self._first) // factor + 1
        self._ensure(low - _SIDE, high + _SIDE)
        rows = np.arange(low, high)
        inside = np.clip(rows, 0, len(self._values) - 2 * _SIDE - 1)
        windows = np.lib.stride_tricks.sliding_window_view(self._values, 2 * _SIDE)[inside + 1]
        out = np.where(((rows >= 0) & (rows == inside))[:, None], windows @ self._taps, 0.0).ravel()
        begin = start - (self._first + low * factor)
        return np.asarray(out[begin : begin + stop - start])


_SIDE = 8
"""Low-rate values on each side of a sample: what lies below a fifth of the low rate comes back within -75 dB
(computed)."""


@lru_cache(maxsize=8)
def _raising_taps(factor: int) -> Floats:
    """Shape (2 * _SIDE, factor): weights of the values round block i for its samples."""
    # sample p of block i lies (p + 0.5) / factor after value i; values i - _SIDE + 1 .. i + _SIDE
    place = (np.arange(factor) + 0.5) / factor
    off = place[None, :] - (np.arange(2 * _SIDE) - _SIDE + 1)[:, None]
    window = np.i0(_BETA * np.sqrt(np.maximum(0.0, 1 - (off / _SIDE) ** 2))) / np.i0(_BETA)
    taps = np.sinc(off) * window
    return np.asarray(taps / taps.sum(axis=0))


def response(f_hz: Floats, rate_hz: float) -> Floats:
    """Gain of `read_low` at some frequencies."""
    factor = factor_of(rate_hz)
    taps = _taps(factor).ravel()
    at = np.arange(len(taps)) - 0.5 * (len(taps) - 1)
    return np.asarray(np.cos(2 * np.pi * np.asarray(f_hz)[:, None] * at / rate_hz) @ taps)
