"""Many short Fourier transforms of real numbers at a time, in the precision of what is given (`native/fft.hpp`)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels


def spectra(frames: NDArray[np.floating[Any]], out: NDArray[np.complexfloating[Any, Any]] | None = None) -> Any:
    """Spectra of the rows.

    Parameters
    ----------
    frames : ndarray of float32 or float64, shape (.., n)
        In C order; n an even product of 2, 3 and 5.
    out : ndarray of complex64 or complex128, shape (.., n // 2 + 1), optional
        Room for them.

    Returns
    -------
    ndarray of complex64 or complex128, shape (.., n // 2 + 1)
        As ``numpy.fft.rfft`` gives them.
    """
    points = frames.shape[-1]
    single = frames.dtype == np.float32
    if out is None:
        kind = np.complex64 if single else np.complex128
        out = np.empty((*frames.shape[:-1], points // 2 + 1), dtype=kind)
    parts = out.view(frames.dtype).reshape(-1, points // 2 + 1, 2)
    (kernels.spectra_single if single else kernels.spectra_double)(frames.reshape(-1, points), parts)
    return out


def rows_of(spectra: NDArray[np.complex64], points: int, scaled: bool = True) -> NDArray[np.float32]:
    """Rows that have these spectra.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (.., points // 2 + 1)
    points : int
        As in ``spectra``.
    scaled : bool
        Whether the sums are divided by ``points``.

    Returns
    -------
    ndarray of float32, shape (.., points)
        As ``numpy.fft.irfft`` gives them; not scaled, ``points`` times as large.
    """
    rows = np.empty((*spectra.shape[:-1], points), dtype=np.float32)
    parts = spectra.view(np.float32).reshape(-1, points // 2 + 1, 2)
    kernels.rows_single(parts, 1.0 / points if scaled else 1.0, rows.reshape(-1, points))
    return rows
