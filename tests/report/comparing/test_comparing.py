"""Before and after: aligned by pitch, whatever the time and level; what is gone, new, swapped, or cannot be seen."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import soundfile

import listen
from listen.api.checking import check
from listen.cli import main
from listen.report import check_document
from listen.report.comparing import compare_document, compare_documents, compare_page, compare_schema
from listen.report.paper import Paper
from tests.report.page.browser import Watched, open_browser

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
FAULTY, MENDED = FIXTURES / "sine-board-unequal-supplies.wav", FIXTURES / "sine-board-mended.wav"


@pytest.fixture(scope="module")
def before() -> dict[str, Any]:
    return check_document(check(FAULTY))


@pytest.fixture(scope="module")
def turned(tmp_path_factory) -> Path:
    """The mended board's take, swept the other way (turned round in time, without its start) and 3 dB quieter."""
    samples, rate = soundfile.read(MENDED)
    samples = samples[round(1.5 * rate) :]
    path = tmp_path_factory.mktemp("takes") / "mended-the-other-way.wav"
    soundfile.write(path, samples[::-1] * 10 ** (-3 / 20), rate, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def after(turned) -> dict[str, Any]:
    return check_document(check(turned))


def test_the_headline_says_what_was_mended_in_per_cent_at_a_pitch(before, after) -> None:
    comparison = compare_documents(before, after)
    top = {round(row["f0_low_hz"]): row["thd_percent"] for row in before["sweep"]}
    assert comparison.headline.startswith("Mended: distortion at 2.00 kHz fell from 5.3 % to 0.77 %")
    assert top[1778] == pytest.approx(5.3, abs=0.06)
    assert "the flattened upper half of the recording is whole" in comparison.headline
    assert comparison.verdict == "mended"


def test_a_quieter_take_is_said_and_moves_no_other_number(before, after) -> None:
    plain = compare_documents(before, check_document(check(MENDED)))
    quieter = compare_documents(before, after)
    assert quieter.level_offset_db == pytest.approx((plain.level_offset_db or 0.0) - 3.0, abs=0.05)
    assert any("quieter" in remark for remark in quieter.remarks)
    # The same circuit, turned round in time and quieter: the method's own error at -90 dBFS of noise.
    for one, other in zip(plain.rows, quieter.rows, strict=True):
        assert other.thd_change_db == pytest.approx(one.thd_change_db, abs=0.1)
        assert other.level_change_db == pytest.approx(one.level_change_db, abs=0.1)


def test_the_same_take_twice_is_no_change(before) -> None:
    comparison = compare_documents(before, before)
    assert comparison.verdict == "unchanged"
    assert {finding.fate for finding in comparison.findings} == {"unchanged"}
    assert comparison.level_offset_db == 0.0
    assert all(row.thd_change_db == 0.0 for row in comparison.rows)


def test_the_other_way_round_it_is_worse(before, after) -> None:
    comparison = compare_documents(after, before)
    assert comparison.verdict == "worse"
    assert "rose from 0.77 % to 5.3 %" in comparison.headline
    assert "one half flattened" in comparison.headline


def test_a_half_that_swaps_is_said(before, tmp_path) -> None:
    samples, rate = soundfile.read(FAULTY)
    path = tmp_path / "over.wav"
    soundfile.write(path, -samples, rate, subtype="PCM_24")
    comparison = compare_documents(before, check_document(check(path)))
    (finding,) = (f for f in comparison.findings if f.kind == "asymmetric-clipping")
    assert (finding.fate, finding.half_before, finding.half_after) == ("swapped", "positive", "negative")
    said = "the flattened half is now the lower half of the recording, it was the upper half of the recording"
    assert said in comparison.headline
    assert any("polarity" in remark for remark in comparison.remarks)
    assert comparison.verdict == "unchanged"


def changed(document: dict[str, Any], **parts: Any) -> dict[str, Any]:
    return {**copy.deepcopy(document), **parts}


def finding(kind: str, severity: str = "attention", **evidence: float) -> dict[str, Any]:
    return {
        "kind": kind, "severity": severity, "start_s": 0.0, "end_s": 2.0, "f0_low_hz": 200.0, "f0_high_hz": 400.0,
        "half": None, "half_certain": True, "evidence": evidence, "sentence": "", "likely_causes": [],
        "next_checks": [],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "fate", "verdict"),
    [
        (5.0, 2.0, "milder", "better"),
        (2.0, 5.0, "worse", "worse"),
        (2.0, 2.3, "unchanged", "unchanged"),
        (None, 2.0, "new", "worse"),
        (2.0, None, "gone", "mended"),
    ],
)
def test_the_size_decides_what_became_of_a_finding(before, old, new, fate, verdict) -> None:
    def side(depth: float | None) -> dict[str, Any]:
        found = [] if depth is None else [finding("amplitude-hunting", depth_percent=depth)]
        return changed(before, findings=found, not_shown=[])

    comparison = compare_documents(side(old), side(new))
    assert [f.fate for f in comparison.findings] == [fate]
    assert comparison.verdict == verdict


def test_what_the_second_take_could_not_show_is_not_called_gone(before) -> None:
    slow = changed(before, findings=[finding("slow-start", rise_s=1.2)], not_shown=[])
    hidden = changed(before, findings=[], not_shown=[{"question": "start", "why": "", "mend": ""}])
    comparison = compare_documents(slow, hidden)
    assert [f.fate for f in comparison.findings] == ["not-shown-after"]
    assert comparison.verdict == "open"
    low = changed(before, findings=[finding("crossover-distortion", dead_band_percent=2.0)])
    summary = {**before["summary"], "f0_low_hz": 1000.0}
    comparison = compare_documents(low, changed(before, findings=[], summary=summary))
    assert [f.fate for f in comparison.findings] == ["not-shown-after"]


def test_good_and_bad_together_are_mixed(before) -> None:
    one = changed(before, findings=[finding("crossover-distortion", dead_band_percent=2.0)], not_shown=[])
    other = changed(before, findings=[finding("amplitude-hunting", depth_percent=2.0)], not_shown=[])
    comparison = compare_documents(one, other)
    assert comparison.verdict == "mixed"
    assert "gone: a dead band" in comparison.headline
    assert "new: the level hunts" in comparison.headline


def test_takes_without_a_common_pitch_say_so(before) -> None:
    far = [
        {**row, "f0_low_hz": 100 * row["f0_low_hz"], "f0_high_hz": 100 * row["f0_high_hz"]} for row in before["sweep"]
    ]
    comparison = compare_documents(before, changed(before, sweep=far))
    assert comparison.rows == ()
    assert comparison.level_offset_db is None
    assert "share no pitch" in comparison.headline


def test_the_document_holds_to_its_schema_and_the_schema_bites(before, after) -> None:
    document = compare_document(compare_documents(before, after))
    jsonschema.Draft202012Validator.check_schema(compare_schema())
    jsonschema.validate(document, compare_schema())
    json.dumps(document, allow_nan=False)
    for key in document:
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({k: v for k, v in document.items() if k != key}, compare_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**document, "more": 1}, compare_schema())


@pytest.mark.parametrize("width", [56, 80])
def test_the_printed_page_keeps_to_its_paper(before, after, width) -> None:
    page = compare_page(compare_documents(before, after), Paper(width=width))
    assert max(map(len, page.splitlines())) <= width
    assert "Mended: distortion at 2.00 kHz" in page
    assert "gone │" in page


# The verb and the command line


def test_takes_results_and_documents_can_be_compared(before, turned, tmp_path) -> None:
    file = tmp_path / "before.json"
    file.write_text(json.dumps(before))
    by_file = listen.compare(file, turned)
    by_document = listen.compare(before, turned)
    assert by_file.headline == by_document.headline
    assert by_file.rows == by_document.rows


def test_the_command_prints_writes_and_says_by_its_status(turned, tmp_path, capsys) -> None:
    target, folder = tmp_path / "c.json", tmp_path / "pages"
    assert main(["compare", str(FAULTY), str(turned), "--json", str(target), "--report", str(folder)]) == 0
    assert "Mended: distortion at 2.00 kHz" in " ".join(capsys.readouterr().out.replace("│", " ").split())
    jsonschema.validate(json.loads(target.read_text()), compare_schema())
    (page,) = folder.iterdir()
    with open_browser() as browser, Watched(browser, page) as watched:
        assert watched.said == []
        assert watched.network() == []
        assert watched.page.locator("figure.chart .plot > svg:visible").count() == 8
        assert watched.page.locator("audio").count() == 4
        assert watched.page.locator(".sounds .caution").is_visible()
        assert "Mended" in watched.page.locator("h1").inner_text()
        assert watched.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    assert main(["compare", str(turned), str(FAULTY), "--quiet"]) == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "is no JSON file"),
        ("[]", "holds 0 checks"),
        ('{"schema": "listen.calibration/1"}', "is no check"),
        ('{"schema": "listen.check/1"}', "is no whole check"),
        ("3", "is no check"),
    ],
)
def test_what_is_no_check_is_refused_in_one_line(tmp_path, capsys, content, says) -> None:
    file = tmp_path / "other.json"
    file.write_text(content)
    assert main(["compare", str(file), str(MENDED), "--quiet"]) == 2
    line = capsys.readouterr().err
    assert says in line
    assert line.count("\n") == 1
    assert "Traceback" not in line


def test_an_output_that_is_an_input_is_refused(capsys) -> None:
    kept = MENDED.read_bytes()
    assert main(["compare", str(FAULTY), str(MENDED), "--json", str(MENDED)]) == 2
    assert "is one of the inputs" in capsys.readouterr().err
    assert MENDED.read_bytes() == kept


def test_two_entries_of_the_logbook_can_be_compared(before, turned, tmp_path, capsys) -> None:
    book = tmp_path / "book.sqlite"
    for take in (FAULTY, turned):
        assert main(["check", str(take), "--quiet", "--logbook", str(book), "--build", "third board"]) in (0, 1)
    capsys.readouterr()
    assert main(["compare", "1", "2", "--entries", "--logbook", str(book), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["headline"] == compare_documents(before, check_document(check(turned))).headline
    folder = tmp_path / "pages"
    assert main(["compare", "1", "2", "--entries", "--logbook", str(book), "--report", str(folder), "--quiet"]) == 0
    assert [page.name for page in folder.iterdir()] == ["1-and-2.html"]
    for words, says in ((["1", "9"], "no entry 9"), (["1", "x"], "is no entry of the logbook")):
        assert main(["compare", *words, "--entries", "--logbook", str(book)]) == 2
        line = capsys.readouterr().err
        assert says in line
        assert line.count("\n") == 1
