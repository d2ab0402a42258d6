"""Plateaus to voltages: in order, and nothing passed over in silence."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.calibration.matching import match, smooth_law_rms_cents
from listen.calibration.plateaus import Plateau
from listen.calibration.voltage_input import VoltageInput
from listen.errors import CaptureError


def plateaus(hz: list[float], hold_s: float = 1.0) -> list[Plateau]:
    return [Plateau(start_s=i * hold_s, end_s=(i + 1) * hold_s, level=1200.0 * np.log2(f)) for i, f in enumerate(hz)]


def octave(volts: list[float], f0_hz: float = 55.0) -> list[float]:
    return [f0_hz * 2.0**v for v in volts]


def volts_of(*values: float) -> VoltageInput:
    return VoltageInput(values=values, source="--cv-values")


def levels(matched) -> list[float | None]:
    return [None if p is None else round(2.0 ** (p.level / 1200.0), 3) for p in matched.plateaus]


def test_as_many_as_there_are_voltages_are_taken_in_order():
    volts = [0.0, 1.0, 2.0, 3.0]
    matched = match([plateaus(octave(volts))], [], volts_of(*volts), "take")
    assert levels(matched) == octave(volts)
    assert matched.notes == ()


@pytest.mark.parametrize("gone", [1, 2, 3, 4])
def test_a_step_missing_inside_is_said(gone):
    volts = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    hz = octave(volts)
    matched = match([plateaus(hz[:gone] + hz[gone + 1 :])], [], volts_of(*volts), "take")
    assert matched.plateaus[gone] is None
    assert levels(matched)[:gone] == hz[:gone]
    assert any(f"Step {gone + 1} ({gone} V) is missing" in note for note in matched.notes)


def test_a_step_missing_at_an_end_cannot_be_told_from_one_at_the_other():
    """Volt per octave looks the same one step higher: an honest answer is none."""
    volts = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    with pytest.raises(CaptureError, match="cannot be told"):
        match([plateaus(octave(volts[1:]))], [], volts_of(*volts), "take")


def test_up_and_down_tells_which_end_is_missing():
    volts = [0.0, 1.0, 2.0, 3.0, 2.0, 1.0, 0.0]
    matched = match([plateaus(octave(volts)[1:])], [], volts_of(*volts), "take")
    assert matched.plateaus[0] is None
    assert levels(matched)[1:] == octave(volts)[1:]


def test_the_same_step_twice_is_said_and_the_longer_one_used():
    volts = [0.0, 1.0, 2.0, 3.0, 4.0]
    found = plateaus(octave([0.0, 1.0, 2.0, 2.001, 3.0, 4.0]))
    found[3] = Plateau(start_s=3.0, end_s=5.5, level=found[3].level)
    matched = match([found], [], volts_of(*volts), "take")
    assert matched.plateaus[2] == found[3]
    assert any("is step 3 (2 V) once more" in note for note in matched.notes)


def test_a_pause_between_two_steps_is_left_out():
    volts = [0.0, 1.0, 2.0, 3.0, 4.0]
    matched = match([plateaus(octave([0.0, 1.0, 1.4, 2.0, 3.0, 4.0]))], [], volts_of(*volts), "take")
    assert levels(matched) == octave(volts)
    assert any("belongs to none of the steps" in note for note in matched.notes)


def test_one_missing_and_one_too_many_is_not_taken_in_order():
    """As many plateaus as voltages, and yet not the same ones."""
    volts = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0]
    hz = octave(volts)
    found = plateaus([*hz[:3], *hz[4:8], hz[7] * 1.0002, *hz[8:]])
    matched = match([found], [], volts_of(*volts), "take")
    assert matched.plateaus[3] is None
    assert levels(matched)[8:] == hz[8:]
    assert any("is missing" in note for note in matched.notes)


def test_a_short_hold_is_said():
    volts = [0.0, 1.0, 2.0, 3.0]
    found = plateaus(octave(volts))
    found[2] = Plateau(start_s=2.0, end_s=2.2, level=found[2].level)
    matched = match([found], [], volts_of(*volts), "take")
    assert any("Step 3 (2 V) was held for only 0.20 s" in note for note in matched.notes)


def test_a_silent_step_is_a_step():
    volts = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    hz = octave(volts)
    found = plateaus(hz)
    quiet = [Plateau(start_s=2.0, end_s=3.0, level=np.nan, silent=True)]
    matched = match([found[:2] + found[3:]], quiet, volts_of(*volts), "take")
    assert matched.plateaus[2] == quiet[0]
    assert "Step 3 (2 V) does not oscillate." in matched.notes


def test_voltages_of_another_take_are_refused():
    with pytest.raises(CaptureError, match="do not follow"):
        match([plateaus(octave([0.0, 3.0, 1.0, 4.0, 2.0]))], [], volts_of(0.0, 1.0, 2.0, 3.0, 4.0), "take")


def test_no_plateau_is_no_table():
    with pytest.raises(CaptureError, match="never rests"):
        match([], [], volts_of(0.0, 1.0), "take")


@given(
    st.lists(st.floats(-5, 5), min_size=5, max_size=20, unique=True),
    st.floats(0.5, 1.5),
    st.floats(20, 500),
)
@settings(max_examples=50)
def test_exact_laws_leave_nothing(volts, scale, f0_hz):
    v = np.array(volts)
    if np.ptp(v) < 0.1:
        return
    # rounding: 1200 log2 of numbers of up to 2^20, squared and summed
    assert smooth_law_rms_cents(v, 1200.0 * np.log2(f0_hz) + 1200.0 * scale * v) < 1e-6
    w = np.abs(v) + 0.5
    assert smooth_law_rms_cents(w, 1200.0 * np.log2(f0_hz * w)) < 1e-5
