"""The table of many takes, and its document."""

from __future__ import annotations

import json

import jsonschema
import pytest

from listen.report import check_document, check_schema
from listen.report.many import Row, many_document, many_page, many_schema, row_of
from listen.report.paper import Paper
from tests.helpers import PlainCapture, make_finding, make_judgement, make_result


def row(label: str = "take.wav", **changes: object) -> Row:
    values: dict[str, object] = {"path": label, "label": label, "outcome": "pass", "f0_low_hz": 165.0}
    return Row(**{**values, "f0_high_hz": 2220.0, **changes})  # type: ignore[arg-type]


ROWS = [
    row(),
    row("monday/" + "a long name of a take " * 5 + ".wav", outcome="fault", worst="one half flattened", others=12),
    row(outcome="attention", worst="the level drifts along the tuning", f0_low_hz=1047.0, f0_high_hz=1047.0),
    row(outcome="fault", worst="no oscillation", f0_low_hz=None, f0_high_hz=None),
    row("b\x1b[2Jad\n.wav", outcome="unusable", f0_low_hz=None, error="is empty (0 bytes); record it again " * 4),
]


@pytest.mark.parametrize("width", [56, 80])
def test_every_line_fits_and_nothing_steers_the_terminal(width: int) -> None:
    page = many_page(ROWS, paper=Paper(width=width))
    assert max(map(len, page.splitlines())) <= width
    assert "\x1b" not in page
    assert page.encode("utf-8")
    assert many_page(ROWS, paper=Paper(width=width, ascii_only=True)).isascii()


def test_nothing_of_a_name_or_a_reason_is_left_out() -> None:
    page = many_page(ROWS)
    cells = [line.split("│ ", 1)[1] for line in page.splitlines() if "│ " in line]
    assert ROWS[1].label.replace(" ", "") in "".join(cell[:32] for cell in cells).replace(" ", "")
    assert page.count("record it again") == 4


def test_the_table_says_what_it_is_about() -> None:
    page = many_page(ROWS, from_before=2)
    assert "     pass │ take.wav" in page
    assert "165 Hz-2.22 kHz" in page
    assert "nothing found" in page
    assert "5 takes: 1 pass, 1 attention, 2 fault, 1 unusable." in page
    assert "2 of them taken from before, not checked anew." in page
    assert "from before" not in many_page(ROWS)
    assert "1 take: 1 pass." in many_page(ROWS[:1])


def test_a_row_has_the_worst_finding_in_plain_words_with_its_half() -> None:
    document = check_document(make_result(make_judgement(findings=(make_finding(), make_finding("level-drift")))))
    made = row_of("a.wav", "a.wav", document)
    assert (made.outcome, made.worst, made.others) == ("fault", "positive half flattened", 1)
    assert (made.f0_low_hz, made.f0_high_hz) == (162.1, 2160.4)
    note = make_judgement(verdict="pass", findings=(make_finding("capture-offset", severity="note", half=None),))
    assert row_of("a.wav", "a.wav", check_document(make_result(note))).worst == "an offset (a note)"
    good = make_judgement(verdict="pass", findings=())
    assert row_of("a.wav", "a.wav", check_document(make_result(good))).worst == ""


def test_the_document_holds_to_its_schema_and_each_check_to_its_own() -> None:
    check = check_document(make_result(capture=PlainCapture(path="é.wav")))
    rows = [row_of("é.wav", "é.wav", check, json.dumps(check).encode("ascii")), ROWS[4]]
    text = b"".join(many_document(rows))
    assert text.isascii()
    document = json.loads(text)
    jsonschema.validate(document, many_schema())
    jsonschema.validate(document["takes"][0]["check"], check_schema())
    assert document["takes"][0]["check"] == check
    assert document["takes"][1]["check"] is None
    assert document["counts"] == {"pass": 0, "attention": 0, "fault": 1, "unusable": 1}
    for key in ("counts", "takes", "schema", "tool"):
        short = {name: value for name, value in document.items() if name != key}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(short, many_schema())
