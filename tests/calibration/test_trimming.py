"""The trimmer: pivot, effect and turns left from two tables; never a direction from one."""

from __future__ import annotations

import numpy as np
import pytest

from listen.calibration import TableSettings, Trimming, calibration_of
from listen.calibration.trimming import note_move_cents
from listen.calibration.types import Step
from listen.errors import OptionError

VOLTS = np.arange(0.0, 5.5, 0.5)


def table(scale: float, pivot_v: float, dead_s: float = 0.0, noise_cents: float = 0.0, seed: int = 1) -> np.ndarray:
    """Pitches of a build whose scale trimmer pivots at a voltage: the pitch there stays."""
    pitch_hz = 55.0 * 2.0**pivot_v
    ideal = pitch_hz * 2.0 ** (scale * (VOLTS - pivot_v))
    hz = 1.0 / (1.0 / ideal + dead_s)
    return hz * 2.0 ** (noise_cents * np.random.default_rng(seed).standard_normal(len(VOLTS)) / 1200.0)


def steps(hz: np.ndarray) -> list[Step]:
    return [
        Step(cv_v=float(v), f0_hz=float(f), f0_sigma_cents=0.02, settling_s=0.0, start_s=0.0, end_s=1.0)
        for v, f in zip(VOLTS, hz, strict=True)
    ]


def advised(hz: np.ndarray, **known: object) -> tuple:
    made = calibration_of(steps(hz), TableSettings(trimming=Trimming(**known)))  # type: ignore[arg-type]
    return made, " ".join(made.advice)


@pytest.mark.parametrize("pivot_v", [-2.0, 0.0, 2.5, 6.0])
@pytest.mark.parametrize("a_turn", [-0.012, 0.009])
@pytest.mark.parametrize("dead_s", [0.0, 3e-6])
def test_pivot_and_turns_left(pivot_v, a_turn, dead_s):
    """A scale 1 % narrow after a quarter turn: the pivot within 0.1 V, the turns left within 5 %."""
    after = 0.99
    before = table(after - 0.25 * a_turn, pivot_v, dead_s, 0.05, 1)
    made, said = advised(
        table(after, pivot_v, dead_s, 0.05, 2), before=tuple(zip(VOLTS, before, strict=True)), turned=0.25
    )
    left = 0.01 / a_turn
    assert made.trim.pivot_v == pytest.approx(pivot_v, abs=0.1)
    assert made.trim.turns_left == pytest.approx(left, rel=0.05)
    assert made.trim.cents_per_octave_per_turn == pytest.approx(1200.0 * a_turn, rel=0.03)
    assert f"trimmer {'clockwise' if left > 0 else 'anticlockwise'} {abs(left):.1f}" in said


@pytest.mark.parametrize("pivot_v", [-2.0, 1.0, 6.0])
def test_the_note_to_watch_is_where_the_trimmer_takes_it(pivot_v):
    """Turning on until the scale is right moves the watched note to what is advised, about the pivot."""
    before, after = table(0.98, pivot_v), table(0.99, pivot_v)
    made, _ = advised(after, before=tuple(zip(VOLTS, before, strict=True)), turned=1.0)
    right = table(1.0, pivot_v)
    at = int(np.argmin(np.abs(VOLTS - made.trim.trim_at_v)))
    assert made.trim.reads_hz == pytest.approx(after[at], rel=1e-9)
    assert made.trim.should_read_hz == pytest.approx(right[at], rel=1e-5)


def test_a_flat_note_below_the_pivot_goes_flatter():
    """100 Hz, and three octaves up 785 instead of 800: pivot at 6 V, down by the error; at 0 V, up."""
    error = 1200.0 * np.log2(785.0 / 800.0)
    assert error == pytest.approx(-32.8, abs=0.05)
    assert note_move_cents(error, 0.0, 3.0, 6.0) == pytest.approx(-32.8, abs=0.05)
    assert note_move_cents(error, 0.0, 3.0, 0.0) == pytest.approx(32.8, abs=0.05)
    assert 785.0 * 2.0 ** (note_move_cents(error, 0.0, 3.0, 6.0) / 1200.0) == pytest.approx(770.0, abs=0.5)


def test_one_table_gives_no_direction():
    _, said = advised(table(0.99, 0.0))
    assert "narrow" in said
    assert "cannot be told from one table" in said
    assert "clockwise" not in said


@pytest.mark.parametrize(("note", "scale", "way"), [
    ("wider", 0.99, " clockwise"), ("narrower", 0.99, " anticlockwise"),
    ("wider", 1.01, " anticlockwise"), ("narrower", 1.01, " clockwise"),
])  # fmt: skip
def test_the_users_own_note_gives_one(note, scale, way):
    _, said = advised(table(scale, 0.0), clockwise=note)
    assert f"turn{way}, in small steps" in said


def test_a_turn_that_did_nothing_is_said():
    made, said = advised(
        table(0.99, 0.0, noise_cents=0.02, seed=2),
        before=tuple(zip(VOLTS, table(0.99, 0.0, noise_cents=0.02), strict=True)),
        turned=0.5,
    )
    assert made.trim.turns_left is None
    assert "changed nothing" in said


def test_tables_over_other_ranges_are_refused():
    with pytest.raises(OptionError, match="shares fewer than two"):
        advised(table(0.99, 0.0), before=((7.0, 1000.0), (8.0, 2000.0)), turned=0.5)
