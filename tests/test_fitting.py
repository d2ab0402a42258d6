"""Curves of few terms against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre, polynomial

from listen.fitting import legendre_columns, orthonormal, without


@pytest.mark.parametrize("n", [4, 5, 40, 997])
@pytest.mark.parametrize("degree", [1, 2, 3, 5])
def test_legendre_columns(n: int, degree: int) -> None:
    x = np.linspace(-1, 1, n)
    found, usual = legendre_columns(x, degree), legendre.legvander(x, degree)
    np.testing.assert_array_equal(found, usual)
    # a product with them rounds by how they lie in memory
    assert found.flags.f_contiguous == usual.flags.f_contiguous


@pytest.mark.parametrize("n", [5, 40, 997])
@pytest.mark.parametrize("degree", [1, 2, 3])
def test_what_a_polynomial_explains_is_taken_off(n: int, degree: int) -> None:
    x = np.linspace(-1, 1, n)
    y = np.random.default_rng(n).normal(size=n) + 3 * x**2 + 7
    usual = y - polynomial.polyval(x, polynomial.polyfit(x, y, degree))
    np.testing.assert_allclose(without(orthonormal(legendre_columns(x, degree)), y), usual, atol=1e-12)


def test_columns_become_orthonormal_and_span_the_same() -> None:
    columns = np.random.default_rng(3).normal(size=(50, 4))
    q = orthonormal(columns)
    np.testing.assert_allclose(q.T @ q, np.eye(4), atol=1e-14)
    for column in columns.T:
        np.testing.assert_allclose(without(q, column), 0.0, atol=1e-13)
