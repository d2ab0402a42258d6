"""The first question: an oscillator, on this channel, of the stated wave."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account.oscillator import SourceClass
from listen.account.types import OtherChannel
from listen.findings.rules_source import source_candidates
from tests.accounts import account_of, plain_frames


def said(wave: str = "sine", **changes: Any) -> list[Any]:
    return source_candidates(account_of(plain_frames(100), **changes), wave)


def heard(source: Any, **changes: Any) -> SourceClass:
    return SourceClass(source=source, clean_share=0.312, residual_dbc=-4.2, **changes)


def test_nothing_is_said_of_an_oscillator() -> None:
    assert said() == []


@pytest.mark.parametrize(
    ("changes", "kind", "severity", "evidence"),
    [
        ({"heard": heard("absent")}, "oscillation-absent", "fault", {}),
        (
            {"heard": heard("two-tones", low_hz=331.0, high_hz=502.0, weaker_dbc=-3.0)},
            *("two-tones", "attention", {"low_hz": 331.0, "high_hz": 502.0, "level_dbc": -3.0}),
        ),
        (
            {"heard": heard("not-an-oscillator")},
            *("not-an-oscillator", "attention", {"clean_percent": 31.2, "residual_dbc": -4.2}),
        ),
        (
            {"other_channel": OtherChannel(channel=2, level_dbfs=-9.0), "heard": heard("absent")},
            *("wrong-channel", "attention", {"channel": 2, "level_dbfs": -9.0}),
        ),
        ({"other_wave": "triangle"}, "wrong-wave", "attention", {"wave": "triangle", "stated": "sine"}),
    ],
    ids=["absent", "two tones", "speech", "another channel", "another wave"],
)
def test_what_the_take_holds_instead(changes: Any, kind: str, severity: str, evidence: dict[str, Any]) -> None:
    (found,) = said(**changes)
    assert (found.kind, found.severity) == (kind, severity)
    assert found.measured.evidence() == pytest.approx(evidence) if evidence else found.measured.evidence() == {}
    assert (found.start_s, found.end_s) == (pytest.approx(0.02), pytest.approx(2.0))
    assert len(found.rows) == 0


def test_a_take_without_frames_has_an_interval_too() -> None:
    empty = plain_frames(0)
    (found,) = source_candidates(account_of(empty, heard=heard("absent"), unexplained=np.zeros(0)), "sine")
    assert (found.start_s, found.end_s) == (0.0, 0.0)


def test_another_channel_comes_before_all() -> None:
    other = OtherChannel(channel=3, level_dbfs=-20.0)
    for source in ("absent", "two-tones", "not-an-oscillator"):
        assert [c.kind for c in said(heard=heard(source), other_channel=other)] == ["wrong-channel"]


def test_a_held_note_is_said_to_be_one() -> None:
    one = replace(heard("not-an-oscillator"), clean_share=0.97)
    (found,) = said(heard=one)
    assert (found.kind, found.variant) == ("not-an-oscillator", "one_tone")
    (other,) = said(heard=heard("not-an-oscillator"))
    assert other.variant == "plain"
    (notes,) = said(heard=replace(one, played=True))
    assert notes.variant == "played"

    (no_sine,) = said(heard=replace(one, no_sine=True))
    assert no_sine.variant == "no_sine"
