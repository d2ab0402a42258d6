"""Every function of the account and of the findings answers as it did, near what it is called with in a few checks.

Whether the answers are right is tested elsewhere. After a change that is meant to move them:
``python -m tests.account.figures``, and read what it prints.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.account.figures import FILE, NEAR_FILE, NEAR_TAKES, checked, differences, figures_in
from tests.account.neighbours import answers, differing, kept_calls, moved, summed

KNOWN = json.loads(FILE.read_text(encoding="utf-8"))
KNOWN_NEAR = json.loads(NEAR_FILE.read_text(encoding="utf-8"))


@pytest.mark.filterwarnings("ignore")  # numbers moved at random divide by zero, and take roots of what is negative
@pytest.mark.parametrize("name", NEAR_TAKES)
def test_figures_and_functions_near_them_are_as_they_were(name: str, tmp_path: Path) -> None:
    with kept_calls() as calls:
        result = checked(name, tmp_path)
    assert differences(KNOWN[name], figures_in(result)) == []
    known = KNOWN_NEAR[name]
    assert differing(known, {label: value for label, value in answers(calls).items() if label in known}) == []


def test_a_sum_tells_results_apart() -> None:
    rows = np.array([1.0, 2.0, 3.0])
    mask = np.array([True, False, True, False])
    assert summed(rows) == summed(rows.copy())
    assert abs(summed(rows) - summed(rows[::-1])) > 0.01
    assert abs(summed(rows) - summed(np.array([1.0, 2.0, 3.1]))) > 0.01
    assert abs(summed(mask) - summed(np.roll(mask, 1))) > 0.01
    assert summed({"half": "positive"}) != summed({"half": "negative"})
    assert abs(summed((1.0, -2.0)) - summed((1.0, 2.0))) > 0.01


def test_moved_arguments_keep_their_form() -> None:
    rng = np.random.default_rng(3)
    given = {"rows": np.arange(1.0, 50.0), "half": "positive", "count": 3, "level_db": [1.0, -2.0], "none": None}
    other = moved(given, rng)
    assert other.keys() == given.keys()
    assert other["rows"].shape == (49,)
    assert (other["half"], other["count"], other["none"]) == ("positive", 3, None)
    assert any(repr(moved(given, rng)) != repr(given) for _ in range(3))


def test_a_function_that_answers_otherwise_is_named() -> None:
    assert differing({"a": 10.0, "b": 5.0}, {"a": 10.001, "b": 5.1}) == ["b"]
    assert differing({"a": 10.0}, {"c": 10.0}) == ["a", "c"]
