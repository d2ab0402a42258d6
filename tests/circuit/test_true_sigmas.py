"""Figures whose deviation hangs on what nobody states, or on rows that are not read."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.curve.bins import Bins
from listen.circuit.shape import one_bend, overall
from listen.circuit.shaper import pair_lines, read_shaper
from listen.circuit.smoothing import median_of_take

COUPLING_HZ = (3.0, 1.2)


def test_a_median_along_the_dial_holds_for_the_whole_take() -> None:
    """A dial that rests at both ends, whose first and last rows are not read."""
    heard_s = np.arange(0.0, 5.0, 0.02)
    place = np.clip((heard_s - 0.6) / 3.0, 0.0, 1.0) ** 2
    rows = slice(9, -5)
    found, sigma = median_of_take(heard_s[rows], place[rows], heard_s, np.zeros(len(heard_s), dtype=bool))
    assert found == pytest.approx(np.median(place), abs=1e-12)
    assert sigma == 0.0
    assert abs(np.median(place[rows]) - np.median(place)) > 0.01


def test_rows_beyond_the_ends_make_a_median_less_sure_where_the_dial_moves() -> None:
    heard_s = np.arange(0.0, 5.0, 0.02)
    rows, moved = slice(12, None), np.ones(len(heard_s), dtype=bool)
    # what comes from the other side of the median may have been there
    place = np.sin(4 * np.pi * (heard_s - 0.15) / 5.0)
    found, sigma = median_of_take(heard_s[rows], place[rows], heard_s, moved)
    assert abs(found - np.median(place)) < 2.0 * sigma < 0.4
    # at the end of a turn it was further out
    found, sigma = median_of_take(heard_s[rows], heard_s[rows], heard_s, moved)
    assert (found, sigma) == (pytest.approx(np.median(heard_s)), 0.0)


@pytest.mark.parametrize("corner_hz", [1.2, 4.6])
def test_a_coupling_that_nobody_states_takes_its_share_of_the_bow(corner_hz: float) -> None:
    f0 = np.array([100.0])
    bend, sigma, _ = one_bend(0.03 + corner_hz / f0, np.array([1e-4]), f0, *COUPLING_HZ)
    assert sigma == pytest.approx(0.012, rel=0.01)
    assert abs(bend - 0.03) < 2.0 * sigma
    # a turn over two octaves tells the coupling's share by its fall with the pitch
    f0 = np.geomspace(100.0, 400.0, 8)
    bend, wide, misfit = one_bend(0.03 + corner_hz / f0, np.full(8, 1e-4), f0, *COUPLING_HZ)
    assert wide < 0.1 * sigma
    assert bend == pytest.approx(0.03, abs=2.0 * wide)
    assert misfit < 1.0


def test_bins_that_agree_make_the_median_surer_and_those_that_do_not_less_sure() -> None:
    rng = np.random.default_rng(1)
    one = overall(np.array([1.0]), np.array([0.1]))
    assert one == pytest.approx((1.0, 0.1))
    z = [overall(1.0 + 0.1 * rng.standard_normal(8), np.full(8, 0.1)) for _ in range(200)]
    off = np.array([(value - 1.0) / sigma for value, sigma in z])
    assert 0.8 < np.std(off) < 1.2
    apart = overall(np.array([0.0, 1.0, 2.0]), np.full(3, 0.1))
    assert apart[1] > 0.4


def bins(offset: float, noise: float, seed: int, f0_hz: float = 250.0, corner_hz: float = 0.0) -> Bins:
    rng = np.random.default_rng(seed)
    k = np.arange(2, 11)
    r = pair_lines(1.4, offset, 0.505)
    passed = 1.0 / (1.0 - 1j * corner_hz / (f0_hz * np.arange(1, 11)))
    r = r * passed[1:] / np.abs(passed[0]) * np.exp(-1j * k * np.angle(passed[0]))
    r = (r + noise * (rng.standard_normal(9) + 1j * rng.standard_normal(9)))[None]
    flat = np.ones((1, 9))
    return Bins(
        f0_hz=np.array([f0_hz]),
        amplitude_fs=np.array([0.3]),
        r=r,
        sigma=noise * flat,
        # as the rows of a take overlap
        noise=1.7 * noise * flat,
        count=np.array([20]),
        own=np.array([0]),
        weight=1.0,
    )


def test_a_shapers_offset_errs_by_its_deviation() -> None:
    z = []
    for seed in range(40):
        found = read_shaper(bins(0.03, 3e-4, seed), "pair", True)
        assert found is not None
        z.append((found.offset[0] - 0.03) / found.offset_sigma[0])
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3


@pytest.mark.parametrize("corner_hz", [1.0, 5.0])
def test_a_coupling_that_nobody_states_is_in_the_shapers_deviations(corner_hz: float) -> None:
    made = bins(0.03, 1e-5, 1, corner_hz=corner_hz)
    found, known = read_shaper(made, "pair", False), read_shaper(bins(0.03, 1e-5, 1), "pair", True)
    assert found is not None
    assert known is not None
    assert abs(found.offset[0] - 0.03) < 2.0 * found.offset_sigma[0]
    assert found.offset_sigma[0] > 1.5 * known.offset_sigma[0]
