"""Least squares with few columns.

`numpy.polynomial` gives the same curves, term by term in the same order, but takes 3 ms to load.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


def legendre_columns(x: Floats, degree: int) -> Floats:
    """Legendre polynomials 0 .. degree at places from -1 to 1, a column each."""
    rows = [np.ones_like(x), x][: degree + 1]
    for k in range(2, degree + 1):
        rows.append((rows[k - 1] * x * (2 * k - 1) - rows[k - 2] * (k - 1)) / k)
    return np.array(rows).T


def orthonormal(columns: Floats) -> Floats:
    """Orthonormal columns that span the same."""
    return np.asarray(np.linalg.qr(columns)[0])


def without(columns: Floats, y: Floats) -> Floats:
    """Return y less what orthonormal columns explain of it."""
    return np.asarray(y - columns @ (columns.T @ y))
