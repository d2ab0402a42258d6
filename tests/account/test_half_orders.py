"""Half orders: lines that stand still in the tone's phase, and those that only pass near."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.half_orders import HalfOrders, find_half_orders
from tests.accounts import plain_frames


def halves(dbc: float, turns: float = 0.0, scatter: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Level of a line at half the pitch that turns by so much from row to row; its first and last ten rows."""
    n = 100
    line = 0.25 * 10 ** (dbc / 20) * np.exp(2j * np.pi * turns * np.arange(n))
    rng = np.random.default_rng(9)
    lines = np.zeros((n, 3), dtype=complex)
    lines[:, 0] = line
    lines += scatter * 0.25 * (rng.standard_normal((n, 3)) + 1j * rng.standard_normal((n, 3)))
    frames = plain_frames(n, level_dbfs=20 * np.log10(0.25), half_orders_fs=lines)
    found = find_half_orders(frames, np.ones(n, dtype=bool), np.ones(n, dtype=bool))
    return found.level_dbc, found.seen


@pytest.mark.parametrize("dbc", [-30.0, -50.0, -65.0])
def test_a_line_that_stands_still_in_the_phase_is_the_tones_own(dbc: float) -> None:
    level, seen = halves(dbc, scatter=1e-5)
    assert seen.all()
    assert np.median(level) == pytest.approx(dbc, abs=0.1)


@pytest.mark.parametrize(("turns", "scatter"), [(0.11, 0.0), (0.0, 0.03)])
def test_a_line_that_turns_or_scatters_is_not(turns: float, scatter: float) -> None:
    level, _ = halves(-50.0, turns, scatter)
    assert np.mean(np.isfinite(level) & (level > -60.0)) < 0.1


@pytest.mark.parametrize(("off_hz", "its_own"), [(0.0, True), (0.2, True), (1.1, False), (2.0, False)])
def test_sidebands_of_ripple_beside_a_half_order_turn_in_a_rest(off_hz: float, its_own: bool) -> None:
    """120 Hz on a tone of 237.8 Hz: 1.1 Hz off half an order, a third of a turn in the rows of 0.3 s."""
    level, _ = halves(-40.0, 0.02 * off_hz, 1e-5)
    assert bool(np.mean(level > -45.0) > 0.9) == its_own
    assert its_own or np.mean(np.isfinite(level) & (level > -60.0)) < 0.1


def test_half_orders_that_change_sign_between_chunks_are_the_tones_own() -> None:
    """Where one chunk counts a cycle more than the next."""
    frames, n = plain_frames(200, level_dbfs=20 * np.log10(0.25)), 200
    lines = np.zeros((n, 3), dtype=complex)
    lines[:, 0] = np.where(np.arange(n) < 90, 0.0025, -0.0025)
    rows = np.ones(n, dtype=bool)
    found = find_half_orders(replace(frames, half_orders_fs=lines), rows, rows).level_dbc
    assert np.mean(found > -41.0) > 0.9


def test_short_frames_show_half_orders_only_at_rest() -> None:
    lines = np.zeros((50, 3), dtype=complex)
    lines[:, 0] = 0.01
    frames = plain_frames(50, f0_hz=150.0, half_orders_fs=lines)
    rows = np.ones(50, dtype=bool)
    assert not find_half_orders(frames, rows, ~rows).seen.any()
    assert find_half_orders(frames, rows, rows).seen.all()


def test_half_orders_are_as_beside_where_they_cannot_be_looked_for() -> None:
    level = np.array([-40.0, -40.0, -np.inf, -np.inf, -np.inf, -np.inf, -60.0])
    seen = np.array([True, True, False, False, False, False, True])
    power = HalfOrders(level_dbc=level, seen=seen).power(np.array([True] * 5 + [False, True]))
    np.testing.assert_allclose(10 * np.log10(power), [-40, -40, -40, -40, -60, -300, -60], atol=1e-6)
    none = HalfOrders(level_dbc=np.full(3, -np.inf), seen=np.zeros(3, dtype=bool))
    assert np.all(none.power(np.ones(3, dtype=bool)) < 1e-20)


@pytest.mark.parametrize(("f0_hz", "heard"), [(551.63, True), (552.0, True), (480.0, False)])
def test_a_half_order_on_a_multiple_of_a_buzz_is_the_buzzs(f0_hz: float, heard: bool) -> None:
    """5/2 of 551.63 Hz is 23 of 59.97 Hz; of 480 Hz every half order is a multiple of 60."""
    lines = np.zeros((100, 3), dtype=complex)
    lines[:, 2] = 0.0025
    frames, rows = plain_frames(100, f0_hz=f0_hz, level_dbfs=20 * np.log10(0.25)), np.ones(100, dtype=bool)
    for buzz_hz, known in ((None, True), (59.97, False)):
        found = find_half_orders(replace(frames, half_orders_fs=lines), rows, rows, buzz_hz).level_dbc
        assert bool(np.median(found) > -41.0) == known
    # alternate cycles that differ have others, too
    lines[:, 0] = 0.0025
    found = find_half_orders(replace(frames, half_orders_fs=lines), rows, rows, 59.97).level_dbc
    assert bool(np.median(found) > -41.0) == heard
