"""Curves of few terms are numpy's own, to the last bit: findings do not move."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre, polynomial

from listen.findings.curves import legendre_columns, without_curve


@pytest.mark.parametrize("n", [4, 5, 40, 997])
@pytest.mark.parametrize("degree", [1, 2, 3, 5])
def test_legendre_columns(n: int, degree: int) -> None:
    x = np.linspace(-1, 1, n)
    found, usual = legendre_columns(x, degree), legendre.legvander(x, degree)
    np.testing.assert_array_equal(found, usual)
    # a product with them rounds by how they lie in memory
    assert found.flags.f_contiguous == usual.flags.f_contiguous


@pytest.mark.parametrize("n", [4, 5, 40, 997])
@pytest.mark.parametrize("degree", [1, 2, 3])
@pytest.mark.parametrize("start", [-1.0, 0.0, 37.5])
def test_without_curve(n: int, degree: int, start: float) -> None:
    x = start + np.linspace(0, 2, n)
    y = np.random.default_rng(n).normal(size=n) + x**2
    usual = y - polynomial.polyval(x, polynomial.polyfit(x, y, degree))
    np.testing.assert_array_equal(without_curve(x, y, degree), usual)


def test_places_that_are_all_zero() -> None:
    left = without_curve(np.zeros(3), np.array([1.0, 2.0, 3.0]), 1)
    np.testing.assert_allclose(left, [-1.0, 0.0, 1.0], atol=1e-14)
