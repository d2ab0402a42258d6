"""Smooth curves of few terms, least squares.

`numpy.polynomial` gives the same numbers, term by term in the same order, but takes 3 ms to load.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


def legendre_columns(x: Floats, degree: int) -> Floats:
    """Legendre polynomials 0 .. degree at places from -1 to 1, a column each; degree is 1 or more."""
    rows = [np.ones_like(x), x]
    for k in range(2, degree + 1):
        rows.append((rows[k - 1] * x * (2 * k - 1) - rows[k - 2] * (k - 1)) / k)
    return np.array(rows).T


def without_curve(x: Floats, y: Floats, degree: int) -> Floats:
    """Return y less the polynomial in x that fits it best; degree is 1 or more."""
    rows = [np.ones_like(x), x]
    for _ in range(degree - 1):
        rows.append(rows[-1] * x)
    powers = np.array(rows)
    size = np.sqrt(np.square(powers).sum(1))
    size[size == 0] = 1
    factors = np.linalg.lstsq(powers.T / size, y, rcond=len(x) * float(np.finfo(x.dtype).eps))[0] / size
    curve = np.full_like(x, factors[-1])
    for factor in factors[-2::-1]:
        curve = factor + curve * x
    return np.asarray(y - curve)
