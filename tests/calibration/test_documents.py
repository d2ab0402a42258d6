"""The document, the tables as CSV and the page of a calibration."""

from __future__ import annotations

import copy
import csv
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from listen.api.calibrating import CalibrationResult
from listen.calibration import TableSettings, TakeFacts, Trimming, calibration_of
from listen.cli import main
from listen.report.calibration_document import (
    STEP_COLUMNS,
    calibration_document,
    calibration_schema,
    inverse_csv,
    steps_csv,
)
from listen.report.calibration_page import calibration_page
from listen.report.paper import Paper
from tests.calibration.takes import Stepped, octaves, write
from tests.calibration.test_trimming import VOLTS, steps, table
from tests.helpers import PlainCapture


def result_of(made) -> CalibrationResult:
    capture = PlainCapture(channels=1)
    return CalibrationResult(
        captures=(capture,), benches=(None,), calibration=made, voltage_source="--cv-values", law_asked="auto"
    )


@pytest.fixture
def full() -> CalibrationResult:
    """A table with everything in it: droop, a turn, a missing step, both directions."""
    before = tuple(zip(VOLTS, table(0.99, 2.0, 4e-6), strict=True))
    up = steps(table(0.995, 2.0, 4e-6))
    down = [replace(step, direction="down", f0_hz=step.f0_hz * 1.002) for step in up[-2::-1]]
    silent = replace(up[0], cv_v=5.5, f0_hz=None, f0_sigma_cents=None, settling_s=None)
    gone = replace(silent, missing=True, start_s=None, end_s=None, cv_v=6.0)
    return result_of(
        calibration_of(
            [*up, *down, silent, gone],
            TableSettings(trimming=Trimming(before=before, turned=0.5)),
            TakeFacts(notes=("a note",)),
        )
    )


def test_it_holds_to_its_schema(full):
    document = calibration_document(full)
    jsonschema.Draft202012Validator.check_schema(calibration_schema())
    jsonschema.validate(document, calibration_schema())
    json.dumps(document, allow_nan=False)


def test_a_dial_holds_to_it_too():
    made = calibration_of(steps(table(1.0, 0.0)), TableSettings(axis="positions"))
    jsonschema.validate(calibration_document(result_of(made)), calibration_schema())


def test_each_required_key_is_required(full):
    document = calibration_document(full)
    for key in list(document):
        short = {name: value for name, value in document.items() if name != key}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(short, calibration_schema())
    for part in ("law", "hysteresis_cents", "error_split", "trim"):
        for key in document[part]:
            short = copy.deepcopy(document)
            del short[part][key]
            with pytest.raises(jsonschema.ValidationError):
                jsonschema.validate(short, calibration_schema())


def test_empty_steps_are_empty(full):
    rows = list(csv.DictReader(steps_csv(full.calibration).splitlines()))
    assert len(rows) == len(full.steps)
    assert tuple(rows[0]) == STEP_COLUMNS
    assert (rows[-2]["f0_hz"], rows[-2]["missing"]) == ("", "0")
    assert (rows[-1]["f0_hz"], rows[-1]["missing"]) == ("", "1")
    assert float(rows[3]["cv_v"]) == 1.5
    assert float(rows[3]["f0_hz"]) == pytest.approx(full.steps[3].f0_hz, rel=1e-8)


def test_the_inverse_table_as_csv(full):
    rows = list(csv.DictReader(inverse_csv(full.calibration).splitlines()))
    assert [row["note"] for row in rows[:2]] == ["A1", "A#1"] or len(rows) > 50
    volts = [float(row["cv_v"]) for row in rows]
    assert volts == sorted(volts)


@pytest.mark.parametrize("width", [56, 80])
def test_the_page_fits(full, width):
    page = calibration_page(full, Paper(width=width))
    assert max(map(len, page.splitlines())) <= width
    for words in ("table", "law", "advice", "noticed", "up, down", "missing", "does not oscillate"):
        assert words in page
    assert page.encode("utf-8")
    assert calibration_page(full, Paper(ascii_only=True)).isascii()


def test_the_command_writes_all_of_it(tmp_path, capsys):
    take = Stepped(volts=(0.0, 1.0, 2.0, 3.0), hold_s=(0.5,) * 4, pitch=octaves(110.0, 0.99))
    write(take, tmp_path / "take.wav")
    call = ["calibrate", str(tmp_path / "take.wav"), "--cv-steps", "0:3:1"]
    outputs = [f"--{name}={tmp_path / name}" for name in ("json", "csv", "inverse")]
    assert main([*call, *outputs]) == 0
    assert "The scale is narrow" in capsys.readouterr().out
    document = json.loads(Path(tmp_path / "json").read_text())
    jsonschema.validate(document, calibration_schema())
    assert document["law"]["octaves_per_volt"] == pytest.approx(0.99, abs=2e-4)
    assert [step["note"] for step in document["steps"]] == ["A2", "A3", "A4", "A5"]
    # the scale trimmer is turned, and the two tables are compared
    write(replace(take, pitch=octaves(110.0, 0.995)), tmp_path / "take.wav")
    assert main([*call, "--before", str(tmp_path / "json"), "--turned", "0.5", "--json", "-"]) == 0
    trim = json.loads(capsys.readouterr().out)["trim"]
    assert trim["turns_left"] == pytest.approx(0.5, rel=0.05)
    assert trim["pivot_v"] == pytest.approx(0.0, abs=0.1)


def test_a_missing_step_is_status_1(tmp_path):
    take = Stepped(volts=(0.0, 1.0, 3.0, 4.0, 5.0), hold_s=(0.5,) * 5, pitch=octaves(55.0))
    write(take, tmp_path / "take.wav")
    assert main(["calibrate", str(tmp_path / "take.wav"), "--cv-steps", "0:5:1", "--quiet"]) == 1


def test_the_library_gives_numbers(tmp_path):
    import listen

    take = Stepped(volts=(0.0, 1.0, 2.0), hold_s=(0.5,) * 3, pitch=octaves(110.0))
    wanted = write(take, tmp_path / "take.wav")
    result = listen.calibrate(tmp_path / "take.wav", cv_values=[0, 1, 2])
    assert np.array([step.f0_hz for step in result.steps]) == pytest.approx(wanted, rel=1e-5)
    assert "Volt per octave" in str(result)
    assert "3 steps" in repr(result)


def test_tables_with_decimal_commas(full, tmp_path):
    for write_csv in (steps_csv, inverse_csv):
        point, comma = write_csv(full.calibration), write_csv(full.calibration, "comma")
        rows = [list(csv.reader(text.splitlines(), delimiter=mark)) for text, mark in ((point, ","), (comma, ";"))]
        assert rows[0][0] == rows[1][0]
        assert [[cell.replace(",", ".") for cell in row] for row in rows[1]] == rows[0]
        assert any("," in cell for cell in rows[1][2])
    take = Stepped(volts=(0.0, 1.0, 2.0, 3.0), hold_s=(0.5,) * 4, pitch=octaves(110.0))
    write(take, tmp_path / "take.wav")
    call = ["calibrate", str(tmp_path / "take.wav"), "--cv-steps", "0:3:1", "--quiet", "--decimal", "comma"]
    assert main([*call, "--csv", str(tmp_path / "t.csv"), "--inverse", str(tmp_path / "i.csv")]) == 0
    for name in ("t.csv", "i.csv"):
        text = (tmp_path / name).read_text()
        assert ";" in text
        assert "." not in text
    # what was written is read again, too
    assert main([*call[:2], "--cv-file", str(tmp_path / "t.csv"), "--quiet"]) == 0
