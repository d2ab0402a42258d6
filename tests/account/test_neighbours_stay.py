"""Every function of the account and of the findings answers as it did, near what it is called with in a few checks.

Whether the answers are right is tested elsewhere. After a change that is meant to move them:
``python -m tests.account.figures``, and read what it prints.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.account.figures import (
    FILE,
    NEAR_FILE,
    NEAR_TAKES,
    checked,
    differences,
    figures_in,
    known_near,
    rounds_alike,
)
from tests.account.neighbours import Moves, Near, answered, differing, kept_calls, moved, near_of, summed

KNOWN = json.loads(FILE.read_text(encoding="utf-8"))
KNOWN_NEAR = known_near(NEAR_FILE)
ALIKE = rounds_alike()


@pytest.mark.filterwarnings("ignore")  # numbers moved at random divide by zero, and take roots of what is negative
@pytest.mark.parametrize("name", NEAR_TAKES)
def test_figures_and_functions_near_them_are_as_they_were(name: str, tmp_path: Path) -> None:
    with kept_calls() as calls:
        result = checked(name, tmp_path)
    assert differences(KNOWN[name], figures_in(result), ALIKE) == []
    if not ALIKE:
        pytest.skip("answers near calls are of kernels that round otherwise: whole takes were compared")
    assert differing(KNOWN_NEAR[name], answered(calls, KNOWN_NEAR[name])) == []


def test_a_sum_tells_results_apart() -> None:
    rows = np.array([1.0, 2.0, 3.0])
    mask = np.array([True, False, True, False])
    assert summed(rows) == summed(rows.copy())
    assert abs(summed(rows) - summed(rows[::-1])) > 0.01
    assert abs(summed(rows) - summed(np.array([1.0, 2.0, 3.1]))) > 0.01
    assert abs(summed(mask) - summed(np.roll(mask, 1))) > 0.01
    assert summed({"half": "positive"}) != summed({"half": "negative"})
    assert abs(summed((1.0, -2.0)) - summed((1.0, 2.0))) > 0.01


@pytest.mark.parametrize("wild", [False, True])
def test_moved_arguments_keep_their_form(wild: bool) -> None:
    moves = Moves(np.random.default_rng(3), 0.5, wild)
    given = {"rows": np.arange(1.0, 50.0), "half": "positive", "count": 3, "level_db": [1.0, -2.0], "none": None}
    others = [moved(given, moves) for _ in range(20)]
    assert all(other.keys() == given.keys() and other["rows"].shape == (49,) for other in others)
    assert {other["half"] for other in others} == ({"positive", "negative", "both"} if wild else {"positive"})
    assert {other["count"] for other in others} == ({2, 3, 4} if wild else {3})
    assert all(other["none"] is None and len(other["level_db"]) == 2 for other in others)
    assert any(other["level_db"] != given["level_db"] for other in others)
    assert any(not np.array_equal(other["rows"], given["rows"]) for other in others)


def test_what_is_not_moved_stays_the_same_record() -> None:
    near = Near(4, 1.0)
    assert moved(near, Moves(np.random.default_rng(1), 0.0, True)) is near


def test_a_function_that_answers_otherwise_is_named() -> None:
    was = {"a": Near(4, 10.0), "b": Near(4, 5.0)}
    assert differing(was, {"a": Near(4, 10.001), "b": Near(4, 5.01)}) == ["b"]
    assert differing({"a": Near(4, 10.0)}, {"c": Near(4, 10.0)}) == ["a", "c"]


def test_answers_that_differ_by_processor_are_left_out() -> None:
    assert near_of(4, [1.0, 2.0, 3.0, 4.0], [1.0, 2.0 + 1e-9, 3.1, 4.0 - 1e-6]) == Near(4, 7.0, (2,))
    assert near_of(2, [1.0, 2.0], [1.01, 2.0 + 6e-4]) == Near(2, 0.0, (0, 1))
