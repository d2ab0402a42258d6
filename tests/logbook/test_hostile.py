"""Whatever stands in a name, a note or a file name, it only ever appears as text."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from listen.api.log_entries import drift
from listen.cli import main
from listen.logbook import About, read_builds, read_history, record, record_note, verify
from listen.report import Paper, check_document
from listen.report.csv_cells import csv_bytes, safe_cell
from listen.report.logbook_files import drift_csv, drift_document, entries_csv, logbook_document, steps_csv
from listen.report.logbook_pages import builds_page, drift_page, entry_page, history_page
from tests.helpers import PlainCapture, make_result
from tests.logbook.tables import octave_a_volt, table

NAMES = {
    "markup": "<script>alert(1)</script> & <b>",
    "quotes": '\'; DROP TABLE entry; -- "x" `y`',
    "like": "50 % _x",
    "line breaks": "two\nlines\r\nand three",
    "marks of direction": "abc\u202egnp.exe\u202c \u200f\u2066x\u2069",
    "hidden": "zero\u200bwidth\ufeff\u00ad",
    "formula": '=HYPERLINK("http://example.org","x")',
    "formula with plus": "+1+1",
    "formula with minus": "-2+3",
    "formula with at": "@SUM(A1)",
    "wide formula": "\uff1d1+1",
    "pipe": "|calc",
    "template": "{{7*7}} ${x} %s {0}",
    "path": "../../etc/x",
    "option": "--json",
    "writing": "Зал 音 ߷ 👩\u200d🔧",
}
FORMULA = "=+-@\uff1d\uff0b\uff0d\uff20|%"


def capture_named(text: str) -> dict[str, Any]:
    return check_document(make_result(capture=PlainCapture(path=f"{text}.wav")))


@pytest.fixture(params=NAMES.values(), ids=NAMES.keys())
def text(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def path(text: str, tmp_path: Path) -> Path:
    """A logbook with the text in every place that takes one."""
    path = tmp_path / "bench.sqlite"
    record(capture_named(text), build=text, path=path, about=About(note=text))
    for cents in (0.0, 4.0):
        document = table(octave_a_volt(cents)) | {"advice": [text], "captures": [{"path": text}], "law": {"kind": text}}
        record(document, build=text, path=path)
    record_note(build="another", path=path, about=About(note=text))
    return path


def test_it_comes_back_as_it_went_in(path: Path, text: str) -> None:
    entries = read_history(path, text)
    assert len(entries) == 3
    assert entries[0].note == text.replace("\r\n", "\n").strip()
    assert entries[0].document == capture_named(text)
    assert {line.name for line in read_builds(path)} == {" ".join(text.split()), "another"}
    assert verify(path).wrong == ()


def test_pages_hold_only_what_can_be_seen(path: Path, text: str) -> None:
    entries = read_history(path, text)
    paper = Paper()
    pages = [
        builds_page(read_builds(path), path, paper),
        history_page(text, entries, paper),
        drift_page(text, drift(text, logbook=path), None, paper),
        *(entry_page(entry, paper) for entry in entries),
    ]
    for page in pages:
        for line in page.splitlines():
            assert line.isprintable(), repr(line)
            assert len(line) <= 80
            assert line[10] in "│┬┴┼", line  # nothing breaks out of its column
    assert "\\u202e" in pages[0] or "\u202e" not in text


def test_no_cell_begins_a_formula(path: Path, text: str) -> None:
    entries = read_history(path)
    for data in (entries_csv(entries), steps_csv(entries), drift_csv(drift(text, logbook=path))):
        rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))
        assert rows
        for row in rows:
            assert None not in row
            for cell in row.values():
                assert not is_formula(cell), cell
    first = next(csv.DictReader(io.StringIO(entries_csv(entries).decode("utf-8-sig"))))
    kept, note = " ".join(text.split()), entries[0].note
    assert first["build"] in (kept, f"'{kept}")
    assert first["note_text"] in (note, f"'{note}")


def is_formula(cell: str) -> bool:
    bare = cell.lstrip()
    try:
        float(cell)
    except ValueError:
        return bool(bare) and bare[0] in FORMULA
    return False  # a number is a number, also a negative one


def test_json_is_ascii_and_the_text_is_whole(path: Path, text: str) -> None:
    document = logbook_document(read_history(path, text))
    written = json.dumps(document, allow_nan=False)
    assert written.isascii()
    assert json.loads(written)["entries"][0]["build"] == " ".join(text.split())
    assert drift_document(text, drift(text, logbook=path))["build"] == text


def test_the_command_line_finds_it_again(path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    if text.startswith("-"):
        pytest.skip("a name that looks like an option comes after --")
    assert main(["logbook", "show", "--logbook", str(path), text]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.count("\n") > 5


def test_a_name_that_looks_like_an_option(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bench.sqlite"
    assert main(["logbook", "note", "--logbook", str(path), "--", "--json", "-2 mV at the pin"]) == 0
    assert main(["logbook", "show", "--logbook", str(path), "--", "--json"]) == 0
    assert "-2 mV at the pin" in capsys.readouterr().out


def test_cells() -> None:
    assert [safe_cell(t) for t in ("", "a", "a=b", "=a", " =a", "\t=a", "\na", "1-2", "-")] == [
        *("", "a", "a=b", "'=a", "' =a", "'\t=a", "'\na", "1-2", "'-"),
    ]
    assert csv_bytes(["a", "b_hz"], [['x,"y"\n', -1.5], [None, 3]]) == b'a,b_hz\n"x,""y""\n",-1.5\n,3\n'
    assert csv_bytes(["a"], [["é"]]) == b"\xef\xbb\xbfa\n\xc3\xa9\n"
    assert csv_bytes(["a"], [["x\udcff"]]) == b"\xef\xbb\xbfa\nx\\udcff\n"
    assert csv_bytes(["a"], [[1 / 3]]) == b"a\n0.3333333333\n"
