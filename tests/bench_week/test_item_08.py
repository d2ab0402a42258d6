"""Words at the bench: safe resistance measurements, turns of trimmers alone, one name for one pitch, no idle ranges.

That two tables tell no cause of a drift is held by ``tests/logbook/test_report.py``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import listen
from listen import calibrate
from listen.report import check_document, check_page
from listen.report.calibration_page import calibration_page
from listen.report.page import check_page_bytes
from listen.report.page.axes import number_text
from listen.report.page.calibrate_charts import calibration_charts
from listen.units import format_hz_note, hz_from_cents
from tests.calibration.takes import Stepped, octaves, write
from tests.tones import times

PACKAGE = Path(listen.__file__).parent
TEXTS = sorted(
    [
        *(PACKAGE / "findings" / "kinds").glob("*.toml"),
        PACKAGE / "circuit" / "evidence.toml",
        PACKAGE / "calibration" / "advice.toml",
        PACKAGE / "watch" / "guides.toml",
    ]
)
MEASURED = re.compile(r"\b(measure|compare|check|ohmmeter|in ohms)\b")
OF_RESISTANCE = re.compile(
    r"\b(in ohms|ohmmeter|gangs|resistors|fixed resistor|pot at its ends|cold resistance|capacitors)\b"
)
IN_VOLTS = re.compile(r"voltage|DC |across each")
SAFE = "power off, one end lifted"


def strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from strings(item)
    elif isinstance(value, list):
        for item in value:
            yield from strings(item)


def all_lines() -> list[str]:
    return [line for path in TEXTS for line in strings(tomllib.loads(path.read_text("utf-8")))]


def test_each_resistance_is_measured_with_power_off_and_one_end_lifted() -> None:
    asked = [
        line
        for line in all_lines()
        if MEASURED.search(line) and OF_RESISTANCE.search(line) and not IN_VOLTS.search(line)
    ]
    assert len(asked) >= 12
    assert [line for line in asked if SAFE not in line] == []


def test_only_trimmers_have_a_number_of_turns() -> None:
    number_of = re.compile(r"\b(two|three|count the|\{turns\}|part of a) (or \w+ )?turns?\b")
    counted = [line for line in all_lines() if number_of.search(line)]
    assert counted
    assert [line for line in counted if "trimmer" not in line] == []


def steady(path: Path, f0_hz: float) -> listen.CheckResult:
    t = times(8.0)
    envelope = np.interp(t, [1.0, 1.3], [0.0, 1.0])
    noise = 1e-5 * np.random.default_rng(3).standard_normal(len(t))
    soundfile.write(path, 0.3 * envelope * np.sin(2 * np.pi * f0_hz * t) + noise, 48_000, subtype="PCM_24")
    return listen.check(path, wave="sine")


@pytest.mark.parametrize("f0_hz", [200.0, 440.0])
def test_one_note_is_no_range(tmp_path, f0_hz: float) -> None:
    """A healthy note, and one whose bench file lets its volts and its notes be told."""
    (tmp_path / "bench.toml").write_text(
        '[build]\ntopology = "wien-bridge"\n[build.parts]\nr1_ohm = 10e3\nr2_ohm = 10e3\nc1_f = 10e-9\nc2_f = 10e-9\n'
        "[capture]\nvolts_per_full_scale = 5.0\n"
    )
    result = steady(tmp_path / "note.wav", f0_hz)
    page = re.sub(r"<[^>]*>", " ", check_page_bytes(result).decode())
    for text in (check_page(result).replace("│", " "), page, str(check_document(result))):
        said = " ".join(text.split())
        assert f"{f0_hz:.0f} Hz" in said
        twice = re.search(r"([\d.]+ k?Hz)( \([^)]*\))? to \1", said)
        assert twice is None, twice
        assert not re.search(r"\b([\d.]+) to \1\b", said)


def test_a_pitch_between_two_notes_is_named_with_its_cents() -> None:
    """Nearer than a quarter of a semitone the name will do; beyond, two readings of one pitch show as neighbours."""
    for cents in np.arange(-1200.0, 1200.0, 7.0):
        f_hz = hz_from_cents(float(cents), 440.0)
        off = (cents + 50.0) % 100.0 - 50.0
        name = format_hz_note(f_hz).split("(")[1]
        assert ("cents" in name) == (abs(off) >= 25.0), (cents, name)
        if "cents" in name:
            assert int(name.split()[1]) == round(off)


def test_a_zero_has_no_minus(tmp_path) -> None:
    """An exact table: its errors are nothing, on either side."""
    exact = Stepped(volts=(0.0, 1.0, 2.0, 3.0, 4.0), hold_s=(0.6,) * 5, pitch=octaves(55.0))
    write(exact, tmp_path / "take.wav")
    said = calibration_page(calibrate(tmp_path / "take.wav", cv_steps="0:4:1"))
    assert "+0.0" in said
    assert not re.search(r"-0\.0+(?!\d)", said), said


@pytest.mark.parametrize("cents_an_octave", [1200.0, 1176.0])
def test_charts_of_an_exact_table_have_ticks_of_few_digits(tmp_path, cents_an_octave: float) -> None:
    """Octaves that are alike to a millionth of a cent are a level line, not a scale of millionths."""
    exact = Stepped(
        volts=(0.0, 1.0, 2.0, 3.0, 4.0), hold_s=(0.6,) * 5, pitch=octaves(55.0, 1200.0 / cents_an_octave)
    )  # fmt: skip
    write(exact, tmp_path / "take.wav")
    charts = calibration_charts(calibrate(tmp_path / "take.wav", cv_steps="0:4:1").calibration)
    in_cents = [chart for chart in charts if chart.unit == "cents"]
    assert {chart.name for chart in in_cents} >= {"cv-error", "cv-octaves"}
    for chart in in_cents:
        texts = [number_text(tick) for tick in chart.y_scale.ticks(6)]
        assert len(texts) >= 2
        assert max(len(text.lstrip("\N{MINUS SIGN}")) for text in texts) <= 5, (chart.name, texts)
