"""The law of the level against pitch and time, and deviations from the scatter over takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.deviations import line_deviations, ring_deviations, swing_deviations
from listen.account.fixed_lines import FixedLine, window_s
from listen.account.level_law import _overshoot, _scatter, _unseen, fit_level_law
from listen.account.modulation import find_swings, smeared
from listen.account.settling import find_settlings
from tests.accounts import segment, tone_on_grid

UP = np.geomspace(100.0, 1600.0, 400)


def test_a_law_is_straight_between_knots() -> None:
    """Through a parabola pieces by least squares lie h^2 f'' / 12 beyond it: a twelfth of the second difference."""
    assert _overshoot(np.array([0.0, 1.0, 0.0])) == pytest.approx(2 / 12)
    assert _overshoot(np.array([0.0, 1.0, 0.0, -2.0, 0.0])) == pytest.approx(
        np.hypot(2 / 12 + 0 / 12, 4 / 12), abs=0.08
    )
    assert _overshoot(np.array([0.0, 1.0, 2.0])) == 0.0


def test_what_a_take_does_not_show_of_its_ends() -> None:
    assert _unseen(0.01 * np.arange(100), 0.02) == pytest.approx(np.hypot(0.06, 0.06))
    assert _unseen(np.arange(6.0), 0.02) == 0.0
    assert _unseen(np.arange(7.0), 0.02) > 8.0


def test_how_long_what_is_left_of_a_law_stays_alike() -> None:
    """Blocks of five rows: correlations of 0.8, 0.6, 0.4, 0.2, so that every fifth row is another."""
    time_s = 0.02 * np.arange(4000)
    blocks = np.repeat(np.random.default_rng(2).standard_normal(800), 5)
    scatter, apart_s = _scatter(blocks, time_s)
    assert (scatter, apart_s) == (pytest.approx(np.sqrt(0.8 + 0.2 * 0.2), rel=0.1), pytest.approx(0.08, abs=0.03))
    scatter, apart_s = _scatter(np.tile([1.0, -1.0], 500), time_s[:1000])
    assert (scatter, apart_s) == (pytest.approx(1.0, rel=0.05), pytest.approx(0.02))
    assert _scatter(np.tile([1.0, -1.0], 5), time_s[:10]) == (1.0, pytest.approx(0.2))
    assert _scatter(np.tile([1.0, -1.0], 30), time_s[:60])[1] == pytest.approx(0.5)


@pytest.mark.parametrize("corner_hz", [2.0, 4.0, 7.0, 10.0, 14.0, 20.0])
def test_ordinary_corners_of_an_input_are_excused(corner_hz: float) -> None:
    """One RC high-pass: 0.97 dB at twice its corner."""
    f0_hz = np.geomspace(2.0 * corner_hz, 30.0 * corner_hz, 400)
    level = -10 * np.log10(1 + (corner_hz / f0_hz) ** 2)
    found = [fit_level_law(0.02 * np.arange(400), f0_hz, level, known) for known in (True, False)]
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].span_db == pytest.approx(0.97, abs=0.06)
    assert found[1].span_db < 0.06


@pytest.mark.parametrize(("ratio", "one"), [(1.055, True), (1.065, False)])
def test_within_a_semitone_no_law_is_asked(ratio: float, one: bool) -> None:
    f0_hz = np.linspace(440.0, 440.0 * ratio, 400)
    law = fit_level_law(0.02 * np.arange(400), f0_hz, np.linspace(0.0, 1.0, 400), True)
    assert law is not None
    assert law.one_note is one
    assert len(law.knots_hz) == (1 if one else 2)
    assert (law.span_db < 0.01) is one
    assert fit_level_law(np.arange(9.0), UP[:9], UP[:9], True) is None


@pytest.mark.parametrize(("rows", "counts"), [(4, False), (6, True)])
def test_the_outer_four_of_a_thousand_places_do_not_count(rows: int, counts: bool) -> None:
    high = np.arange(1000) >= 1000 - rows
    law = fit_level_law(0.02 * np.arange(1000), np.where(high, 880.0, 440.0), np.where(high, 6.0, 0.0), True)
    assert law is not None
    assert (law.span_db > 3.0) is counts


def test_what_moves_in_time_is_a_mean_over_half_a_second() -> None:
    """A bump of 12 rows of 20 ms, of 25 in half a second."""
    level = np.where(np.abs(np.arange(400) - 200) < 6, 1.0, 0.0)
    law = fit_level_law(0.02 * np.arange(400), np.full(400, 440.0), level, True)
    assert law is not None
    assert law.time_span_db == pytest.approx(11 / 25)
    short = fit_level_law(0.02 * np.arange(40), np.full(40, 440.0), level[180:220], True)
    assert short is not None
    assert short.time_span_db == 0.0


# Deviations: from the scatter over takes


TIME_S = 0.01 + 0.005 * np.arange(600)


def test_the_deviations_of_a_swing_are_its_errors() -> None:
    """Root mean square over thirty takes with other noise, a seventieth of the swing: it raises the depth a little."""
    rest, errors, stated = segment(0.5, 2.9), [], []
    for seed in range(30):
        noise = 0.0007 * np.random.default_rng(seed).standard_normal(600)
        tone = tone_on_grid(TIME_S, 440.0, 0.05 * np.cos(2 * np.pi * 5.0 * TIME_S) + noise)
        (swing,) = find_swings(tone, [rest])
        true = 100 * np.tanh(0.05) / smeared(5.0, 440.0, 0.005)
        errors.append((swing.rate_hz - 5.0, 100 * swing.depth - true))
        known = swing_deviations(tone, swing)
        stated.append((known["rate_hz"], known["depth_percent"]))
    ratio = np.median(stated, axis=0) / np.sqrt(np.mean(np.square(errors), axis=0))
    assert ratio == pytest.approx(1.0, abs=0.3)


def test_the_deviations_of_a_ring_are_noises_and_those_of_its_law() -> None:
    """Beside the fit's own: what a ring of the level's logarithm differs by, a quarter of its size."""
    since = np.maximum(TIME_S - 0.5, 0.0)
    ring = 0.2 * np.exp(-since / 0.3) * np.cos(2 * np.pi * 5.0 * since) * (TIME_S >= 0.5)
    decays_s, stated = [], []
    for seed in range(8):
        tone = tone_on_grid(TIME_S, 440.0, ring + 0.004 * np.random.default_rng(seed).standard_normal(600))
        (one,) = find_settlings(tone, [segment(0.5, 2.9, retune_s=0.5)], [])
        decays_s.append(one.decay_s)
        stated.append(ring_deviations(tone, one, 579))
    bent = 0.25 * 0.2
    decay_s, ring_hz = (np.median([known[name] for known in stated]) for name in ("decay_s", "ring_hz"))
    assert decay_s == pytest.approx(np.hypot(bent * 0.3, np.std(decays_s)), rel=0.25)
    assert ring_hz == pytest.approx(0.5 * bent / (2 * np.pi * 0.3), rel=0.15)
    assert ring_deviations(tone, one, tone.index(0.5) + 15) == {}


def test_the_deviations_of_a_line_are_its_windows_scatter() -> None:
    """The mean of n windows errs by 1.4 a / sqrt n of a bin in frequency; few windows say nothing."""
    level = -40.0 + np.tile([1.0, -1.0], 50)
    line = FixedLine(
        frequency_hz=1000.0, time_s=np.arange(100.0), level_dbfs=level, level_dbc=-40.0, of_the_recording=None
    )
    found = line_deviations(line, 48_000.0)
    assert found["level_dbc"] == pytest.approx(0.9, abs=0.1)
    amplitude = np.log(10) / 20
    assert found["frequency_hz"] == pytest.approx(np.hypot(0.14 * amplitude, 0.0005) / window_s(48_000.0), rel=0.05)
    assert line_deviations(replace(line, level_dbfs=level[:3], time_s=np.arange(3.0)), 48_000.0) == {}
