"""Rules of slopes, edges and resets at their limits: which wave each serves, rows beyond the bins, spikes, tips."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.findings import load_limits
from listen.findings.rules_wave_shape import rows_of_known_tips, wave_shape_candidates
from tests.accounts import account_of, plain_frames
from tests.findings.test_rules_wave_shape import ROWS, N, limit, said, shape

WIDE_HZ = np.geomspace(100.0, 1_600.0, N)


@pytest.mark.parametrize(
    ("wave", "duty_percent", "kinds"),
    [
        ("triangle", None, {"slope-asymmetry", "corner-rounding", "ramp-bow", "even-order-distortion"}),
        ("sawtooth", None, {"reset-slow", "corner-rounding", "ramp-bow", "asymmetric-clipping", "symmetric-clipping"}),
        ("square", None, {"duty", "corner-rounding", "ramp-bow", "even-order-distortion"}),
        ("pulse", None, {"corner-rounding", "ramp-bow"}),
        ("pulse", 20.0, {"duty", "corner-rounding", "ramp-bow"}),
    ],
)
def test_each_wave_is_held_to_what_it_has(wave: str, duty_percent: float | None, kinds: set[str]) -> None:
    """Everything wrong at once: shares, times, cuts, bows, even harmonics."""
    wrong: dict[str, Any] = {"share": 0.6, "corner_s": 1e-3, "bow": 0.2, "loss": 0.3, "loss_both": 0.3, "reset_s": 1e-4}
    assert set(said(wave, duty_percent, residual_even=0.2, **wrong)) == kinds


@pytest.mark.parametrize(("beyond", "told"), [(1.0, True), (1.15, True), (1.3, False), (1.5, False)])
def test_rows_further_than_a_bin_from_what_was_read_say_nothing(beyond: float, told: bool) -> None:
    """The shape was read from 200 to 800 Hz; the corner is round there and further."""
    limits = load_limits(None, gain_control=None, wave="triangle")
    for f0_hz in (200.0 / beyond, 800.0 * beyond):
        frames = plain_frames(N, f0_hz=f0_hz)
        account = account_of(frames, ids={"wave": "wave"})
        found = wave_shape_candidates(account, shape("triangle", corner_s=1e-3), ROWS, limits, None)
        assert bool(found) == told


def test_rows_of_no_pitch_or_that_are_not_the_boards_are_left_out() -> None:
    limits = load_limits(None, gain_control=None, wave="triangle")
    frames = plain_frames(N, f0_hz=400.0)
    frames = replace(frames, f0_hz=np.where(np.arange(N) < 50, np.nan, 400.0))
    account = account_of(plain_frames(N, f0_hz=400.0), ids={"wave": "wave"})
    account = replace(account, frames=frames)
    (one,) = wave_shape_candidates(account, shape("triangle", corner_s=1e-3), np.arange(N) < 80, limits, None)
    np.testing.assert_array_equal(one.rows, np.arange(50, 80))


@pytest.mark.parametrize(
    ("resolved", "height", "area_s", "told"),
    [
        # its own height counts
        (True, 1.2, 0.0, True),
        (True, 0.8, 0.0, False),
        # of a short one the area, as high as if it were 5 us long
        (False, 0.0, 1.2, True),
        (False, 0.0, 0.8, False),
        (False, 1.2, 0.0, True),
        (True, 0.8, 1.2, False),
    ],
)
def test_a_spike_is_judged_by_height_or_area(resolved: bool, height: float, area_s: float, told: bool) -> None:
    least = limit("sawtooth", "reset-glitch") / 100
    found = said(
        "sawtooth",
        spike=height * least,
        spike_resolved=np.full(4, resolved),
        spike_area_s=max(area_s * least * 5e-6, 1e-12),
    )
    assert ("reset-glitch" in found) == told
    if told and area_s:
        numbers = found["reset-glitch"].measured
        assert numbers.glitch_percent == pytest.approx(120 * least)
        # percent of the height times microseconds
        assert numbers.glitch_area_percent_us == pytest.approx(1.2 * least * 100 * 5.0)
        assert numbers.glitch_cycle == pytest.approx(0.3)


@pytest.mark.parametrize(("sigmas", "part"), [(50.0, 0.96), (10.0, 0.8), (5.0, 0.6), (2.5, 0.2), (1.9, 0.0)])
def test_a_spike_counts_less_two_of_its_areas_deviations(sigmas: float, part: float) -> None:
    """The limit from which it is detected is five of them."""
    area_s = 1e-6
    found = said("sawtooth", spike=0.9, spike_area_s=area_s, spike_limit_s=5 * area_s / sigmas)
    if part:
        assert found["reset-glitch"].measured.glitch_percent == pytest.approx(90 * part)
    else:
        assert found == {}


def test_even_harmonics_that_nothing_makes_are_leaning() -> None:
    least = limit("triangle", "even-order-distortion") / 100
    assert said("triangle", residual_even=0.95 * least) == {}
    found = said("triangle", residual_even=1.05 * least)["even-order-distortion"]
    assert (found.variant, found.measured.even_percent) == ("leaning", pytest.approx(105 * least))
    assert found.measured.thd_worst_percent == pytest.approx(12.0)
    assert said("sawtooth", residual_even=1.0) == {}


def test_between_a_whole_bin_and_a_cut_one_a_cut_begins_where_it_is_over_the_noise() -> None:
    """Half a per cent of loss is none; a bin of 0.6 % counts, and so moves where the next one's 3 % comes to 2 %."""
    limits = load_limits(None, gain_control=None, wave="sawtooth")
    frames = plain_frames(N, f0_hz=np.geomspace(500.0, 800.0, N))
    account = account_of(frames, ids={"wave": "wave"})
    begins = []
    for little in (0.0, 0.004, 0.0065):
        loss = np.array([0.0, 0.0, little, 0.03])
        (one,) = wave_shape_candidates(account, shape("sawtooth", loss=loss), ROWS, limits, None)
        begins.append(float(one.f0_low_hz or 0.0))
    least = limit("sawtooth", "asymmetric-clipping") / 100
    for little, begin in zip((0.0, 0.0, 0.0065), begins, strict=True):
        wanted = 500.0 * (800.0 / 500.0) ** ((least - little) / (0.03 - little))
        assert begin == pytest.approx(wanted, rel=0.006)


def test_the_tips_of_a_triangle_are_known_where_both_bins_tell() -> None:
    frames = plain_frames(N, f0_hz=WIDE_HZ)
    known = np.array([True, True, False, False])
    spike = np.array([0.0, 0.0, 0.0, 0.1])
    np.testing.assert_array_equal(rows_of_known_tips(shape("triangle", tips_known=known), frames), WIDE_HZ <= 320.0)
    found = rows_of_known_tips(shape("triangle", tips_known=known, spike=spike), frames)
    np.testing.assert_array_equal(found, (WIDE_HZ <= 320.0) | (WIDE_HZ > 500.0))
    np.testing.assert_array_equal(
        rows_of_known_tips(shape("triangle", tips_known=np.full(4, True), spike=np.full(4, np.nan)), frames), ROWS
    )


@pytest.mark.parametrize("wave", ["triangle", "sawtooth"])
def test_a_cut_is_told_of_its_own_half_alone(wave: str) -> None:
    known: dict[str, Any] = {"tips_known": np.full(4, True)}
    least = limit(wave, "asymmetric-clipping") / 100
    for sign, half in ((1.0, "positive"), (-1.0, "negative")):
        (one,) = said(wave, loss=sign * 1.5 * least, **known).values()
        assert (one.half, one.variant, one.severity) == (half, "tip", "attention")
        fault = limit(wave, "asymmetric-clipping", "fault") / 100
        assert said(wave, loss=sign * 1.1 * fault, **known)["asymmetric-clipping"].severity == "fault"
        assert said(wave, loss=sign * 1.5 * least, loss_sigma=0.3 * least, **known) == {}
    least = limit(wave, "symmetric-clipping") / 100
    assert said(wave, loss_both=-1.5 * least, **known) == {}
    (one,) = said(wave, loss_both=1.5 * least, **known).values()
    assert (one.half, one.variant) == ("both", "tips")
