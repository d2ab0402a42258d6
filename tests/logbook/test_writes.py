"""What goes in comes out; what cannot be kept is refused in one line and leaves nothing behind."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from listen import logbook
from listen.errors import LogbookError, OptionError
from listen.logbook import About, book, read_builds, read_entry, read_history, record, record_note, strike, verify
from listen.report import check_document
from tests.helpers import make_result
from tests.logbook.tables import DAY, octave_a_volt, table

REPO = Path(__file__).resolve().parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.sqlite"


def check() -> dict[str, Any]:
    return check_document(make_result())


def test_an_entry_comes_back_as_it_went_in(path: Path) -> None:
    document = check()
    about = About(note="two\nlines", temperature_c=21, warm_up_min=30, measured=DAY, state=None)
    before = datetime.now(UTC)
    stored = record(document, build="north shelf", path=path, about=about)
    entry = read_entry(path, stored.number)
    assert (stored.number, stored.build, stored.path, stored.new_build) == (1, "north shelf", path, True)
    assert entry.document == document
    assert (entry.build, entry.kind, entry.state, entry.note) == ("north shelf", "check", None, "two\nlines")
    assert (entry.temperature_c, entry.warm_up_min, entry.measured) == (21.0, 30.0, DAY)
    assert before - timedelta(milliseconds=1) <= entry.stored <= datetime.now(UTC)


def test_calibrations_as_found_and_as_left(path: Path) -> None:
    found, left = table(octave_a_volt(9.0)), table(octave_a_volt())
    logbook.record_calibration(found, build="a", path=path, about=About(state="as-found"))
    logbook.record_calibration(left, build="a", path=path, about=About(state="as-left"))
    assert [(e.kind, e.state, e.document) for e in read_history(path, "a")] == [
        ("calibration", "as-found", found),
        ("calibration", "as-left", left),
    ]


def test_a_document_of_another_kind_is_a_programmers_mistake(path: Path) -> None:
    with pytest.raises(ValueError, match="no document of a check"):
        logbook.record_check(table(octave_a_volt()), build="a", path=path)
    with pytest.raises(ValueError, match="no document of a calibration"):
        logbook.record_calibration(check(), build="a", path=path)
    with pytest.raises(ValueError, match="not JSON compliant"):
        record({"schema": "listen.check/1", "level": float("nan")}, build="a", path=path)
    assert not path.exists()


def test_the_history_is_in_the_order_of_measuring_wherever_the_clock_stood(path: Path) -> None:
    east = timezone(timedelta(hours=9))
    for minutes, zone in ((20, UTC), (0, east), (10, UTC)):
        moment = (DAY + timedelta(minutes=minutes)).astimezone(zone)
        record_note(build="a", path=path, about=About(note=str(minutes), measured=moment))
    assert [e.note for e in read_history(path, "a")] == ["0", "10", "20"]


def test_capitals_and_spaces_make_no_other_build(path: Path) -> None:
    names = ["North shelf", "north  SHELF ", "Straße", "STRASSE", "cafe\u0301", "caf\u00e9"]
    stored = [record_note(build=name, path=path, about=About(note="x")) for name in names]
    assert [s.build for s in stored] == ["North shelf"] * 2 + ["Straße"] * 2 + ["caf\u00e9"] * 2
    assert [s.new_build for s in stored] == [True, False] * 3
    assert len(read_history(path, "NORTH shelf")) == 2


def test_a_name_that_is_nearly_another_is_pointed_out_once(path: Path) -> None:
    record_note(build="north shelf", path=path, about=About(note="x"))
    near = record_note(build="nroth shelf", path=path, about=About(note="x"))
    assert (near.new_build, near.similar) == (True, "north shelf")
    again = record_note(build="nroth shelf", path=path, about=About(note="x"))
    assert (again.new_build, again.similar) == (False, None)
    assert record_note(build="attic", path=path, about=About(note="x")).similar is None


def test_the_same_recording_is_recognised(path: Path) -> None:
    assert record(check(), build="a", path=path).same_as is None
    assert record(check(), build="a", path=path).same_as == 1
    assert record(check(), build="b", path=path).same_as is None
    other = check()
    other["capture"]["sha256"] = "ab" * 32
    assert record(other, build="a", path=path).same_as is None
    strike(1, "twice", path=path)
    strike(2, "twice", path=path)
    assert record(check(), build="a", path=path).same_as is None


def test_the_list_has_the_build_that_was_measured_last_first(path: Path) -> None:
    record(check(), build="a", path=path, about=About(measured=DAY))
    record(table(octave_a_volt()), build="b", path=path, about=About(measured=DAY + timedelta(days=1)))
    record_note(build="a", path=path, about=About(note="x", measured=DAY + timedelta(days=2)))
    lines = read_builds(path)
    assert [(b.name, b.checks, b.calibrations, b.notes) for b in lines] == [("a", 1, 0, 1), ("b", 0, 1, 0)]
    assert [b.last.number for b in lines if b.last] == [3, 2]


def test_a_struck_entry_stays_and_counts_for_nothing(path: Path) -> None:
    record(check(), build="a", path=path)
    assert strike(1, "wrong board", path=path) == "a"
    entry = read_entry(path, 1)
    assert entry.struck is not None
    assert entry.struck_why == "wrong board"
    assert read_builds(path)[0].checks == 0
    assert read_builds(path)[0].last is None
    with pytest.raises(OptionError, match="entry 1 has been struck out before"):
        strike(1, "again", path=path)
    with pytest.raises(OptionError, match="no entry 2; its last is 1"):
        strike(2, "none", path=path)
    with pytest.raises(OptionError, match="for a reason"):
        strike(1, "  ", path=path)


@pytest.mark.parametrize(
    ("name", "about", "text"),
    [
        ("", About(), "name of the build is empty"),
        (" \n\t ", About(), "name of the build is empty"),
        ("x" * 201, About(), "has 201 characters; give at most 200"),
        ("bell\a", About(), r"U\+0007"),
        ("\x1b[31mred", About(), r"U\+001B"),
        ("nul\0", About(), r"U\+0000"),
        ("no text \udcff", About(), r"U\+DCFF"),
        ("a", About(note="x" * 10_001), "10001 characters"),
        ("a", About(note="\x1b[2J"), r"U\+001B"),
        ("a", About(temperature_c=101.0), "temperature cannot be 101 degrees C; give -50 to 100"),
        ("a", About(temperature_c=float("nan")), "temperature cannot be nan"),
        ("a", About(warm_up_min=-1.0), "cannot be -1 minutes"),
        ("a", About(warm_up_min=float("inf")), "cannot be inf minutes"),
        ("a", About(state="as-is"), "known: as-found, as-left"),  # type: ignore[arg-type]
    ],
)
def test_what_cannot_be_kept_is_refused_and_no_file_is_made(path: Path, name: str, about: About, text: str) -> None:
    with pytest.raises(OptionError, match=text):
        record(check(), build=name, path=path, about=about)
    assert not path.exists()


def test_an_interruption_within_a_transaction_leaves_nothing(path: Path) -> None:
    record_note(build="a", path=path, about=About(note="kept"))
    with contextlib.suppress(KeyboardInterrupt), book.write_connection(path) as connection:
        connection.execute("INSERT INTO build (name, name_key) VALUES ('b', 'b')")
        raise KeyboardInterrupt
    assert [line.name for line in read_builds(path)] == ["a"]
    assert verify(path).wrong == ()


def test_a_writer_waits_for_another(path: Path) -> None:
    record_note(build="a", path=path, about=About(note="first"))
    begun, done = threading.Event(), []

    def hold() -> None:
        with book.write_connection(path):
            begun.set()
            done.append(not finished.wait(0.3))

    finished = threading.Event()
    holder = threading.Thread(target=hold)
    holder.start()
    begun.wait()
    record_note(build="a", path=path, about=About(note="second"))
    finished.set()
    holder.join()
    assert done == [True], "the second was stored while the first held the file"
    assert len(read_history(path, "a")) == 2


def test_a_logbook_that_is_held_for_too_long_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record_note(build="a", path=path, about=About(note="first"))
    monkeypatch.setattr(book, "PATIENCE_S", 0.05)
    with book.write_connection(path), pytest.raises(LogbookError, match="in use by another program"):
        record_note(build="a", path=path, about=About(note="second"))
    assert len(read_history(path)) == 1


def test_a_reader_is_not_kept_waiting_and_sees_one_moment(path: Path) -> None:
    record_note(build="a", path=path, about=About(note="first"))
    with book.read_connection(path) as connection:
        count = "SELECT count(*) FROM entry"
        assert connection.execute(count).fetchone() == (1,)
        record_note(build="a", path=path, about=About(note="second"))
        assert connection.execute(count).fetchone() == (1,)
    assert len(read_history(path)) == 2


@pytest.mark.skipif(os.name == "nt", reason="POSIX limits")
def test_a_disc_that_takes_no_more_loses_nothing_that_was_stored(path: Path) -> None:
    """A limit on the size of files stands for the full disc."""
    code = """
import resource, sys
from listen.logbook import About, record
from listen.errors import LogbookError
document = {"schema": "listen.check/1", "bulk": "x" * 50_000}
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
try:
    while True:
        print(record(document, build="a", path=sys.argv[1]).number, flush=True)
except LogbookError as error:
    print(error)
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], cwd=REPO, capture_output=True, text=True, timeout=60, check=True
    )
    *numbers, complaint = done.stdout.splitlines()
    assert "nothing was stored" in complaint
    assert len(numbers) >= 3
    assert [entry.number for entry in read_history(path)] == [int(number) for number in numbers]
    assert verify(path).wrong == ()
    assert record(check(), build="a", path=path).number > int(numbers[-1])


def test_numbers_are_never_given_twice(path: Path) -> None:
    first = record_note(build="a", path=path, about=About(note="x")).number
    with book.write_connection(path) as connection:
        connection.execute("DELETE FROM entry")
    assert record_note(build="a", path=path, about=About(note="x")).number == first + 1
