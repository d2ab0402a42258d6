"""A take that cannot show the board, first or second: nothing is called gone, whole or worse on its word."""

from __future__ import annotations

import re

import jsonschema
import numpy as np
import pytest
import soundfile

from listen.api.checking import check
from listen.cli import main
from listen.report import check_document
from listen.report.comparing import compare_document, compare_documents, compare_page, compare_schema
from tests.report.comparing.test_comparing import FAULTY, MENDED

BAD = {
    "overloaded": lambda x: np.clip(6.0 * x, -1.0, 1.0),
    "just overloaded": lambda x: np.clip(2.9 * x, -1.0, 1.0),
    "too quiet": lambda x: 1e-3 * x,
    "silent": lambda x: 0.0 * x,
    "hiss": lambda x: 1e-4 * np.random.default_rng(1).standard_normal(len(x)),
}
SAID = {"overloaded": "overloaded", "just overloaded": "overloaded", "too quiet": "too quiet"}


@pytest.fixture(scope="module", params=list(BAD))
def bad(request, tmp_path_factory):
    samples, rate_hz = soundfile.read(MENDED)
    path = tmp_path_factory.mktemp("takes") / f"{request.param}.wav"
    soundfile.write(path, BAD[request.param](samples), rate_hz, subtype="PCM_24")
    return request.param, path, check_document(check(path))


@pytest.fixture(scope="module")
def faulty():
    return check_document(check(FAULTY))


def test_a_bad_second_take_settles_nothing(bad, faulty) -> None:
    name, _, after = bad
    comparison = compare_documents(faulty, after)
    assert comparison.verdict == "open"
    assert comparison.headline.startswith("Not settled: ")
    assert SAID.get(name, "nothing oscillates") in comparison.headline
    assert "the second take" in comparison.headline
    assert "does not show" in comparison.advice
    told = " ".join((comparison.headline, comparison.advice, *(one.sentence for one in comparison.findings)))
    assert not re.search(r"\bwhole\b|\bworse\b|mended|healthy|no number|\(\)", told)
    of_the_board = [one for one in comparison.findings if one.severity_before in ("attention", "fault")]
    assert {one.fate for one in of_the_board} == {"not-shown-after"}
    if comparison.rows:
        assert "recording's" in comparison.remarks[0]
    jsonschema.validate(compare_document(comparison), compare_schema())
    assert "not settled" in compare_page(comparison).lower()


def test_a_bad_first_take_proves_no_change_for_the_worse(bad, faulty) -> None:
    name, _, before = bad
    comparison = compare_documents(before, faulty)
    assert "the first take" in comparison.headline
    if name in SAID:
        assert comparison.verdict == "open"
        assert "first take does not show" in comparison.advice
    else:  # it was silent, and it sings
        assert comparison.verdict == "better"
        assert "gone: no oscillation" in comparison.headline
    assert not re.search(r"\bnew\b|\bworse\b", comparison.headline)


def test_a_bad_take_of_a_healthy_build_is_not_healthy(bad, tmp_path, capsys) -> None:
    _, path, _ = bad
    assert main(["compare", str(MENDED), str(path), "--json", str(tmp_path / "out.json")]) == 1
    assert "Healthy" not in capsys.readouterr().out


def test_an_overloaded_take_still_shows_the_start(faulty) -> None:
    """Cut tops leave the zero crossings where they are, and a start that lasts seconds lasts seconds."""
    slow = {
        "kind": "slow-start", "severity": "fault", "start_s": 0.0, "end_s": 6.0, "f0_low_hz": 200.0,
        "f0_high_hz": 200.0, "half": None, "half_certain": True, "evidence": {"rise_s": 5.0}, "sentence": "",
        "likely_causes": [], "next_checks": [],
    }  # fmt: skip
    overload = {**slow, "kind": "capture-overload", "evidence": {"tops": 900}}
    before = {**faulty, "findings": [], "not_shown": []}
    comparison = compare_documents(before, {**before, "findings": [overload, slow]})
    assert comparison.verdict == "worse"
    assert "overloaded" in comparison.headline
    assert "slow start" in comparison.headline


def test_what_is_wrong_with_a_recording_makes_no_build_worse(faulty) -> None:
    gap = {**faulty["findings"][0], "kind": "capture-gap", "severity": "attention", "evidence": {}}
    after = {**faulty, "findings": [*faulty["findings"], gap]}
    assert compare_documents(faulty, after).verdict == "unchanged"
    assert compare_documents(after, faulty).verdict == "unchanged"
