"""Findings of the last ten seconds: they arise, change and clear; a healthy board has none."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.watch.passing import SPAN_S, PassingFindings
from listen.watch.types import Arisen, Cleared
from tests.tones import times

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@dataclass
class Found:
    kind: str
    severity: str = "attention"
    half: str | None = None
    sentence: str = "A sentence."
    half_known: bool = False


def test_findings_arise_change_and_clear():
    passing = PassingFindings("nowhere.wav", {})
    drift = Found("level-drift")
    assert [type(change) for change in passing.take(3.0, (drift,))] == [Arisen]
    assert passing.take(4.0, (drift,)) == []
    worse = passing.take(5.0, (Found("level-drift", "fault"),))
    assert [(change.kind, change.severity) for change in worse] == [("level-drift", "fault")]
    # one check without it is not enough: at its limit it would come and go
    assert passing.take(6.0, ()) == []
    assert passing.take(7.0, (Found("level-drift", "fault"),)) == []
    assert passing.take(8.0, ()) == []
    cleared = passing.take(9.0, ())
    assert cleared == [Cleared(time_s=9.0, kind="level-drift", severity="fault", half=None)]


def test_notes_are_not_told_while_the_hand_is_on_the_trimmer():
    assert PassingFindings("nowhere.wav", {}).take(3.0, (Found("capture-bandwidth", "note"),)) == []


def changes_of(path: Path, every_s: float = 1.0) -> list[Arisen | Cleared]:
    passing = PassingFindings(path, {"wave": "sine"})
    duration_s = soundfile.info(path).duration
    changes: list[Arisen | Cleared] = []
    for heard_s in np.arange(2.0, duration_s, every_s).tolist():
        passing._not_before_s = 0.0
        changes += passing.heard(heard_s, tone=heard_s > 2.0)
        passing.finish()
    passing._not_before_s = time.monotonic() + 60.0
    return changes + passing.heard(duration_s, tone=True)


def test_a_healthy_board_raises_no_alarm():
    assert changes_of(FIXTURES / "sine-board-mended.wav") == []


def test_a_faulty_half_is_told_and_clears_once_it_is_mended(tmp_path):
    """Twelve seconds with one half cut, then as long without."""
    t = times(12.0)
    x = 0.3 * np.sin(2 * np.pi * 440 * t)
    take = np.concatenate([np.minimum(x, 0.25), x]) + 1e-5 * np.random.default_rng(1).standard_normal(2 * len(t))
    soundfile.write(tmp_path / "take.wav", take, 48_000, subtype="PCM_24")
    changes = changes_of(tmp_path / "take.wav")
    clipping = [change for change in changes if change.kind == "asymmetric-clipping"]
    # it becomes milder as the ten seconds move on
    assert type(clipping[-1]) is Cleared
    assert {type(change) for change in clipping[:-1]} == {Arisen}
    assert clipping[0].half == "positive"
    assert clipping[0].time_s < 5.0
    assert 12.0 + 0.5 * SPAN_S < clipping[-1].time_s


def test_silence_before_the_supply_is_switched_on_is_nothing_to_report():
    passing = PassingFindings(FIXTURES / "sine-board-mended.wav", {})
    assert passing.heard(3.0, tone=False) == []
    assert passing._thread is None


@pytest.mark.parametrize("seconds", [0.1, 1.9])
def test_the_first_seconds_are_not_judged(seconds):
    passing = PassingFindings(FIXTURES / "sine-board-mended.wav", {})
    passing.heard(seconds, tone=True)
    assert passing._thread is None
