"""The spreading kernel with which samples at uneven phases are brought to an even grid, and its undoing.

A non-uniform discrete Fourier transform by gridding with a Kaiser-Bessel kernel: Fessler and Sutton, IEEE
Trans. Signal Processing 51(2), 2003 (from memory); Jackson et al., IEEE Trans. Medical Imaging 10(3), 1991 (from
memory). Width 8 at twofold oversampling errs by less than 1e-7 of the strongest line.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from listen.track.types import Floats

WIDTH = 8
DEGREE = 11
OVERSAMPLING = 2.0
_BETA = np.pi * WIDTH * (1.0 - 0.5 / OVERSAMPLING) * 0.985


@lru_cache(maxsize=1)
def spreading_coefficients() -> Floats:
    """Polynomials of the kernel's eight pieces.

    Returns
    -------
    ndarray, shape (DEGREE + 1, WIDTH)
        Highest power first, in t = place between the two grid points, 0 to 1. Piece m falls on the grid point
        floor(place) + m of a grid that starts WIDTH / 2 - 1 points early.
    """
    t = 0.5 - 0.5 * np.cos(np.pi * (np.arange(64) + 0.5) / 64)
    columns = []
    for m in range(WIDTH):
        z = (m - WIDTH / 2 + 1) - t
        inside = np.clip(1.0 - (2.0 * z / WIDTH) ** 2, 0.0, None)
        columns.append(np.polyfit(t, np.i0(_BETA * np.sqrt(inside)) / np.i0(_BETA), DEGREE))
    return np.ascontiguousarray(np.array(columns).T)


@lru_cache(maxsize=64)
def line_gain(grid: int) -> NDArray[np.complex128]:
    """What the kernel does to each line of the grid's spectrum.

    Parameters
    ----------
    grid : int
        Points of the grid.

    Returns
    -------
    ndarray of complex, shape (grid // 2 + 1,)
        Divide the real FFT of the grid by this: the kernel's transform, the grid's early start, and the frame's
        centre brought to phase zero.
    """
    line = np.arange(grid // 2 + 1)
    root = np.sqrt((_BETA**2 - (np.pi * WIDTH * line / grid) ** 2).astype(complex))
    gain = (WIDTH * np.sinh(root) / root / np.i0(_BETA)).real
    whole: NDArray[np.complex128] = (
        gain * np.exp(-2j * np.pi * line * ((WIDTH / 2 - 1) / grid)) * np.where(line % 2, -1.0, 1.0)
    )
    return whole


@lru_cache(maxsize=1)
def _sizes() -> Floats:
    return np.array(sorted(f * 2**p for p in range(5, 22) for f in (4, 5, 6)))


def grid_size(samples: int) -> int:
    """The smallest convenient grid that oversamples a frame of ``samples`` samples twofold."""
    sizes = _sizes()
    return int(sizes[np.searchsorted(sizes, OVERSAMPLING * samples)])
