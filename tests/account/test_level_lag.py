"""A slow level loop is off by what the pitch moves in a second, and bounces after a quick retune: one cause."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.level_lag import lag_db, speed_octaves_per_s
from listen.account.level_law import fit_level_law
from listen.account.loop_ring import LoopRing, driven
from tests.accounts import tone_on_grid
from tests.tones import RATE_HZ, check_of, times, white

GRID = 0.005 * np.arange(4000)
ROWS = np.arange(0.5, 19.5, 0.02)
UP_AND_DOWN = np.clip(GRID - 2.0, 0.0, 5.0) / 2.5 - np.clip(GRID - 11.0, 0.0, 4.0) / 2.0
"""Octaves over the lowest note: two up in 5 s, down in 4 s."""
TONE = tone_on_grid(GRID, 220.0 * 2.0**UP_AND_DOWN, 0.0)
F0_HZ = np.interp(ROWS, GRID, TONE.f0_hz)


def law_at(level_db: np.ndarray) -> np.ndarray | None:
    law = fit_level_law(ROWS, F0_HZ, level_db, True)
    return law.at(F0_HZ) if law is not None else None


@pytest.mark.parametrize("over_s", [0.1, 0.4])
def test_the_speed_is_that_of_the_time_before(over_s: float) -> None:
    speed = speed_octaves_per_s(TONE, np.array([1.9, 4.0, 9.0, 13.0, 19.0]), over_s)
    np.testing.assert_allclose(speed, [0.0, 0.4, 0.0, -0.5, 0.0], atol=1e-9)
    half_way = speed_octaves_per_s(TONE, np.array([2.0 + 0.5 * over_s]), over_s)
    np.testing.assert_allclose(half_way, 0.2, atol=0.03)


@pytest.mark.parametrize("db_per_octave_s", [-1.5, 0.8])
def test_a_lag_is_told_from_what_the_level_does_along_the_pitch(db_per_octave_s: float) -> None:
    """A law with a slope and a top; the lag has another sign on the way back."""
    own = 0.6 * np.log2(F0_HZ / 220.0) - 0.3 * (np.log2(F0_HZ / 440.0)) ** 2
    lag = db_per_octave_s * speed_octaves_per_s(TONE, ROWS, 0.2)
    found = lag_db(TONE, ROWS, own + lag, law_at)
    np.testing.assert_allclose(found, lag, atol=0.05)


@pytest.mark.parametrize("kind", ["law", "drift", "one row"])
def test_what_is_no_lag_is_not_taken_for_it(kind: str) -> None:
    level = {
        "law": 2.0 * np.log2(F0_HZ / 220.0),
        "drift": 0.2 * ROWS,
        "one row": np.where(np.arange(len(ROWS)) == 300, 6.0, 0.0),
    }[kind]
    assert not lag_db(TONE, ROWS, level + 0.001 * np.sin(7.0 * ROWS), law_at).any()


@pytest.mark.parametrize(("bounce_db", "kinds"), [(3.0, ["amplitude-bounce"]), (0.0, ["level-drift"])])
def test_a_loop_that_bounces_and_lags_is_said_once(bounce_db: float, kinds: list[str]) -> None:
    """Where nothing bounces, the level that is not held along the tuning is what there is to say."""
    t = times(17.0)
    octaves = np.interp(t, [2.0, 5.0, 8.0, 10.5, 13.0, 13.02, 15.0, 15.02], [0, 2, 2, 0, 0, 0.7, 0.7, 0.2])
    hand = np.interp(t, [2.0, 5.0, 8.0, 10.5], [0, 2, 2, 0])
    over = round(0.2 * RATE_HZ)
    speed = (hand - np.concatenate([np.full(over, hand[0]), hand[:-over]])) / 0.2
    level_db = -1.4 * speed
    for at_s in (13.02, 15.02):
        since = np.maximum(t - at_s, 0.0)
        level_db = level_db + np.where(
            t < at_s, 0.0, bounce_db * np.exp(-since / 0.1) * np.cos(2 * np.pi * 4.0 * since)
        )
    x = 0.2 * 10 ** (level_db / 20) * np.cos(2 * np.pi * np.cumsum(220.0 * 2.0**octaves) / RATE_HZ)
    found = check_of(x + white(len(t), -90.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == kinds


def test_a_loop_that_rings_as_a_turn_begins_is_told_by_its_ring() -> None:
    """The speed steps, and the level swings about what it then lags by."""
    ring = LoopRing(f0_hz=300.0, rate_hz=1.2, decay_s=0.5, rate_law=0.5, decay_law=-0.5)
    answer = np.interp(ROWS, TONE.time_s, driven(TONE, ring, speed_octaves_per_s(TONE, TONE.time_s, TONE.grid_s)))
    level = -12.0 - 2.0 * answer
    without = level - lag_db(TONE, ROWS, level, law_at)
    found = level - lag_db(TONE, ROWS, level, law_at, [answer])
    assert np.ptp(found) < 0.1 * np.ptp(without)
    assert np.ptp(found) < 0.2
