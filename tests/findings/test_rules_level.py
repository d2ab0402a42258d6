"""The rule of the level law: along the tuning, and in time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.level_law import LevelLaw
from listen.findings import load_limits
from listen.findings.rules_level import level_candidates
from tests.accounts import account_of

LIMITS = load_limits(None, gain_control=None)
TIMES = np.linspace(1.0, 5.0, 101)


def law(span_db: float = 0.1, time_span_db: float = 0.1, **changes: Any) -> LevelLaw:
    f0_hz = 200.0 * 2 ** (2.0 * (TIMES - 1.0) / 4.0)
    values: dict[str, Any] = {
        "knots_hz": np.array([200.0, 800.0]),
        "level_db": np.array([-12.0, -12.0 + span_db]),
        "span_db": span_db,
        "highest_hz": 800.0,
        "lowest_hz": 200.0,
        "time_span_db": time_span_db,
        "time_s": TIMES,
        "law_db": -12.0 + span_db * np.linspace(0.0, 1.0, 101),
        "rest_db": time_span_db * np.linspace(-0.5, 0.5, 77),
        "f0_hz": f0_hz,
    }
    return LevelLaw(**(values | changes))


def found(limits: Any = LIMITS, **changes: Any) -> list[Any]:
    return level_candidates(account_of(law=law(**changes), ids={"law": "level"}), limits)


@pytest.mark.parametrize("column", ["span_db", "time_span_db"])
@pytest.mark.parametrize(("size", "severity"), [(0.99, None), (1.0, "attention"), (2.99, "attention"), (3.0, "fault")])
def test_a_span_at_its_limits(column: str, size: float, severity: str | None) -> None:
    candidates = found(**{column: size})
    assert [c.severity for c in candidates] == ([severity] if severity else [])
    if candidates:
        assert candidates[0].variant == ("plain" if column == "span_db" else "passes")
        assert candidates[0].measured.span_db == size


def test_the_worse_of_both_is_the_severity_and_the_tuning_comes_first() -> None:
    (one,) = found(span_db=1.5, time_span_db=4.0)
    assert (one.severity, one.variant, one.measured.span_db) == ("fault", "plain", 1.5)


def test_on_one_note_what_moves_moves_in_time() -> None:
    (one,) = found(span_db=1.5, time_span_db=1.5, f0_hz=np.full(101, 440.0))
    assert one.variant == "time"


def test_the_numbers_and_the_place() -> None:
    """A straight law: more than 0.35 of its span off its middle are its first and last seventh."""
    (one,) = found(span_db=2.0)
    assert (one.kind, one.part) == ("level-drift", "level")
    assert (one.measured.highest_at_hz, one.measured.lowest_at_hz) == (800.0, 200.0)
    assert (one.measured.highest_dbfs, one.measured.lowest_dbfs) == (pytest.approx(-10.0), pytest.approx(-12.0))
    assert (one.start_s, one.end_s, one.f0_low_hz, one.f0_high_hz) == (1.0, 5.0, 200.0, pytest.approx(800.0))
    # a bump in the middle alone
    bump = -12.0 + 2.0 * np.exp(-(((TIMES - 3.0) / 0.2) ** 2))
    (one,) = found(span_db=2.0, law_db=bump)
    half_width = 0.2 * np.sqrt(np.log(1 / 0.35))
    assert one.start_s == pytest.approx(3.0 - half_width, abs=0.05)
    assert one.end_s == pytest.approx(3.0 + half_width, abs=0.05)
    assert one.f0_low_hz == pytest.approx(200.0 * 2 ** (0.5 * (one.start_s - 1.0)))


def test_a_level_that_moves_in_time_is_placed_where_it_moves() -> None:
    """Between two rests a stroke of four seconds is not judged: what moves in the second rest is told there."""
    times_s = np.concatenate([np.linspace(1.0, 3.0, 101), np.linspace(7.0, 9.0, 101)])
    rest_db = np.where(np.arange(178) < 140, 0.0, -1.5)
    f0_hz = np.where(times_s < 5.0, 220.0, 880.0)
    (one,) = found(time_span_db=1.5, time_s=times_s, rest_db=rest_db, f0_hz=f0_hz, law_db=np.zeros(202))
    assert (one.start_s, one.end_s) == (pytest.approx(8.0, abs=0.05), pytest.approx(8.76, abs=0.05))
    assert (one.f0_low_hz, one.f0_high_hz, one.measured.lowest_at_hz) == (880.0, 880.0, 880.0)


def test_a_level_that_differs_from_pass_to_pass_is_not_told_of_a_rest() -> None:
    """Up and down again over two octaves, lower by 1.4 dB on the way down; a rest at the top, where nothing moves."""
    times_s = np.linspace(1.0, 9.0, 201)
    octaves = np.clip(4.0 - np.abs(times_s - 5.0), 0.0, 3.0)
    rest_db = (np.where(times_s < 5.0, 0.7, -0.7) * (1.0 - octaves / 3.0))[12:189]
    (one,) = found(time_span_db=1.4, time_s=times_s, rest_db=rest_db, f0_hz=200.0 * 2**octaves, law_db=np.zeros(201))
    assert one.variant == "passes"


def test_diodes_may_let_the_level_move_by_three_decibels() -> None:
    assert found(load_limits(None, gain_control="diodes"), span_db=2.9) == []
    assert len(found(load_limits(None, gain_control="diodes"), span_db=3.0)) == 1


def test_without_a_law_nothing_is_said() -> None:
    assert level_candidates(account_of(), LIMITS) == []
