"""Clip levels are those that are heard, whichever of two equal orders of stages the account found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.curve.held_level import behind_knees
from listen.account.curve.wave import COLUMNS, of_table
from tests.circuit.sigma_takes import dead_band, rails

FLAGS = (True, False, False, False, True)
"""The fundamental that comes out is 1; dead band and curve come behind the knees."""


def test_a_knee_before_a_dead_band_is_one_behind_it_lower_by_the_dead_band() -> None:
    """min(dead(x), a) is dead(min(x, a + d))."""
    values = replace(of_table(np.zeros((2, COLUMNS)), FLAGS), dead=np.array([0.05, 0.1]))
    amplitude = np.array([1.1, 1.3])
    d = values.dead * amplitude
    level = np.array([0.8, -0.7])
    np.testing.assert_allclose(behind_knees(values, level + np.sign(level) * d, amplitude), level, atol=1e-4)
    first = of_table(values.table(), (*FLAGS[:4], False))
    np.testing.assert_array_equal(behind_knees(first, level, amplitude), level)


def test_a_curve_behind_the_knees_moves_their_level() -> None:
    """Chebyshev's polynomials, 2 y^2 - 1 and 4 y^3 - 3 y."""
    values = replace(of_table(np.zeros((1, COLUMNS)), FLAGS), even=np.array([0.02 + 0j]), odd=np.array([0.03 + 0j]))
    y = 0.8 / 1.2
    moved = 1.2 * (y + 0.02 * (2 * y**2 - 1) + 0.03 * (4 * y**3 - 3 * y))
    assert behind_knees(values, np.array([0.8]), np.array([1.2]))[0] == pytest.approx(moved, rel=1e-12)


@pytest.mark.parametrize("seed", [1015, 1003])
def test_the_clip_level_of_a_take_with_a_dead_band_is_the_one_that_is_heard(seed: int) -> None:
    figures = {figure.name: figure for figure in dead_band(seed)}
    found = figures["clip level behind the loop"]
    assert abs(found.value - found.truth) < 3.0 * found.sigma
    assert found.value == pytest.approx(found.truth, rel=2e-3)


@pytest.mark.parametrize("seed", [1112, 1211])
def test_a_rail_that_is_not_reached_moves_nothing(seed: int) -> None:
    """One half clips at -7.2 and at 8.0 V; the other would at 11.1 and -11.9 V, and comes near it."""
    for found in rails(seed):
        if found.name == "clip level" and not np.isfinite(found.value):
            continue
        assert abs(found.value - found.truth) < 3.0 * found.sigma
        if found.name == "gangs, spread":
            assert found.sigma < 0.03 * found.truth
