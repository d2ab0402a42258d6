"""Frequency response of the Hann window."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]


def hann_response(turns: ArrayLike) -> Floats:
    """Return what a mean under a Hann window of unit sum leaves of a line with so many turns under it.

    Parameters
    ----------
    turns : array_like
        Also: bins away from the window's centre, of its spectrum.

    Returns
    -------
    ndarray
        sinc(x) / (1 - x^2), after Harris, Proc. IEEE 66, 1978 (from memory).
    """
    x = np.asarray(turns, dtype=float)
    near = np.abs(np.abs(x) - 1.0) < 1e-6
    safe = np.where(near, 0.0, x)
    return np.asarray(np.where(near, 0.5, np.sinc(safe) / (1.0 - safe**2)))
