"""Taps with which samples are read between two sample times: a long windowed sinc, tabled by the place between them.

Kaiser's window: J. F. Kaiser, Proc. IEEE Int. Symp. Circuits and Systems, 1974 (from memory). Flat to 3e-5 up to 0.45
of the sample rate, 100 dB down from 0.55 of it on.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

TAPS = 64
PLACES = 24
"""Places between two samples; from one to the next the taps follow a parabola, which errs by less than 2e-5."""
_BETA = 10.06
_LINE = 64


@lru_cache(maxsize=1)
def tap_table() -> NDArray[np.float32]:
    """Taps for each place between two samples.

    Returns
    -------
    ndarray of float32, shape (PLACES, 3, TAPS)
        Row q is for (q + u) / PLACES of the way from one sample to the next, u = 0 .. 1: the taps are row[0] + u row[1]
        + u^2 row[2]; tap m falls on the sample m - (TAPS / 2 - 1) from the first of the two. The taps sum to 1.
    """
    far = np.arange(TAPS) - (TAPS // 2 - 1) - np.arange(2 * PLACES + 1)[:, None] / (2 * PLACES)
    window = np.i0(_BETA * np.sqrt(np.clip(1.0 - (far / (TAPS // 2)) ** 2, 0.0, None)))
    taps = np.sinc(far) * window
    taps /= taps.sum(axis=1, keepdims=True)
    first, middle, last = taps[:-2:2], taps[1::2], taps[2::2]
    pieces = np.stack([first, 4 * middle - 3 * first - last, 2 * (first + last) - 4 * middle], axis=1)
    table = _aligned(pieces.size).reshape(pieces.shape)
    table[:] = pieces
    return table


def _aligned(size: int) -> NDArray[np.float32]:
    """Room for numbers that begins where a line of the processor's cache does: no vector of it lies across two."""
    room = np.empty(size + _LINE // 4, dtype=np.float32)
    start = -room.ctypes.data % _LINE // 4
    return room[start : start + size]
