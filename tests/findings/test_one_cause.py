"""One cause, one finding: where two of them look alike, the right one is named."""

from __future__ import annotations

import numpy as np
import pytest

import listen
from listen.demo.waves import slew
from tests.findings import takes
from tests.tones import RATE_HZ, check_of, coupled, decimated, kinds, smooth_turn, sum_of, times, white

MAINS = (1.0, 0.3, 0.5, 0.2, 0.45, 0.15)
"""Amplitudes of the mains' first lines over the first one's."""


def told(result: listen.CheckResult) -> set[str]:
    return {f.kind for f in result.findings if f.severity != "note"}


def hum(n: int, mains_hz: float, amplitude: float) -> np.ndarray:
    t = np.arange(n) / RATE_HZ
    return amplitude * sum(a * np.cos(2 * np.pi * mains_hz * k * t + k) for k, a in enumerate(MAINS, start=1))


@pytest.mark.parametrize(("mains_hz", "f0_hz"), [(50.0, 224.35), (60.0, 123.24), (50.0, 143.0)])
def test_a_tone_that_beats_with_a_mains_line_does_not_hunt(mains_hz: float, f0_hz: float) -> None:
    x = 0.3 * np.cos(2 * np.pi * f0_hz * times(4.0))
    result = check_of(x + hum(len(x), mains_hz, 0.3 * 10 ** (-32 / 20)) + white(len(x), -92.0))
    assert told(result) == {"mains-hum"}


@pytest.mark.parametrize("depth", [0.04, 0.3])
def test_a_level_that_hunts_at_the_distance_of_a_mains_line_still_hunts(depth: float) -> None:
    """224 Hz and 26 Hz: a sideband lies on 250 Hz."""
    t = times(4.0)
    x = 0.3 * (1 + depth * np.cos(2 * np.pi * 26.0 * t)) * np.cos(2 * np.pi * 224.0 * t)
    result = check_of(x + white(len(x), -92.0))
    assert "amplitude-hunting" in told(result)
    assert "mains-hum" not in told(result)


@pytest.mark.parametrize("rate_hz", [7.3, 8.325, 9.1])
def test_a_level_that_hunts_deeply_is_no_hum(rate_hz: float) -> None:
    """A sawtooth of the level: its lines reach far from the tone."""
    t = times(6.0)
    swing = 2 * ((rate_hz * t) % 1.0) - 1.0
    x = 0.3 * (1 + 0.25 * swing) * np.cos(2 * np.pi * 635.0 * t)
    result = check_of(x + white(len(x), -85.0))
    assert "amplitude-hunting" in told(result)
    assert "mains-hum" not in told(result)


def test_mains_lines_at_the_harmonics_of_a_low_note_are_no_distortion() -> None:
    """A turn through 150 Hz, whose second harmonic is the fifth line of 60 Hz."""
    phase, _ = smooth_turn(130.0, 620.0, 3.0, rest_s=1.0)
    x = 0.25 * np.cos(2 * np.pi * phase)
    result = check_of(x + hum(len(x), 60.0, 0.25 * 10 ** (-19 / 20)) + white(len(x), -95.0))
    assert told(result) == {"mains-hum"}


def test_even_harmonics_over_their_limit_are_told_where_a_knee_is_under_its_own() -> None:
    """What a phase-shift ladder, solved in time, puts out whose one rail cuts 3 % of the crest: H2 to H10, in per cent.

    The loop hands the harmonics back turned: they take 0.3 % of the crest alone, and come to 1.2 %.
    """
    sizes = (1.108, 0.542, 0.361, 0.272, 0.217, 0.179, 0.151, 0.128, 0.110)
    angles = (1.18, 1.60, 1.93, 2.22, 2.47, 2.70, 2.93, -3.14, -2.93)
    lines = [1.0, *(0.01 * size * np.exp(1j * angle) for size, angle in zip(sizes, angles, strict=True))]
    phase, f0_hz = smooth_turn(230.0, 1100.0, 4.0)
    result = check_of(sum_of(phase, [0.27 * line for line in lines], f0_hz) + white(len(phase), -85.0))
    (found,) = (f for f in result.findings if f.severity != "note")
    assert found.kind == "even-order-distortion"
    assert float(found.evidence["even_percent"]) == pytest.approx(np.hypot.reduce(sizes[::2]), rel=0.02)


def test_a_dead_band_quotes_no_distortion_that_slewing_makes() -> None:
    """A slope limit that leaves a triangle of 12 %, after a dead band of 3 % of the peak.

    The band takes a square of its height off: H3, H5 .. of 4 d / (pi k) come to 1.70 % (Fourier's series).
    """
    rate_hz = 8 * RATE_HZ
    phase, _ = smooth_turn(300.0, 1500.0, 3.0, rate_hz, 0.8)
    drive = takes.PEAK * np.cos(2 * np.pi * phase)
    output = np.sign(drive) * np.maximum(np.abs(drive) - 0.03 * takes.PEAK, 0.0)
    limited, step = np.empty(len(output)), takes.PEAK * np.pi * 1500.0 / rate_hz
    slew(output, step, step, limited)
    both = {f.kind: f for f in check_of(takes.noisy(decimated(limited))).findings}
    assert {"slew-limiting", "crossover-distortion"} <= set(both)
    assert "THD" not in both["crossover-distortion"].sentence
    alone = {f.kind: f for f in check_of(takes.noisy(decimated(output))).findings}
    assert "THD reaches 1.7 %" in alone["crossover-distortion"].sentence


@pytest.mark.parametrize("rate_hz", [3.0, 6.0, 6.667, 7.0, 13.333])
def test_a_vibrato_is_told_whatever_its_rate(rate_hz: float) -> None:
    """6.667 Hz returns to where it was after 0.15 s."""
    t = times(5.0)
    index = 500.0 * np.expm1(26.0 * np.log(2) / 1200) / rate_hz
    x = 0.3 * np.cos(2 * np.pi * 500.0 * t + index * np.sin(2 * np.pi * rate_hz * t))
    result = check_of(x + white(len(x), -90.0))
    assert kinds(result) == {"pitch-instability"}
    found = next(f for f in result.findings if f.kind == "pitch-instability")
    assert float(found.evidence["rms_cents"]) == pytest.approx(26.0 / np.sqrt(2.0), rel=0.1)
    assert float(found.evidence["rate_hz"]) == pytest.approx(rate_hz, abs=0.3)


def test_a_pulse_checked_as_a_sine_has_no_dead_band_and_the_answer_names_the_option() -> None:
    """A pulse of a quarter of the cycle: |sin(pi k / 4)| / k, any handbook's series; H2 is 3 dB under H1."""
    phase = 2 * np.pi * 130.0 * times(3.0)
    k = np.arange(1, 100)
    x = 0.2 * sum(np.sin(np.pi * i / 4) / i * np.cos(i * phase) for i in k)
    result = check_of(x + white(len(x), -90.0))
    assert "crossover-distortion" not in told(result)
    assert "--wave" in result.judgement.answers["clean"]


def test_a_hard_clipped_sine_is_not_taken_for_another_wave() -> None:
    x = np.clip(np.cos(2 * np.pi * 300.0 * times(3.0)), -0.3, 0.3)
    assert "--wave" not in check_of(x + white(len(x), -90.0)).judgement.answers["clean"]


def test_a_tone_that_dies_again_and_again_hunts() -> None:
    """Four times a second the level falls by 22 dB for 60 ms: one finding, not a list of them."""
    t = times(5.0)
    low = ((4.0 * t) % 1.0) < 0.24
    envelope = np.convolve(np.where(low, 0.05, 1.0), np.hanning(961) / 480.0, mode="same")
    x = 0.3 * envelope * np.cos(2 * np.pi * 400.0 * t)
    result = check_of(x + white(len(x), -90.0))
    found = [f for f in result.findings if f.severity != "note"]
    assert [f.kind for f in found if f.kind in {"amplitude-hunting", "oscillation-dropout"}] == ["amplitude-hunting"]
    hunt = next(f for f in found if f.kind == "amplitude-hunting")
    assert float(hunt.evidence["rate_hz"]) == pytest.approx(4.0, rel=0.05)
    assert "capture-gap" not in told(result)


def test_two_dropouts_stay_dropouts() -> None:
    t = times(5.0)
    low = (np.abs(t - 1.5) < 0.1) | (np.abs(t - 3.5) < 0.1)
    x = 0.3 * np.convolve(np.where(low, 0.03, 1.0), np.hanning(961) / 480.0, mode="same") * np.cos(2 * np.pi * 400 * t)
    assert [f.kind for f in check_of(x + white(len(x), -90.0)).findings].count("oscillation-dropout") == 2


def test_a_wide_flat_that_the_coupling_tilts_is_still_flat() -> None:
    """A quarter of the crest cut off; a corner of 15 Hz tilts the flat at 300 Hz far more than it moves the crest."""
    phase, _ = smooth_turn(180.0, 690.0, 3.0, rest_s=0.5)
    x = coupled(0.3 * np.maximum(np.cos(2 * np.pi * phase), -0.6), 15.0)
    found = [f for f in check_of(x + white(len(x), -88.0)).findings if f.severity != "note"]
    assert [(f.kind, f.half) for f in found] == [("asymmetric-clipping", "negative")]


def test_a_ringing_that_has_not_died_by_the_end_of_a_rest_is_a_bounce() -> None:
    """The level rings at 7 Hz by 2.5 dB after the step, and by 0.5 dB still where the rest should be calm."""
    t = times(3.0)
    since = np.maximum(t - 1.5, 0.0)
    level_db = np.where(t < 1.5, 0.0, 2.5 * np.exp(-1.7 * since) * np.cos(2 * np.pi * 7.0 * since))
    phase = np.cumsum(np.where(t < 1.5, 900.0, 500.0)) / RATE_HZ
    result = check_of(0.25 * 10 ** (level_db / 20) * np.cos(2 * np.pi * phase) + white(len(t), -90.0))
    assert "amplitude-bounce" in told(result)


def test_hum_does_not_bend_the_tips_of_a_low_triangle() -> None:
    phase, f0_hz = smooth_turn(82.0, 430.0, 3.0, rest_s=1.0)
    # all that the band holds: a series cut off at 5 kHz has round corners
    x = sum_of(phase, [0.2 / k**2 if k % 2 else 0.0 for k in range(1, 290)], f0_hz)
    result = check_of(x + hum(len(x), 60.0, 0.2 * 10 ** (-18 / 20)) + white(len(x), -88.0), wave="triangle")
    assert told(result) == {"mains-hum"}


@pytest.mark.parametrize(
    ("f0_hz", "off_s", "start_rad", "seed"),
    [(121.25287583, 2.45396736, 5.17872123, 55), (152.35788525, 2.47256439, 1.97937499, 109), (441.3, 2.5, 0.0, 1)],
)
def test_a_tone_that_is_switched_off_has_lost_no_samples(
    f0_hz: float, off_s: float, start_rad: float, seed: int
) -> None:
    """While it dies its phase may slip, by what the input's coupling adds: nothing is missing from the recording."""
    rate = 32000.0
    t = times(3.22, rate)
    envelope = 0.146 * np.exp(-np.maximum(t - off_s, 0.0) / 0.02)
    x = envelope * np.cos(2 * np.pi * f0_hz * t + start_rad) + 1e-5 * np.cos(2 * np.pi * 50.0 * t)
    result = check_of(coupled(x, 3.5, rate) + white(len(x), -91.0, seed), rate)
    assert "oscillation-dropout" in told(result)
    assert "capture-gap" not in told(result)


def test_a_level_that_is_another_on_the_way_back_is_clipped_there_alone() -> None:
    """A level loop that lags: 4 V on the way up under rails of 4.4 V, 5.3 V at the same pitches on the way down."""
    rate_hz = 8 * RATE_HZ
    t = times(9.0, rate_hz)
    octaves = np.interp(t, [0.5, 4.0, 5.0, 8.5], [0.0, 3.0, 3.0, 0.0])
    phase = np.cumsum(200.0 * 2**octaves) / rate_hz
    drive = np.interp(t, [4.0, 5.0], [0.2, 0.265]) * np.cos(2 * np.pi * phase)
    result = check_of(takes.noisy(decimated(np.clip(drive, -0.22, 0.22))))
    assert not told(result) & {"odd-order-distortion", "asymmetric-clipping", "crossover-distortion"}
    (clipped,) = (f for f in result.findings if f.kind == "symmetric-clipping")
    assert clipped.start_s == pytest.approx(4.4, abs=0.15)
    assert clipped.end_s > 8.5
    assert float(clipped.evidence["thd_worst_percent"]) > 3.0
