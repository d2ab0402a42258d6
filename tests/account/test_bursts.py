"""Bursts at one place of the cycle."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.bursts import find_bursts
from tests.accounts import plain_frames


def folded(dbc: float, place: int, n: int = 60) -> object:
    """A burst on one sixteenth of the cycle over an even floor: mean squares of the residual and of its steps."""
    fold = np.full((n, 2, 16), 1e-10)
    fold[:, :, place] = 16 * 0.5 * 0.25**2 * 10 ** (dbc / 10)
    return plain_frames(n, level_dbfs=20 * np.log10(0.25), residual_fold=fold, residual_dbc=dbc)


@pytest.mark.parametrize("place", [0, 4, 8])
@pytest.mark.parametrize("dbc", [-30.0, -48.0])
def test_size_and_place_of_a_burst(dbc: float, place: int) -> None:
    frames = folded(dbc, place)
    found = find_bursts(frames, np.ones(60, dtype=bool), np.zeros(60), [])
    np.testing.assert_allclose(found.level_dbc, dbc, atol=0.1)
    np.testing.assert_allclose(found.cycle, place / 16)


@pytest.mark.parametrize(("spur_hz", "told"), [(8_100.0, False), (3_000.0, True)])
def test_a_whine_that_passes_a_harmonic_is_no_burst_in_step(spur_hz: float, told: bool) -> None:
    """Rows 30 to 40: one high harmonic of -44 dBc; before and after, a line of as much beside the harmonics."""
    row = np.arange(60)
    inside = (row >= 30) & (row < 40)
    frames = plain_frames(
        60,
        high_dbc=np.where(inside, -44.0, -90.0),
        high_hz=8_050.0,
        harmonics_dbc=np.full((60, 9), -90.0),
        spur_hz=spur_hz,
        spur_dbc=np.where(inside, -90.0, -44.0),
    )
    level = find_bursts(frames, np.ones(60, dtype=bool), np.zeros(60), []).level_dbc
    assert bool((level[inside] > -50.0).any()) is told


def test_an_even_residual_is_no_burst() -> None:
    rng = np.random.default_rng(4)
    frames = plain_frames(60, residual_fold=1e-6 * rng.uniform(0.7, 1.3, (60, 2, 16)))
    assert not np.isfinite(find_bursts(frames, np.ones(60, dtype=bool), np.zeros(60), []).level_dbc).any()


def test_what_other_parts_explain_is_no_burst() -> None:
    frames = folded(-48.0, 3)
    taken = np.full(60, 10 ** (-44.0 / 10))
    assert not np.isfinite(find_bursts(frames, np.ones(60, dtype=bool), taken, []).level_dbc).any()


def test_a_burst_that_wanders_round_the_cycle_is_none() -> None:
    frames = folded(-40.0, 0)
    fold = np.array([np.roll(frames.residual_fold[i], 5 * i, axis=1) for i in range(60)])
    wandering = plain_frames(60, level_dbfs=20 * np.log10(0.25), residual_fold=fold)
    found = find_bursts(wandering, np.ones(60, dtype=bool), np.zeros(60), [])
    assert not np.isfinite(found.level_dbc[10:-10]).any()


@pytest.mark.parametrize(("high_dbc", "seen"), [(-50.0, True), (-40.0, False)])
def test_edges_leave_jitter_that_is_no_burst(high_dbc: float, seen: bool) -> None:
    """A burst of -66 dBc: where the harmonics above the tenth have -40 dBc (a triangle has -38, its series), their
    jitter may leave more; one clipped half (-49) leaves less."""
    found = find_bursts(
        plain_frames(
            60,
            level_dbfs=20 * np.log10(0.25),
            residual_fold=folded(-66.0, 0).residual_fold,
            high_dbc=high_dbc,
            harmonics_dbc=np.full((60, 9), -30.0),
        ),
        np.ones(60, dtype=bool),
        np.zeros(60),
        [],
    )
    assert bool(np.isfinite(found.level_dbc).all()) == seen
    assert bool(np.isfinite(found.level_dbc).any()) == seen
