"""Triangles, sawtooths, squares and pulses from a recording to figures of the circuit and findings, each at its limits.

Takes are Fourier series with exact edges (tests/takes/analytic_waves.py), coupled by SciPy's first-order high-pass.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import listen
from listen.api import checking
from listen.bench import Bench, BuildSettings, CaptureSettings
from tests.takes.analytic_waves import WaveTake, samples
from tests.takes.wave_takes import checked, faulty, healthy
from tests.tones import check_of, kinds, steady, white

TRIANGLE = WaveTake(low_hz=200.0, high_hz=400.0)
SAWTOOTH = WaveTake(wave="sawtooth", low_hz=400.0, high_hz=800.0, reset_s=2e-6, rate_hz=96000)
SQUARE = WaveTake(wave="square", low_hz=100.0, high_hz=300.0)


def read(take: WaveTake, *, known: bool = True, build: BuildSettings | None = None, **capture: float):
    settings = CaptureSettings(ac_coupling_hz=take.coupling_hz if known else None, **capture)
    bench = Bench(build=build or BuildSettings(wave=take.wave), capture=settings)
    return check_of(samples(take), take.rate_hz, bench=bench)


# of the last two, one is turned within its frames, the other goes through two poles and a straight reset
@pytest.mark.parametrize("seed", [*range(8), 50, 65])
def test_a_healthy_wave_has_no_finding_and_its_share_is_right(seed: int) -> None:
    take, known = healthy(seed)
    result = checked(take, known, seed)
    assert {f.kind for f in result.findings} - {"capture-bandwidth"} == set()
    figures = result.wave_figures
    if take.wave == "triangle":
        assert figures.rise_percent.value == pytest.approx(50.0, abs=0.1)
    elif take.wave != "sawtooth":
        assert figures.duty_percent.value == pytest.approx(100 * take.share, abs=0.1)


@pytest.mark.parametrize(
    ("fault", "kind"), [("cut", "asymmetric-clipping"), ("bow", "ramp-bow"), ("glitch", "reset-glitch")]
)
@pytest.mark.parametrize("seed", [0, 2])
def test_a_sawtooth_at_twice_a_limit_is_told(fault: str, kind: str, seed: int) -> None:
    take, known = faulty(fault, seed)
    assert kind in kinds(checked(take, known, seed))


def test_a_cut_tip_is_told_beside_a_low_pass_that_takes_more() -> None:
    """A spike on the edge leaves less than the low-pass alone, and is then not told from the edge."""
    take, known = faulty("cut", 71022)
    assert take.recorder_pole_hz == 110e3
    assert take.rate_hz == 192000
    assert "asymmetric-clipping" in kinds(checked(take, known, 71022))


LIMITS = [
    (TRIANGLE, "slope-asymmetry", {"share": 0.496}, {"share": 0.507}, {"share": 0.483}),
    (SQUARE, "duty", {"share": 0.504}, {"share": 0.493}, {"share": 0.517}),
    (SAWTOOTH, "ramp-bow", {"bow": 0.012}, {"bow": 0.03}, {"bow": 0.062}),
    (SAWTOOTH, "ramp-bow", {"bow": -0.012}, {"bow": -0.03}, {"bow": -0.062}),
    (SAWTOOTH, "reset-slow", {"reset_s": 7e-6}, {"reset_s": 10e-6}, {"reset_s": 30e-6}),
    (TRIANGLE, "corner-rounding", {"corner_s": 10e-6}, {"corner_s": 15e-6}, {"corner_s": 50e-6}),
    (SQUARE, "corner-rounding", {"corner_s": 10e-6}, {"corner_s": 15e-6}, {"corner_s": 50e-6}),
    (replace(SAWTOOTH, spike_s=40e-6), "reset-glitch", {"spike": 0.03}, {"spike": 0.08}, {"spike": 0.2}),
]


@pytest.mark.parametrize(
    ("take", "kind", "below", "attention", "fault"), LIMITS, ids=[f"{x[0].wave}-{x[1]}" for x in LIMITS]
)
def test_each_kind_at_its_limits(take: WaveTake, kind: str, below: dict, attention: dict, fault: dict) -> None:
    assert kinds(read(replace(take, **below))) == set()
    for changes, severity in ((attention, "attention"), (fault, "fault")):
        found = [f for f in read(replace(take, **changes)).findings if f.severity != "note"]
        assert [(f.kind, f.severity) for f in found] == [(kind, severity)]


def test_a_reset_is_read_in_a_turn_and_is_a_bound_until_the_recorder_is_known() -> None:
    """A straight reset of 9 us is sinc(k f t) on H_k, whatever the pitch."""
    take = replace(SAWTOOTH, reset_s=9e-6)
    quantity = read(take).wave_figures.reset_us
    assert quantity.value == pytest.approx(9.0, abs=0.2)
    assert quantity.bound == "at-most"
    through = replace(take, recorder_pole_hz=60e3)
    # 80 dB over the noise a low-pass differs from a straight reset by its phase
    figures = read(through).wave_figures
    assert figures.reset_us.value == pytest.approx(9.0, abs=0.5)
    assert figures.corner_us.value == pytest.approx(1e6 / (2 * np.pi * 60e3), abs=0.4)
    assert figures.reset_us.bound == figures.corner_us.bound == "at-most"
    quantity = read(through, response_hz=60e3).wave_figures.reset_us
    assert quantity.value == pytest.approx(9.0, abs=0.5)
    assert quantity.bound is None


def test_a_sudden_reset_through_a_low_pass_reads_as_a_short_one() -> None:
    """A low-pass of 110 kHz takes as much off as a straight reset of sqrt(12) times its 1.45 us (derived)."""
    take = replace(SAWTOOTH, reset_s=0.0, recorder_pole_hz=110e3)
    quantity = read(take).wave_figures.reset_us
    assert quantity.value < np.sqrt(12.0) * 1.447 + 0.4
    assert quantity.bound == "at-most"
    assert kinds(read(take)) == set()


@pytest.mark.parametrize("low_hz", [31.7, 113.0])
@pytest.mark.parametrize("wave", ["triangle", "sawtooth", "square"])
def test_the_coupling_of_the_input_is_undone_or_excused(wave: str, low_hz: float) -> None:
    take = WaveTake(wave=wave, low_hz=low_hz, high_hz=low_hz, coupling_hz=5.0, reset_s=1e-6)
    assert kinds(read(take)) <= {"level-drift"}
    assert kinds(read(take, known=False)) <= {"level-drift"}
    if wave == "sawtooth":
        assert abs(read(take).wave_figures.bow_percent.value) < 0.5


def test_a_stated_duty_is_what_is_expected() -> None:
    take = WaveTake(wave="pulse", share=0.26, low_hz=200.0, high_hz=300.0)
    assert kinds(read(take)) == set()
    assert kinds(read(take, build=BuildSettings(wave="pulse", duty_percent=26.2))) == set()
    result = read(take, build=BuildSettings(wave="pulse", duty_percent=25.0))
    assert kinds(result) == {"duty"}
    assert result.findings[0].evidence["duty_percent"] == pytest.approx(26.0, abs=0.02)


@pytest.mark.parametrize("falling", [False, True])
def test_a_sawtooth_is_read_either_way_round(falling: bool) -> None:
    take = replace(SAWTOOTH, reset_s=15e-6, falling=falling)
    result = read(take)
    quantity = result.wave_figures.reset_us
    # the middle of an ordinary recorder's and of none, whose difference is 2 (1.45 us)^2 12 / 30 us
    assert quantity.value == pytest.approx(15.0, abs=1.2 * quantity.sigma)
    assert quantity.sigma < 0.5
    shape = result.judgement.account.wave_shape
    assert ((shape.share < 0.5) == falling).all()


def test_frames_have_the_shape_row_by_row() -> None:
    frames = read(replace(TRIANGLE, share=0.52)).frames
    assert np.nanmedian(frames.rise_share) == pytest.approx(0.52, abs=3e-4)
    assert np.nanmax(np.abs(frames.rise_share - 0.52)) < 2e-3
    assert np.isfinite(frames.rise_share).sum() > 0.6 * len(frames)
    assert np.isnan(frames.duty_share).all()
    frames = read(replace(SAWTOOTH, reset_s=20e-6)).frames
    assert np.nanmedian(frames.reset_s) == pytest.approx(20e-6, rel=0.05)


def test_the_folded_cycle_is_over_the_wave_height() -> None:
    shape = read(replace(TRIANGLE, share=0.6)).judgement.account.wave_shape
    measured, plain = shape.mean_cycle(0)
    assert np.ptp(measured) == pytest.approx(1.0, abs=0.02)
    assert int(np.argmin(plain)) in range(6)
    assert np.argmax(measured) / len(measured) == pytest.approx(0.6, abs=0.01)
    assert np.argmax(plain) / len(plain) == pytest.approx(0.5, abs=0.01)


def test_what_is_not_told_has_its_reason() -> None:
    figures = read(TRIANGLE).wave_figures
    for name, quantity in figures.quantities.items():
        assert (quantity.value is None) == bool(quantity.why), name
        assert quantity.value is None or (quantity.sigma is not None and quantity.sigma >= 0.0), name
    assert figures.duty_percent.why == "the intended wave has none"
    x = samples(replace(TRIANGLE, seconds=1.0))
    assert check_of(x, wave="any").wave_figures is None
    assert "state the wave" in check_of(white(48_000, -90.0) + x, wave="sine").wave_figures.rise_percent.why


def test_a_sine_keeps_no_spectra(monkeypatch: pytest.MonkeyPatch) -> None:
    """A check without another wave is neither slower nor other than it was."""

    def never(*_: object) -> None:
        raise AssertionError("a sine asked for its spectra")

    x = 0.3 * np.cos(2 * np.pi * steady(440.0, 1.0)) + white(48_000, -90.0)
    monkeypatch.setattr(checking, "SpectraStore", never)
    result: listen.CheckResult = check_of(x)
    assert result.judgement.account.wave_shape is None
    assert np.isnan(result.frames.rise_share).all()


def test_another_wave_than_stated_is_said_and_not_read() -> None:
    result = read(replace(TRIANGLE, wave="sawtooth", reset_s=1e-6), build=BuildSettings(wave="triangle"))
    assert kinds(result) == {"wrong-wave"}
    assert "another wave" in result.wave_figures.rise_percent.why
    take = WaveTake(wave="pulse", share=0.2)
    assert kinds(read(take)) == set()
    assert kinds(read(TRIANGLE, build=BuildSettings(wave="pulse"))) == {"wrong-wave"}
