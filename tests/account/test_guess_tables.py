"""The tables that lead a fit: a slewing follower by simulation, and grids fine enough for what lies between."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.curve import guess
from listen.account.curve.guess import own_steepness
from tests.account.test_curve import bins_of


def slewed_fundamental(steepness: float) -> float:
    """Fundamental of a sine through an ideal follower whose slope is limited to 1 / steepness of the sine's."""
    points = 20_000
    step = 2 * np.pi / points
    phase = step * np.arange(3 * points)
    wanted, most = np.sin(phase), step / max(steepness, 1e-9)
    out = np.empty_like(wanted)
    held = 0.0
    for i, value in enumerate(wanted.tolist()):
        held += min(max(value - held, -most), most)
        out[i] = held
    last = slice(2 * points, None)
    return float(2 * abs(np.mean(out[last] * np.exp(-1j * phase[last]))))


@pytest.mark.parametrize("place", range(1, 14))
def test_the_fundamental_of_a_follower_is_as_simulated(place: int) -> None:
    steepness = float(guess._OWN[place])
    assert guess._FUNDAMENTAL[place] == pytest.approx(slewed_fundamental(steepness), abs=3e-4)


@pytest.mark.parametrize("steepness", [0.5, 1.01, 1.08, 1.23, 1.44, 1.67, 1.84])
def test_steepness_is_read_back_from_the_output(steepness: float) -> None:
    seen = steepness * slewed_fundamental(steepness)
    # near the full triangle, at 1.86, the output hardly grows any more
    assert own_steepness(np.array([seen]))[0] == pytest.approx(steepness, abs=0.01 if steepness < 1.5 else 0.05)


@pytest.mark.parametrize(
    ("grid", "first", "last", "apart"),
    [
        (guess._LEVELS, 0.3, 1.06, 1.1),
        (guess._DEAD[1:], 0.003, 0.3, 1.7),
        (guess._STEEP, 0.9, 2.5, 1.35),
        (np.exp(guess._ONSETS), 0.407, 1.733, 1.063),
    ],
)
def test_grids_rise_in_small_steps(grid: np.ndarray, first: float, last: float, apart: float) -> None:
    ratio = grid[1:] / grid[:-1]
    assert (ratio > 1.0).all()
    assert ratio.max() < apart
    assert grid[0] == pytest.approx(first, rel=2e-3)
    assert grid[-1] == pytest.approx(last, rel=2e-3)
    # a step is like the ones beside it: no value is out of place
    assert (np.abs(np.diff(np.log(ratio))) < 0.8 * np.log(apart)).all()


def test_tables_hold_what_a_sine_gives() -> None:
    """No dead band, no clipping, no slewing: nothing but the sine."""
    assert guess._DEAD[0] == 0.0
    assert 1.0 < guess.UNBOUND < guess._LEVELS[-1]


def test_what_each_part_costs_where_nothing_is_left_to_explain() -> None:
    """ln N a parameter (Schwarz), a bend and a curve have two; half of it a bin for a level that is free along the
    pitch, and all of it for a curve that is: two numbers at half."""
    bins = bins_of(np.array([1.0, 0.0]))
    price = float(np.log(bins.independent))
    found = guess.guesses(bins, np.zeros_like(bins.r), guess.of_a_sine(), far=True)
    least: dict[tuple[str, str], float] = {}
    for one in found:
        least[one.letter, one.way] = min(one.cost, least.get((one.letter, one.way), np.inf))
    free = 0.5 * price * len(bins)
    wanted = {(letter, "along"): free for letter in "PNT"} | {("D", ""): price, ("d", ""): free}
    wanted |= {("e", ""): 2 * price, ("o", ""): 2 * price, ("E", ""): 2 * free, ("O", ""): 2 * free}
    assert {key: least[key] for key in wanted} == pytest.approx(wanted, rel=1e-6)
    for key in (("S", "fs"), ("S", "hz"), ("P", "fs"), ("P", "share")):
        # the grid's nearest to nothing is not quite nothing
        assert price <= least[key] < price + 1.0
    assert found == sorted(found, key=lambda one: one.cost)
