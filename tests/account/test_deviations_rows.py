"""Standard deviations of what is read row by row hold errors of random numbers with known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from listen.account.deviations_rows import upper_tenth
from listen.account.level_law import fit_level_law
from listen.account.stops import _depth_sigma_db

ROWS, APART = 400, 15


def _running_means(rng: np.random.Generator, size: float) -> np.ndarray:
    return size * np.convolve(rng.standard_normal(ROWS + APART - 1), np.ones(APART), mode="valid") / math.sqrt(APART)


def _shares(far: list[float]) -> tuple[float, float]:
    sizes = np.abs(np.array(far))
    return float(np.mean(sizes < 1.0)), float(np.mean(sizes < 2.0))


@pytest.mark.parametrize("course_db", [0.0, 0.3, 1.0, 3.0])
def test_the_upper_tenth_without_noise(course_db: float) -> None:
    """Of a level that stands it is that level, of one that runs evenly its ninth decile: noise does not raise it."""
    far = []
    for seed in range(400):
        rng = np.random.default_rng([seed, 5])
        level, error = upper_tenth(-40.0 + np.linspace(0.0, course_db, ROWS) + _running_means(rng, 0.2), APART)
        far.append((level - (-40.0 + 0.9 * course_db)) / error)
    one, two = _shares(far)
    # the share of 400 scatters by 2.3 %
    assert 0.6 < one < 0.88
    assert 0.92 < two < 0.995


def test_few_rows_have_no_deviation() -> None:
    level, error = upper_tenth(np.array([-40.0, -39.0, -41.0]), APART)
    assert level > -40.0
    assert math.isnan(error)


def test_the_span_of_a_law() -> None:
    """Straight laws over two octaves, rows that scatter by themselves: the truth is the line's rise."""
    far = []
    time_s = np.arange(500) * 0.02
    f0_hz = 900.0 * 4.0 ** np.clip((time_s - 1.0) / 8.0, 0.0, 1.0)
    for seed in range(200):
        rng = np.random.default_rng([seed, 6])
        span_db = float(rng.uniform(0.3, 4.0))
        level_db = -12.0 + span_db * np.log2(f0_hz / 900.0) / 2.0 + 0.05 * rng.standard_normal(500)
        law = fit_level_law(time_s, f0_hz, level_db, corner_known=True)
        assert law is not None
        far.append((law.span_db - span_db) / law.span_sigma_db)
    one, two = _shares(far)
    assert 0.54 < one < 0.9
    assert two > 0.87


def test_a_law_through_an_unknown_coupling_is_known_no_better_than_that() -> None:
    """A first-order corner of 20 Hz takes 10 log10(1 + (20 / 110)^2) = 0.14 dB at 110 Hz."""
    time_s = np.arange(500) * 0.02
    f0_hz = 110.0 * 4.0 ** (time_s / 10.0)
    level_db = -12.0 - np.log2(f0_hz / 110.0)
    known, unknown = (fit_level_law(time_s, f0_hz, level_db, corner_known=k) for k in (True, False))
    assert known is not None
    assert unknown is not None
    assert known.span_sigma_db < 0.02
    assert 0.03 < unknown.span_sigma_db < 0.14


def test_the_depth_of_a_dropout() -> None:
    """Amplitudes of a tone in noise (Rice); of noise alone (Rayleigh) no depth is known."""
    far, unknown = [], 0
    for seed in range(300):
        rng = np.random.default_rng([seed, 7])
        noise = 0.1 * (rng.standard_normal((2, 60)))
        left = np.hypot(1.0 + noise[0], noise[1])
        far.append(20.0 * math.log10(float(np.median(left))) / _depth_sigma_db(left, 1.0))
        unknown += math.isnan(_depth_sigma_db(np.hypot(*rng.standard_normal((2, 60))), 1.0))
    one, two = _shares(far)
    assert 0.59 < one < 0.85
    assert two > 0.9
    assert unknown > 290
