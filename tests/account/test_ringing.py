"""A ring is followed against the settled level, from one half swing to the next, until it is over."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.ringing import ringing_rows
from listen.account.settling import Settling

T = 0.02 * np.arange(1, 1001)
START_S = 2.0
SINCE = np.maximum(T - START_S, 0.0)


def ring(rate_hz: float, decay_s: float, over_s: float) -> Settling:
    return Settling(retune_s=START_S, f0_hz=440.0, ring=True, rate_hz=rate_hz, decay_s=decay_s, over_s=over_s)


def end_s(off_db: np.ndarray, one: Settling) -> float:
    """When the rows end that ring: all from the start on."""
    rows = np.flatnonzero(ringing_rows(T, off_db, [one]))
    assert T[rows[0]] == pytest.approx(START_S)
    assert (np.diff(rows) == 1).all()
    return float(T[rows[-1]])


@pytest.mark.parametrize("decay_s", [0.8, 2.0, 4.0])
def test_a_poorly_damped_loop_rings_on_into_the_turn(decay_s: float) -> None:
    """Its rate goes up with the root of the pitch, an octave in 5 s; ln 60 decay times from 6 dB to a tenth."""
    turns = np.cumsum(0.9 * 2 ** (0.1 * SINCE)) * 0.02
    off_db = 6.0 * np.exp(-SINCE / decay_s) * np.sin(2 * np.pi * turns)
    found = end_s(off_db, ring(0.9, 0.4, 0.6))
    assert found == pytest.approx(min(START_S + decay_s * np.log(60.0), T[-1]), abs=1.1)


def test_a_drift_after_it_is_none_of_it() -> None:
    off_db = 6.0 * np.exp(-SINCE / 0.8) * np.sin(2 * np.pi * 1.5 * SINCE) + np.where(T > 7.0, 0.3 * (T - 7.0), 0.0)
    assert end_s(off_db, ring(1.5, 0.8, 2.0)) < 7.1


@pytest.mark.parametrize(("dies", "long"), [(0.99, False), (0.9, True)])
def test_a_swing_that_goes_on_is_no_ring(dies: float, long: bool) -> None:
    """What a swing keeps of its size in a turn: a ring is followed while it loses more than 3 %."""
    off_db = dies ** (1.5 * SINCE) * np.sin(2 * np.pi * 1.5 * SINCE)
    assert (end_s(off_db, ring(1.5, 5.0, 0.3)) > START_S + 5.0) is long


def test_a_level_that_stays_off_is_none_of_it() -> None:
    """Over half a swing a level on one side is no swing."""
    off_db = np.where(T < 4.0, np.sin(2 * np.pi * 1.0 * SINCE) * np.exp(-SINCE), -0.4)
    assert end_s(off_db, ring(1.0, 1.0, 0.5)) == pytest.approx(4.0, abs=0.6)


@pytest.mark.parametrize(("decay_s", "over_s", "ends_s"), [(0.2, 1.0, 1.0 + 0.2 * np.log(5)), (2.0, 1.0, 2.0)])
def test_a_recovery_ends_by_its_decay(decay_s: float, over_s: float, ends_s: float) -> None:
    """From half a decibel to a tenth in ln 5 decay times, and no longer than it took so far."""
    off_db = np.full(len(T), 1.0)
    assert end_s(off_db, ring(0.0, decay_s, over_s)) == pytest.approx(START_S + ends_s, abs=0.03)


def test_no_ring_no_rows() -> None:
    assert not ringing_rows(T, np.sin(T), []).any()
