"""The ring of a level loop along the dial, and what it makes of a turn and of a tone that comes back."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.loop_ring import LoopRing, driven, loop_ring, unsettled_after
from listen.account.settling import Settling
from tests.accounts import tone_on_grid

GRID = 0.012 + 0.005 * np.arange(1200)


def ring_at(f0_hz: float, rate_hz: float, decay_s: float, *, db: float = 4.0, share: float = 0.99) -> Settling:
    return Settling(
        retune_s=1.0, f0_hz=f0_hz, ring=True, deviation_db=db, decay_s=decay_s, rate_hz=rate_hz, share=share
    )


def test_two_rings_tell_how_rate_and_decay_go_along_the_dial() -> None:
    """A rate as the root of the pitch, a decay as its periods."""
    found = loop_ring([ring_at(100.0, 1.0, 1.6), ring_at(400.0, 2.0, 0.4)], 1.0)
    assert found is not None
    assert found.rate_at(np.array([100.0, 225.0])) == pytest.approx([1.0, 1.5])
    assert found.decay_at(np.array([200.0, 800.0])) == pytest.approx([0.8, 0.2])


def test_one_ring_tells_no_law_and_an_unclear_one_nothing() -> None:
    found = loop_ring([ring_at(200.0, 2.0, 0.3), ring_at(210.0, 2.2, 0.25)], 1.0)
    assert found is not None
    assert (found.rate_law, found.decay_law) == (0.5, -0.5)
    assert loop_ring([ring_at(200.0, 2.0, 0.3, share=0.5)], 1.0) is None
    assert loop_ring([ring_at(200.0, 2.0, 0.3, db=0.8)], 1.0) is None
    assert loop_ring([ring_at(200.0, 0.0, 0.3)], 1.0) is None


def test_a_step_rings_about_its_own_size() -> None:
    """x'' + 2 x' / T + w^2 x = w^2 u: 1 - e^(-t / T) (cos wd t + sin wd t / (wd T)), any textbook of control."""
    ring = LoopRing(f0_hz=300.0, rate_hz=2.0, decay_s=0.4, rate_law=0.5, decay_law=-0.5)
    tone = tone_on_grid(GRID, 300.0, np.full(len(GRID), -2.0))
    found = driven(tone, ring, np.where(GRID > 1.0, 1.0, 0.0))
    since = np.maximum(GRID - 1.0, 0.0)
    turn = 2 * np.pi * 2.0 * since
    exact = 1.0 - np.exp(-since / 0.4) * (np.cos(turn) + np.sin(turn) / (2 * np.pi * 2.0 * 0.4))
    np.testing.assert_allclose(found, exact, atol=0.05)
    assert found.max() > 1.4
    assert found[-1] == pytest.approx(1.0, abs=1e-3)


def test_after_a_tone_came_back_the_loop_rings_for_some_decays() -> None:
    """At 100 Hz four times as long as at 400 Hz, where the decay goes with the periods."""
    ring = LoopRing(f0_hz=200.0, rate_hz=2.0, decay_s=0.2, rate_law=0.5, decay_law=-1.0)
    for f0_hz, over_s in ((100.0, 1.4), (400.0, 0.35)):
        tone = tone_on_grid(GRID, f0_hz, np.full(len(GRID), -2.0))
        out = unsettled_after(tone, ring, [2.0], GRID)
        assert GRID[out].min() == pytest.approx(2.0, abs=0.006)
        assert GRID[out].max() == pytest.approx(2.0 + over_s, abs=0.011)
    assert not unsettled_after(tone, ring, [], GRID).any()
