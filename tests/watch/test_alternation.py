"""The interval of two notes that are held in turn."""

from __future__ import annotations

import numpy as np
import pytest

from listen.watch.alternation import Alternation
from tests.watch.streams import RATE_HZ, intervals, watched
from tests.watch.test_board import reading


def in_turn(low_hz: float, high_hz: float, holds: int, hold_s: float = 0.8, noise: float = 1e-4) -> np.ndarray:
    n = round(hold_s * RATE_HZ)
    f0_hz = np.concatenate([np.full(n, high_hz if i % 2 else low_hz) for i in range(holds)])
    phase = 2 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    wave = np.sin(phase) + 0.01 * np.sin(2 * phase)
    return 0.3 * wave + noise * np.random.default_rng(6).standard_normal(len(phase))


@pytest.mark.parametrize(("low_hz", "cents"), [(110.0, 1200.0), (220.0, 1203.0), (440.0, 1191.5)])
def test_an_octave_after_three_alternations(low_hz, cents):
    events, _ = watched(in_turn(low_hz, low_hz * 2 ** (cents / 1200), 4), interval_ratio=2.0)
    found = intervals(events)
    assert found[-1].alternations == 3
    assert found[-1].error_cents == pytest.approx(cents - 1200.0, abs=0.2)
    assert all(abs(reading.error_cents - (cents - 1200.0)) < 0.2 for reading in found)


def test_a_fifth_is_measured_against_its_ratio():
    events, _ = watched(in_turn(220.0, 330.5, 3), interval_ratio=1.5)
    assert intervals(events)[-1].error_cents == pytest.approx(1200 * np.log2(330.5 / 330.0), abs=0.05)


def test_other_notes_are_no_interval():
    events, _ = watched(in_turn(220.0, 293.7, 4), interval_ratio=2.0)
    assert intervals(events) == []


def test_a_note_that_is_touched_only_does_not_count():
    events, _ = watched(in_turn(220.0, 440.0, 6, hold_s=0.2), interval_ratio=2.0)
    assert intervals(events) == []


def test_a_note_counts_after_a_quarter_of_a_second_at_rest():
    """Readings that are called steady at once: the first note, then the second."""
    follow = Alternation(2.0)
    for i in range(20):
        assert follow.add(reading(0.05 * i, hz=220.0)) is None
    found = [follow.add(reading(1.0 + 0.05 * i, hz=440.0)) for i in range(10)]
    assert [item is not None for item in found] == [False] * 5 + [True] * 5
