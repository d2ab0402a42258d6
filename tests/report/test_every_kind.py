"""Every kind of finding through all that shows, writes, keeps or compares one."""

from __future__ import annotations

import copy
import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from listen import check
from listen.circuit import diagnose
from listen.findings import Finding, all_kinds, half_name, kind_of
from listen.logbook import About, read_entry, read_history, record
from listen.report import Paper, check_document, check_html, check_page, check_schema
from listen.report.comparing import compare_document, compare_documents, compare_page, compare_schema
from listen.report.comparing.blind_takes import blind_takes, hides, is_of_the_take
from listen.report.comparing.finding_status import SAME_WITHIN
from listen.report.logbook_files import entries_csv, logbook_document
from listen.report.logbook_pages import entry_page, history_page
from listen.report.many import many_document, many_page, many_schema, row_of
from listen.report.page import check_page_bytes
from listen.report.page.sections import CHARTS_OF, section_of
from listen.report.page.sheet import MOST_FINDINGS
from listen.report.page.sounds import finding_sounds, worst_second_s
from listen.report.views import CheckView
from tests.findings.examples import EXAMPLES, NAMES, Example, of_kind
from tests.helpers import make_frames, make_judgement, make_result
from tests.logbook.tables import DAY

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
KINDS = sorted(all_kinds())
FATES = {"gone", "new", "milder", "worse", "unchanged", "swapped", "not-shown-after", "not-shown-before"}


def with_findings(result: Any, findings: tuple[Finding, ...]) -> Any:
    """The result with these findings, worst first, and their diagnoses."""
    severities = [finding.severity for finding in findings]
    verdict = "fault" if "fault" in severities else "attention" if "attention" in severities else "pass"
    judgement = replace(result.judgement, findings=findings, verdict=verdict)
    diagnoses = tuple(diagnose(f.kind, half=f.half, measured=f.measured) for f in findings)
    return replace(result, judgement=judgement, diagnoses=diagnoses)


def result_of(example: Example, **changes: Any) -> Any:
    return with_findings(make_result(), (example.finding(**changes),))


def document_of(example: Example, **changes: Any) -> dict[str, Any]:
    return check_document(result_of(example, **changes))


def words_of(page: str) -> str:
    """Text of a printed page, its margin and its line breaks taken out."""
    return " ".join(line[11:].strip() for line in page.splitlines() if len(line) > 10)


@pytest.mark.parametrize("example", EXAMPLES, ids=NAMES)
def test_the_terminal(example: Example) -> None:
    result = result_of(example)
    page = check_page(result, Paper(width=60))
    text = words_of(page)
    assert max(map(len, page.splitlines())) <= 60
    assert example.kind in page
    assert f"What is said of {example.kind}, {example.variant}." in text.replace("- ", "-")
    assert result.diagnoses[0].likely_causes[0].split()[0] in text
    if example.half:
        assert half_name(example.half, False) in text
    assert ("0.41 to 0.83 s, 245 Hz (B3) to 2.16 kHz (C#7 -45 cents)" in text) == example.pitched


@pytest.mark.parametrize("example", EXAMPLES, ids=NAMES)
def test_the_notebook(example: Example) -> None:
    html = check_html(result_of(example))
    assert f"What is said of {example.kind}, {example.variant}." in html
    assert example.severity in html


@pytest.mark.parametrize("example", EXAMPLES, ids=NAMES)
def test_the_document(example: Example) -> None:
    document = json.loads(json.dumps(document_of(example), allow_nan=False))
    jsonschema.validate(document, check_schema(), cls=jsonschema.Draft202012Validator)
    (found,) = document["findings"]
    assert (found["kind"], found["severity"], found["half"]) == (example.kind, example.severity, example.half)
    assert found["evidence"] == example.measured.evidence()
    assert found["likely_causes"]
    assert found["next_checks"]


@pytest.mark.parametrize("kind", KINDS)
def test_the_folder_table(kind: str) -> None:
    example = of_kind(kind)
    document = document_of(example)
    row = row_of("a.wav", "a.wav", document, json.dumps(document).encode("ascii"))
    name = kind_of(kind).name
    note = example.severity == "note"
    assert row.outcome == ("pass" if note else example.severity)
    assert row.worst.endswith("(a note)") == note
    assert name.split()[-1] in row.worst
    assert name.split()[-1] in many_page([row])
    whole = json.loads(b"".join(many_document([row])))
    jsonschema.validate(whole, many_schema())
    assert whole["takes"][0]["worst"] == row.worst


# The page


@pytest.fixture(scope="module")
def checked() -> Any:
    return check(FIXTURES / "sine-board-unequal-supplies.wav", end_s=6.0)


def view(result: Any) -> CheckView:
    return result


def test_the_page_and_its_sheet(checked: Any) -> None:
    findings = tuple(example.finding(start_s=1.5, end_s=4.5) for example in EXAMPLES)
    text = check_page_bytes(with_findings(checked, findings)).decode("utf-8")
    body, sheet = text.split('<div class="sheet"')
    for example in EXAMPLES:
        assert f"What is said of {example.kind}, {example.variant}." in body
    worst = [example for example in EXAMPLES if example.severity != "note"]
    told = [f"What is said of {example.kind}, {example.variant}." in sheet for example in worst]
    assert told == [True] * MOST_FINDINGS + [False] * (len(worst) - MOST_FINDINGS)


@pytest.mark.parametrize("kind", KINDS)
def test_the_section_and_the_chart_of_the_page(kind: str) -> None:
    question = section_of(kind)
    assert question == kind_of(kind).question
    known = {chart for charts in CHARTS_OF.values() for chart in charts}
    assert kind_of(kind).chart in known


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_of_its_worst_second(checked: Any, kind: str) -> None:
    finding = of_kind(kind).finding(start_s=1.5, end_s=5.5)
    start_s = worst_second_s(view(checked), finding)
    assert 1.5 - 0.3 <= start_s <= 5.5
    (sound,) = finding_sounds(view(with_findings(checked, (finding,))))
    assert bool(sound.players) == (finding.severity != "note")
    brief = of_kind(kind).finding(start_s=5.9, end_s=5.95)
    assert 5.0 - 1e-9 <= worst_second_s(view(checked), brief) <= 5.9


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind_of(kind).worst is not None])
def test_the_worst_second_is_where_the_kind_is_worst(kind: str) -> None:
    """A second in the middle in which the kind's column is worse than elsewhere."""
    worst = kind_of(kind).worst
    assert worst is not None
    frames = make_frames(500)
    bad = (frames.time_s > 6.0) & (frames.time_s < 7.2)
    low, high = {"least": (1.0, 0.5), "power": (-60.0, -20.0)}.get(worst.how, (0.0, 1.0))
    columns = {name: np.where(bad, high, low) for name in worst.columns[:1]}
    columns |= {name: np.full(500, low) for name in worst.columns[1:]}
    result = make_result(frames=replace(frames, **columns))
    start_s = worst_second_s(view(result), of_kind(kind).finding(start_s=1.0, end_s=9.0))
    assert 5.9 <= start_s <= 6.3


# The logbook


@pytest.mark.parametrize("kind", KINDS)
def test_the_logbook(kind: str, tmp_path: Path) -> None:
    example, book = of_kind(kind), tmp_path / "book.sqlite"
    document = document_of(example)
    record(document, build="north shelf", path=book, about=About(measured=DAY))
    entry = read_entry(book, 1)
    assert entry.document == document
    assert f"What is said of {kind}, {example.variant}." in words_of(entry_page(entry)).replace("- ", "-")
    history = read_history(book, "north shelf")
    assert history_page("north shelf", history)
    (row,) = csv.DictReader(io.StringIO(entries_csv(history).decode("utf-8-sig")))
    assert row["findings"] == f"{kind} ({example.severity})"
    assert logbook_document(history)


# A comparison


def sides(kind: str, old: float | None, new: float | None) -> tuple[dict[str, Any], dict[str, Any]]:
    """Two documents with a finding of some size each; None: without it."""
    clean = check_document(with_findings(make_result(make_judgement(not_shown=())), ()))
    out = []
    for size in (old, new):
        document = copy.deepcopy(clean)
        if size is not None:
            found = copy.deepcopy(document_of(of_kind(kind))["findings"])
            measure = kind_of(kind).measure
            if measure is not None:
                found[0]["evidence"][measure] = size
            document["findings"], document["verdict"] = found, "attention"
        out.append(document)
    return out[0], out[1]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("old", "new", "fate"), [(4.0, None, "gone"), (None, 4.0, "new"), (4.0, 4.0, "unchanged")])
def test_a_comparison(kind: str, old: float | None, new: float | None, fate: str) -> None:
    comparison = compare_documents(*sides(kind, old, new))
    (found,) = comparison.findings
    assert (found.kind, found.fate) == (kind, fate)
    name = kind_of(kind).name
    assert name.split()[-1] in found.sentence
    document = compare_document(comparison)
    jsonschema.validate(document, compare_schema())
    assert json.dumps(document, allow_nan=False)
    page = compare_page(comparison, Paper(width=72))
    assert name.split()[-1] in words_of(page)
    if of_kind(kind).severity != "note":
        wanted = {"gone": "mended", "new": "worse", "unchanged": "unchanged"}[fate]
        if is_of_the_take(kind) and not (kind == "oscillation-absent" and fate == "gone"):
            wanted = "open" if hides(blind_takes(*sides(kind, 4.0, 4.0)).after, "level-drift") else "healthy"
        assert comparison.verdict == wanted


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind_of(kind).measure is not None])
def test_a_comparison_of_sizes(kind: str) -> None:
    unit = kind_of(kind).compared_in
    large, little, much = (-20.0, -21.5, -23.0) if unit == "dBc" else (10.0, 10.0 * (1 - 0.9 * SAME_WITHIN), 7.0)
    for old, new, fate in ((large, much, "milder"), (much, large, "worse"), (large, little, "unchanged")):
        (found,) = compare_documents(*sides(kind, old, new)).findings
        assert found.fate == fate
        assert (found.before, found.after) == (old, new)
        assert str(unit) in found.sentence


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind_of(kind).asks is not None])
def test_a_comparison_with_a_take_that_cannot_show_it(kind: str) -> None:
    old, new = sides(kind, 4.0, None)
    new["not_shown"] = [{"question": kind_of(kind).asks, "why": "it rests nowhere", "mend": "let it rest"}]
    (found,) = compare_documents(old, new).findings
    assert found.fate == "not-shown-after"
    (found,) = compare_documents(new, old).findings
    assert found.fate == "not-shown-before"
    assert found.fate in FATES
