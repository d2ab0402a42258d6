"""From samples to steps: every way of giving the voltage, and what goes wrong at a bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from listen.api.calibrating import CalibrationResult, calibrate
from listen.bench import Bench, CvSettings
from listen.errors import CaptureError
from listen.units import cents_between
from tests.calibration.takes import Stepped, cell, hertz, octaves, write

UP = (0.0, 1.0, 2.0, 3.0, 4.0)
GOOD = Stepped(volts=UP, hold_s=(0.6,) * 5, pitch=octaves(55.0))
CV = Bench(cv=CvSettings(volts_per_full_scale=10.0))


def off_cents(result: CalibrationResult, wanted: np.ndarray) -> np.ndarray:
    assert len(result.steps) == len(wanted)
    return cents_between(np.array([step.f0_hz for step in result.steps], dtype=float), wanted)


@pytest.mark.parametrize("wave", ["sine", "triangle", "sawtooth"])
@pytest.mark.parametrize("way", ["values", "steps", "file", "channel"])
def test_every_way_of_giving_the_voltage(tmp_path, wave, way):
    take = replace(GOOD, wave=wave)
    wanted = write(take, tmp_path / "take.wav", cv_volts_per_full_scale=10.0 if way == "channel" else None)
    rows = "".join(f"{a},{b},{v}\n" for a, b, v in zip(take.edges_s, take.edges_s[1:], UP, strict=False))
    (tmp_path / "steps.csv").write_text(f"start_s,end_s,cv_v\n{rows}")
    given = {
        "values": {"cv_values": UP},
        "steps": {"cv_steps": "0:4:1"},
        "file": {"cv_file": tmp_path / "steps.csv"},
        "channel": {"cv_channel": 2, "bench": CV},
    }[way]
    result = calibrate(tmp_path / "take.wav", **given)
    assert np.abs(off_cents(result, wanted)).max() < 0.1
    assert [step.cv_v for step in result.steps] == pytest.approx(UP, abs=5e-4)
    assert result.calibration.law.octaves_per_volt == pytest.approx(1.0, abs=2e-4)
    assert result.calibration.notes == ()
    assert result.calibration.whole


def test_the_silent_tail_is_no_step(tmp_path):
    """The supply is switched off before the recorder stops: what is missing is missing, and not a silent step."""
    volts = (0.0, 1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0, 0.0)
    take = replace(GOOD, volts=volts, hold_s=(0.6,) * 9, silent=(8,))
    write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="0:4:1:updown")
    assert [step.missing for step in result.steps] == [False] * 8 + [True]
    assert not result.calibration.whole


def test_a_step_that_does_not_oscillate_is_not_passed_over(tmp_path):
    take = replace(GOOD, volts=(*UP, 5.0), hold_s=(0.6,) * 6, silent=(3,))
    write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="0:5:1")
    assert (result.steps[3].f0_hz, result.steps[3].missing) == (None, False)
    assert not result.calibration.whole


def test_each_take_has_its_own_bench_file(tmp_path):
    """Recorded on other channels at other gains, one after the other, in either order."""
    for name, volts_fs, swapped in (("a", 10.0, False), ("b", 20.0, True)):
        (tmp_path / name).mkdir()
        path = tmp_path / name / "take.wav"
        write(GOOD, path, cv_volts_per_full_scale=volts_fs)
        samples, rate = soundfile.read(path)
        soundfile.write(path, samples[:, ::-1] if swapped else samples, rate, subtype="PCM_24")
        audio, cv = (2, 1) if swapped else (1, 2)
        (tmp_path / name / "bench.toml").write_text(
            f"[build]\ntopology = 'sawtooth-core'\nparts = {{ c1_f = {'1e-9' if swapped else '2e-9'} }}\n"
            f"[capture]\nchannel = {audio}\n[cv]\nchannel = {cv}\nvolts_per_full_scale = {volts_fs}\n"
        )
    for names in (("a", "b"), ("b", "a")):
        result = calibrate(*(tmp_path / name / "take.wav" for name in names))
        assert [step.cv_v for step in result.steps] == pytest.approx([*UP, *UP], abs=1e-3)
        assert result.calibration.law.octaves_per_volt == pytest.approx(1.0, abs=2e-4)
        assert [bench.cv.volts_per_full_scale for bench in result.benches] == [
            10.0 if n == "a" else 20.0 for n in names
        ]
        assert result.voltage_source == ("channels 2, 1" if names[0] == "a" else "channels 1, 2")
        assert len(result.bench_paths) == 2


def test_a_timing_capacitor_of_one_take_is_not_that_of_all(tmp_path):
    """Two boards with other capacitors: no cure in ohms for both."""
    take = replace(GOOD, volts=tuple(range(7)), hold_s=(0.4,) * 7, pitch=octaves(55.0, 1.0, 6e-6))
    said = {}
    for name, farad in (("a", "1e-9"), ("b", "2e-9"), ("c", "1e-9")):
        (tmp_path / name).mkdir()
        write(take, tmp_path / name / "take.wav")
        (tmp_path / name / "bench.toml").write_text(
            f"[build]\ntopology = 'sawtooth-core'\nparts = {{ c1_f = {farad} }}\n"
        )
    for names in ("ab", "ac"):
        result = calibrate(*(tmp_path / name / "take.wav" for name in names), cv_steps="0:6:1")
        said[names] = " ".join(result.advice)
    assert "timing capacitor of 1 nF" in said["ac"]
    assert "timing capacitor of" not in said["ab"]
    assert "R = 6" in said["ab"]


def test_the_wave_says_what_a_flat_top_may_come_from(tmp_path):
    """A Wien bridge, its amplifier of 3 MHz: f = f0 / sqrt(1 + 9 f0 / ft), the loop equation with one pole at ft / 3.

    A sawtooth core has a reset; a sine oscillator has none.
    """
    bridge = lambda volts: 110.0 * 2.0**volts / np.sqrt(1.0 + 9.0 * 110.0 * 2.0**volts / 3e6)  # noqa: E731
    take = replace(GOOD, volts=tuple(np.arange(13) / 2.0), hold_s=(0.4,) * 13, pitch=bridge)
    write(take, tmp_path / "take.wav")
    advice = calibrate(tmp_path / "take.wav", cv_steps="0:6:0.5", wave="sine").advice
    (line,) = [one for one in advice if "gain-bandwidth" in one]
    number, unit = line.split("amplifier of ")[1].split(" ")[:2]
    # 5 %: the second order of the root at 7 kHz is 1 %, the rest the fit's
    assert float(number) * {"kHz": 1e3, "MHz": 1e6}[unit] == pytest.approx(3e6, rel=0.05)
    for wave in (None, "sawtooth", "any"):
        advice = " ".join(calibrate(tmp_path / "take.wav", cv_steps="0:6:0.5", wave=wave).advice)
        assert "sawtooth core" in advice
        assert "gain-bandwidth" not in advice


def test_a_free_law_has_errors_to_state(tmp_path):
    """A curve through all points would leave none; a power of the voltage leaves what it does not follow."""
    off = np.array([0.0, 12.0, -15.0, 9.0, -14.0, 11.0, -6.0, 8.0])
    volts = tuple(1.0 + 0.5 * np.arange(8))
    bent = lambda v: 200.0 * v**0.7 * np.exp2(np.interp(v, volts, off) / 1200.0)  # noqa: E731
    write(replace(GOOD, volts=volts, hold_s=(0.5,) * 8, pitch=bent), tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="1:4.5:0.5")
    law = result.calibration.law
    assert law.kind == "free"
    assert law.errors_against == "power"
    power = np.polyfit(np.log2(volts), 1200.0 * np.log2([step.f0_hz for step in result.steps]), 1)
    left = 1200.0 * np.log2([step.f0_hz for step in result.steps]) - np.polyval(power, np.log2(volts))
    # with its threshold free, the law leaves a little less than a plain power does
    assert 0.7 * np.sqrt(np.mean(left**2)) < law.rms_error_cents <= np.sqrt(np.mean(left**2)) + 0.1
    assert max(abs(step.error_cents) for step in result.steps) > 5.0


def test_two_voltages_have_no_error(tmp_path):
    write(replace(GOOD, volts=(0.0, 1.0), hold_s=(0.6,) * 2), tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="0:1:1")
    assert [step.error_cents for step in result.steps] == [None, None]
    assert "two steps leave no error to state" in str(result)


def test_hertz_per_volt(tmp_path):
    take = replace(GOOD, volts=(1.0, 2.0, 3.0, 4.0, 5.0), pitch=hertz(120.0, -0.01))
    wanted = write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="1:5:1")
    law = result.calibration.law
    assert np.abs(off_cents(result, wanted)).max() < 0.1
    assert law.kind == "hertz-per-volt"
    assert law.hertz_per_volt == pytest.approx(120.0, rel=1e-4)
    assert law.f0_at_zero_v_hz == pytest.approx(1.2, abs=0.02)
    # 10 mV are 17.23 cents at 1 V, as 1200 log2(1.01)
    assert any("off by -10.0 mV" in line and "+17.2 cents at 1 V" in line for line in result.advice)


def test_low_notes(tmp_path):
    take = replace(GOOD, pitch=octaves(20.0), hold_s=(1.0,) * 5)
    wanted = write(take, tmp_path / "take.wav")
    assert np.abs(off_cents(calibrate(tmp_path / "take.wav", cv_values=UP), wanted)).max() < 0.3


def test_a_hand_on_a_pot_slides_between_the_steps(tmp_path):
    take = replace(GOOD, glide_s=0.25, hold_s=(0.9,) * 5)
    wanted = write(take, tmp_path / "take.wav")
    assert np.abs(off_cents(calibrate(tmp_path / "take.wav", cv_values=UP), wanted)).max() < 0.1


def test_fine_steps(tmp_path):
    """A thousandth of an octave apart: 12 cents, 100 of the take's noise."""
    volts = tuple(0.01 * i for i in range(8))
    take = replace(GOOD, volts=volts, hold_s=(0.5,) * 8, pitch=octaves(300.0), jitter_cents=0.1)
    wanted = write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="0:0.07:0.01")
    assert np.abs(off_cents(result, wanted)).max() < 0.1


def test_the_same_voltages_later(tmp_path):
    """The recording began before the staircase: the file's times are moved, and that is said."""
    take = replace(GOOD, volts=(0.0, *UP), hold_s=(0.93, *GOOD.hold_s))
    wanted = write(take, tmp_path / "take.wav")[1:]
    rows = "".join(f"{0.6 * i:.3f},{0.6 * (i + 1):.3f},{v}\n" for i, v in enumerate(UP))
    (tmp_path / "steps.csv").write_text(f"start_s,end_s,cv_v\n{rows}")
    result = calibrate(tmp_path / "take.wav", cv_file=tmp_path / "steps.csv")
    assert np.abs(off_cents(result, wanted)).max() < 0.1
    assert result.steps[0].start_s == pytest.approx(0.93, abs=0.02)
    assert any("begins 0.93 s before" in note for note in result.calibration.notes)


def test_times_of_another_take_are_refused(tmp_path):
    write(GOOD, tmp_path / "take.wav")
    edges = [0.0, 0.13, 0.35, 0.41, 1.77, 2.96]
    rows = "".join(f"{a},{b},{v}\n" for a, b, v in zip(edges, edges[1:], (0, 3, 1, 4, 2), strict=False))
    (tmp_path / "steps.csv").write_text(f"start_s,end_s,cv_v\n{rows}")
    with pytest.raises(CaptureError, match="does not change when"):
        calibrate(tmp_path / "take.wav", cv_file=tmp_path / "steps.csv")


def test_a_step_that_does_not_oscillate_is_a_row(tmp_path):
    volts = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)
    take = replace(GOOD, volts=volts, hold_s=(0.6,) * 6, silent=(3,))
    write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=volts)
    assert [step.f0_hz is None for step in result.steps] == [False, False, False, True, False, False]
    assert result.steps[3].start_s == pytest.approx(1.8, abs=0.05)
    assert not result.steps[3].missing
    assert any("does not oscillate" in note for note in result.calibration.notes)


def test_a_step_held_too_short_is_said(tmp_path):
    take = replace(GOOD, hold_s=(0.6, 0.6, 0.15, 0.6, 0.6))
    wanted = write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=UP)
    assert np.abs(off_cents(result, wanted)).max() < 1.0
    assert any("Step 3 (2 V) was held for only 0.1" in note for note in result.calibration.notes)


def test_a_step_missing_from_the_take_is_said(tmp_path):
    volts = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)
    take = replace(GOOD, volts=(0.0, 1.0, 3.0, 4.0, 5.0))
    wanted = write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=volts)
    assert result.steps[2].missing
    assert not result.calibration.whole
    there = [step.f0_hz for step in result.steps if step.f0_hz is not None]
    assert np.abs(cents_between(np.array(there), wanted)).max() < 0.1


def test_steps_still_moving_are_marked(tmp_path):
    take = replace(GOOD, tau_s=0.35)
    write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=UP)
    assert [step.unsettled for step in result.steps] == [False, True, True, True, True]
    assert any("still moving" in line for line in result.advice)


def test_settling_is_timed(tmp_path):
    """One time constant a step: 1200 cents fall to 3 in ln(400) of them."""
    take = replace(GOOD, tau_s=0.05, hold_s=(0.9,) * 5)
    write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=UP)
    for step in result.steps[1:]:
        assert step.settling_s == pytest.approx(0.05 * np.log(400.0), abs=0.03)


def test_hysteresis_of_a_cell(tmp_path):
    volts = (1.0, 2.0, 3.0, 4.0, 5.0, 4.0, 3.0, 2.0, 1.0)
    take = replace(GOOD, volts=volts, hold_s=(1.0,) * 9, pitch=cell(300.0, 0.75, 0.3), tau_s=0.02, memory=0.04)
    wanted = write(take, tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_steps="1:5:1:updown")
    gaps = cents_between(wanted[5:], wanted[3::-1])
    assert result.calibration.law.kind == "free"
    assert result.calibration.law.exponent == pytest.approx(0.75, abs=0.03)
    assert result.calibration.hysteresis.median == pytest.approx(np.median(gaps), rel=0.1)


def test_a_slow_ramp_is_a_table(tmp_path):
    take = replace(GOOD, volts=(0.0, 4.0), hold_s=(0.05, 8.0), glide_s=7.9)
    write(take, tmp_path / "take.wav", cv_volts_per_full_scale=10.0)
    result = calibrate(tmp_path / "take.wav", cv_channel=2, bench=CV)
    assert len(result.steps) > 20
    assert result.calibration.law.octaves_per_volt == pytest.approx(1.0, abs=1e-3)
    assert any("slow ramp" in note for note in result.calibration.notes)
    assert result.calibration.law.rms_error_cents < 1.0


def test_an_ac_coupled_voltage_is_refused(tmp_path):
    import soundfile
    from scipy.signal import butter, lfilter

    write(GOOD, tmp_path / "take.wav", cv_volts_per_full_scale=10.0)
    x, rate = soundfile.read(tmp_path / "take.wav")
    x[:, 1] = lfilter(*butter(1, 5.0, "high", fs=rate), x[:, 1])
    soundfile.write(tmp_path / "take.wav", x, rate, subtype="PCM_24")
    with pytest.raises(CaptureError, match="AC-coupled"):
        calibrate(tmp_path / "take.wav", cv_channel=2, bench=CV)


def test_a_dial_has_no_volts(tmp_path):
    write(GOOD, tmp_path / "take.wav")
    made = calibrate(tmp_path / "take.wav", positions="0:4:1").calibration
    assert made.axis == "positions"
    assert made.law is None
    assert [row.note for row in made.inverse][:2] == ["A1", "A#1"]
    assert made.inverse[12].cv_v == pytest.approx(1.0, abs=2e-3)


def test_repeated_sweeps_make_one_table(tmp_path):
    first = write(GOOD, tmp_path / "one.wav")
    write(replace(GOOD, pitch=octaves(55.0 * 2 ** (2 / 1200)), seed=2), tmp_path / "two.wav")
    result = calibrate(tmp_path / "one.wav", tmp_path / "two.wav", cv_values=UP)
    assert [step.capture for step in result.steps] == [0] * 5 + [1] * 5
    assert off_cents(result, np.tile(first, 2))[5:] == pytest.approx([2.0] * 5, abs=0.05)
    # two values 2 cents apart: a standard deviation of the square root of two, each a cent off the mean
    assert result.calibration.repeatability.median == pytest.approx(np.sqrt(2.0), abs=0.05)
    assert abs(result.calibration.repeatability.worst) == pytest.approx(1.0, abs=0.05)


def test_measured_and_meant_volts_give_both_scales(tmp_path):
    """The source steps 0.9975 V for a volt: 1200 cents a measured volt are 1197 a volt as played."""
    measured = tuple(0.9975 * v for v in UP)
    write(replace(GOOD, volts=measured), tmp_path / "take.wav")
    result = calibrate(tmp_path / "take.wav", cv_values=measured, cv_steps="0:4:1")
    law = result.calibration.law
    assert law.octaves_per_volt == pytest.approx(1.0, abs=2e-4)
    assert law.octaves_per_nominal_volt == pytest.approx(0.9975, abs=2e-4)
    assert any("An octave is 1197.0 cents for each volt as played" in line for line in result.advice)


def test_the_inverse_table_gives_the_notes(tmp_path):
    """Played at the voltages of the table, the build sings the notes: droop and all."""
    pitch = octaves(55.0, 0.992, 4e-6)
    volts = tuple(0.5 * i for i in range(11))
    write(replace(GOOD, volts=volts, hold_s=(0.5,) * 11, pitch=pitch), tmp_path / "take.wav")
    made = calibrate(tmp_path / "take.wav", cv_steps="0:5:0.5").calibration
    assert len(made.inverse) >= 59
    for row in made.inverse:
        assert abs(cents_between(float(pitch(np.array([row.cv_v]))[0]), row.f0_hz)) < 0.2
        assert 0 < row.sigma_v < 0.002


def test_nothing_oscillates(tmp_path):
    import soundfile

    soundfile.write(tmp_path / "take.wav", 1e-5 * np.random.default_rng(1).standard_normal(48000), 48000)
    with pytest.raises(CaptureError, match="nothing oscillates"):
        calibrate(tmp_path / "take.wav", cv_values=UP)
