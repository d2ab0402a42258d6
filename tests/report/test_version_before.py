"""What the version before wrote of a shipped fixture is still read, shown and compared.

tests/data holds its document, its logbook and a result that it kept, all of fixtures/sine-board-unequal-supplies.wav,
whose findings were not yet made from an account of parts.
"""

from __future__ import annotations

import copy
import hashlib
import json
import os
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from listen.api.result_cache import open_cache
from listen.cli import main
from listen.logbook import read_entry, read_history, verify
from listen.report import check_schema
from listen.report.comparing import compare_documents
from listen.report.many import many_page, row_of
from tests.findings.examples import EXAMPLES

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "tests" / "data"
FIXTURE = ROOT / "fixtures" / "sine-board-unequal-supplies.wav"
MENDED = ROOT / "fixtures" / "sine-board-mended.wav"
DOCUMENT = DATA / "check-of-the-version-before.json"


@pytest.fixture
def document() -> dict[str, Any]:
    return json.loads(DOCUMENT.read_text("utf-8"))


def test_it_is_of_the_version_before(document: dict[str, Any]) -> None:
    assert "account" not in document
    assert document["capture"]["sha256"] == hashlib.sha256(FIXTURE.read_bytes()).hexdigest()
    assert document["findings"][0]["kind"] == "asymmetric-clipping"


def test_its_document_keeps_the_schema(document: dict[str, Any]) -> None:
    """An added key keeps the schema's number only while documents without it are valid."""
    assert document["schema"] == "listen.check/1"
    jsonschema.validate(document, check_schema())


def test_its_document_is_compared_with_a_take_of_today(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "compared.json"
    assert main(["compare", str(DOCUMENT), str(MENDED), "--json", str(out)]) in (0, 1)
    compared = json.loads(out.read_text("utf-8"))
    assert compared["verdict"] == "mended"
    fates = {finding["kind"]: finding["fate"] for finding in compared["findings"]}
    assert fates["asymmetric-clipping"] == "gone"
    assert "mended" in capsys.readouterr().out.lower()


def test_the_same_take_is_the_same_then_and_now(tmp_path: Path) -> None:
    out = tmp_path / "compared.json"
    main(["compare", str(DOCUMENT), str(FIXTURE), "--json", str(out), "--quiet"])
    fates = {f["kind"]: f["fate"] for f in json.loads(out.read_text("utf-8"))["findings"]}
    assert fates["asymmetric-clipping"] == "unchanged"


@pytest.mark.parametrize("kind", sorted({example.kind for example in EXAMPLES}))
def test_a_finding_of_any_kind_without_a_part_is_compared(document: dict[str, Any], kind: str) -> None:
    """Findings of the version before name no part of an account."""
    other = copy.deepcopy(document)
    other["findings"][0] = {**other["findings"][0], "kind": kind}
    assert "part" not in other["findings"][0]
    assert {f.kind for f in compare_documents(document, other).findings} >= {kind}


def test_its_logbook_is_read_shown_compared_and_goes_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = tmp_path / "book.sqlite"
    shutil.copy(DATA / "logbook-of-the-version-before.sqlite", book)
    (entry,) = read_history(book, "sine board")
    assert read_entry(book, entry.number).kind == "check"
    assert main(["logbook", "show", "sine board", "--logbook", str(book)]) == 0
    assert "positive half" in capsys.readouterr().out
    main(["check", str(MENDED), "--logbook", str(book), "--build", "sine board", "--quiet"])
    assert [one.number for one in read_history(book, "sine board")] == [1, 2]
    capsys.readouterr()
    main(["compare", "--entries", "1", "2", "--logbook", str(book)])
    assert "mended" in capsys.readouterr().out.lower()
    assert main(["logbook", "verify", "--logbook", str(book)]) == 0
    assert verify(book).wrong == ()


def kept_for(folder: Path, take: Path) -> dict[str, Any]:
    """Put what was kept of a take where it is looked for; its key."""
    entry = json.loads((DATA / "kept-by-the-version-before.json").read_text("utf-8"))
    found = os.stat(take)
    entry["key"] |= {"path": str(take), "size": found.st_size, "mtime_ns": found.st_mtime_ns}
    folder.mkdir()
    name = hashlib.sha256(os.fsencode(str(take))).hexdigest()[:40]
    (folder / f"{name}.json").write_text(json.dumps(entry), encoding="utf-8")
    return dict(entry["key"])


def test_a_result_that_it_kept_without_a_digest_is_checked_anew(tmp_path: Path) -> None:
    take = Path(shutil.copy(FIXTURE, tmp_path / "take.wav"))
    key = kept_for(tmp_path / "kept", take)
    assert open_cache(tmp_path / "kept").look_up(key, {}) is None


def test_its_document_makes_a_row(document: dict[str, Any]) -> None:
    row = row_of("take.wav", "take.wav", document)
    assert (row.outcome, row.error) == ("fault", None)
    assert "take.wav" in many_page([row])
