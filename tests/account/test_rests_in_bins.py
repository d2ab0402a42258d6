"""Bins of pitch: each rest of the control is in one of its own, however near another lies."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.curve.bins import _reach, gather
from tests.accounts import plain_frames

TURN_HZ = np.geomspace(260.0, 2300.0, 300)


def bins_of(*rests: tuple[float, int]) -> np.ndarray:
    """Pitches of the bins of a slow turn upward and rests of so many rows."""
    f0_hz = np.concatenate([TURN_HZ, *(np.full(rows, hz) for hz, rows in rests)])
    found = gather(plain_frames(len(f0_hz), f0_hz=f0_hz), np.ones(len(f0_hz), dtype=bool))
    assert found is not None
    assert np.all(np.diff(found.f0_hz) > 0.0)
    assert found.count.sum() <= len(f0_hz)
    return found.f0_hz


def nearest_cents(f0_hz: np.ndarray, to_hz: float) -> float:
    return float(np.min(np.abs(1200.0 * np.log2(f0_hz / to_hz))))


def test_a_turn_alone_has_bins_of_one_width() -> None:
    f0_hz = bins_of()
    assert len(f0_hz) == 12
    assert np.ptp(np.diff(np.log2(f0_hz))) < 0.03


@pytest.mark.parametrize("rows", [(100, 130), (130, 100), (60, 400), (400, 60)])
def test_two_rests_in_one_bin_are_both_seen(rows: tuple[int, int]) -> None:
    """At the top of the range 200 cents apart, a twelfth of the range: a fault may show at the higher one alone."""
    f0_hz = bins_of((2100.0, rows[0]), (2360.0, rows[1]))
    assert nearest_cents(f0_hz, 2100.0) < 5.0
    assert nearest_cents(f0_hz, 2360.0) < 5.0


@pytest.mark.parametrize(("rows", "seen"), [(20, False), (45, True)])
def test_a_moment_is_no_rest(rows: int, seen: bool) -> None:
    f0_hz = bins_of((2100.0, 300), (2360.0, rows))
    assert (nearest_cents(f0_hz, 2360.0) < 10.0) is seen


def test_three_rests_at_the_bottom() -> None:
    f0_hz = bins_of((280.0, 120), (260.0, 60), (302.0, 60))
    assert all(nearest_cents(f0_hz, hz) < 15.0 for hz in (260.0, 280.0, 302.0))


def test_states_of_one_rest_are_not_those_of_a_rest_beside_it() -> None:
    """At 2010 Hz H3 changes while the control rests; at 2290 Hz it is another, at both times."""
    parts = (
        (TURN_HZ, -60.0),
        (np.full(100, 2010.0), -60.0),
        (np.full(100, 2290.0), -25.0),
        (np.full(100, 2010.0), -30.0),
    )
    f0_hz = np.concatenate([hz for hz, _ in parts])
    lines = np.full((len(f0_hz), 9), -90.0)
    lines[:, 1] = np.concatenate([np.full(len(hz), dbc) for hz, dbc in parts])
    found = gather(plain_frames(len(f0_hz), f0_hz=f0_hz, harmonics_dbc=lines), np.ones(len(f0_hz), dtype=bool))
    assert found is not None
    assert len(np.unique(found.own[f0_hz == 2010.0])) == 2
    assert np.all(found.own[f0_hz == 2010.0] >= 0)
    assert np.all(found.own[f0_hz == 2290.0] == -1)
    # between the two the wave is what the nearer state was at that time
    between = (f0_hz > 2030.0) & (f0_hz < 2250.0)
    assert between.any()
    assert np.all(found.own[between] >= 0)


@pytest.mark.parametrize(
    ("spans", "place", "reach"),
    [
        ([(1.0, 1.0), (2.0, 2.1), (3.0, 3.0)], 1, (1.01, 2.99)),
        ([(2.0, 2.1)], 0, (1.99, 2.11)),
        # nearer than a hundredth of an octave on both sides: half way
        ([(1.992, 1.992), (2.0, 2.1), (2.104, 2.104)], 1, (1.996, 2.102)),
    ],
)
def test_reach_of_states(spans: list[tuple[float, float]], place: int, reach: tuple[float, float]) -> None:
    assert _reach(spans, place) == pytest.approx(reach)
