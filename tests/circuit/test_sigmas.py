"""Stated sigmas against solved takes: a slice of ``python -m tests.circuit.sigmas``, and its own arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from listen.circuit.smoothing import smoothed
from tests.circuit import sigma_slew, sigma_takes
from tests.circuit.bridges import Bridge, diode_table
from tests.circuit.checking import Figure
from tests.circuit.sigmas import errors_in_sigmas, gathered, line

SLICE = {
    "start": (100, 103),
    "decay": (101, 103),
    "rails": (100, 102),
    "dead-band": (100, 102),
    "level-loop": (100, 102),
}


def test_a_slice_of_solved_takes_lies_within_its_sigmas() -> None:
    found = [rows for family, seeds in SLICE.items() for rows in gathered(range(*seeds), [family]).values()]
    z = np.concatenate([errors_in_sigmas(rows) for rows in found])
    far = np.abs(z[np.isfinite(z)])
    assert len(far) > 20
    # of thirty errors, some of one take, 68 and 95 % lie within: two standard deviations of such a count off
    assert 0.45 < np.mean(far < 1) < 0.92
    assert np.mean(far < 2) > 0.85
    assert far.max() < 4.0


def test_gains_in_hand_from_the_curve_are_as_sure_as_is_said() -> None:
    """Rails: two figures of each of ten takes, whose errors are 0.9 of their deviations in the mean of many, r.m.s."""
    figures = [f for seed in range(820, 830) for f in sigma_takes.rails(seed) if f.name.startswith("gain in hand")]
    z = np.array([(f.value - f.truth) / f.sigma for f in figures])
    # ten takes' r.m.s. is known to 0.22 (of one or two degrees of freedom each): two such either way
    assert 0.46 < np.sqrt(np.nanmean(z**2)) < 1.34


@pytest.mark.parametrize("seed", [7207, 7212])
def test_a_follower_whose_limit_sets_in_softly_is_told_less_surely(seed: int) -> None:
    """Solved: the first is sudden, the second bends up to its limit as tanh does."""
    figures = list(sigma_slew.slew(seed))
    assert all(abs(f.value - f.truth) < 2.0 * f.sigma for f in figures)
    share = figures[0].sigma / figures[0].value
    assert share < 0.004 if seed == 7207 else 0.004 < share < 0.02


def test_a_tone_whose_gain_falls_dies_at_its_own_root() -> None:
    """Where the gain falls the amplifier's pole moves up with it: 1e-4 of the rate, four of its deviations."""
    rate = next(f for f in sigma_takes.decay(7007) if f.name == "rate of a decay")
    assert abs(rate.value - rate.truth) < 2.5 * rate.sigma
    assert rate.sigma < 5e-5 * abs(rate.truth)


@pytest.mark.parametrize("seed", [8100, 8114])
def test_an_end_where_the_control_rests_is_known_whatever_the_other_does(seed: int) -> None:
    figures = [f for f in sigma_takes.parts(seed) if f.name.startswith("end of the range")]
    # the other end, where the control still moves, is a bound
    assert [f.name for f in figures] == ["end of the range, with a rest"]
    assert abs(figures[0].value - figures[0].truth) < 3.0 * figures[0].sigma
    assert figures[0].sigma < 0.1


def test_gangs_near_the_median_are_no_surer_than_the_median() -> None:
    """Rails at 79 dB, a bandwidth that nobody states: one row was 7 of its deviations off, 4 % of itself."""
    rows = {f.name: f for f in sigma_takes.rails(8001)}
    row = rows["gangs, one row"]
    assert abs(row.truth) < 0.1
    assert abs(row.value - row.truth) < 2.5 * row.sigma
    # 0.29 rows of a turn in which the gangs part by 0.011 % a row, and the row's own
    assert row.sigma < 0.004
    assert abs(rows["gangs, spread"].value - rows["gangs, spread"].truth) < 2.5 * rows["gangs, spread"].sigma


def test_shares_are_counted_over_each_figures_own_sigma() -> None:
    rows = [(i, Figure(name="a", value=v, truth=10.0, sigma=2.0)) for i, v in enumerate((11.0, 9.0, 13.0, 15.0))]
    np.testing.assert_allclose(errors_in_sigmas(rows), [0.5, -0.5, 1.5, 2.5])
    text = line("a", errors_in_sigmas(rows), np.array([0.1, -0.1, 0.3, 0.5]))
    assert "1 sigma  50%  2 sigma  75%" in text


def test_diodes_of_no_resistance_are_solved_alike_both_ways() -> None:
    """By bisection, and by the junction's voltage as a parameter."""
    np.testing.assert_allclose(diode_table(Bridge(diode_ohm=1e-9)), diode_table(Bridge()), atol=1e-7)
    # what a resistance takes, and diodes that are not alike
    table = diode_table(Bridge(diode_ohm=15.0, diodes_unlike=0.1))
    assert table[-1] > diode_table(Bridge())[-1]
    assert abs(table[-1] + table[0]) > 1e-3


@pytest.mark.parametrize("noise", [0.02, 0.2])
def test_a_smooth_line_and_its_span_lie_within_their_sigmas(noise: float) -> None:
    t = np.linspace(0.0, 1.0, 120)
    z, far = [], []
    for seed in range(40):
        found = smoothed(np.sin(2.0 * t) + noise * np.random.default_rng(seed).standard_normal(len(t)))
        z.append((found.span - np.ptp(np.sin(2.0 * t))) / found.span_sigma)
        far.append((found.values[60] - np.sin(2.0 * t[60])) / found.sigma[60])
    # rows of frames that overlap are noisier than these by 1.35
    assert 0.4 < np.std(far) < 1.1
    assert abs(np.mean(z)) < 0.8
    assert 0.4 < np.std(z) < 1.3


def test_rows_that_share_their_noise_with_neighbours_are_smoothed_as_surely_as_stated() -> None:
    """Frames that overlap by half: neighbours agree to four tenths."""
    t, z, spans = np.linspace(0.0, 1.0, 100), [], []
    for seed in range(60):
        drawn = np.random.default_rng(seed).standard_normal(101)
        found = smoothed(t + 0.1 * (drawn[1:] + 0.5 * drawn[:-1]))
        z.append((found.values - t) / found.sigma)
        spans.append((found.span - 1.0) / found.span_sigma)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.25
    # by single rows it is 3.9 % beyond three deviations
    assert np.mean(np.abs(z) > 3.0) < 0.015
    assert 0.5 < np.sqrt(np.mean(np.square(spans))) < 1.6


def test_one_disturbed_row_does_not_move_the_line() -> None:
    rows = np.linspace(0.0, 1.0, 60) + 0.01 * np.random.default_rng(3).standard_normal(60)
    hit = rows.copy()
    hit[30] += 5.0
    np.testing.assert_allclose(smoothed(hit).values, smoothed(rows).values, atol=0.02)


def test_a_quick_turn_is_followed_and_what_rests_beside_it_smoothed() -> None:
    """A control that rests, hastens to a tip and back within a quarter of a second, and rests."""
    t = np.arange(120.0)
    wave = np.maximum(1.0 - np.abs(t - 60.0) / 12.0, 0.0) ** 2
    z, rests, spans = [], [], []
    for seed in range(40):
        drawn = np.random.default_rng(seed).standard_normal(121)
        found = smoothed(wave + 1e-3 * (drawn[1:] + 0.5 * drawn[:-1]))
        z.append((found.values - wave) / found.sigma)
        rests.append(found.values[20:35])
        spans.append((found.span - 1.0) / found.span_sigma)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.5
    # a row has 1.12e-3
    assert np.sqrt(np.mean(np.square(rests))) < 0.9e-3
    # a tip of one row is more than the narrowest parabola follows
    assert np.sqrt(np.mean(np.square(spans))) < 1.5


def test_rows_beyond_a_gap_are_not_laid_through() -> None:
    """The control was turned back while no row was read."""
    time_s = np.append(np.arange(60.0), 70.0 + np.arange(40.0))
    wave = np.where(time_s < 65.0, time_s / 60.0, 0.2)
    found = smoothed(wave + 1e-4 * np.random.default_rng(1).standard_normal(100), time_s)
    np.testing.assert_allclose(found.values, wave, atol=5e-4)
    assert abs(found.span - np.ptp(wave)) < 4.0 * found.span_sigma


def test_a_tip_of_few_rows_is_no_outlier() -> None:
    t = np.arange(80.0)
    wave = np.exp(-np.abs(t - 40.0) / 4.0)
    found = smoothed(wave + 1e-5 * np.random.default_rng(1).standard_normal(80))
    assert found.values[40] > 0.85
