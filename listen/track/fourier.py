"""Many short Fourier transforms of real numbers at a time, in the precision of what is given.

ducc0's (M. Reinecke, after pocketfft): it transforms a few rows at once in the processor's vectors and in single
precision too: 0.4 of the time of NumPy's in double. It loads in 3 ms, SciPy's in 0.2 s.
"""

from __future__ import annotations

from typing import Any

import ducc0  # type: ignore[import-not-found]
import numpy as np
from numpy.typing import NDArray


def spectra(frames: NDArray[np.floating[Any]], out: NDArray[np.complexfloating[Any, Any]] | None = None) -> Any:
    """Spectra of the rows.

    Parameters
    ----------
    frames : ndarray of float32 or float64, shape (.., n)
    out : ndarray of complex64 or complex128, shape (.., n // 2 + 1), optional
        Room for them.

    Returns
    -------
    ndarray of complex64 or complex128, shape (.., n // 2 + 1)
        As ``numpy.fft.rfft`` gives them.
    """
    return ducc0.fft.r2c(frames, axes=(frames.ndim - 1,), out=out)


def rows_of(spectra: NDArray[np.complexfloating[Any, Any]], points: int, scaled: bool = True) -> Any:
    """Rows that have these spectra.

    Parameters
    ----------
    spectra : ndarray of complex64 or complex128, shape (.., points // 2 + 1)
    points : int
    scaled : bool
        Whether the sums are divided by ``points``.

    Returns
    -------
    ndarray of float32 or float64, shape (.., points)
        As ``numpy.fft.irfft`` gives them; not scaled, ``points`` times as large.
    """
    return ducc0.fft.c2r(spectra, axes=(spectra.ndim - 1,), lastsize=points, forward=False, inorm=2 if scaled else 0)
