"""Conversions against printed tables, their inverses, and what has no value."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listen import units

REPO = Path(__file__).resolve().parents[1]

POSITIVE = st.floats(1e-6, 1e6)

# Rounding: a logarithm and a power, each within an ulp, times the slope.
EXACT = 1e-12


# Inverses, and arrays like numbers


@given(POSITIVE)
def test_levels_there_and_back(x):
    assert units.ratio_from_db(units.db_from_ratio(x)) == pytest.approx(x, rel=EXACT)
    assert units.power_ratio_from_db(units.db_from_power_ratio(x)) == pytest.approx(x, rel=EXACT)
    assert units.percent_from_db(units.db_from_percent(x)) == pytest.approx(x, rel=EXACT)


@given(st.floats(-12000, 12000), st.floats(1.0, 20e3))
def test_cents_there_and_back(cents, reference_hz):
    assert units.cents_between(units.hz_from_cents(cents, reference_hz), reference_hz) == pytest.approx(cents, abs=1e-9)


@pytest.mark.parametrize(
    "function",
    [
        units.db_from_ratio,
        units.ratio_from_db,
        units.db_from_power_ratio,
        units.power_ratio_from_db,
        units.dbfs_from_rms,
        units.db_from_percent,
        units.percent_from_db,
        lambda v: units.cents_between(v, 440.0),
        lambda v: units.hz_from_cents(v, 440.0),
        units.third_index,
    ],
)
def test_arrays_give_what_numbers_give(function):
    values = np.array([[0.001, 0.5, 1.0], [2.0, 17.3, 440.0]])
    result = function(values)
    assert result.shape == values.shape
    for one, many in zip(values.ravel().tolist(), result.ravel().tolist(), strict=True):
        assert function(one) == pytest.approx(many, rel=1e-14, abs=1e-300)
        assert isinstance(function(one), (int, float))


def test_more_than_any_float_is_infinite():
    """A damaged document may hold a level of 1e5 dB."""
    assert units.percent_from_db(1e5) == math.inf
    np.testing.assert_array_equal(units.percent_from_db(np.array([1e5, 0.0])), [np.inf, 100.0])


def test_numpy_numbers_give_numbers():
    assert isinstance(units.db_from_ratio(np.float64(2.0)), float)
    assert units.db_from_ratio(np.float32(2.0)) == pytest.approx(6.0206, abs=1e-4)


# What has no value


@pytest.mark.parametrize(
    "function", [units.db_from_ratio, units.db_from_power_ratio, units.dbfs_from_rms, units.db_from_percent]
)
def test_the_level_of_nothing(function):
    assert function(0.0) == -math.inf
    assert math.isnan(function(-1.0))
    assert math.isnan(function(math.nan))
    np.testing.assert_array_equal(function(np.array([0.0, -1.0, np.nan])), [-np.inf, np.nan, np.nan])


def test_no_pitch_has_no_note():
    for f0_hz in (0.0, -1.0, math.nan, math.inf):
        assert units.note_name(f0_hz) == ""
        assert math.isnan(units.cents_off_note(f0_hz))
    assert math.isnan(units.cents_between(440.0, 0.0))


# Levels


@pytest.mark.parametrize(("rms", "dbfs"), [(1 / math.sqrt(2), 0.0), (1.0, 3.0103), (1 / math.sqrt(3), -1.7609)])
def test_full_scale_sine_square_and_triangle(rms, dbfs):
    """AES17: a full-scale sine is 0 dBFS; its full-scale square is then 3.01 dB, a triangle -1.76 dB (4 digits)."""
    assert units.dbfs_from_rms(rms) == pytest.approx(dbfs, abs=5e-5)


@pytest.mark.parametrize(("percent", "db"), [(100, 0), (10, -20), (1, -40), (0.1, -60), (3.1623, -30), (0.31623, -50)])
def test_per_cent_and_decibels(percent, db):
    assert units.db_from_percent(percent) == pytest.approx(db, abs=1e-4)
    assert units.percent_from_db(db) == pytest.approx(percent, rel=1e-4)


# Notes


@pytest.mark.parametrize(
    ("name", "f0_hz"),
    [
        ("A0", 27.500), ("E2", 82.407), ("C3", 130.81), ("G3", 196.00), ("C4", 261.63), ("A4", 440.0),
        ("C#5", 554.37), ("G#5", 830.61), ("C6", 1046.5), ("F#7", 2960.0), ("C8", 4186.0),
    ],
)  # fmt: skip
def test_notes_of_the_keyboard(name, f0_hz):
    """Equal temperament on A4 = 440 Hz (ISO 16); the usual printed table of piano keys, five digits, from memory."""
    assert units.note_name(f0_hz) == name
    assert units.cents_off_note(f0_hz) == pytest.approx(0.0, abs=0.1)
    assert units.hz_from_note(name) == pytest.approx(f0_hz, rel=4e-5)


def test_notes_agree_with_librosa():
    """librosa.hz_to_note, an independent implementation."""
    import librosa

    for f0_hz in np.geomspace(20.0, 15000.0, 200).tolist():
        assert units.note_name(f0_hz) == librosa.hz_to_note(f0_hz, unicode=False)
        assert units.hz_from_note(units.note_name(f0_hz)) == pytest.approx(librosa.note_to_hz(units.note_name(f0_hz)))


@given(st.floats(1.0, 20e3))
def test_a_pitch_is_its_note_and_the_cents_off_it(f0_hz):
    cents = units.cents_off_note(f0_hz)
    assert -50.0 - 1e-9 <= cents <= 50.0 + 1e-9
    assert units.hz_from_cents(cents, units.hz_from_note(units.note_name(f0_hz))) == pytest.approx(f0_hz, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "same"), [("Bb3", "A#3"), ("cb4", "B3"), ("B#3", "C4"), ("F##4", "G4"), ("C-1", "C-1")]
)
def test_spellings(name, same):
    assert units.hz_from_note(name) == units.hz_from_note(same)


@pytest.mark.parametrize("name", ["", "H4", "A", "4", "A4.5", "A#", "A 4", "440", "A--1"])
def test_what_is_no_note(name):
    with pytest.raises(ValueError, match="not a note"):
        units.hz_from_note(name)


# Thirds of an octave


NOMINALS = [
    16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
    1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
]  # fmt: skip


@pytest.mark.parametrize("nominal_hz", NOMINALS)
def test_thirds_of_an_octave(nominal_hz):
    """ISO 266, preferred frequencies; base ten, so that every tenth is a power of ten."""
    index = units.third_index(float(nominal_hz))
    assert units.third_nominal_hz(index) == nominal_hz
    low, high = units.third_edges_hz(index)
    centre = units.third_centre_hz(index)
    # The nominal is the centre rounded: within 1.5 % (31.5 for 31.62, 8000 for 7943).
    assert centre == pytest.approx(nominal_hz, rel=0.015)
    assert centre == pytest.approx(math.sqrt(low * high), rel=EXACT)
    assert high / low == pytest.approx(10**0.1, rel=EXACT)
    assert high == units.third_edges_hz(index + 1)[0]


@given(st.floats(1.0, 100e3))
def test_every_frequency_is_within_its_third(f_hz):
    low, high = units.third_edges_hz(units.third_index(f_hz))
    assert low * (1 - 1e-12) <= f_hz <= high * (1 + 1e-12)


# Words


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (units.format_hz(16.352), "16.4 Hz"),
        (units.format_hz(99.96), "100 Hz"),
        (units.format_hz(999.4), "999 Hz"),
        (units.format_hz(999.6), "1.00 kHz"),
        (units.format_hz(12345.0), "12.3 kHz"),
        (units.format_hz(440.123, 5), "440.12 Hz"),
        (units.format_hz(math.nan), "no pitch"),
        (units.format_hz_note(440.0), "440 Hz (A4)"),
        (units.format_seconds(0.0), "0 ms"),
        (units.format_seconds(0.00004), "0.04 ms"),
        (units.format_seconds(0.0996), "0.10 s"),
        (units.format_seconds(9.96), "10 s"),
        (units.format_seconds(59.6), "1 min 00 s"),
        (units.format_seconds(3600.0), "1 h 00 min"),
        (units.format_seconds(math.nan), "unknown time"),
        (units.format_percent(0.0), "0 %"),
        (units.format_percent(0.996), "1.0 %"),
        (units.format_percent(99.6), "100 %"),
        (units.format_percent(math.nan), "not measurable"),
        (units.format_db(-0.04), "0.0 dB"),
        (units.format_db(-math.inf, "dBFS"), "-inf dBFS"),
        (units.format_db(math.nan), "not measurable"),
    ],
)
def test_quantities_as_a_person_reads_them(text, expected):
    assert text == expected


def test_units_and_errors_start_without_numpy():
    code = "import sys, listen.units, listen.errors, listen.bench; sys.exit('numpy' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=REPO)
