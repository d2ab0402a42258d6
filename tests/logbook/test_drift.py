"""The drift of a table: offset apart from span, per note, with honest standard deviations."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from listen.logbook import Drift, compare_tables, drift_history
from tests.logbook.tables import both_ways, entry, octave_a_volt, table


def moved(old: dict[str, Any], new: dict[str, Any], **changes: Any) -> Drift:
    return compare_tables(entry(old, 1), entry(new, 2, days=10.0, **changes))


# Closed forms. Interpolation in the logarithm of pitch adds nothing on a straight line: 1e-6 cents is rounding.


def test_a_shift_of_all_notes_is_offset_alone() -> None:
    drift = moved(table(octave_a_volt()), table(octave_a_volt(6.0)))
    assert drift.offset_cents == pytest.approx(6.0, abs=1e-6)
    assert drift.span_cents_per_octave == pytest.approx(0.0, abs=1e-6)
    assert drift.rest_rms_cents == pytest.approx(0.0, abs=1e-6)
    assert (drift.days, drift.steps, drift.left_out, drift.cause, drift.why_not) == (10.0, 8, 0, "drift", None)
    assert {round(note.drift_cents, 6) for note in drift.notes} == {6.0}


def test_wider_octaves_are_span_and_the_offset_is_that_of_the_middle() -> None:
    """An octave a volt from 55 Hz over 0..7 V: the middle is at 3.5 V, and each octave is 2 cents wider."""
    drift = moved(table(octave_a_volt()), table(octave_a_volt(-1.0, 2.0)))
    assert drift.middle_hz == pytest.approx(55.0 * 2.0**3.5)
    assert drift.offset_cents == pytest.approx(-1.0 + 2.0 * 3.5, abs=1e-6)
    assert drift.span_cents_per_octave == pytest.approx(2.0, abs=1e-6)
    by_note = {note.note: note for note in drift.notes}
    # 55 Hz is A1, an octave a volt.
    for i, name in enumerate(["A1", "A2", "A3", "A4", "A5", "A6", "A7", "A8"]):
        assert by_note[name].control == pytest.approx(float(i), abs=1e-9)
        assert by_note[name].drift_cents == pytest.approx(-1.0 + 2.0 * i, abs=1e-6)
        assert by_note[name].rest_cents == pytest.approx(0.0, abs=1e-6)
    assert len(drift.notes) == 7 * 12 + 1


def test_a_droop_that_is_new_is_rest_and_no_span_of_the_notes_below() -> None:
    """Top flat in proportion to the pitch, 3 cents a kilohertz: no straight line explains it."""

    def drooping(v: float) -> float:
        f0_hz = octave_a_volt()(v)
        return f0_hz * 2.0 ** (-3.0 * f0_hz / 1000.0 / 1200.0)

    drift = moved(table(octave_a_volt()), table(drooping))
    assert drift.rest_rms_cents is not None
    assert drift.rest_rms_cents > 2.0
    top = drift.notes[-1]
    assert top.drift_cents == pytest.approx(-3.0 * 7.04, abs=1e-3)


def test_volts_that_the_meter_read_a_little_differently_are_no_drift() -> None:
    rng = np.random.default_rng(7)
    volts = np.arange(8) + rng.uniform(-0.004, 0.004, 8)
    drift = moved(table(octave_a_volt()), table(octave_a_volt(3.0, -0.5), volts))
    assert drift.steps == 8
    assert drift.offset_cents == pytest.approx(3.0 - 0.5 * 3.5, abs=1e-6)
    assert drift.span_cents_per_octave == pytest.approx(-0.5, abs=1e-6)


def test_other_steps_and_another_range_are_compared_where_they_overlap() -> None:
    new = table(octave_a_volt(4.0), np.arange(2.0, 9.0, 0.5))
    drift = moved(table(octave_a_volt()), new)
    assert drift.steps == 6  # 2 to 7 V
    assert drift.offset_cents == pytest.approx(4.0, abs=1e-6)
    assert (drift.notes[0].note, drift.notes[-1].note) == ("A3", "A8")


def cell(v: float, cents: float = 0.0) -> float:
    """A law that bends: f = 90 (V - 0.6)^0.8."""
    return 90.0 * (v - 0.6) ** 0.8 * 2.0 ** (cents / 1200.0)


def test_a_curve_that_bends_is_followed_exactly_at_the_same_settings() -> None:
    settings = np.arange(1.0, 6.1, 1.0)
    drift = moved(table(cell, settings), table(lambda v: cell(v, 11.0), settings))
    assert max(abs(note.drift_cents - 11.0) for note in drift.notes) < 1e-6
    assert drift.rest_rms_cents == pytest.approx(0.0, abs=1e-6)


def test_a_curve_that_bends_is_followed_at_other_settings() -> None:
    """Between steps of 0.25 V a cubic errs by 0.8 cents at most, 0.13 rms; measured against the law, times 1.5."""
    drift = moved(
        table(cell, np.arange(1.5, 6.1, 0.25)), table(lambda v: cell(v, 11.0), np.arange(1.4, 6.2, 0.25) + 0.06)
    )
    assert drift.steps == 19
    assert max(abs(note.drift_cents - 11.0) for note in drift.notes) < 1.2
    assert drift.offset_cents == pytest.approx(11.0, abs=0.2)


def test_a_pitch_that_falls_with_the_control_is_followed_too() -> None:
    drift = moved(table(lambda v: 3520.0 * 2.0**-v), table(lambda v: 3520.0 * 2.0 ** (-v + 5.0 / 1200.0)))
    assert drift.offset_cents == pytest.approx(5.0, abs=1e-6)
    assert all(a.f0_hz < b.f0_hz and a.control > b.control for a, b in pairwise(drift.notes))


# Directions and repeats


def test_hysteresis_is_no_drift() -> None:
    up, down = octave_a_volt(), octave_a_volt(30.0)
    old = both_ways(table(up), table(down, range(6, -1, -1), direction="down"))
    new = both_ways(table(octave_a_volt(2.0)), table(octave_a_volt(32.0), range(6, -1, -1), direction="down"))
    drift = moved(old, new)
    assert drift.steps == 15
    assert drift.offset_cents == pytest.approx(2.0, abs=1e-6)
    assert drift.rest_rms_cents == pytest.approx(0.0, abs=1e-6)
    only_up = moved(old, table(octave_a_volt(2.0)))
    assert (only_up.steps, round(only_up.offset_cents or 0.0, 6)) == (8, 2.0)


def test_repeats_of_a_step_are_averaged() -> None:
    first, second = table(octave_a_volt(1.0)), table(octave_a_volt(5.0), np.arange(8) + 0.003)
    second["steps"] = [{**step, "f0_hz": octave_a_volt(5.0)(step["cv_v"] - 0.003)} for step in second["steps"]]
    drift = moved(table(octave_a_volt()), both_ways(first, second))
    # The meter read 1.5 mV more in the mean: 1.8 cents of an octave a volt.
    assert drift.offset_cents == pytest.approx(3.0 - 1.2 * 1.5, abs=1e-6)


def test_tables_in_one_direction_each_cannot_be_compared() -> None:
    drift = moved(table(octave_a_volt()), table(octave_a_volt(), direction="down"))
    assert drift.why_not == "one table goes up, the other down"
    assert (drift.offset_cents, drift.notes) == (None, ())


# What cannot be used


def test_steps_that_say_nothing_are_left_out() -> None:
    new = table(octave_a_volt(2.0))
    new["steps"][1]["f0_hz"] = None
    new["steps"][2] = {"cv_v": 2.0, "f0_hz": 900.0, "unsettled": True, "direction": "up"}
    new["steps"][3] = {"cv_v": 3.0, "f0_hz": None, "missing": True, "direction": "up"}
    drift = moved(table(octave_a_volt()), new)
    assert drift.left_out == 3
    assert drift.offset_cents == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        (table(octave_a_volt()), table(octave_a_volt(), axis="positions"), "over volts, the other over positions"),
        (table(octave_a_volt()), table(octave_a_volt(), []), "no step that can be used"),
        (table(octave_a_volt()), {"schema": "listen.calibration/1"}, "no step that can be used"),
        (table(octave_a_volt()), table(octave_a_volt(), [9.0, 10.0]), "share no range"),
        (table(octave_a_volt()), table(octave_a_volt(), [3.0]), "share no range of the control with two steps"),
    ],
)
def test_what_cannot_be_compared_says_why(old: dict[str, Any], new: dict[str, Any], why: str) -> None:
    drift = moved(old, new)
    assert drift.why_not is not None
    assert why in drift.why_not
    assert (drift.offset_cents, drift.span_cents_per_octave, drift.notes) == (None, None, ())


def test_one_step_in_common_tells_the_offset_alone() -> None:
    drift = moved(table(octave_a_volt(), [3.0]), table(octave_a_volt(2.5)))
    assert (drift.steps, drift.span_cents_per_octave, drift.rest_rms_cents) == (1, None, None)
    assert drift.offset_cents == pytest.approx(2.5, abs=1e-6)
    assert drift.offset_sigma_cents == pytest.approx(math.hypot(0.05, 0.05))


def test_two_steps_have_no_rest_and_their_stated_uncertainty() -> None:
    drift = moved(table(octave_a_volt(), [2.0, 3.0]), table(octave_a_volt(1.0, 1.0), [2.0, 3.0]))
    assert drift.rest_rms_cents is None
    # Two points, 0.05 cents each in both tables, an octave apart: sqrt(2 * (0.05^2 + 0.05^2)) for the slope.
    assert drift.span_sigma_cents_per_octave == pytest.approx(0.1)
    assert drift.offset_sigma_cents == pytest.approx(0.05)
    silent = moved(table(octave_a_volt(), [2.0, 3.0], sigma_cents=None), table(octave_a_volt(), [2.0, 3.0]))
    assert (silent.offset_sigma_cents, silent.span_sigma_cents_per_octave) == (None, None)


# Standard deviations


@pytest.mark.parametrize("stated", [None, 0.001, 1.0])
def test_standard_deviations_cover_as_often_as_they_claim(stated: float | None) -> None:
    """200 pairs of tables of eight steps that scatter by 1 cent: 68 % within one sigma, 95 % within two.

    With six degrees of freedom the scatter's own estimate is a Student's t: 63.5 % and 90.8 % (tables of the t
    distribution, 6 degrees). Counts of 200 draws vary by 3.4 and 2.0 %: two and a half of these are allowed.
    """
    offsets, spans = [], []
    for seed in range(200):
        old = table(octave_a_volt(), scatter_cents=1.0, sigma_cents=stated, seed=2 * seed)
        new = table(octave_a_volt(5.0, 1.0), scatter_cents=1.0, sigma_cents=stated, seed=2 * seed + 1)
        drift = moved(old, new)
        middle = math.log2((drift.middle_hz or 0.0) / 55.0)
        offsets.append((drift.offset_cents - 5.0 - middle) / drift.offset_sigma_cents)  # type: ignore[operator]
        spans.append((drift.span_cents_per_octave - 1.0) / drift.span_sigma_cents_per_octave)  # type: ignore[operator]
    for errors in (offsets, spans):
        within = [float(np.mean(np.abs(errors) < k)) for k in (1.0, 2.0)]
        # With the right stated values the larger of the two estimates is used: it covers a little more.
        low, high = ((0.635, 0.908), (0.72, 0.97)) if stated != 1.0 else ((0.683, 0.954), (0.80, 0.99))
        assert low[0] - 0.085 < within[0] < high[0] + 0.085, within
        assert low[1] - 0.05 < within[1] <= high[1] + 0.03, within


# Which is compared with which


def test_a_table_is_held_against_the_last_that_was_left() -> None:
    laws = [
        (0.0, None),
        (5.0, None),
        (9.0, "as-found"),
        (1.0, "as-left"),
        (4.0, "as-found"),
        (6.0, None),
        (0.0, "as-left"),
    ]
    entries = [
        entry(table(octave_a_volt(cents)), i + 1, days=30.0 * i, state=state) for i, (cents, state) in enumerate(laws)
    ]
    found = [
        (d.entry.number, d.against.number, d.cause, round(d.offset_cents or 0.0, 6)) for d in drift_history(entries)
    ]
    assert found == [
        (2, 1, "drift", 5.0),
        (3, 1, "drift", 9.0),
        (4, 3, "trim", -8.0),
        (5, 4, "drift", 3.0),
        (6, 4, "drift", 5.0),
        (7, 6, "trim", -6.0),
    ]


def test_notes_checks_and_struck_tables_are_passed_over() -> None:
    entries = [
        entry(table(octave_a_volt()), 1),
        entry(None, 2),
        entry(table(octave_a_volt(500.0)), 3, struck=entry(None).measured, struck_why="another board"),
        entry(table(octave_a_volt(1.0)), 4),
    ]
    assert [(d.entry.number, d.against.number) for d in drift_history(entries)] == [(4, 1)]
    assert drift_history(entries[:1]) == ()
    assert drift_history([]) == ()


# A source outside the project


def test_a_bare_junction_is_told_as_span_from_its_pivot() -> None:
    """A converter whose current is exp(V s / (k T / q)) without compensation, at 20 and at 30 degrees C.

    The thermal voltage k T / q with k = 1.380649e-23 J/K and q = 1.602176634e-19 C (the SI of 2019, exact). The law
    gives a change of span of 1200 (T1 / T2 - 1) cents an octave, whatever the scale and the pivot.
    """
    k, q = 1.380649e-23, 1.602176634e-19
    cold_k, warm_k = 293.15, 303.15
    pivot_v, pivot_hz = 2.0, 220.0
    scale = math.log(2.0) * k * cold_k / q  # one octave a volt when cold

    def pitch(temperature_k: float) -> Any:
        return lambda v: pivot_hz * math.exp((v - pivot_v) * scale / (k * temperature_k / q))

    drift = compare_tables(
        entry(table(pitch(cold_k)), 1, temperature_c=20.0), entry(table(pitch(warm_k)), 2, temperature_c=30.0)
    )
    assert drift.temperature_change_c == pytest.approx(10.0)
    assert drift.span_cents_per_octave == pytest.approx(1200.0 * (cold_k / warm_k - 1.0), abs=1e-6)
    by_note = {note.note: note.drift_cents for note in drift.notes}
    assert by_note["A3"] == pytest.approx(0.0, abs=1e-6)  # the pivot
    assert by_note["A5"] == pytest.approx(2.0 * 1200.0 * (cold_k / warm_k - 1.0), abs=1e-6)
