"""Lost samples, by the clock against the count: what comes late is not lost, what never comes is."""

from __future__ import annotations

import numpy as np
import pytest

from listen.watch.losses import ClockAgainstCount, StatedRate

RATE_HZ = 48_000


def losses(events: list[tuple[float, int]]) -> list[float]:
    clock = ClockAgainstCount(RATE_HZ)
    return [lost for at_s, n in events if (lost := clock.arrived(at_s, n)) is not None]


def paced(start_s: float, seconds: float, *, block_s: float = 0.01, jitter_s: float = 0.004, ppm: float = 0.0):
    rng = np.random.default_rng(1)
    n = round(block_s * RATE_HZ)
    count = round(seconds / block_s)
    return [(start_s + (i + 1) * block_s * (1 + 1e-6 * ppm) + rng.uniform(0, jitter_s), n) for i in range(count)]


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 300.0])
def test_nothing_is_lost_at_an_even_pace(ppm):
    """An hour; clocks of converters are within 100 ppm (common practice, no source)."""
    assert losses(paced(0.0, 3600.0, block_s=0.05, ppm=ppm)) == []


def test_what_comes_late_is_not_lost():
    before = paced(0.0, 5.0)
    after = paced(0.0, 30.0)[len(before) :]
    stalled = [(max(at_s, 9.0 + 1e-4 * i), n) for i, (at_s, n) in enumerate(after)]
    assert losses(before + stalled) == []


@pytest.mark.parametrize("lost_s", [0.1, 0.5, 3.0])
@pytest.mark.parametrize("stall_s", [0.0, 10.0])
def test_what_never_comes_is_lost(lost_s, stall_s):
    """A server that holds some of it and drops the rest: the backlog comes at once, then the usual pace."""
    before = paced(0.0, 5.0)
    held = round(max(0.0, stall_s - lost_s) / 0.01)
    back_s = 5.0 + max(stall_s, lost_s)
    backlog = [(back_s + 1e-5 * i, 480) for i in range(held)]
    found = losses(before + backlog + paced(back_s, 10.0))
    assert found == [pytest.approx(lost_s, abs=0.02)]


def test_a_stream_at_another_pace_loses_nothing():
    """A file through a pipe, twice as quick or half as quick, with a rest in between."""
    for block_s in (0.005, 0.02):
        events = [(block_s * (i + 1), 480) for i in range(1000)]
        rest = [(at_s + 1000 * block_s + 4.0, n) for at_s, n in events]
        assert losses(events + rest) == []


@pytest.mark.parametrize("block_s", [0.1, 0.5, 1.0, 2.0])
def test_a_recorder_that_writes_seldom_is_watched_too(block_s):
    """Losses larger than a tenth of its blocks are told, and its unevenness is none."""
    before = paced(0.0, 60.0, block_s=block_s, jitter_s=0.015)
    assert losses(before) == []
    for lost_s in (0.3, 5.0):
        after = paced(60.0 + lost_s, 60.0, block_s=block_s, jitter_s=0.015)
        assert losses(before + after) == [pytest.approx(lost_s, abs=0.03)]


def rates(events: list[tuple[float, int]], stated_hz: int = RATE_HZ) -> list[int]:
    clock, stated = ClockAgainstCount(stated_hz), StatedRate(stated_hz)
    found = []
    for at_s, n in events:
        clock.arrived(at_s, n)
        found.append(stated.heard(clock.pace_hz()))
    return [rate_hz for rate_hz in found if rate_hz is not None]


@pytest.mark.parametrize("block_s", [0.01, 1.0])
@pytest.mark.parametrize("other_hz", [44100, 96000])
def test_another_rate_is_told_from_the_start_or_when_it_changes(block_s, other_hz):
    n = round(block_s * RATE_HZ)
    stretch = RATE_HZ / other_hz
    rng = np.random.default_rng(3)

    def at(rate_hz: float, start_s: float, seconds: float) -> list[tuple[float, int]]:
        each_s = n / rate_hz
        return [(start_s + (i + 1) * each_s + rng.uniform(0, 0.004), n) for i in range(round(seconds / each_s))]

    assert rates(at(other_hz, 0.0, 30.0 * max(1.0, stretch))) == [other_hz]
    change = at(RATE_HZ, 0.0, 20.0) + at(other_hz, 20.0, 20.0) + at(RATE_HZ, 40.0, 20.0)
    assert rates(change) == [other_hz, RATE_HZ]


def test_a_rate_is_not_told_where_none_can_be():
    """An even pace; a stall with a backlog; a file through a pipe, quickly and in bursts."""
    assert rates(paced(0.0, 600.0, ppm=300.0)) == []
    before, after = paced(0.0, 20.0), paced(20.0, 30.0)
    assert rates(before + [(max(at_s, 29.0 + 1e-4 * i), n) for i, (at_s, n) in enumerate(after)]) == []
    assert rates([(0.001 * (i + 1), 480) for i in range(20000)]) == []
    assert rates([(0.37 * (i // 40 + 1) + 1e-4 * (i % 40), 480) for i in range(5000)]) == []
