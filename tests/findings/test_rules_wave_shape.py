"""Rules of slopes, edges and resets, on shapes made by hand: what is known is held against a limit, less two sigmas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.waves import WaveShape
from listen.findings import load_limits
from listen.findings.rules_wave_shape import wave_shape_candidates
from tests.accounts import account_of, plain_frames

N = 100
F0_HZ = np.geomspace(200.0, 800.0, N)
FRAMES = plain_frames(N, f0_hz=F0_HZ, thd_percent=12.0, flat_positive=0.4, flat_negative=0.3)
ACCOUNT = account_of(FRAMES, ids={"wave": "wave"})
ROWS = np.ones(N, dtype=bool)


def shape(wave: str, **changes: Any) -> WaveShape:
    """A healthy wave at four pitches, but for what is changed."""
    values: dict[str, Any] = {"bins": (), "fits": (), "f0_hz": np.array([200.0, 320.0, 500.0, 800.0])}
    zero = np.zeros(4)
    for name in (
        "corner_s",
        "corner_sigma_s",
        "corner_form_s",
        "bend",
        "bend_sigma",
        "bow",
        "bow_sigma",
        "loss",
        "loss_sigma",
        "loss_both",
        "spike",
        "spike_area_s",
    ):
        values[name] = zero
    for name in ("share_sigma", "reset_s", "reset_sigma_s", "spike_limit_s", "gain_db", "residual_even"):
        values[name] = zero
    values |= {"share": zero + 0.5, "spike_resolved": zero == 0, "spike_at": zero + 0.3, "tips_known": zero > 0}
    values |= {"coupling_known": True, "response_known": True, "rows": {}}
    changed = {key: np.full(4, value) if np.isscalar(value) else value for key, value in changes.items()}
    return WaveShape(wave=wave, **(values | changed))


def said(wave: str, duty_percent: float | None = None, **changes: Any) -> dict[str, Any]:
    limits = load_limits(None, gain_control=None, wave=wave)
    found = wave_shape_candidates(ACCOUNT, shape(wave, **changes), ROWS, limits, duty_percent)
    assert len({c.kind for c in found}) == len(found)
    assert all(c.part == "wave" for c in found)
    return {c.kind: c for c in found}


def limit(wave: str, kind: str, key: str = "attention") -> float:
    return float(load_limits(None, gain_control=None, wave=wave)[kind][key])


@pytest.mark.parametrize("wave", ["triangle", "sawtooth", "square", "pulse"])
def test_nothing_is_said_of_a_healthy_wave(wave: str) -> None:
    assert said(wave) == {}


CASES = [
    ("triangle", "slope-asymmetry", "share", 0.01, 0.5, "share_sigma"),
    ("square", "duty", "share", 0.01, 0.5, "share_sigma"),
    ("triangle", "corner-rounding", "corner_s", 1e-6, 0.0, "corner_sigma_s"),
    ("triangle", "ramp-bow", "bow", 0.01, 0.0, "bow_sigma"),
]


@pytest.mark.parametrize(("wave", "kind", "column", "unit", "ideal", "sigma"), CASES)
def test_a_value_counts_less_two_standard_deviations(
    wave: str, kind: str, column: str, unit: float, ideal: float, sigma: str
) -> None:
    least = limit(wave, kind)
    assert kind not in said(wave, **{column: ideal + 0.95 * least * unit})
    over = said(wave, **{column: ideal + 1.1 * least * unit})
    assert over[kind].severity == "attention"
    assert kind not in said(wave, **{column: ideal + 1.1 * least * unit, sigma: 0.1 * least * unit})
    assert kind in said(wave, **{column: ideal + 1.1 * least * unit, sigma: 0.04 * least * unit})
    fault = limit(wave, kind, "fault")
    assert said(wave, **{column: ideal + 1.1 * fault * unit})[kind].severity == "fault"


def test_what_is_said_of_slopes() -> None:
    found = said("triangle", share=0.56)["slope-asymmetry"].measured
    assert (found.off_percent, found.rise_percent, found.onset_f0_hz) == pytest.approx((6.0, 56.0, 200.0))
    assert "slope-asymmetry" not in said("triangle", duty_percent=56.0, share=0.56)


def test_a_pulse_without_a_stated_duty_is_not_judged() -> None:
    assert said("pulse", share=0.2) == {}
    assert said("pulse", duty_percent=20.0, share=0.2) == {}
    found = said("pulse", duty_percent=30.0, share=0.2)["duty"].measured
    assert (found.off_percent, found.duty_percent) == pytest.approx((10.0, 20.0))


def test_a_bow_is_said_with_its_way() -> None:
    assert said("sawtooth", bow=0.05)["ramp-bow"].measured.bends == "out"
    found = said("sawtooth", bow=-0.05)["ramp-bow"].measured
    assert (found.bow_percent, found.bends) == (pytest.approx(5.0), "in")


def test_a_fault_from_some_pitch_upward_has_its_onset_there() -> None:
    found = said("triangle", corner_s=np.array([0.0, 0.0, 0.0, 400e-6]))["corner-rounding"]
    assert 500.0 < found.measured.onset_f0_hz < 800.0
    assert found.measured.corner_us == pytest.approx(400.0, rel=0.05)


def test_a_reset_is_long_in_time_and_a_part_of_the_cycle() -> None:
    """Too long at the top of the range alone: the part of the cycle grows with the pitch."""
    least_us, percent = limit("sawtooth", "reset-slow", "least_us"), limit("sawtooth", "reset-slow")
    assert said("sawtooth", reset_s=0.9e-6 * least_us) == {}
    long_s = 1.5e-6 * least_us
    found = said("sawtooth", reset_s=long_s)["reset-slow"].measured
    assert found.reset_us == pytest.approx(1e6 * long_s)
    # the worst of the rows, but for a few
    assert found.reset_percent == pytest.approx(100 * long_s * 800.0, rel=0.06)
    assert found.onset_f0_hz == pytest.approx(percent / 100 / long_s, rel=0.03)
    assert said("sawtooth", reset_s=long_s, reset_sigma_s=0.25 * long_s) == {}


def test_a_tip_that_is_cut_off_has_its_half() -> None:
    least = limit("sawtooth", "asymmetric-clipping") / 100
    assert said("sawtooth", loss=0.9 * least) == {}
    upper = said("sawtooth", loss=1.2 * least)["asymmetric-clipping"]
    assert (upper.half, upper.measured.crest_loss_percent) == ("positive", pytest.approx(120 * least))
    assert (upper.measured.thd_worst_percent, upper.measured.flat_over_sine) == pytest.approx((12.0, 0.4))
    assert said("sawtooth", loss=-1.2 * least)["asymmetric-clipping"].half == "negative"
    least = limit("sawtooth", "symmetric-clipping") / 100
    assert said("sawtooth", loss_both=1.2 * least)["symmetric-clipping"].half == "both"


def test_a_triangles_cut_tip_is_read_from_the_cycle_beside_a_spike() -> None:
    """Without one crest and flat span tell it, by another rule; a spike stands at the two lower pitches alone."""
    assert "asymmetric-clipping" not in said("triangle", loss=-0.1)
    found = said("triangle", loss=-0.1, spike=np.array([0.2, 0.2, 0.0, 0.0]), spike_area_s=1e-6)["asymmetric-clipping"]
    assert found.half == "negative"
    assert found.measured.crest_loss_percent == pytest.approx(10.0)
    assert "asymmetric-clipping" not in said("triangle", loss=-0.03, loss_sigma=0.006, spike=0.2)
    assert 320.0 < float(found.f0_high_hz or 0.0) < 510.0


def test_a_triangles_cut_tip_is_read_from_the_cycle_where_that_explains_it() -> None:
    known = np.array([True, True, False, False])
    found = said("triangle", loss=0.1, tips_known=known)["asymmetric-clipping"]
    assert found.half == "positive"
    assert 315.0 < float(found.f0_high_hz or 0.0) <= 321.0
    assert said("triangle", loss_both=0.1, tips_known=known)["symmetric-clipping"].half == "both"
    assert "asymmetric-clipping" not in said("triangle", tips_known=known)


def test_a_short_spike_is_judged_by_its_area_as_if_it_were_5_us_long() -> None:
    least = limit("square", "reset-glitch")
    area_s = 1e-2 * least * 5e-6
    unresolved: dict[str, Any] = {"spike_resolved": np.zeros(4, dtype=bool)}
    assert said("square", **unresolved, spike_area_s=0.9 * area_s) == {}
    found = said("square", **unresolved, spike_area_s=1.2 * area_s)["reset-glitch"].measured
    assert found.glitch_percent == pytest.approx(1.2 * least)
    assert found.glitch_area_percent_us == pytest.approx(1.2e8 * area_s)
    assert found.glitch_cycle == pytest.approx(0.3)
    # what would be detected at five standard deviations is known to a fifth: two of them are taken off
    known = {"spike_area_s": 1.2 * area_s, "spike_limit_s": 0.5 * 1.2 * area_s}
    assert said("square", **unresolved, **known) == {}
    known["spike_limit_s"] = 0.3 * 1.2 * area_s
    known["spike_area_s"] = 1.5 * area_s
    assert said("square", **unresolved, **known)["reset-glitch"].measured.glitch_percent == pytest.approx(
        1.5 * least * (1 - 0.4 * 0.24)
    )


def test_a_spike_that_the_band_shows_is_judged_by_its_height() -> None:
    least = limit("square", "reset-glitch") / 100
    assert said("square", spike=0.9 * least, spike_area_s=1.0) == {}
    assert said("square", spike=1.2 * least)["reset-glitch"].measured.glitch_percent == pytest.approx(120 * least)


def test_even_harmonics_that_the_wave_does_not_have() -> None:
    least = limit("triangle", "even-order-distortion") / 100
    assert said("triangle", residual_even=0.9 * least) == {}
    found = said("triangle", residual_even=1.2 * least)["even-order-distortion"].measured
    assert (found.even_percent, found.thd_worst_percent) == pytest.approx((120 * least, 12.0))
    assert said("sawtooth", residual_even=1.2 * least) == {}


def test_rows_far_from_the_pitches_that_were_read_say_nothing() -> None:
    few = {"f0_hz": np.array([420.0, 440.0, 460.0, 480.0]), "bow": 0.05}
    found = said("sawtooth", **few)["ramp-bow"]
    assert found.measured.onset_f0_hz == pytest.approx(420.0 / 1.2, rel=0.02)
