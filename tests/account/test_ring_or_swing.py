"""After a quick retune: a ring dies away, a hunting level goes on; and a ring may last into the next turn."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.settling import find_settlings
from tests.accounts import segment, tone_on_grid
from tests.tones import check_of, smooth_turn, times, white

T = 0.01 + 0.005 * np.arange(1200)
RETUNE_S = 1.0


def settled(level_db: np.ndarray, rest_s: float):  # type: ignore[no-untyped-def]
    """What is found of a level in a rest of so many seconds."""
    tone = tone_on_grid(T, 440.0, np.log(0.25) + level_db * np.log(10) / 20)
    (found,) = find_settlings(tone, [segment(RETUNE_S, RETUNE_S + rest_s, retune_s=RETUNE_S)], [])
    return found


def ring_db(size_db: float, decay_s: float, rate_hz: float) -> np.ndarray:
    since = np.maximum(T - RETUNE_S, 0.0)
    return np.where(T < RETUNE_S, 0.0, size_db * np.exp(-since / decay_s) * np.cos(2 * np.pi * rate_hz * since))


@pytest.mark.parametrize("turns", [2.7, 4.0, 9.0])
@pytest.mark.parametrize("rest_s", [1.05, 1.4, 1.75, 2.05, 2.5, 3.0, 4.2])
def test_what_does_not_decay_has_no_decay_within_the_rest(rest_s: float, turns: float) -> None:
    """However the rest's length lies to the decay times that are tried: more than 1.5 rests is a swing that goes on."""
    found = settled(ring_db(0.45, 1e9, turns / rest_s), rest_s)
    assert not found.ring or found.decay_s > 1.5 * rest_s


@pytest.mark.parametrize("decay", [0.2, 0.6, 1.1])
@pytest.mark.parametrize("rest_s", [1.05, 2.05, 3.0, 4.2])
def test_the_decay_of_a_ring_is_read_right(rest_s: float, decay: float) -> None:
    """Up to a tenth more than the rest; a ring that is made with a decay is read with it."""
    found = settled(ring_db(2.0, decay * rest_s, 6.0 / rest_s), rest_s)
    assert found.ring
    assert found.decay_s == pytest.approx(decay * rest_s, rel=0.02)


@pytest.mark.parametrize(
    ("decay_s", "rest_s", "over_s"), [(0.3, 2.0, 0.3 * np.log(12)), (1.0, 1.2, np.log(12)), (2.0, 1.2, 3 * 1.2)]
)
def test_a_ring_is_over_by_its_decay_where_the_rest_ends_before(decay_s: float, rest_s: float, over_s: float) -> None:
    """From 6 dB to half a decibel in ln 12 decay times; no further than three rests."""
    found = settled(ring_db(6.0, decay_s, 5.0), rest_s)
    assert found.over_s == pytest.approx(over_s, abs=0.1)
    assert found.settle_s <= rest_s


def test_a_hunting_whose_rate_follows_the_pitch_is_found_after_retunes() -> None:
    """The rate of a follower's loop goes with the root of the pitch; and no rest is reached slowly."""
    pitches_hz, rest_s = (880.0, 620.0, 1010.0, 700.0), 1.6
    t = times(len(pitches_hz) * rest_s)
    f0_hz = np.array(pitches_hz)[np.minimum((t / rest_s).astype(int), len(pitches_hz) - 1)]
    step = 1.0 / round(1.0 / (t[1] - t[0]))
    swing = 0.03 * np.sin(2 * np.pi * np.cumsum(3.0 * np.sqrt(f0_hz / 880.0)) * step)
    x = 0.2 * (1.0 + swing) * np.cos(2 * np.pi * np.cumsum(f0_hz) * step) + white(len(t), -90.0)
    found = [one for one in check_of(x).findings if one.severity != "note"]
    assert [one.kind for one in found] == ["amplitude-hunting"]
    assert found[0].evidence["depth_percent"] == pytest.approx(3.0, rel=0.05)
    assert found[0].evidence["rests"] >= 3


def test_a_ring_after_power_on_that_lasts_into_the_turn_is_no_drift() -> None:
    """Of 12 dB, in a rest of 1.4 s; the turn begins while it swings by 3 dB."""
    phase, _ = smooth_turn(200.0, 900.0, 3.0, rest_s=1.6)
    x = np.cos(2 * np.pi * phase)
    t = times(1.0 + len(phase) / 48_000.0)
    since = t - 1.0
    swing_db = np.where(since > 0.0, -12.0 * np.exp(-np.maximum(since, 0.0) / 0.9), 0.0)
    level = 0.1 * 10 ** (swing_db * np.sin(2 * np.pi * 1.9 * since) / 20) * np.clip(since / 0.03, 0.0, 1.0)
    padded = np.concatenate([np.zeros(len(t) - len(x)), x])
    found = check_of(level * padded + white(len(t), -90.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == []
