"""The command line of the logbook: keeping a check, the verbs, and everything a person may do wrong."""

from __future__ import annotations

import csv
import json
import os
import re
import sys
import types
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from listen import cli
from listen.errors import CaptureError, LogbookError
from listen.logbook import About, read_builds, read_entry, read_history, record, record_note, verify
from listen.report import check_schema
from listen.report.logbook_files import drift_schema, logbook_schema
from tests.helpers import PlainCapture, PlainResult, make_judgement, make_result
from tests.logbook.tables import DAY, octave_a_volt, table

PASS = {"verdict": "pass", "headline": "A healthy board.", "findings": ()}
STORED = re.compile(r'^stored as entry (\d+) of "(.*)" in .*$', re.MULTILINE)


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with a logbook of its own and a check that answers at once."""

    def check(path: str, **_settings: Any) -> PlainResult:
        if os.path.basename(path).startswith("bad"):
            raise CaptureError(f"{path}: not a recording", "give a WAV file")
        judgement = make_judgement(**PASS) if path.startswith("good") else make_judgement()
        return make_result(judgement, capture=PlainCapture(path=path))

    module: Any = types.ModuleType("listen.api.checking")
    module.check = check
    monkeypatch.setitem(sys.modules, "listen.api.checking", module)
    monkeypatch.delenv("LISTEN_TRACEBACK", raising=False)
    monkeypatch.setenv("LISTEN_LOGBOOK", "bench.sqlite")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    for name in ("good.wav", "fault.wav", "bad.wav"):
        (tmp_path / name).write_bytes(b"RIFF a take")
    return tmp_path


def tables_in(path: Path, *cents: float) -> None:
    for i, offset in enumerate(cents):
        record(
            table(octave_a_volt(offset)), build="north shelf", path=path, about=About(measured=DAY.replace(day=i + 1))
        )


def rows_of(name: str) -> list[dict[str, str]]:
    with Path(name).open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def only_line(text: str) -> str:
    assert text.count("\n") == 1, text
    assert text.startswith("listen: ")
    assert "Traceback" not in text
    assert "fault of listen itself" not in text
    return text.rstrip("\n")


# Keeping


def test_a_check_is_kept_and_said_below_its_page(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["check", "fault.wav", "--build", "north shelf", "--note", "new lamp", "--temperature", "21,5"]
    assert cli.main([*call, "--warm-up", "30", "--measured", "2026-03-01T19:30+01:00"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    found = STORED.search(out)
    assert found
    assert found.groups() == ("1", "north shelf")
    assert out.index("unequal" if "unequal" in out else "fault") < found.start()
    entry = read_entry(room / "bench.sqlite", 1)
    jsonschema.validate(entry.document, check_schema())
    assert (entry.note, entry.temperature_c, entry.warm_up_min) == ("new lamp", 21.5, 30.0)
    assert entry.measured.isoformat() == "2026-03-01T18:30:00+00:00"


def test_nothing_is_kept_unasked(room: Path) -> None:
    assert cli.main(["check", "good.wav", "--quiet"]) == 0
    assert not (room / "bench.sqlite").exists()


def test_the_name_is_that_of_the_bench_file_where_a_logbook_is_named(room: Path) -> None:
    (room / "bench.toml").write_text('[build]\nname = "south shelf"\n')
    assert cli.main(["check", "good.wav", "--quiet", "--logbook", "named.sqlite"]) == 0
    assert cli.main(["check", "good.wav", "--quiet", "--logbook", "named.sqlite", "--build", "other"]) == 0
    assert [line.name for line in read_builds("named.sqlite")] == ["other", "south shelf"]
    assert not (room / "bench.sqlite").exists()


def test_standard_output_is_the_document_alone(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "good.wav", "--build", "a", "--json", "-"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == read_entry(room / "bench.sqlite", 1).document
    assert STORED.match(err)
    assert cli.main(["check", "good.wav", "--build", "a", "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")
    assert len(read_history("bench.sqlite")) == 2


@pytest.mark.usefixtures("room")
def test_each_capture_that_can_be_used_has_its_entry(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "good.wav", "bad.wav", "fault.wav", "--build", "a"]) == 2
    assert only_line(capsys.readouterr().err).endswith("bad.wav: not a recording; give a WAV file")
    documents = [entry.document for entry in read_history("bench.sqlite")]
    assert [d["capture"]["path"] for d in documents] == ["good.wav", "fault.wav"]


@pytest.mark.usefixtures("room")
def test_what_was_found_is_shown_though_it_cannot_be_kept(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from listen import logbook

    def fails(*_: Any, **__: Any) -> None:
        raise LogbookError("the disc is full, nothing was stored", "make room")

    monkeypatch.setattr(logbook, "record", fails)
    assert cli.main(["check", "fault.wav", "--build", "a", "--json", "out.json"]) == 2
    out, err = capsys.readouterr()
    assert "The positive half flattens" in out
    assert only_line(err) == "listen: the disc is full, nothing was stored; make room"
    assert json.loads(Path("out.json").read_text())["verdict"] == "fault"


def test_a_whole_take_is_checked_and_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without any stand-in: the command line, a real take, the file."""
    take = tmp_path / "take.wav"
    x = 0.5 * np.sin(2.0 * np.pi * 440.0 * np.arange(48_000) / 48_000.0)
    soundfile.write(take, x + 1e-5 * np.random.default_rng(1).standard_normal(48_000), 48_000, subtype="PCM_24")
    path = tmp_path / "bench.sqlite"
    status = cli.main(["check", str(take), "--logbook", str(path), "--build", "attic", "--quiet"])
    assert status in (0, 1), capsys.readouterr().err
    entry = read_entry(path, 1)
    jsonschema.validate(entry.document, check_schema())
    assert entry.document["summary"]["f0_high_hz"] == pytest.approx(440.0, abs=0.1)
    assert verify(path).wrong == ()


def test_from_takes_to_tables_to_drift(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three takes in closed form, six voltages held for 1.2 s each: as found, as left, a month later.

    The pitch of such a step is known to 0.01 cents: a tenth of a cent is ten of these.
    """
    monkeypatch.chdir(tmp_path)
    laws = {"found": octave_a_volt(14.0, -3.0), "left": octave_a_volt(), "later": octave_a_volt(6.0, 0.8)}
    states = {"found": ["--as-found"], "left": ["--as-left"], "later": []}
    for day, (name, law) in enumerate(laws.items(), start=1):
        f0_hz = np.repeat([law(float(v)) for v in range(6)], 57_600)
        x = 0.4 * np.sin(2.0 * np.pi * np.cumsum(f0_hz) / 48_000.0)
        soundfile.write(f"{name}.wav", x, 48_000, subtype="PCM_24")
        call = ["calibrate", f"{name}.wav", "--cv-steps", "0:5:1", "--quiet", "--build", "north shelf"]
        when = ["--measured", f"2026-03-0{day}", "--temperature", str(18 + 2 * day)]
        status = cli.main([*call, *when, *states[name], "--logbook", "b.sqlite"])
        assert status == 0, capsys.readouterr().err
    assert cli.main(["logbook", "drift", "--logbook", "b.sqlite", "--json", "-"]) == 0
    trim, drift = json.loads(capsys.readouterr().out)["tables"]
    assert (trim["cause"], drift["cause"], drift["against"]) == ("trim", "drift", 2)
    # The middle is 2.5 V; the octaves of the table as found are 1200 - 3 cents.
    assert trim["offset_cents"] == pytest.approx(-(14.0 - 3.0 * 2.5), abs=0.1)
    assert trim["span_cents_per_octave"] == pytest.approx(3.0 * 1200.0 / 1197.0, abs=0.05)
    assert drift["offset_cents"] == pytest.approx(6.0 + 0.8 * 2.5, abs=0.1)
    assert drift["span_cents_per_octave"] == pytest.approx(0.8, abs=0.05)
    assert drift["temperature_change_c"] == pytest.approx(2.0)


# The verbs


@pytest.mark.usefixtures("room")
def test_the_list_is_what_it_does_by_itself(capsys: pytest.CaptureFixture[str]) -> None:
    record_note(build="attic", path="bench.sqlite", about=About(note="x"))
    for call in (["logbook"], ["logbook", "list"], ["logbook", "--logbook", "bench.sqlite"]):
        assert cli.main(call) == 0
        assert "│ attic" in capsys.readouterr().out


@pytest.mark.usefixtures("room")
def test_the_logbook_may_be_named_before_or_after_the_verb(capsys: pytest.CaptureFixture[str]) -> None:
    record_note(build="attic", path="other.sqlite", about=About(note="x"))
    for call in (["--logbook", "other.sqlite", "show"], ["show", "--logbook", "other.sqlite"]):
        assert cli.main(["logbook", *call]) == 0
        assert "attic" in capsys.readouterr().out


@pytest.mark.usefixtures("room")
def test_show_and_entry(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["check", "fault.wav", "--build", "a", "--quiet"])
    assert cli.main(["logbook", "show", "A"]) == 0
    assert "flattens from 245 Hz" in capsys.readouterr().out
    assert cli.main(["logbook", "entry", "1"]) == 0
    assert "It sings 162 Hz" in capsys.readouterr().out
    assert cli.main(["logbook", "entry", "1", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out) == read_entry("bench.sqlite", 1).document
    assert cli.main(["logbook", "entry", "1", "--json", "e.json"]) == 0
    assert json.loads(Path("e.json").read_text()) == read_entry("bench.sqlite", 1).document


@pytest.mark.usefixtures("room")
def test_notes_and_strikes(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["logbook", "note", "attic", "draught from the door", "--temperature", "-3"]) == 0
    assert STORED.match(capsys.readouterr().out)
    assert cli.main(["logbook", "note", "attic", "--temperature", "12"]) == 0
    assert [(e.note, e.temperature_c) for e in read_history("bench.sqlite")] == [
        ("draught from the door", -3.0),
        (None, 12.0),
    ]
    capsys.readouterr()
    assert cli.main(["logbook", "strike", "1", "wrong room"]) == 0
    assert capsys.readouterr().out == 'entry 1 of "attic" is struck out\n'
    assert read_entry("bench.sqlite", 1).struck_why == "wrong room"


def test_the_drift_page_json_and_table(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables_in(room / "bench.sqlite", 0.0, 4.0, 9.0)
    assert cli.main(["logbook", "drift", "--csv", "d.csv", "--json", "d.json"]) == 0
    out = capsys.readouterr().out
    assert "All notes together: +9.0 ±0.0 cents" in out
    assert "entry 3 against entry 1" in out
    document = json.loads(Path("d.json").read_text())
    jsonschema.validate(document, drift_schema())
    assert [round(t["offset_cents"], 6) for t in document["tables"]] == [4.0, 9.0]
    assert len(rows_of("d.csv")) == 2 * 85
    assert cli.main(["logbook", "drift", "north shelf", "--entry", "3", "--against", "2", "--json", "-"]) == 0
    (only,) = json.loads(capsys.readouterr().out)["tables"]
    assert (only["entry"], only["against"], round(only["offset_cents"], 6)) == (3, 2, 5.0)


def test_export(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables_in(room / "bench.sqlite", 0.0)
    record_note(build="attic", path="bench.sqlite", about=About(note="x"))
    assert cli.main(["logbook", "export", "--json", "-", "--csv", "e.csv", "--steps", "s.csv"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    document = json.loads(out)
    jsonschema.validate(document, logbook_schema())
    assert [e["build"] for e in document["entries"]] == ["north shelf", "attic"]
    assert [row["build"] for row in rows_of("e.csv")] == ["north shelf", "attic"]
    assert len(rows_of("s.csv")) == 8
    assert cli.main(["logbook", "export", "attic", "--json", "-"]) == 0
    assert len(json.loads(capsys.readouterr().out)["entries"]) == 1


def test_verify(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import sqlite3
    from contextlib import closing

    tables_in(room / "bench.sqlite", 0.0, 1.0)
    assert cli.main(["logbook", "verify"]) == 0
    assert capsys.readouterr().out == "all is as it was stored (entries: 2, builds: 1)\n"
    with closing(sqlite3.connect("bench.sqlite")) as connection:
        connection.execute("UPDATE entry SET note = 'forged' WHERE id = 2")
        connection.commit()
    assert cli.main(["logbook", "verify"]) == 1
    assert capsys.readouterr().out.startswith("entry 2: it was changed after it had been stored\n")


# Everything that a person may do wrong. bench.sqlite has two tables and a note of "north shelf" and a note of "attic".

CALLS: dict[str, tuple[Sequence[str], str]] = {
    "unknown verb": (["logbook", "lst"], "lst"),
    "unknown option": (["logbook", "export", "--jason", "-"], 'did you mean "--json"'),
    "no name for the file": (["logbook", "--logbook", ""], "--logbook needs a file name"),
    "no logbook yet": (["logbook", "--logbook", "none.sqlite"], "no logbook at 'none.sqlite' yet"),
    "logbook is a folder": (["logbook", "--logbook", "folder"], "'folder' is no file"),
    "logbook is a take": (["logbook", "--logbook", "good.wav"], "'good.wav' is no logbook"),
    "logbook in no folder": (["logbook", "note", "a", "x", "--logbook", "nowhere/b.sqlite"], "does not exist"),
    "unknown build": (["logbook", "show", "nroth shelf"], 'did you mean "north shelf"'),
    "unknown build, nothing near": (["logbook", "show", "zzz"], 'it has "north shelf", "attic"'),
    "which build": (["logbook", "show"], "has 2 builds; name one"),
    "drift of a build without tables": (["logbook", "drift", "attic"], "has 0 calibrations, a drift takes two"),
    "drift of no build": (["logbook", "drift", "zzz"], "no build 'zzz'"),
    "drift of one entry": (["logbook", "drift", "north shelf", "--entry", "1"], "name both"),
    "drift of a note": (["logbook", "drift", "north shelf", "--entry", "3", "--against", "1"], "entry 3 is no calibr"),
    "drift of no entry": (["logbook", "drift", "north shelf", "--entry", "9", "--against", "1"], "no entry 9"),
    "entry none": (["logbook", "entry", "99"], "no entry 99; its last is 4"),
    "entry zero": (["logbook", "entry", "0"], "'0' is no number of an entry"),
    "entry text": (["logbook", "entry", "first"], "'first' is no number of an entry"),
    "entry huge": (["logbook", "entry", "9" * 40], "is no number of an entry"),
    "document of a note": (["logbook", "entry", "3", "--json", "-"], "is a note and has no document"),
    "note of nothing": (["logbook", "note", "a"], "nothing to note"),
    "note of spaces": (["logbook", "note", "a", "  "], "nothing to note"),
    "note for nobody": (["logbook", "note", " ", "x"], "name of the build is empty"),
    "note with a control character": (["logbook", "note", "a", "x\x1b[2J"], "U+001B"),
    "strike without a reason": (["logbook", "strike", "1"], "WHY"),
    "strike none": (["logbook", "strike", "99", "why"], "no entry 99"),
    "export to nowhere": (["logbook", "export"], "name one: --json FILE"),
    "export over the logbook": (["logbook", "export", "--csv", "bench.sqlite"], "is one of the inputs"),
    "export over its log": (["logbook", "export", "--csv", "bench.sqlite-wal"], "is one of the inputs"),
    "export two into one": (["logbook", "export", "--csv", "x", "--steps", "x"], "is one of the inputs"),
    "export csv to standard output": (["logbook", "export", "--csv", "-"], "--csv needs a file"),
    "export to a folder": (["logbook", "export", "--json", "folder"], "is a folder"),
    "temperature text": (["logbook", "note", "a", "x", "--temperature", "warm"], "--temperature 'warm' is no number"),
    "temperature too high": (["logbook", "note", "a", "x", "--temperature", "400"], "cannot be 400 degrees C"),
    "temperature nan": (["logbook", "note", "a", "x", "--temperature", "nan"], "'nan' is no number"),
    "warm-up negative": (["logbook", "note", "a", "x", "--warm-up", "-5"], "cannot be -5 minutes"),
    "measured text": (["logbook", "note", "a", "x", "--measured", "yesterday"], "--measured 'yesterday' is no moment"),
    "measured no day": (["logbook", "note", "a", "x", "--measured", "2026-02-30"], "is no moment"),
    "measured before time": (["logbook", "note", "a", "x", "--measured", "0001-01-01"], "is no moment"),
    "measured ahead": (["logbook", "note", "a", "x", "--measured", "9000-01-01"], "lies ahead"),
    "check: note without a build": (["check", "good.wav", "--note", "x"], "--note goes into the logbook; add --build"),
    "check: 0 degrees without a build": (["check", "good.wav", "--temperature", "0"], "--temperature goes into"),
    "check: logbook without a build": (["check", "good.wav", "--logbook", "b.sqlite"], "needs the name of the build"),
    "check: empty build": (["check", "good.wav", "--build", ""], "name of the build is empty"),
    "check: long build": (["check", "good.wav", "--build", "x" * 300], "has 300 characters"),
    "check: logbook is the take": (["check", "good.wav", "--build", "a", "--logbook", "good.wav"], "is no logbook"),
    "check: json over the logbook": (["check", "good.wav", "--build", "a", "--json", "bench.sqlite"], "of the inputs"),
    "check: json over a new logbook": (
        ["check", "good.wav", "--build", "a", "--logbook", "new", "--json", "new"],
        "is one of the inputs",
    ),
}


@pytest.mark.parametrize(("call", "text"), CALLS.values(), ids=CALLS.keys())
def test_a_wrong_call_is_one_line_and_changes_nothing(
    room: Path, capsys: pytest.CaptureFixture[str], call: Sequence[str], text: str
) -> None:
    tables_in(room / "bench.sqlite", 0.0, 1.0)
    record_note(build="north shelf", path="bench.sqlite", about=About(note="x"))
    record_note(build="attic", path="bench.sqlite", about=About(note="x", measured=DAY))
    (room / "folder").mkdir()
    before = {p.name: p.read_bytes() for p in room.iterdir() if p.is_file()}
    assert cli.main(call) == 2
    out, err = capsys.readouterr()
    assert text in only_line(err)
    assert out == ""
    assert {p.name: p.read_bytes() for p in room.iterdir() if p.is_file()} == before


def test_help_names_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["logbook", "--help"]) == 0
    out = capsys.readouterr().out
    for verb in ("list", "show", "entry", "drift", "note", "strike", "export", "verify"):
        assert re.search(rf"^    {verb} ", out, re.MULTILINE), verb
        assert cli.main(["logbook", verb, "--help"]) == 0
    assert "LISTEN_LOGBOOK" in out
