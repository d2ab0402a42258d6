"""Interpolation between samples: upsampling by two, then a short polyphase filter.

A long windowed sinc gives the sample half way between each two. At twice the rate the signal ends at less than half of
what the rate holds, so that a short one does for all other places. Kaiser's window: J. F. Kaiser, Proc. IEEE Int. Symp.
Circuits and Systems, 1974 (from memory). Flat to 3e-5 up to 0.45 of the sample rate, 100 dB down from 0.55 of it on.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

TAPS = 64
"""Taps of the long filter; it reaches half as many samples to both sides."""
FEW = 16
"""Taps of the short filter: at twice the rate the transition may be 0.55 of that rate wide."""
PLACES = 24
"""Phases of the polyphase filter; taps are interpolated quadratically between them."""
_BETA, _BETA_OF_FEW = 10.06, 12.5
"""Shape of Kaiser's window. Long filter: 100 dB by his formula; the middle errs by 1.1e-5 up to 0.4 and 2.3e-5 up to
0.45 of the rate (9 gives 3.2e-5 and 5.1e-5, 11 gives 4e-6 and 3.7e-4). Short filter: 3.5e-6 up to 0.45 (11: 1.5e-5;
13: 2e-6). Computed."""
_LINE = 64
"""Bytes of a cache line."""


@lru_cache(maxsize=1)
def middle_taps() -> NDArray[np.float32]:
    """Filter taps for the point midway between two samples.

    Returns
    -------
    ndarray of float32, shape (TAPS,)
        Tap m falls on the sample m - (TAPS / 2 - 1) from the first of the two. They are symmetric and sum to 1.
    """
    taps: NDArray[np.float32] = _sinc(np.array([0.5]), TAPS, _BETA)[0].astype(np.float32)
    return taps


@lru_cache(maxsize=1)
def tap_table() -> NDArray[np.float32]:
    """Filter taps for each phase between two samples at twice the rate.

    Returns
    -------
    ndarray of float32, shape (PLACES, 3, FEW)
        Row q is for (q + u) / PLACES of the way from one sample to the next, u = 0 .. 1: the taps are row[0] + u row[1]
        + u^2 row[2]; tap m falls on the sample m - (FEW / 2 - 1) from the first of the two. The taps sum to 1.
    """
    taps = _sinc(np.arange(2 * PLACES + 1) / (2 * PLACES), FEW, _BETA_OF_FEW)
    first, middle, last = taps[:-2:2], taps[1::2], taps[2::2]
    pieces = np.stack([first, 4 * middle - 3 * first - last, 2 * (first + last) - 4 * middle], axis=1)
    table = _aligned(pieces.size).reshape(pieces.shape)
    table[:] = pieces
    return table


def _sinc(place: NDArray[np.float64], count: int, beta: float) -> NDArray[np.float64]:
    """Windowed sinc taps for each fractional delay between two samples."""
    far = np.arange(count) - (count // 2 - 1) - place[:, None]
    window = np.i0(beta * np.sqrt(np.clip(1.0 - (far / (count // 2)) ** 2, 0.0, None)))
    taps = np.sinc(far) * window
    found: NDArray[np.float64] = taps / taps.sum(axis=1, keepdims=True)
    return found


def _aligned(size: int) -> NDArray[np.float32]:
    """Array aligned to a cache line, so that no vector load crosses two lines."""
    room = np.empty(size + _LINE // 4, dtype=np.float32)
    start = -room.ctypes.data % _LINE // 4
    return room[start : start + size]
