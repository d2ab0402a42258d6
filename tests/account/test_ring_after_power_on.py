"""A lamp's level loop that rings after power on: neither drift of the level nor a tone that dies."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.ringing import is_dip
from listen.account.settling import Settling
from listen.account.stops import Dropout
from tests.tones import check_of, times, white


@pytest.mark.parametrize(("ring_hz", "decay_s", "first_db"), [(2.7, 0.5, 12.0), (3.7, 0.8, 24.0), (1.8, 0.4, 10.0)])
def test_a_ring_after_power_on_is_no_fault(ring_hz: float, decay_s: float, first_db: float) -> None:
    """A decaying swing of the level's logarithm, as a loop of the second order near its rest has it (derived)."""
    t = times(7.0)
    since = t - 1.2
    swing_db = -first_db * np.exp(-since / decay_s) * np.sin(2 * np.pi * ring_hz * since)
    level = np.where(since > 0.0, 0.1 * 10 ** (swing_db / 20), 0.0) * np.clip(since / 0.03, 0.0, 1.0)
    found = check_of(level * np.cos(2 * np.pi * 160.3 * t) + white(len(t), -90.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == []


def test_a_tone_that_dies_later_is_told_all_the_same() -> None:
    t = times(8.0)
    since = t - 1.2
    swing_db = -12.0 * np.exp(-since / 0.5) * np.sin(2 * np.pi * 2.7 * since)
    level = np.where(since > 0.0, 0.1 * 10 ** (swing_db / 20), 0.0)
    level *= 1.0 - np.clip(np.minimum(t - 5.0, 5.4 - t) / 0.01, 0.0, 1.0)
    found = check_of(level * np.cos(2 * np.pi * 160.3 * t) + white(len(t), -90.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == ["oscillation-dropout"]


@pytest.mark.parametrize(
    ("start_s", "end_s", "rate_hz", "dip"),
    [
        (2.0, 2.2, 2.5, True),
        # 2.98 times the level at first, half of it after 1.78 decay times of 2 s
        (4.5, 4.7, 2.5, True),
        (4.65, 4.85, 2.5, False),
        # longer than a half of the ring's period, and outside of it
        (2.0, 2.3, 2.5, False),
        (2.0, 2.3, 1.5, True),
        (4.9, 5.1, 2.5, False),
        (0.9, 1.1, 2.5, False),
        # one that does not turn round has no low side to come back from
        (2.0, 4.0, 0.0, True),
    ],
)
def test_a_dip_of_a_ring_lasts_half_a_period(start_s: float, end_s: float, rate_hz: float, dip: bool) -> None:
    ring = Settling(retune_s=1.0, f0_hz=200.0, ring=True, rate_hz=rate_hz, over_s=4.0, deviation_db=12.0, decay_s=2.0)
    drop = Dropout(
        start_s=start_s, end_s=end_s, falls_s=start_s, settled_s=end_s, depth_db=30.0, comes_back=True,
        decay_per_s=None, f0_low_hz=200.0, f0_high_hz=200.0,
    )  # fmt: skip
    assert is_dip(drop, ring) is dip
