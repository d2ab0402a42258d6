"""Taps with which samples are read between two sample times: a long windowed sinc, tabled by the place between them.

Kaiser's window: J. F. Kaiser, Proc. IEEE Int. Symp. Circuits and Systems, 1974 (from memory). Flat to 4e-5 up to 0.45
of the sample rate, 100 dB down from 0.55 of it on.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

TAPS = 64
PLACES = 256
"""Places between two samples; between two of these the taps run straight, which errs by less than f^2 / 80000."""
_BETA = 10.06


@lru_cache(maxsize=1)
def tap_table() -> NDArray[np.float32]:
    """Taps for each place between two samples.

    Returns
    -------
    ndarray of float32, shape (PLACES, 2, TAPS)
        Row q is for q / PLACES of the way from one sample to the next: the taps, and how they change to the next row;
        tap m falls on the sample m - (TAPS / 2 - 1) from the first of the two. The taps of a row sum to 1.
    """
    far = np.arange(TAPS) - (TAPS // 2 - 1) - np.arange(PLACES + 1)[:, None] / PLACES
    window = np.i0(_BETA * np.sqrt(np.clip(1.0 - (far / (TAPS // 2)) ** 2, 0.0, None)))
    taps = np.sinc(far) * window
    taps /= taps.sum(axis=1, keepdims=True)
    return np.ascontiguousarray(np.stack([taps[:-1], np.diff(taps, axis=0)], axis=1).astype(np.float32))
