"""Causes and next checks: every kind has them, what is known of the build comes first."""

from __future__ import annotations

import re

import pytest

from listen.circuit import diagnose, known_kinds
from listen.circuit.diagnosis import LONGEST
from listen.findings import all_kinds, kind_of, load_limits
from listen.findings.measured import Flattened, Hum, PitchScatter

GAIN_CONTROLS = ("jfet", "diodes", "lamp", "ldr", "none", "other", None)
TOPOLOGIES = ("wien-bridge", "phase-shift", "twin-t", "quadrature", "triangle-core", "sawtooth-core", "other", None)
WAVES = ("sine", "triangle", "sawtooth", "square", "any", None)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="no-such-kind"):
        diagnose("no-such-kind")


@pytest.mark.parametrize("kind", known_kinds())
@pytest.mark.parametrize("gain_control", GAIN_CONTROLS)
def test_every_kind_gives_one_to_four_lines_whatever_the_build(kind: str, gain_control: str | None) -> None:
    for topology in TOPOLOGIES:
        for wave in WAVES:
            diagnosis = diagnose(kind, half="positive", topology=topology, gain_control=gain_control, wave=wave)
            for lines in (diagnosis.likely_causes, diagnosis.next_checks):
                assert 1 <= len(lines) <= LONGEST
                assert len(set(lines)) == len(lines)
                assert all("{" not in line and not line.endswith(".") for line in lines)


def test_every_circuit_fault_has_at_least_two_causes_and_two_checks() -> None:
    for kind in known_kinds():
        if not kind_of(kind).of_the_recording:
            diagnosis = diagnose(kind)
            assert len(diagnosis.likely_causes) >= 2, kind
            assert len(diagnosis.next_checks) >= 2, kind


def test_every_kind_has_causes() -> None:
    kinds = set(load_limits(None, gain_control=None))
    assert len(kinds) > 20
    assert kinds == set(known_kinds())


def test_what_is_known_of_the_build_comes_first() -> None:
    generic = diagnose("odd-order-distortion")
    diodes = diagnose("odd-order-distortion", gain_control="diodes")
    assert "diodes" in diodes.likely_causes[0]
    assert diodes.likely_causes[1] == generic.likely_causes[0]


@pytest.mark.parametrize(
    ("half", "known", "words"),
    [
        ("positive", True, "the diode of the positive half limits too early"),
        ("negative", False, "the diode of the lower half of the recording limits too early"),
        (None, False, "the diode of the one half limits too early"),
    ],
)
def test_the_diode_of_the_flattened_half_is_named(half: str | None, known: bool, words: str) -> None:
    found = diagnose("asymmetric-clipping", half=half, half_known=known, gain_control="diodes")
    assert any(words in cause for cause in found.likely_causes)


def test_square_law_and_detector_ripple_are_told_apart_by_level_and_by_pitch() -> None:
    checks = " ".join(diagnose("even-order-distortion", gain_control="jfet").next_checks)
    causes = " ".join(diagnose("even-order-distortion", gain_control="jfet").likely_causes)
    assert "square-law" in causes
    assert "ripple" in causes
    assert "control node" in checks


@pytest.mark.parametrize("half", ["positive", "negative"])
def test_the_half_is_named_as_the_finding_names_it(half: str) -> None:
    text = " ".join(diagnose("asymmetric-clipping", half=half, half_known=True).likely_causes)
    other = "negative" if half == "positive" else "positive"
    assert f"the {half} supply rail is lower" in text
    assert f"on the {half} half" in text
    assert other not in text
    assert "recording" not in text


@pytest.mark.parametrize(("half", "side"), [("positive", "upper"), ("negative", "lower")])
@pytest.mark.parametrize("topology", [None, "quadrature"])
def test_while_the_polarity_is_unknown_a_cause_says_what_it_assumes(half: str, side: str, topology: str | None) -> None:
    causes = diagnose("asymmetric-clipping", half=half, topology=topology).likely_causes
    for cause in causes:
        assert f"{half} half" not in cause
        assert (f"{half} " in cause) == ("(assuming that the recorder does not invert)" in cause), cause
    assert any(f"on the {side} half of the recording" in cause for cause in causes) is (topology is None)


def test_without_a_half_no_half_is_made_up() -> None:
    text = " ".join(diagnose("asymmetric-clipping").likely_causes)
    assert "positive" not in text
    assert "negative" not in text


@pytest.mark.parametrize(("in_silence", "first"), [(True, "the recording itself"), (False, "a loop of two earths")])
def test_what_was_measured_decides_what_comes_first(in_silence: bool, first: str) -> None:
    hum = Hum(mains_hz=50.0, level_dbc=-40.0, strongest_hz=100.0, as_sidebands=False, in_silence=in_silence)
    diagnosis = diagnose("mains-hum", measured=hum)
    assert diagnosis.likely_causes[0].startswith(first)


@pytest.mark.parametrize(
    ("rate_hz", "first"),
    [(100.0, "the mains"), (5.0, "a slow oscillator"), (300.0, "a worn"), (45.0, "a worn"), (None, "a worn")],
)
def test_the_rate_of_a_wander_names_the_culprit(rate_hz: float | None, first: str) -> None:
    wander = PitchScatter(rms_cents=4.0, drift_cents_per_min=0.0, rate_hz=rate_hz)
    assert diagnose("pitch-instability", measured=wander).likely_causes[0].startswith(first)


def flattened(flat_over_sine: float) -> Flattened:
    return Flattened(crest_loss_percent=5.0, flat_over_sine=flat_over_sine, onset_f0_hz=300.0, thd_worst_percent=4.0)


def test_bounds_of_a_case_are_exclusive_and_what_is_not_known_does_not_fit() -> None:
    curved = diagnose("asymmetric-clipping", gain_control="jfet", measured=flattened(1.59))
    flat = diagnose("asymmetric-clipping", gain_control="jfet", measured=flattened(1.6))
    unsaid = diagnose("asymmetric-clipping", gain_control="jfet")
    assert "channel" in curved.likely_causes[0]
    assert flat == unsaid
    assert "channel" not in unsaid.likely_causes[0]


def test_the_records_have_only_keys_that_are_read() -> None:
    for kind, record in all_kinds().items():
        entry = record.bench
        assert set(entry) <= {"causes", "checks", "when"}, kind
        for case in entry.get("when", ()):
            assert set(case) <= {"causes", "checks", "gain_control", "topology", "wave", "half", "evidence"}, kind
            assert set(case.get("gain_control", ())) <= set(GAIN_CONTROLS), kind
            assert set(case.get("topology", ())) <= set(TOPOLOGIES), kind
            assert set(case.get("wave", ())) <= set(WAVES), kind
            for test in case.get("evidence", {}).values():
                assert set(test) <= {"above", "below", "is"}, kind


def test_no_check_asks_for_a_safety_earth_to_be_lifted() -> None:
    for kind in known_kinds():
        for line in diagnose(kind).next_checks:
            if re.search(r"\b(earth)\b", line):
                assert "never lift a safety earth" in line
