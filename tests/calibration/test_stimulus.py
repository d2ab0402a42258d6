"""The staircase to play comes back as a table by itself."""

from __future__ import annotations

import csv

import numpy as np
import pytest
import soundfile

from listen.api.calibrating import calibrate
from listen.api.stimulating import stimulus
from listen.bench import Bench, CvSettings
from listen.calibration.marker import find_marker, marker_s
from listen.calibration.plateaus import Trace
from listen.calibration.stimulus import make_stimulus
from listen.calibration.voltage_input import parse_steps, read_steps_file
from listen.errors import OptionError
from tests.calibration.takes import RATE_HZ, cell, followed, hertz, octaves, tone

CV = Bench(cv=CvSettings(volts_per_full_scale=10.0))
GAIN, OFFSET_V, CLOCK = 1.02, 0.035, 20e-6


def played(path, pitch, tau_s, lead_s, seed) -> None:
    """What a recorder hears of it: the output's gain and offset, a clock 20 ppm apart, noise, a lead-in."""
    x, _ = soundfile.read(path)
    volts = 10.0 * x * GAIN + OFFSET_V
    place = np.arange(int(len(volts) / (1.0 + CLOCK))) * (1.0 + CLOCK)
    volts = np.interp(place, np.arange(len(volts)), volts)
    volts = np.concatenate([np.full(round(lead_s * RATE_HZ), volts[0]), volts])
    rng = np.random.default_rng(seed)
    audio = 0.3 * tone(pitch(followed(volts, tau_s)), "sine") + 1e-4 * rng.standard_normal(len(volts))
    cv = (volts + 1e-3 * rng.standard_normal(len(volts))) / 12.0
    soundfile.write(path.with_name("take.wav"), np.column_stack([audio, cv]), RATE_HZ, subtype="PCM_24")


@pytest.mark.parametrize(
    ("pitch", "tau_s", "lead_s"),
    [
        (octaves(55.0), 0.0, 0.8), (octaves(40.0, 0.98, 2e-6), 0.0, 2.33),
        (hertz(200.0, -0.2), 0.0, 3.1), (cell(300.0, 0.75, -0.6), 0.05, 0.41),
    ],
    ids=["octaves", "droop", "hertz", "cell"],
)  # fmt: skip
def test_played_and_recorded_it_is_aligned_with_no_help(tmp_path, pitch, tau_s, lead_s):
    wav = tmp_path / "stairs.wav"
    made, steps_file = stimulus(wav, cv_steps="0:4:1:updown", dwell_s=0.8, bench=CV)
    played(wav, pitch, tau_s, lead_s, 3)
    volts = np.array([row[2] for row in made.rows])
    wanted = pitch(volts * GAIN + OFFSET_V)
    for given in (
        {"cv_file": steps_file},
        {"cv_steps": "0:4:1:updown"},
        {"cv_channel": 2, "bench": Bench(cv=CvSettings(volts_per_full_scale=12.0))},
    ):
        result = calibrate(tmp_path / "take.wav", **given)
        assert len(result.steps) == 9
        off = [1200 * np.log2(step.f0_hz / f) for step, f in zip(result.steps, wanted, strict=True)]
        assert np.abs(off).max() < (0.3 if not tau_s else 1.0)
        # the recorder's times: the lead-in, and 20 ppm
        assert result.steps[0].start_s == pytest.approx(lead_s + made.rows[0][0], abs=0.05)
        if "cv_channel" in given:
            assert [step.cv_v for step in result.steps] == pytest.approx(volts * GAIN + OFFSET_V, abs=2e-3)
        assert any("start marker was found" in note for note in result.calibration.notes)


def test_the_steps_file_says_what_the_samples_hold(tmp_path):
    made, steps_file = stimulus(tmp_path / "s.wav", cv_steps="-1:2:0.5:down", dwell_s=0.5, bench=CV)
    x, rate = soundfile.read(tmp_path / "s.wav")
    rows = list(csv.DictReader(steps_file.read_text().splitlines()))
    assert [float(row["cv_v"]) for row in rows] == list(parse_steps("-1:2:0.5:down").values)
    for row in rows:
        a, b = round(float(row["start_s"]) * rate), round(float(row["end_s"]) * rate)
        # the slope of a millisecond apart, each sample is the voltage, to a 24-bit code
        assert np.abs(10.0 * x[a + 60 : b - 1] - float(row["cv_v"])).max() < 10.0 * 2.0**-23
    assert read_steps_file(steps_file).values == tuple(row[2] for row in made.rows)
    assert float(np.abs(np.diff(x)).max()) * 10.0 < 3.0 / 40.0  # no edge is steeper than its slope


def test_an_output_with_an_offset(tmp_path):
    bench = Bench(cv=CvSettings(volts_per_full_scale=5.0, offset_v=5.0))
    made, _ = stimulus(tmp_path / "s.wav", cv_values="0.1,9.9", bench=bench)
    assert made.samples[0] == pytest.approx((0.1 - 5.0) / 5.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cv_steps": "0:12:1"}, "12 V is beyond the output"),
        ({"dwell_s": 0.05}, "too short"),
        ({"dwell_s": 100.0}, "too long"),
        ({"bench": None}, "volts of the output's full scale are not known"),
        ({"cv_steps": None}, "no voltages are given"),
        ({"cv_values": "1,2"}, "both give the voltages"),
        ({"sample_rate_hz": 47999}, "no usual rate"),
        ({"cv_steps": "0:0.3:0.1"}, "too little for a start marker"),
    ],
)
def test_what_cannot_be_played_is_refused(tmp_path, change, words):
    with pytest.raises(OptionError, match=words):
        stimulus(tmp_path / "s.wav", **{"cv_steps": "0:5:1", "bench": CV, **change})
    assert list(tmp_path.iterdir()) == []


def test_a_staircase_alone_has_no_marker():
    made = make_stimulus(parse_steps("0:5:1:updown"), dwell_s=0.4, volts_per_full_scale=10.0, marker=False)
    time_s = np.arange(0.0, made.duration_s, 0.01)
    volts = made.samples[(time_s * RATE_HZ).astype(int)] * 10.0
    assert find_marker(Trace(time_s=time_s, value=1200.0 * volts)) is None


def test_the_marker_is_found_to_a_grid_point():
    made = make_stimulus(parse_steps("0:5:1"), dwell_s=0.4, volts_per_full_scale=10.0)
    time_s = np.arange(0.0, made.duration_s, 0.01) + 0.005
    volts = made.samples[(time_s * RATE_HZ).astype(int)] * 10.0
    assert find_marker(Trace(time_s=time_s, value=1200.0 * volts)) == pytest.approx(1.0 + marker_s(), abs=0.011)
