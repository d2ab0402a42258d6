"""Every part's figures of a few takes of every family are as they were: what moves them unmeant is noticed here.

Whether they are right is tested elsewhere, against the takes' truth. After a change that is meant to move them:
``python -m tests.account.figures``, and read what it prints.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.account.figures import FILE, NEAR_TAKES, differences, figures_of, names, rounding, rounds_alike

KNOWN = json.loads(FILE.read_text(encoding="utf-8"))
ALIKE = rounds_alike()


@pytest.mark.parametrize("name", [name for name in names() if name not in NEAR_TAKES])
def test_figures_are_as_they_were(name: str, tmp_path: Path) -> None:
    assert differences(KNOWN[name], figures_of(name, tmp_path), ALIKE) == []


def test_what_differs_is_named() -> None:
    was = {"verdict": "pass", "a.level_dbc": -50.0, "a.half": "positive"}
    assert differences(was, dict(was)) == []
    assert differences(was, was | {"a.level_dbc": -50.2}) == ["a.level_dbc: -50.0 -> -50.2"]
    assert differences(was, was | {"a.level_dbc": -50.001}) == []
    assert differences(was, was | {"verdict": "fault"}) == ["verdict: pass -> fault"]
    assert differences(was, {key: value for key, value in was.items() if key != "a.half"}) == [
        "a.half: positive -> None"
    ]
    # kernels that round otherwise are held to less
    assert differences(was, was | {"a.level_dbc": -50.2}, alike=False) == []
    assert differences(was, was | {"a.level_dbc": -52.0}, alike=False) == ["a.level_dbc: -50.0 -> -52.0"]


def test_how_kernels_round_is_told_again() -> None:
    assert rounding() == rounding()
