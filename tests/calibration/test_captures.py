"""Calibration captures of simulated circuits and a real instrument, against their truth (skipped where absent)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from listen.api.calibrating import CalibrationResult, calibrate
from listen.bench import Bench, CvSettings

SHARED = Path(__file__).resolve().parents[3] / "shared"
CV = Bench(cv=CvSettings(volts_per_full_scale=10.0))

pytestmark = pytest.mark.skipif(not SHARED.is_dir(), reason="the shared captures are not here")


def truth(name: str) -> dict:
    return json.loads((SHARED / "captures" / f"{name}.truth.json").read_text())["calibration"]


def capture(name: str) -> Path:
    return SHARED / "captures" / f"{name}.wav"


def off_cents(result: CalibrationResult, wanted: dict) -> np.ndarray:
    assert len(result.steps) == len(wanted["steps"])
    for step, row in zip(result.steps, wanted["steps"], strict=True):
        assert step.cv_v == pytest.approx(row["cv_v"], abs=1e-3)
        assert step.direction == row["direction"]
        assert step.start_s == pytest.approx(row["start_s"], abs=0.03)
    return np.array(
        [1200 * np.log2(s.f0_hz / row["f0_hz"]) for s, row in zip(result.steps, wanted["steps"], strict=True)]
    )


@pytest.fixture(scope="module")
def sawtooth() -> CalibrationResult:
    return calibrate(capture("saw_expo_cv"), cv_channel=2, bench=CV, wave="sawtooth")


@pytest.fixture(scope="module")
def cell() -> CalibrationResult:
    return calibrate(capture("ldr_cv_steps"), cv_channel=2, bench=CV)


@pytest.mark.parametrize("how", ["file", "values", "steps"])
def test_a_triangle_core(how):
    given = {
        "file": {"cv_file": SHARED / "captures" / "triangle_cal.cv.csv"},
        "values": {"cv_values": [0, 1, 2, 3, 4, 5]},
        "steps": {"cv_steps": "0:5:1"},
    }[how]
    result = calibrate(capture("triangle_cal"), **given)
    wanted = truth("triangle_cal")
    assert np.abs(off_cents(result, wanted)).max() < 0.3
    law = result.calibration.law
    assert law.kind == "volt-per-octave"
    assert law.octaves_per_volt == pytest.approx(wanted["law"]["octaves_per_volt_low_part"], rel=1e-3)
    assert law.octaves_per_volt == pytest.approx(wanted["law"]["octaves_per_volt"], rel=1e-3)
    assert result.calibration.whole


def test_a_sawtooth_core_flat_at_the_top(sawtooth):
    wanted = truth("saw_expo_cv")
    assert np.abs(off_cents(sawtooth, wanted)).max() < 0.3
    law = sawtooth.calibration.law
    assert law.kind == "volt-per-octave"
    assert law.octaves_per_volt == pytest.approx(wanted["law"]["octaves_per_volt_low_part"], rel=1e-3)
    assert law.worst_at_v == pytest.approx(5.5, abs=1e-3)
    assert any("Flat at the top" in line for line in sawtooth.advice)


def test_a_sawtooth_core_has_no_hysteresis(sawtooth):
    gap = sawtooth.calibration.hysteresis
    assert abs(gap.median) < 0.1
    assert abs(gap.worst) < 0.3


def test_cells_lit_by_one_led(cell):
    wanted = truth("ldr_cv_steps")
    assert np.abs(off_cents(cell, wanted)).max() < 3.0
    law = cell.calibration.law
    assert law.kind == "free"
    assert law.octaves_per_volt == pytest.approx(wanted["law"]["octaves_per_volt"], rel=1e-3)
    assert law.exponent == pytest.approx(0.75, abs=0.03)  # R goes as the light to the power -0.75


def test_cells_remember_where_they_came_from(cell):
    gaps = truth("ldr_cv_steps")["hysteresis_cents"]
    gap = cell.calibration.hysteresis
    assert gap.median == pytest.approx(np.median(list(gaps.values())), rel=0.2)
    assert gap.worst == pytest.approx(max(gaps.values()), rel=0.2)
    assert any("remembers" in line for line in cell.advice)


def test_cells_settle_as_the_truth_says(cell):
    for step, row in zip(cell.steps, truth("ldr_cv_steps")["steps"], strict=True):
        # against the last third, not the last two fifths: the memory creeps on by about a cent between the two
        assert step.settling_s == pytest.approx(row["settle_to_3_cents_s"], abs=0.15)


def test_an_organ_of_frequency_dividers():
    """42 keys as a twelfth of a volt each, with silences between them; the reference's own trust is 0.1 cents."""
    rows = [line.split("|") for line in (SHARED / "real" / "README.md").read_text().splitlines()]
    wanted = [float(row[4]) for row in rows if len(row) == 7 and row[1].strip().isdecimal()]
    assert len(wanted) == 42
    values = ",".join(f"{i / 12:.6f}" for i in range(42))
    result = calibrate(SHARED / "real" / "dev-06.wav", cv_values=values)
    off = np.array([1200 * np.log2(s.f0_hz / f) for s, f in zip(result.steps, wanted, strict=True)])
    assert np.abs(off).max() < 0.3
    law = result.calibration.law
    assert law.kind == "volt-per-octave"
    assert law.octaves_per_volt == pytest.approx(1.0, abs=2e-4)
    # the tuning errors come again in every octave
    errors = np.array([step.error_cents for step in result.steps])
    assert np.abs(errors[12:24] - errors[:12]).max() < 0.3
    assert [one.width_cents for one in result.calibration.intervals] == pytest.approx([1200.0] * 3, abs=0.2)
