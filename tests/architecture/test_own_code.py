"""Everything in the repository was written for it: no library, minified or not, lies in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.architecture.test_architecture import REPO, tracked

CODE = {".py", ".js", ".css", ".html", ".cpp", ".hpp", ".toml", ".sh", ".pyi", ".json", ".svg"}
LICENCES = {Path("LICENSE"), Path("listen/THIRD_PARTY.txt")}
"""Our own, and those of what the compiled extension is linked with."""
SCRIPTS = {Path("listen/report/page/page.js")}
LONGEST_LINE = 400
"""Prose in words files is the longest of ours; minified code has lines of thousands."""


def code_files() -> list[Path]:
    return [path for path in tracked() if path.suffix in CODE and (REPO / path).is_file()]


def foreign(path: Path, text: str) -> list[str]:
    """What marks a file as not ours."""
    marks = []
    if ".min." in path.name or "vendor" in path.parts or "node_modules" in path.parts:
        marks.append("its name")
    if path.suffix != ".json" and max(map(len, text.splitlines()), default=0) > LONGEST_LINE:
        marks.append("a line as of minified code")
    if re.search(r"Permission is hereby granted|Redistributions of source|@licen[cs]e|/\*!|Copyright \(c\)", text):
        marks.append("a licence")
    return marks


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        ("a.min.js", "x", ["its name"]),
        ("a.js", "var a=1;" * 100, ["a line as of minified code"]),
        ("a.css", "/*! a theme */", ["a licence"]),
        ("a.js", "const a = 1;\n" * 100, []),
    ],
)
def test_foreign_code_is_known_by_its_marks(name, text, found) -> None:
    assert foreign(Path(name), text) == found


def test_no_file_is_of_others() -> None:
    found = {}
    for path in code_files():
        if path in LICENCES or path == Path("tests/architecture/test_own_code.py"):
            continue
        marks = foreign(path, (REPO / path).read_text(encoding="utf-8", errors="replace"))
        if marks:
            found[str(path)] = marks
    assert found == {}


def test_the_pages_have_one_script_written_by_hand() -> None:
    assert {path for path in tracked() if path.suffix in (".js", ".mjs", ".ts") and (REPO / path).is_file()} == SCRIPTS
    text = (REPO / next(iter(SCRIPTS))).read_text(encoding="utf-8")
    assert len(text.splitlines()) < 400
    assert not re.search(r"\beval\(|\bimport\b|\brequire\(|https?://(?!www\.w3\.org/2000/svg)", text)
