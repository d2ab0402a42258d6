"""A score counts what is missing and what is false, and nothing else."""

from __future__ import annotations

from typing import Any

from tests.takes.scoring import Reported, score


def _found(kind: str, severity: str = "attention", half: str | None = None, sentence: str = "") -> Reported:
    return Reported(kind=kind, severity=severity, half=half, start_s=0.0, end_s=1.0, sentence=sentence)


def _truth(*expected: dict[str, Any], allowed: tuple[str, ...] = (), notes: tuple[str, ...] = ()) -> dict[str, Any]:
    full = [{"severity": None, "half": None, "also_accepted": [], **item} for item in expected]
    return {"expected": full, "allowed": [{"kind": k, "why": ""} for k in allowed], "notes": list(notes)}


def test_expected_alone_is_right() -> None:
    truth = _truth({"kind": "mains-hum"})
    assert score(truth, [_found("mains-hum"), _found("capture-offset", "note")]).right


def test_missed_and_false_are_told() -> None:
    result = score(_truth({"kind": "mains-hum"}), [_found("subharmonic", "fault")])
    assert not result.right
    assert result.missed == ("mains-hum",)
    assert result.false == ("subharmonic",)


def test_allowed_may_be_there_or_not() -> None:
    truth = _truth(allowed=("level-drift",))
    assert score(truth, [_found("level-drift")]).right
    assert score(truth, []).right


def test_the_wrong_half_is_wrong_and_no_half_is_not() -> None:
    truth = _truth({"kind": "asymmetric-clipping", "half": "positive"})
    assert score(truth, [_found("asymmetric-clipping", half="positive")]).right
    assert score(truth, [_found("asymmetric-clipping")]).right
    assert not score(truth, [_found("asymmetric-clipping", half="negative")]).right
    both = [_found("asymmetric-clipping", half="positive"), _found("asymmetric-clipping", half="negative")]
    assert not score(truth, both).right


def test_one_name_stands_for_one_cause() -> None:
    item = {"also_accepted": ["asymmetric-clipping"]}
    truth = _truth({"kind": "even-order-distortion", **item}, {"kind": "symmetric-clipping", **item})
    one = score(truth, [_found("asymmetric-clipping")])
    assert len(one.missed) == 1
    assert score(truth, [_found("asymmetric-clipping"), _found("even-order-distortion")]).right


def test_a_note_that_is_asked_for_counts() -> None:
    truth = _truth(notes=("switched-off",))
    assert score(truth, [_found("switched-off", "note")]).right
    result = score(truth, [])
    assert not result.right
    assert result.right_without_notes


def test_first_and_remedy_are_asked_for() -> None:
    item = {"kind": "wrong-wave", "first": True, "sentence_has": "--wave triangle"}
    truth = _truth(item, allowed=("odd-order-distortion",))
    told = _found("wrong-wave", sentence="It is a triangle: check it with --wave triangle.")
    odd = _found("odd-order-distortion")
    assert score(truth, [told, odd]).right
    assert not score(truth, [odd, told]).right
    assert not score(truth, [_found("wrong-wave"), odd]).right


def test_severity_is_told_and_does_not_count() -> None:
    truth = _truth({"kind": "mains-hum", "severity": "fault"})
    result = score(truth, [_found("mains-hum", "attention")])
    assert result.right
    assert result.wrong_severity == ("mains-hum is fault",)
