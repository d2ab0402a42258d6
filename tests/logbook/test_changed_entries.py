"""A logbook whose rows another program changed: what can be read is shown, what was changed is said."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from listen.cli import main
from listen.errors import LogbookError
from listen.logbook import About, read_builds, read_entry, read_history, record, record_note, strike, verify
from tests.logbook.tables import octave_a_volt, table

BUILD = "north shelf"


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book.sqlite"
    for cents in (0.0, 3.0, 5.0):
        record(table(octave_a_volt(cents)), build=BUILD, path=path, about=About(note="a note", temperature_c=21.0))
    record_note(build=BUILD, path=path, about=About(note="replaced the pot"))
    assert verify(path).wrong == ()
    return path


def change(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute(statement, values)
        connection.commit()


CELLS: dict[str, tuple[str, object]] = {
    "no date": ("measured_utc", "soon"),
    "a date of bytes": ("measured_utc", b"2026-03-01T12:00:00+00:00"),
    "a date without a zone": ("measured_utc", "2026-03-01T12:00:00"),
    "a date before all oscillators": ("measured_utc", "0001-01-01T00:00:00+14:00"),
    "a date at the end of the calendar": ("stored_utc", "9999-12-31T23:59:59-14:00"),
    "a number for a date": ("stored_utc", 7),
    "a temperature in words": ("temperature_c", "warm"),
    "a temperature of bytes": ("temperature_c", b"\x00"),
    "an endless warm-up": ("warm_up_min", float("inf")),
    "a note of bytes": ("note", b"\xff\xfe"),
    "a state of its own": ("state", "as-lost"),
    "a state of bytes": ("state", b"as-left"),
    "a kind of its own": ("kind", "guess"),
    "a document of bytes": ("document", b"{}"),
    "a document cut short": ("document", '{"schema":'),
    "another document": ("document", '{"schema": "listen.calibration/1", "steps": [5], "law": "none"}'),
    "a document without end": ("document", "[" * 100_000),
    "a struck date that is none": ("struck_utc", "yesterday"),
    "a struck date of bytes": ("struck_utc", b"\xff"),
}


@pytest.mark.parametrize("cell", CELLS)
def test_what_was_changed_is_said_and_all_else_is_shown(book: Path, capsys, cell: str) -> None:
    column, value = CELLS[cell]
    change(book, f"UPDATE entry SET {column} = ? WHERE id = 2", value)
    entries = read_history(book, BUILD)
    assert [entry.number for entry in entries if entry.changed] == [2]
    assert len(entries) == 4
    assert main(["logbook", "--logbook", str(book), "show", BUILD]) == 0
    out = capsys.readouterr().out
    assert out.count("changed after it had been stored") == 1
    assert "replaced the pot" in out
    assert main(["logbook", "--logbook", str(book), "list"]) == 0
    assert main(["logbook", "--logbook", str(book), "verify"]) == 1
    assert "entry 2: it was changed after it had been stored" in capsys.readouterr().out


def test_a_document_of_a_changed_entry_is_not_handed_out(book: Path, capsys) -> None:
    change(book, "UPDATE entry SET document = replace(document, 'volts', 'positions') WHERE id = 2")
    with pytest.raises(LogbookError, match="entry 2 of the logbook was changed"):
        _ = read_entry(book, 2).document
    for call in (["entry", "2"], ["drift", BUILD], ["export", "--json", "-"]):
        assert main(["logbook", "--logbook", str(book), *call]) == 2
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        assert "listen logbook strike 2" in err


def test_a_changed_entry_that_is_struck_out_stands_in_nobodys_way(book: Path, capsys) -> None:
    change(book, "UPDATE entry SET document = 'x' WHERE id = 2")
    strike(2, "changed", path=book)
    for call in (["drift", BUILD], ["export", "--json", "-"], ["show", BUILD]):
        assert main(["logbook", "--logbook", str(book), *call]) == 0, capsys.readouterr().err


@pytest.mark.parametrize("name", [b"\xff\x00", b"", "other"])
def test_a_changed_name_of_a_build(book: Path, capsys, name: object) -> None:
    change(book, "UPDATE build SET name = ?", name)
    assert len(read_builds(book)) == 1
    for call in (["list"], ["show"]):
        assert main(["logbook", "--logbook", str(book), *call]) in (0, 2)
        assert "fault of listen" not in capsys.readouterr().err
    assert main(["logbook", "--logbook", str(book), "verify"]) == 1
    assert "build 1: its name was changed" in capsys.readouterr().out


def test_a_text_that_is_none_by_its_bytes(book: Path, capsys) -> None:
    change(book, "UPDATE entry SET note = CAST(x'ff4142' AS TEXT) WHERE id = 4")
    assert main(["logbook", "--logbook", str(book), "show", BUILD]) == 0
    out = capsys.readouterr().out
    assert "AB" in out
    assert out.isprintable() or all(line.isprintable() for line in out.splitlines())
    assert main(["logbook", "--logbook", str(book), "verify"]) == 1


@pytest.mark.parametrize("text", ["0001-01-01", "1899-12-31", "9999-12-31"])
def test_a_moment_that_no_calendar_can_show_is_refused(book: Path, capsys, text: str) -> None:
    assert main(["logbook", "--logbook", str(book), "note", BUILD, "x", "--measured", text]) == 2
    assert f"--measured '{text}'" in capsys.readouterr().err


@pytest.mark.parametrize("byte", [b"\xe6", b"\xff", b"\x00"])
def test_a_layout_whose_bytes_are_damaged(book: Path, capsys, byte: bytes) -> None:
    """What the database says of it quotes bytes that are no text."""
    with closing(sqlite3.connect(book)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = book.read_bytes()
    assert b"CREATE TABLE build (" in data
    book.write_bytes(data.replace(b"CREATE TABLE build (", b"CREATE TABLE" + byte + b"build ("))
    for call in (["list"], ["verify"], ["note", BUILD, "x"]):
        assert main(["logbook", "--logbook", str(book), *call]) == 2
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        assert "fault of listen" not in err
        assert "nothing was" in err
