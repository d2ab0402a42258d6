"""Bursts on one place of the cycle, of rows made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.bursts import find_bursts
from tests.accounts import plain_frames


def bursts(
    peak: float = 60.0, beside: float = 1.0, place: Any = 3, lines: Any = (), taken: float = 0.0, **columns: Any
) -> tuple[float, float]:
    """Level, dBc, and place of a burst whose steps are so much over the median, at -30 dBc in that sixteenth."""
    fold = np.zeros((100, 2, 16))
    # so little from sample to sample that nothing is told by it alone
    fold[:, 1] = step = 1e-9
    at = np.broadcast_to(np.asarray(place), 100)
    size = 0.5 * 10 ** ((-12.0 - 30.0) / 10)
    fold[np.arange(100), 0, at], fold[np.arange(100), 1, at] = size, step * peak
    fold[np.arange(100), 0, (at + 1) % 16], fold[np.arange(100), 1, (at + 1) % 16] = size, step * beside
    frames = plain_frames(100, residual_fold=fold, **columns)
    found = find_bursts(frames, np.ones(100, dtype=bool), np.full(100, taken), list(lines))
    return float(found.level_dbc[50]), float(found.cycle[50])


SIXTEENTH_DBC = -30.0 - 10 * np.log10(16.0)


def test_a_burst_is_its_power_over_the_whole_cycle() -> None:
    assert bursts() == (pytest.approx(SIXTEENTH_DBC, abs=1e-6), 3 / 16)
    assert bursts(beside=3.1)[0] == pytest.approx(SIXTEENTH_DBC + 10 * np.log10(2.0))
    assert bursts(beside=2.9)[0] == pytest.approx(SIXTEENTH_DBC)
    assert bursts(peak=7.9)[0] == -np.inf
    assert bursts(peak=8.1)[0] == pytest.approx(SIXTEENTH_DBC)
    # where the fundamental is little of the wave the wave counts, but for 3 dB
    assert bursts(level_dbfs=-7.0, fundamental_dbfs=-12.0)[0] == pytest.approx(SIXTEENTH_DBC - 2.0)


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"high_dbc": -46.1}, True),
        ({"high_dbc": SIXTEENTH_DBC + 11.9}, True),
        ({"high_dbc": SIXTEENTH_DBC + 12.1}, False),
        ({"taken": 10 ** ((SIXTEENTH_DBC + 1.9) / 10)}, True),
        ({"taken": 10 ** ((SIXTEENTH_DBC + 2.1) / 10)}, False),
        ({"place": np.arange(100) // 2 % 16, "peak": 300.0}, False),
        ({"place": np.arange(100) // 3 % 16, "peak": 300.0}, True),
        ({"place": np.arange(100) // 9 % 2 + 3}, True),
    ],
    ids=[
        "no edges",
        "over the edges'",
        "under it",
        "over what is taken",
        "under it",
        "wanders",
        "slower",
        "keeps its place",
    ],
)
def test_what_is_no_burst(changes: dict[str, Any], found: bool) -> None:
    harmonics = np.zeros((100, plain_frames(2).harmonics_dbc.shape[1]))  # the low ones are stronger than the high
    assert (bursts(harmonics_dbc=harmonics, **changes)[0] > -60.0) is found


@pytest.mark.parametrize(
    ("lines", "spur", "high_dbc"),
    [
        ((), None, -50.0),
        ([(10_500.0, -52.8)], None, -200.0),
        ([(10_500.0, -53.5)], None, -59.7),
        ([(11_200.0, -30.0)], None, -50.0),
        ((), (-52.8, 10_000.0), -200.0),
        ((), (-53.2, 10_000.0), -50.0),
        ((), (-40.0, 12_000.0), -50.0),
    ],
    ids=["alone", "a line's", "over a line", "far from it", "a sound's", "over a sound", "far from that"],
)
def test_high_harmonics_are_a_bursts_but_for_lines_and_sounds(lines: Any, spur: Any, high_dbc: float) -> None:
    """Fewer low ones than high; a line within a tenth of them is taken off twice over, a sound that stands beside."""
    columns: dict[str, Any] = {"high_dbc": -50.0, "high_hz": 10_000.0}
    if spur:
        columns |= {"spur_dbc": spur[0], "spur_hz": spur[1]}
    level = bursts(peak=1.0, lines=lines, **columns)[0]
    assert level == pytest.approx(high_dbc, abs=0.5) if high_dbc > -100.0 else level < -100.0
    low = np.full((100, plain_frames(2).harmonics_dbc.shape[1]), -58.0)
    assert bursts(peak=1.0, harmonics_dbc=low, **columns)[0] < -100.0


@pytest.mark.parametrize(("over", "found"), [(1.1, True), (0.9, False)])
def test_half_of_a_sound_that_the_phase_follows_shakes_the_edges(over: float, found: bool) -> None:
    """Harmonics of 1 / k: the sum of their k^2 |A_k|^2 is their number; half of a sound's power turns them."""
    # 35 dB under the tone: what it shakes is over what edges leave by themselves
    count, sound = 0.45 * 48_000 / 440.0, 0.5 * 10 ** ((-12.0 - 35.0) / 10)
    high = float(np.sum(1.0 / np.arange(11, int(count) + 1) ** 2))
    shaken = 0.5 * (10.5 * count * high + 9.0) * 2.0 * sound
    fold = np.zeros((100, 2, 16))
    fold[:, 0], fold[:, 1] = sound, 1e-9
    fold[:, 0, 3], fold[:, 1, 3] = 16.0 * over * shaken + 2.0 * sound, 60e-9
    levels = np.broadcast_to(-20 * np.log10(np.arange(2, 11)), (100, 9))
    frames = plain_frames(100, residual_fold=fold, high_dbc=10 * np.log10(high), harmonics_dbc=levels)
    level = find_bursts(frames, np.ones(100, dtype=bool), np.zeros(100), []).level_dbc[50]
    assert bool(np.isfinite(level)) == found
