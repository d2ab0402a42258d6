"""Curves before the knees, as in one amplifier, or behind them, as in an output stage behind a loop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.curve.fit import fit, moved
from listen.account.curve.guess import orders_of, reordered, smaller, without
from listen.account.curve.model import Stages, harmonics
from listen.account.curve.wave import settled, waves
from tests.account.test_curve import wien_loop
from tests.account.test_curve_sizes import choice_of

THETA = 2 * np.pi * np.arange(1024) / 1024


@pytest.mark.parametrize(
    ("parts", "inside", "both"),
    [
        ("eT", False, True),
        ("BO", False, True),
        ("DEo", False, True),
        ("dN", False, False),
        ("eo", False, False),
        ("Se", False, False),
        ("eT", True, True),
        ("DT", True, True),
        ("DT", False, False),
        ("De", True, False),
    ],
)
def test_both_orders_are_tried_where_there_are_two(parts: str, inside: bool, both: bool) -> None:
    one = Stages(parts=parts, inside=inside)
    assert (reordered(one) is not None) == both
    assert [each.second_stage for each in orders_of(one, Stages(inside=inside))] == ([False, True] if both else [False])


def test_an_order_that_is_settled_stays() -> None:
    last = Stages(parts="DTe", second_stage=True)
    assert orders_of(last, Stages(parts="Te", second_stage=True)) == [last]


def test_what_is_alone_has_no_order() -> None:
    last = Stages(parts="Teo", second_stage=True)
    assert without(last, "T") == Stages(parts="eo")
    assert without(last, "e") == Stages(parts="To", second_stage=True)


def test_two_knees_may_be_one_level_with_the_curves_before_or_behind() -> None:
    found = smaller(Stages(parts="NPe", second_stage=True))
    assert found[:3] == [
        Stages(parts="Pe", second_stage=True),
        Stages(parts="Ne", second_stage=True),
        Stages(parts="NP"),
    ]
    assert found[3:] == [Stages(parts="Te", second_stage=True), Stages(parts="Te")]
    assert smaller(Stages(parts="NP")) == [Stages(parts="P"), Stages(parts="N"), Stages(parts="T")]


def test_one_level_starts_from_the_middle_of_two() -> None:
    choice = choice_of("NP", P=0.9, N=0.96)
    vector, layout = moved(choice.best, Stages(parts="T"), choice.bins)
    assert vector[layout.at["T"]] == pytest.approx(0.93)


@pytest.mark.parametrize("last", [False, True])
def test_a_curve_takes_what_it_gets(last: bool) -> None:
    """Of a clipped sine, or of the sine that is then clipped: Chebyshev's polynomials, against their definition."""
    ways = {"second_stage": last}
    values = choice_of("Teo", ways=ways, knee=np.log(1e-3), T=0.8, er=0.05, oi=0.02, **{"or": -0.03}).best.values
    u = waves(values, settled(values, np.zeros((3, 9), dtype=complex)), 1024)[0]
    u = u - u.mean()

    def curved(v: np.ndarray) -> np.ndarray:
        return v + 0.05 * (2 * v**2 - 1) - 0.03 * (4 * v**3 - 3 * v) - 0.02 * np.sin(3 * THETA)

    sine = np.cos(THETA)
    wanted = curved(np.clip(sine, -0.8, 0.8)) if last else np.clip(curved(sine), -0.8, 0.8)
    np.testing.assert_allclose(u, wanted - wanted.mean(), atol=1e-3)


def test_a_curve_behind_diodes_mixes_their_harmonics() -> None:
    """A square law makes H4 of H1 with H3 and H5, twice its part of the sum."""
    fits = [fit(Stages(parts="Be", second_stage=last), choice_of("").bins, rounds=0) for last in (False, True)]
    lines = []
    for one in fits:
        vector = one.vector.copy()
        for name, value in (("B", 0.1), ("er", 0.08)):
            vector[one.layout.at[name]] = value
        lines.append(harmonics(one.layout.values(vector), np.zeros((3, 9), dtype=complex)).lines[0])
    h3, h4, h5 = lines[1][1:4]
    assert abs(h3) > 0.02
    assert abs(h4) == pytest.approx(2 * 0.08 * abs(h3 + h5), rel=0.15)
    # before them it is bent itself
    assert abs(lines[0][2]) > 2 * abs(h4)


@pytest.mark.parametrize(("level", "dead"), [(0.9, 0.03), (0.7, 0.0), (0.97, 0.1)])
def test_what_goes_round_a_loop_ends_where_the_second_stage_begins(level: float, dead: float) -> None:
    """A Wien loop whose rails hold it, gone round 400 times, and a dead band behind it that it does not see."""
    cycle = wien_loop(lambda u: np.clip(u, -level, level), 3.2)
    looped = np.fft.rfft(cycle)
    first = 2 * abs(looped[1]) / len(cycle)
    behind = np.sign(cycle) * np.maximum(np.abs(cycle) - dead * first, 0.0)
    lines = np.fft.rfft(behind)
    wanted = np.abs(lines[2:11] / lines[1])
    # the stage's own amplitude is that of the amplifier's input times its gain
    own = 3.2 * first / 3.0
    choice = choice_of("DT", ways={"inside": True, "second_stage": True}, knee=np.log(1e-3), T=level / own)
    values = choice.best.layout.values(choice.best.vector)
    values = replace(values, dead=np.full(3, dead * first / own), lag=np.zeros(3), knee=np.full(3, 1e-3))
    found = np.abs(harmonics(values, np.zeros((3, 9), dtype=complex)).lines[0])
    np.testing.assert_allclose(found, wanted, atol=2e-3)


@pytest.mark.parametrize(("level", "third", "off"), [(1.0, 0.045, 2e-5), (0.95, 0.12, 5e-4), (0.7, 0.28, 2e-2)])
def test_what_goes_round_a_loop_is_found_in_a_few_turns(
    monkeypatch: pytest.MonkeyPatch, level: float, third: float, off: float
) -> None:
    """Against what 60 turns give, of diodes and rails in the loop; the more distorted, the less near."""
    held = 0.05 if level == 1.0 else 0.1
    values = choice_of(
        "BDT", ways={"inside": True, "second_stage": True}, knee=np.log(0.01), B=held, T=level
    ).best.values
    few = settled(values, np.zeros((3, 9), dtype=complex)).loop[0]
    monkeypatch.setattr("listen.account.curve.wave.LOOP_TURNS", 60)
    many = settled(values, np.zeros((3, 9), dtype=complex)).loop[0]
    assert abs(many[1]) == pytest.approx(third, rel=0.1)
    assert np.abs(few - many).max() < off
