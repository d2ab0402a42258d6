"""Input that once ended in a traceback, a hang or a wrong answer: each as a small file made here."""

from __future__ import annotations

import copy
import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listen.api.comparing import compare
from listen.api.earlier_table import table_before
from listen.bench import load_bench
from listen.calibration import parse_steps, parse_values, read_steps_file
from listen.cli import main
from listen.errors import LONGEST_LINE, LONGEST_QUOTE, BenchError, CaptureError, ListenError, OptionError, cut
from listen.findings import load_limits
from listen.logbook import About, record_note
from listen.report.page.chart import plain_numbers
from listen.report.reading import DocumentFault, parse_document
from tests.fuzz.targets import make_base

DATA = Path(__file__).resolve().parents[1] / "data"
Change = Callable[[dict[str, Any]], object]


@pytest.fixture
def document() -> dict[str, Any]:
    return dict(json.loads((DATA / "check-of-the-version-before.json").read_text("utf-8")))


# How a document of a check is changed, and the place that the line must name.
CHANGES: dict[str, tuple[Change, str]] = {
    "a row that is a number": (lambda d: d["sweep"].__setitem__(0, 5), "sweep[0]"),
    "a row without its pitch": (lambda d: d["sweep"][2].pop("f0_low_hz"), "sweep[2]"),
    "a pitch below nothing": (lambda d: d["sweep"][1].update(f0_high_hz=-3.0), "sweep[1].f0_high_hz"),
    "a level in words": (lambda d: d["sweep"][0].update(level_dbfs="-3"), "sweep[0].level_dbfs"),
    "findings that are a table": (lambda d: d.update(findings={}), "findings"),
    "a finding of nothing": (lambda d: d["findings"].__setitem__(0, None), "findings[0]"),
    "a severity of its own": (lambda d: d["findings"][0].update(severity="grave"), "findings[0].severity"),
    "a capture without a name": (lambda d: d["capture"].update(path=None), "capture.path"),
    "a verdict of 3000 characters": (lambda d: d.update(verdict="x" * 3000), "verdict"),
    "no headline": (lambda d: d.pop("headline"), "the document"),
    "a summary of words": (lambda d: d.update(summary="pass"), "summary"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_check_is_refused_with_the_place(tmp_path, capsys, document, change) -> None:
    whole, other = tmp_path / "whole.json", tmp_path / "changed.json"
    whole.write_text(json.dumps(document), encoding="utf-8")
    act, place = CHANGES[change]
    act(document)
    other.write_text(json.dumps(document), encoding="utf-8")
    for sides in ((whole, other), (other, whole)):
        assert main(["compare", *map(str, sides)]) == 2
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        assert "changed.json: is no whole check" in err
        assert f"({place}: " in err
        assert len(err) <= LONGEST_LINE + 1


@pytest.mark.parametrize(
    "text", ["NaN", "Infinity", "-Infinity", "1e400", "1e31", "-1.5E+31", "-" + "9" * 400, "9" * 5000, "1" + "0" * 31]
)
def test_a_number_that_no_measurement_gives_is_refused(tmp_path, capsys, document, text) -> None:
    document["sweep"][0]["level_dbfs"] = "HERE"
    path = tmp_path / "take.json"
    path.write_text(json.dumps(document).replace('"HERE"', text), encoding="utf-8")
    assert main(["compare", str(path), str(path)]) == 2
    err = capsys.readouterr().err
    assert "is no JSON file" in err
    assert len(err) <= LONGEST_LINE + 1


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000, b"\xff\xfe{", b"{", "", '{"a": 1} x'])
def test_no_json_is_said_with_its_place(text) -> None:
    with pytest.raises(DocumentFault):
        parse_document(text)


@pytest.mark.parametrize("depth", [100, 300, 600, 900])
def test_a_document_that_is_nested_deeply_is_refused(tmp_path, capsys, document, depth) -> None:
    """Python read it, and the library that holds it to its schema gave up."""
    document["findings"] = json.loads("[" * depth + "]" * depth)
    path = tmp_path / "take.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    assert main(["compare", str(path), str(path)]) == 2
    err = capsys.readouterr().err
    assert "is no whole check" in err
    assert len(err) <= LONGEST_LINE + 1


def test_millions_of_numbers_keep_nobody_waiting(tmp_path, capsys) -> None:
    """Sixteen megabytes took half a minute and half a gigabyte; what is as large is no result."""
    path = tmp_path / "take.json"
    path.write_bytes(b"[" + b"1," * 8_000_000 + b"1]")
    whole = tmp_path / "whole.json"
    whole.write_text("{}")
    assert main(["compare", str(path), str(whole)]) == 2
    assert "too large to be a result" in capsys.readouterr().err
    path.write_bytes(b'{"schema": [' + b"1," * 4_900_000 + b"1]}")
    began_s = time.process_time()
    assert main(["compare", str(path), str(whole)]) == 2
    assert time.process_time() - began_s < 10.0  # not minutes
    assert "is no check" in capsys.readouterr().err


def test_a_line_of_complaint_about_megabytes_is_said_at_once() -> None:
    for text in ("word " * 3_000_000, "x" * 10_000_000, repr("it's " * 2_000_000)):
        began_s = time.process_time()
        assert len(str(CaptureError(text, text))) <= LONGEST_LINE
        assert time.process_time() - began_s < 5.0  # not minutes


def test_a_number_of_nearly_nothing_is_drawn() -> None:
    values = np.array([1e-320, -5e-324, 0.0, 1e-299, 123456.7, np.nan])
    with np.errstate(all="raise"):
        assert plain_numbers(values) == [0.0, 0.0, 0.0, 1e-299, 123460.0, None]


def test_keys_that_a_later_version_adds_are_no_error(tmp_path) -> None:
    base = make_base(tmp_path)
    later = copy.deepcopy(dict(base.check))
    assert later["circuit"]
    for place in (later, later["circuit"], later["account"], later["findings"][0], later["sweep"][0]):
        place["key_of_tomorrow"] = 1.0
    assert compare(later, base.check).verdict == "unchanged"


def test_a_document_given_by_a_program_is_held_to_the_schema_too(document) -> None:
    assert compare(document, document).verdict == "unchanged"
    for change in (lambda d: d["summary"].update(noise_dbfs=float("nan")), lambda d: d.update(findings={1})):
        other = copy.deepcopy(document)
        change(other)
        with pytest.raises(CaptureError, match="the document: is no"):
            compare(document, other)


def test_a_file_name_that_is_no_text_is_no_error(document) -> None:
    document["capture"]["path"] = "take-\udcff.wav"
    assert compare(document, document).verdict == "unchanged"


def test_a_pipe_in_place_of_a_document_keeps_nobody_waiting(tmp_path, capsys) -> None:
    os.mkfifo(tmp_path / "take.json")
    assert main(["compare", str(tmp_path / "take.json"), str(tmp_path / "take.json")]) == 2
    assert "it is a folder, a pipe or a device" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda d: d["steps"][0].update(cv_v=None), "steps[0].cv_v"),
        (lambda d: d["steps"][0].update(f0_hz=[440.0]), "steps[0].f0_hz"),
        (lambda d: d.update(steps={}), "steps"),
        (lambda d: d.pop("law"), "the document"),
    ],
)
def test_a_changed_table_is_refused_with_the_place(tmp_path, change, place) -> None:
    table = copy.deepcopy(dict(make_base(tmp_path).calibration))
    path = tmp_path / "table.json"
    path.write_text(json.dumps(table), encoding="utf-8")
    rows = table_before(path, 0.5)
    assert rows is not None
    np.testing.assert_allclose([v for v, _ in rows], [0.0, 1.0, 2.0, 3.0, 4.0])
    change(table)
    path.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(OptionError) as caught:
        table_before(path, 0.5)
    assert f"({place}: " in str(caught.value)


@pytest.mark.parametrize("digits", [300, 400, 4299, 4301, 5000])
@pytest.mark.parametrize("start", ["", "-", "0x"])
@pytest.mark.parametrize(
    "key", ["[capture]\nvolts_per_full_scale = ", "[capture]\nchannel = ", "[build]\nsupply_v = [1, "]
)
def test_a_bench_number_of_hundreds_of_digits(tmp_path, key, start, digits) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f"{key}{start}{'9' * digits}{']' if '[1' in key else ''}\n", encoding="utf-8")
    with pytest.raises(BenchError) as caught:
        load_bench(path)
    assert len(str(caught.value)) <= LONGEST_LINE
    assert str(path)[-20:] in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "[" + "a." * 30_000 + "a]\n",
        "a" + ".a" * 30_000 + " = 1\n",
        "x = 1\n  'a b' " + '. "c"' * 30_000 + " = 1\n",
        "x = {a" + ".b" * 30_000 + " = 1}\n",
        "x = [1, {a" + ".b" * 30_000 + " = 1}]\n",
    ],
    ids=["table", "key", "quoted", "inline", "in a list"],
)
def test_a_key_of_thousands_of_tables(tmp_path, text) -> None:
    """Reading them took seconds and a gigabyte, and ended in a traceback."""
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    began_s = time.process_time()
    with pytest.raises(BenchError, match="nested too deeply"):
        load_bench(path)
    with pytest.raises(ListenError, match="nested too deeply"):
        load_limits(path, gain_control=None, wave="sine")
    assert time.process_time() - began_s < 10.0  # not minutes


def test_dots_in_texts_and_comments_are_no_depth(tmp_path) -> None:
    path = tmp_path / "bench.toml"
    dots = "1.2.3.4.5.6.7.8.9.10.11.12.13.14.15.16.17.18.19.20.21.22"
    path.write_text(f'# {dots}, see {dots}\n[build]\nname = "{dots}"\n', encoding="utf-8")
    assert load_bench(path).build.name == dots


@pytest.mark.parametrize("digits", [400, 5000])
def test_a_limit_of_hundreds_of_digits(tmp_path, capsys, digits) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(f"[level-drift]\nattention = {'9' * digits}\n", encoding="utf-8")
    with pytest.raises(ListenError, match="digits"):
        load_limits(path, gain_control=None, wave="sine")
    assert main(["check", "take.wav", "--limits", str(path)]) == 2
    assert "digits" in capsys.readouterr().err


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_steps_whose_lines_end_in_any_way(tmp_path, end) -> None:
    path = tmp_path / "steps.csv"
    path.write_bytes(end.join(["start_s,end_s,cv_v", "0.1,0.9,0.5", "1.1,1.9,1.5", ""]).encode())
    given = read_steps_file(path)
    assert given.values == (0.5, 1.5)
    assert given.times_s == ((0.1, 0.9), (1.1, 1.9))


def test_a_lone_carriage_return_within_a_row_ends_it(tmp_path) -> None:
    path = tmp_path / "steps.csv"
    path.write_bytes(b"cv_v\n0.5\r1.5\n2.5\n")
    assert read_steps_file(path).values == (0.5, 1.5, 2.5)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"cv_v\n" + b"9" * 900_000 + b"\n", "is no table"),
        (b'cv_v\n0.5\n"' + b"x" * 300_000, "is no table"),
        (b"cv_v\n" + b"1\n" * 400_000, "400000 steps, at most 1000 are read"),
    ],
    ids=["a cell of 900 kB", "a quotation that never ends", "400,000 rows"],
)
def test_a_table_of_steps_that_is_none(tmp_path, data, said) -> None:
    path = tmp_path / "steps.csv"
    path.write_bytes(data)
    began_s = time.process_time()
    with pytest.raises(OptionError, match=said):
        read_steps_file(path)
    assert time.process_time() - began_s < 10.0  # not minutes


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes there")
def test_a_pipe_in_place_of_a_file_of_settings_keeps_nobody_waiting(tmp_path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(BenchError, match="is a pipe"):
        load_bench(pipe)
    with pytest.raises(ListenError, match="is a pipe"):
        load_limits(pipe, gain_control=None, wave="sine")
    with pytest.raises(OptionError, match="is a pipe"):
        read_steps_file(pipe)


@pytest.mark.parametrize("damaged", [b"INTEGER P\xff\xff\xff\xffRY KEY", b"INTEGES PRIMARY KEY"])
def test_a_logbook_whose_declarations_are_damaged(tmp_path, capsys, damaged) -> None:
    """Its builds had no numbers, and were looked up by them."""
    book = tmp_path / "book.sqlite"
    record_note(build="north shelf", path=book, about=About(note="a note"))
    whole = b"CREATE TABLE build (\n    id INTEGER PRIMARY KEY"
    data = book.read_bytes().replace(whole, whole.replace(b"INTEGER PRIMARY KEY", damaged))
    assert data != book.read_bytes()
    book.write_bytes(data)
    for words in (["list"], ["show", "north shelf"], ["verify"], ["note", "north shelf", "another"]):
        status = main(["logbook", "--logbook", str(book), *words])
        said = capsys.readouterr().err
        assert (status, "is damaged" in said, said.count("\n")) == (2, True, 1), said
    assert book.read_bytes() == data


@pytest.mark.parametrize("text", ["0:1000:1e-320", "-1000:1000:5e-324", "0:1:1e-12"])
def test_a_step_of_nearly_nothing(text) -> None:
    with pytest.raises(OptionError, match="makes more steps than can be held"):
        parse_steps(text)


@pytest.mark.parametrize("word", ["0e400", "0e-99999999999999999999", "1e-99999999999999999999999"])
def test_a_zero_with_an_endless_exponent(word) -> None:
    assert parse_values(f"{word},1.0", "--cv-values").values == (0.0, 1.0)


@pytest.mark.parametrize(
    "text", ["x" * 3000, "the take of monday " * 80, "a'b" * 400, 'say "so"' * 300, "\x00\x1b[31m" * 200]
)
def test_what_was_written_is_quoted_in_part(text) -> None:
    error = OptionError(f"--wave {text!r} is not known", 'known: sine, square; "listen check --help" lists all')
    said = str(error)
    assert len(said) <= LONGEST_LINE - len("listen: ")
    assert said.isprintable()
    assert said.endswith('is not known; known: sine, square; "listen check --help" lists all')
    assert cut("x" * 3000, LONGEST_QUOTE) in said or "x" * 61 not in said


def test_prose_with_apostrophes_is_not_taken_for_a_quote() -> None:
    what = "the board's pitch is beyond what this take's rate can show, and the boards' levels differ at the day's end"
    assert str(CaptureError(what, "record it at twice the rate")) == f"{what}; record it at twice the rate"


@pytest.mark.parametrize(
    "call",
    [
        ["check", "x" * 5000],
        ["check", "a" * 200 + "/" + "b" * 200],
        ["x" * 5000],
        ["check", "t.wav", "--" + "x" * 5000],
    ],
)
def test_no_line_is_long(capsys, call) -> None:
    assert main(call) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert len(err) <= LONGEST_LINE + 1
    assert "; " in err
