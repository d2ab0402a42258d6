"""What the parts of a chosen curve come to, against waves that are clipped, held and banded directly.

A rounded knee is the one of the model, u - (e + sqrt(e^2 + w^2)) / 2 of the excess e over its level, worked out here on
a cosine of 2048 points; a follower of unlike limits is stepped.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from listen.account.curve.bins import Bins
from listen.account.curve.choose import Choice
from listen.account.curve.fit import Fit
from listen.account.curve.measure import Sizes, sizes_of
from listen.account.curve.model import Stages
from listen.account.curve.parameters import Layout

POINTS = 2048
THETA = 2 * np.pi * np.arange(POINTS) / POINTS
SINE = np.cos(THETA)
F0_HZ, LEVEL = np.array([500.0, 1_000.0, 2_000.0]), np.array([0.4, 0.4, 0.2])
SINE_FLAT = np.arccos(0.98) / np.pi


def choice_of(parts: str, r: np.ndarray | None = None, ways: dict[str, Any] | None = None, **unknowns: Any) -> Choice:
    """A choice with these unknowns as they are; what was measured is nothing but a sine unless it is said."""
    n = len(F0_HZ)
    sigma = np.full((n, 9), 1e-3)
    bins = Bins(
        f0_hz=F0_HZ,
        amplitude_fs=LEVEL,
        r=np.zeros((n, 9), dtype=complex) if r is None else r,
        sigma=sigma,
        noise=sigma,
        count=np.array([5, 9, 7]),
        own=np.full(4, -1, dtype=np.int64),
        weight=1.0,
    )
    stages = Stages(parts=parts, **(ways or {}))
    layout = Layout(stages, bins)
    vector = layout.start()
    for name, value in unknowns.items():
        vector[layout.at[name]] = value
    none: dict[str, Any] = {"chi2": 0.0, "prior": 0.0, "freedom": 0.0, "score": 0.0, "settled": True, "damping": 0.1}
    best = Fit(stages=stages, vector=vector, covariance=np.eye(len(vector)), layout=layout, **none)
    return Choice(bins=bins, best=best, tried=())


def sizes(parts: str, r: np.ndarray | None = None, ways: dict[str, Any] | None = None, **unknowns: Any) -> Sizes:
    return sizes_of(choice_of(parts, r, ways, **unknowns))


def knee(level: float, width: float, letter: str) -> np.ndarray:
    u = SINE
    for sign, there in ((1.0, letter in "PT"), (-1.0, letter in "NT")):
        if there:
            excess = sign * u - level
            u = u - sign * 0.5 * (excess + np.sqrt(excess**2 + width**2))
    return u


def figures(wave: np.ndarray) -> dict[str, float]:
    u = wave - wave.mean()
    first = 2 * abs(np.fft.rfft(u)[1]) / POINTS
    up, down = u.max(), -u.min()
    out = {"up": up / first, "down": down / first, "gain": first}
    out["flat_up"] = float(np.mean(u >= 0.98 * up)) / SINE_FLAT
    return out | {"flat_down": float(np.mean(-u >= 0.98 * down)) / SINE_FLAT}


def loss_of(found: dict[str, float], both: bool) -> float:
    up, down = found["up"], found["down"]
    return 1 - max(up, down) if both else 1 - min(up, down) / max(up, down)


@lru_cache(maxsize=64)
def hardness(level: float, width: float, letter: str) -> float:
    """Flat span between a sine's and that of a sharp clip with the same loss."""
    mine, both = figures(knee(level, width, letter)), letter == "T"
    wanted, low, high = loss_of(mine, both), 0.2, 1.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if loss_of(figures(knee(middle, 1e-4, letter)), both) > wanted else (low, middle)
    side = "flat_down" if letter == "N" else "flat_up"
    return (mine[side] - 1) / (figures(knee(middle, 1e-4, letter))[side] - 1)


def bent(u: np.ndarray, held: float, at: float, width: float) -> np.ndarray:
    """Volts over a resistor with diodes across it, v + sinh(v / w) / sinh(1 / w) = x turned round, on top of u."""
    v = np.linspace(-2.0, 2.0, 200_001)
    return u + held * np.interp(u / at, v + np.sinh(v / width) / np.sinh(1 / width), v)


@pytest.mark.parametrize("level", [1.0, 1.06])
@pytest.mark.parametrize("letter", ["P", "T"])
def test_a_knee_behind_diodes_loses_what_it_takes_of_their_wave(letter: str, level: float) -> None:
    """Their wave is some 2 % lower than a sine of its fundamental: the knee took none of that."""
    found = sizes(letter + "B", knee=np.log(0.001), B=0.08, q=np.log(0.35), w=np.log(0.07), **{letter: level})
    low, high = 0.5, 1.0
    for _ in range(40):
        a = 0.5 * (low + high)
        plain = bent(a * SINE, 0.08, 0.35, 0.07)
        cut = np.clip(plain, -level * a if letter == "T" else None, level * a)
        low, high = (a, high) if figures(cut)["gain"] < 1.0 else (low, a)
    before, after = figures(plain), figures(cut)
    assert 0.01 < 1 - before["up"] < 0.03
    wanted = 1 - after["up"] / before["up"] if letter == "T" else 1 - after["up"] / after["down"]
    loss = found.loss_both if letter == "T" else found.loss_one
    # the last pitch is at half the level
    assert loss[:2] == pytest.approx(wanted, abs=1e-3)
    assert found.hard


@pytest.mark.parametrize("letter", ["P", "N", "T"])
@pytest.mark.parametrize(("level", "width"), [(0.85, 0.01), (0.6, 0.05), (0.9, 0.2)])
def test_a_knee_loses_what_the_wave_loses(letter: str, level: float, width: float) -> None:
    found = sizes(letter, knee=np.log(width), **{letter: level})
    wanted = figures(knee(level, width, letter))
    both = letter == "T"
    # one knee after the other: where they are round the second half is a little lower
    assert found.loss_one == pytest.approx(0.0 if both else loss_of(wanted, False), abs=4e-3 if both else 1e-3)
    assert found.loss_both == pytest.approx(max(loss_of(wanted, True), 0.0), abs=1e-3)
    assert found.flat_positive == pytest.approx(wanted["flat_up"], abs=0.04)
    assert found.flat_negative == pytest.approx(wanted["flat_down"], abs=0.04)
    assert found.gain == pytest.approx(wanted["gain"], abs=1e-3)
    assert found.crest_positive == pytest.approx(wanted["up"], abs=1e-3)
    assert found.crest_negative == pytest.approx(wanted["down"], abs=1e-3)
    if not both:
        assert (found.positive == (letter == "P")).all()
    assert found.slopes_fs_per_s == (0.0, 0.0)
    assert found.dead.max() == found.slope_short.max() == found.even.max() == found.odd.max() == 0.0


@pytest.mark.parametrize("letter", ["P", "N", "T"])
@pytest.mark.parametrize("share", [0.38, 0.44, 0.56, 0.65])
@pytest.mark.parametrize("level", [0.75, 0.24])
def test_a_half_is_flattened_from_the_middle_between_a_sine_and_a_clip(letter: str, level: float, share: float) -> None:
    widths = np.geomspace(0.01, 0.38, 14)
    hard = np.array([hardness(level, width, letter) for width in widths.tolist()])
    if not hard.min() < share < hard.max():
        pytest.skip("no knee of this level is so soft, or so hard")
    width = float(np.interp(-share, -hard, widths))
    assert hardness(level, width, letter) == pytest.approx(share, abs=0.04)
    assert sizes(letter, knee=np.log(width), **{letter: level}).hard == (share > 0.5)


def test_without_a_knee_nothing_is_hard() -> None:
    found = sizes("eo", er=0.01, ei=0.02, **{"or": 0.03, "oi": -0.04})
    assert not found.hard
    assert found.even == pytest.approx(np.hypot(0.01, 0.02))
    assert found.odd == pytest.approx(0.05)
    # a Wien loop hands them back: times 1 - 3j / (k - 1 / k), any handbook's network
    inside = sizes("eo", ways={"inside": True}, er=0.01, ei=0.02, **{"or": 0.03, "oi": -0.04})
    assert inside.even / found.even == pytest.approx(abs(1 - 3j / 1.5))
    assert inside.odd / found.odd == pytest.approx(abs(1 - 3j / (8 / 3)))


def slew(steep: float, lean: float = 0.0) -> np.ndarray:
    n = 2048
    step = 2 * np.pi / n / steep
    up, down = step * np.exp(lean), step * np.exp(-lean)
    y, out = 1.0, np.empty(4 * n)
    for i, x in enumerate(np.tile(np.cos(2 * np.pi * np.arange(n) / n), 4).tolist()):
        y += min(max(x - y, -down), up)
        out[i] = y
    return out[-n:]


@pytest.mark.parametrize("lean", [0.0, 0.2, -0.2])
def test_a_limited_slope_is_short_by_what_the_fundamental_would_have(lean: float) -> None:
    """An onset of 1 kHz: at 2 kHz the limit is half of the sine's own slope, and the fundamental less than it."""
    found = sizes("S", ways={"slope": "hz"}, S=np.log(0.5), lean=lean)
    wanted, rates = [], []
    for i, steep in enumerate((0.5, 1.0, 2.0)):
        first = 2 * abs(np.fft.rfft(slew(steep, lean))[1]) / 2048
        least = np.exp(-abs(lean)) / steep / first
        wanted.append(max(1 - least, 0.0))
        rates.append(2 * np.pi * F0_HZ[i] * LEVEL[i] / first / steep * np.exp(np.array([lean, -lean])))
    assert found.slope_short == pytest.approx(wanted, abs=0.01)
    held = [2] if lean == 0.0 else [1, 2]
    assert found.slopes_fs_per_s == pytest.approx(np.median([rates[i] for i in held], axis=0), rel=0.01)
    assert found.slope_fs_per_s == min(found.slopes_fs_per_s)
    assert found.steep == pytest.approx(np.outer([0.5, 1.0, 2.0], np.exp([-lean, lean])), rel=1e-6)
    assert found.steepest == pytest.approx(np.array([0.5, 1.0, 2.0]) * np.exp(abs(lean)))


def test_a_limit_that_is_reached_nowhere_is_the_middle_of_all() -> None:
    found = sizes("S", ways={"slope": "hz"}, S=np.log(2.0))
    rates = [2 * np.pi * f * a / (f / 4_000.0) for f, a in zip(F0_HZ.tolist(), LEVEL.tolist(), strict=True)]
    assert found.slope_fs_per_s == pytest.approx(np.median(rates), rel=0.01)
    assert found.slope_short == pytest.approx(0.0)


def test_a_limit_in_volts_a_second_is_the_same_for_all() -> None:
    found = sizes("S", ways={"slope": "fs"}, S=0.2)
    assert found.slope_fs_per_s == pytest.approx(2 * np.pi * np.max(F0_HZ * LEVEL) * np.exp(0.2), rel=0.01)


def test_a_dead_band_is_what_was_fitted() -> None:
    found = sizes("D", D=0.07)
    assert found.dead == pytest.approx(0.07)
    assert not found.hard
    assert found.loss_one.max() == 0.0


def test_what_is_measured_beyond_the_parts_is_left_over() -> None:
    """Even and odd harmonics that no knee makes, root of their squares; of a hard knee's own nothing is left."""
    spectrum = np.fft.rfft(knee(0.8, 0.012, "P"))[1:11]
    own = spectrum[1:] / spectrum[0]
    more = np.zeros(9, dtype=complex)
    more[[0, 4]], more[[1, 3]] = (0.03, 0.04j), (0.006, 0.008)
    found = sizes("P", np.tile(own + more, (3, 1)), knee=np.log(0.012), P=0.8)
    assert found.hard
    even = np.sqrt(np.sum(np.abs(more[0::2]) ** 2))
    odd = np.sqrt(np.sum(np.abs(more[1::2]) ** 2))
    assert found.residual_even == pytest.approx(even, abs=3e-4)
    assert found.residual_odd == pytest.approx(odd, abs=3e-4)
    # a soft knee is a curve: what it makes stays
    soft = sizes("P", np.tile(own, (3, 1)), knee=np.log(0.38), P=0.95)
    assert not soft.hard
    assert soft.residual_even == pytest.approx(np.sqrt(np.sum(np.abs(own[0::2]) ** 2)), rel=1e-6)


def test_diodes_are_an_odd_curve() -> None:
    """Beside a curve of its own they add as squares."""
    alone = sizes("B", B=0.2, q=np.log(0.3)).odd
    assert (alone[:2] > 0.01).all()
    both = sizes("Bo", B=0.2, q=np.log(0.3), **{"or": 0.03, "oi": 0.0}).odd
    assert both == pytest.approx(np.hypot(alone, 0.03), rel=1e-6)


def test_a_column_in_each_row_is_straight_in_the_logarithm_of_the_pitch() -> None:
    found = sizes("")
    values = np.array([1.0, 2.0, 4.0])
    at = found.at(values, np.array([100.0, 500.0, 500.0 * 2**0.5, 1_000.0 * 2**0.5, 9_000.0, np.nan, -1.0]))
    assert at == pytest.approx([1.0, 1.0, 1.5, 3.0, 4.0, 1.0, 1.0])


def test_rows_of_a_pitch_with_states_have_their_own() -> None:
    """Elsewhere such a pitch stands for the state in which it was longest."""
    two = replace(sizes(""), f0_hz=np.array([500.0, 1_000.0, 1_000.0, 2_000.0]), count=np.array([5, 9, 7, 4]))
    two = replace(two, own=np.array([-1, 1, 2, -1, -1]))
    values = np.array([1.0, 2.0, 8.0, 4.0])
    found = two.at(values, np.array([500.0, 1_000.0, 1_000.0, 1_000.0 * 2**0.5, 1_000.0]))
    assert found == pytest.approx([1.0, 2.0, 8.0, 3.0, 2.0])
    longer = replace(two, count=np.array([5, 6, 7, 4]))
    assert longer.at(values, np.array([500.0, 1_000.0, 1_000.0, 2_000.0, 1_000.0])) == pytest.approx([1, 2, 8, 4, 8])
