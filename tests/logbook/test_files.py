"""Other files, older files, newer files, damaged files; and where the file lies."""

from __future__ import annotations

import random
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import platformdirs
import pytest

from listen.errors import LogbookError
from listen.logbook import (
    About,
    book,
    check_logbook,
    default_path,
    layout,
    logbook_path,
    read_builds,
    read_entry,
    read_history,
    record_note,
    strike,
    verify,
)

OLD = Path(__file__).parent / "logbook-1.sqlite"
ABOUT = About(note="x")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A logbook of the first layout, as that version wrote it."""
    return Path(shutil.copy(OLD, tmp_path / "old.sqlite"))


def ask(path: Path, question: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchall()


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()


# Older and newer


def test_an_older_logbook_is_read_and_brought_forward(old: Path) -> None:
    assert ask(OLD, "PRAGMA user_version") == [(1,)]
    first, table, later = read_history(old, "north shelf, third board")
    assert (first.number, first.kind, first.temperature_c, first.warm_up_min) == (1, "check", 19.5, 30.0)
    assert (first.note, first.measured.isoformat()) == ("before the new supply", "2026-03-01T17:30:00+00:00")
    assert first.document["headline"].startswith("The positive half flattens from 245 Hz")
    assert (table.state, later.state, later.temperature_c) == ("as-left", "as-found", 24.0)
    assert table.document["steps"][3] == {
        **{"cv_v": 3.0, "f0_hz": 440.0, "f0_sigma_cents": 0.02, "direction": "up"},
        **{"start_s": 6.0, "end_s": 7.9},
    }
    assert read_entry(old, 4).note == 'two lines,\n"quoted"'
    assert ask(old, "PRAGMA user_version") == [(layout.VERSION,)]
    assert verify(old).wrong == ()
    assert (record_note(build="North shelf, third board", path=old, about=ABOUT).number, len(read_history(old))) == (
        5,
        5,
    )
    strike(3, "wrong board", path=old)


def test_an_older_logbook_that_may_not_be_written_is_read_all_the_same(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = old.read_bytes()
    monkeypatch.setattr(book.os, "access", lambda *_: False)
    assert [e.number for e in read_history(old, "north shelf, third board")] == [1, 2, 3]
    assert verify(old).wrong == ()
    with pytest.raises(LogbookError, match="may not be written"):
        record_note(build="a", path=old, about=ABOUT)
    assert old.read_bytes() == before
    assert [p.name for p in old.parent.iterdir()] == ["old.sqlite"]


def test_bringing_forward_happens_as_a_whole_or_not_at_all(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(connection: sqlite3.Connection) -> None:
        connection.execute("ALTER TABLE entry ADD COLUMN half_done TEXT")
        raise KeyboardInterrupt

    monkeypatch.setattr(layout, "_STEPS", (*layout._STEPS, fails))
    monkeypatch.setattr(book, "VERSION", layout.VERSION + 1)
    with pytest.raises(KeyboardInterrupt):
        record_note(build="a", path=old, about=ABOUT)
    assert ask(old, "PRAGMA user_version") == [(1,)]
    assert "half_done" not in str(ask(old, "SELECT sql FROM sqlite_master"))
    monkeypatch.undo()
    assert len(read_history(old)) == 4


def test_a_newer_logbook_is_refused_and_left_alone(old: Path) -> None:
    change(old, "PRAGMA user_version = 99")
    before = old.read_bytes()
    for use in (lambda: read_builds(old), lambda: record_note(build="a", path=old, about=ABOUT)):
        with pytest.raises(LogbookError, match=r"by a newer listen \(layout 99, this one knows \d\); update listen"):
            use()
    assert old.read_bytes() == before


# Other files


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    change(other, "CREATE TABLE songs (name TEXT)")
    marked = tmp_path / "marked.sqlite"
    change(marked, "PRAGMA application_id = 77")
    for path in (other, marked):
        before = path.read_bytes()
        with pytest.raises(LogbookError, match="is the database of another program"):
            record_note(build="a", path=path, about=ABOUT)
        with pytest.raises(LogbookError, match="is the database of another program"):
            read_builds(path)
        assert path.read_bytes() == before


def test_a_file_that_another_process_is_just_making_is_not_taken_for_another_programs(tmp_path: Path) -> None:
    """Between the first look at it and the second the tables are made."""
    path = tmp_path / "new.sqlite"
    makers = [threading.Thread(target=record_note, kwargs={"build": "a", "path": path, "about": ABOUT})]

    class Slow(sqlite3.Connection):
        def execute(self, sql: str, *more: Any) -> sqlite3.Cursor:
            cursor = super().execute(sql, *more)
            if sql == "PRAGMA application_id" and not makers[0].is_alive() and not makers[0].ident:
                makers[0].start()
                makers[0].join(0.5)
            return cursor

    with closing(sqlite3.connect(path, isolation_level=None, factory=Slow)) as connection:
        seen = book._version(connection, path)
    makers[0].join()
    assert seen in (None, layout.VERSION)
    assert len(read_history(path, "a")) == 1


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="POSIX devices")
def test_a_device_is_no_logbook() -> None:
    for use in (check_logbook, read_builds):
        with pytest.raises(LogbookError, match="is a device or a pipe"):
            use(Path("/dev/null"))


@pytest.mark.parametrize("content", [b"RIFF" + bytes(9000), b"x", b"SQLite format 3\0" + b"\xff" * 5000])
def test_what_is_no_database_is_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    for use in (lambda: check_logbook(path), lambda: read_builds(path)):
        with pytest.raises(LogbookError, match=r"is no logbook|is damaged|another program"):
            use()
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["take.wav"]


def test_an_empty_file_becomes_a_logbook_only_by_an_entry(tmp_path: Path) -> None:
    path = tmp_path / "new.sqlite"
    path.touch()
    with pytest.raises(LogbookError, match="is empty; nothing has been kept"):
        read_builds(path)
    assert path.read_bytes() == b""
    assert record_note(build="a", path=path, about=ABOUT).number == 1


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("folder", "is no file"),
        ("-", "is no file"),
        ("nowhere/new.sqlite", "the folder .*nowhere' does not exist"),
        ("x" * 5000, "cannot be used .file name too long"),
        ("nul\0", "cannot be used .embedded null"),
    ],
)
def test_a_name_that_cannot_be_a_logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, text: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    for use in (check_logbook, lambda path: record_note(build="a", path=path, about=ABOUT)):
        with pytest.raises(LogbookError, match=text):
            use(Path(name))
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]


def test_names_of_files_may_hold_anything(tmp_path: Path) -> None:
    for name in ("what?mode=ro.sqlite", "50%41#.sqlite", "two\nlines", " äß音 "):
        record_note(build="a", path=tmp_path / name, about=ABOUT)
        assert read_builds(tmp_path / name)[0].notes == 1
    assert len(list(tmp_path.iterdir())) == 4


def test_one_file_is_left_when_nobody_has_it_open(tmp_path: Path) -> None:
    path = tmp_path / "bench.sqlite"
    record_note(build="a", path=path, about=ABOUT)
    read_builds(path)
    assert [p.name for p in tmp_path.iterdir()] == ["bench.sqlite"]
    assert ask(path, "PRAGMA journal_mode") == [("wal",)]


# Damage


def test_a_change_from_outside_is_noticed(old: Path) -> None:
    read_builds(old)
    change(old, "UPDATE entry SET temperature_c = 20 WHERE id = 1")
    change(old, "UPDATE entry SET document = replace(document, '440.0', '441.0') WHERE id = 2")
    assert verify(old).wrong == (
        "entry 1: it was changed after it had been stored",
        "entry 2: it was changed after it had been stored",
    )


def test_a_lost_build_is_noticed(old: Path) -> None:
    read_builds(old)
    change(old, "DELETE FROM build WHERE id = 2")
    assert "entry 4: its build is missing" in verify(old).wrong


def test_a_document_that_is_none_is_said_where_it_is_used(old: Path) -> None:
    read_builds(old)
    change(old, "UPDATE entry SET document = '{' WHERE id = 1")
    with pytest.raises(LogbookError, match="entry 1 of the logbook was changed after it had been stored"):
        _ = read_entry(old, 1).document


def test_bytes_that_rot_are_noticed_or_harmless(old: Path) -> None:
    """Whatever byte rots: no other error than ours, and what is read without a complaint is what was stored."""
    read_builds(old)
    good = old.read_bytes()
    stored = read_history(old)
    rng = random.Random(20260301)
    noticed = 0
    for _ in range(150):
        rotten = bytearray(good)
        at = rng.randrange(len(good))
        rotten[at] ^= 1 << rng.randrange(8)
        old.write_bytes(rotten)
        try:
            found = verify(old)
            entries = read_history(old)
        except LogbookError:
            noticed += 1
            continue
        noticed += bool(found.wrong)
        if not found.wrong:
            # Names of builds and reasons for striking have no digest.
            bare = [(e.number, e.kind, e.note, e.measured, e.document_text) for e in entries]
            assert bare == [(e.number, e.kind, e.note, e.measured, e.document_text) for e in stored], f"byte {at}"
    assert noticed >= 30


# Where it lies


def test_the_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("LISTEN_LOGBOOK", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert logbook_path() == default_path() == platformdirs.user_data_path("listen", appauthor=False) / "logbook.sqlite"
    monkeypatch.setenv("LISTEN_LOGBOOK", "")
    assert logbook_path() == default_path()
    monkeypatch.setenv("LISTEN_LOGBOOK", "named.sqlite")
    assert logbook_path() == Path("named.sqlite")
    assert logbook_path("given.sqlite") == Path("given.sqlite")


def test_the_default_folder_is_made_and_no_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("LISTEN_LOGBOOK", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    if tmp_path not in default_path().parents:
        pytest.skip("another system's convention")
    assert record_note(build="a", about=ABOUT).path == default_path()
    assert read_builds(default_path())[0].name == "a"


def test_a_default_folder_that_cannot_be_made_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    monkeypatch.delenv("LISTEN_LOGBOOK", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with pytest.raises(LogbookError, match=r"cannot be made .*; name another place with --logbook or LISTEN_LOGBOOK"):
        record_note(build="a", about=ABOUT)
