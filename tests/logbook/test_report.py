"""The logbook's pages and files: what they say, and that they hold to their schemas."""

from __future__ import annotations

import copy
import csv
import io
import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from listen.logbook import About, Entry, drift_history, read_builds, read_history, record, record_note, strike
from listen.report import Paper, check_document
from listen.report.logbook_files import (
    DRIFT_COLUMNS,
    ENTRY_COLUMNS,
    STEP_COLUMNS,
    drift_csv,
    drift_document,
    drift_schema,
    entries_csv,
    logbook_document,
    logbook_schema,
    steps_csv,
)
from listen.report.logbook_pages import builds_page, drift_page, entry_page, history_page
from listen.report.logbook_words import stored_line
from tests.helpers import make_result
from tests.logbook.tables import DAY, entry, octave_a_volt, table

LAW = {"kind": "volt-per-octave", "volts_per_octave": 1.00042, "worst_error_cents": -2.13}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.sqlite"
    record(
        check_document(make_result()), build="north shelf", path=path, about=About(measured=DAY, note="first\nsecond")
    )
    cold = About(measured=DAY.replace(day=2), temperature_c=20.0, warm_up_min=30.0, state="as-left")
    warm = About(measured=DAY.replace(day=12), temperature_c=25.0, warm_up_min=5.0, state="as-found")
    for cents, about in ((0.0, cold), (6.0, warm)):
        document = table(octave_a_volt(cents, cents / 15.0)) | {"law": LAW}
        record(document, build="north shelf", path=path, about=about)
    record_note(build="north shelf", path=path, about=About(note="wrong", measured=DAY.replace(day=20)))
    strike(4, "another board", path=path)
    record_note(build="attic", path=path, about=About(temperature_c=12.5, measured=DAY.replace(day=21)))
    return path


def right_of_the_rule(page: str) -> str:
    return " ".join(line[11:].strip() for line in page.splitlines() if len(line) > 10)


def local(moment: datetime) -> str:
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def test_the_list_of_builds(path: Path) -> None:
    page = builds_page(read_builds(path), path)
    assert page.index("attic") < page.index("north shelf")
    text = right_of_the_rule(page)
    assert f"attic 1 note {local(DAY.replace(day=21))}, note, 12.5 °C" in text
    assert "north shelf 1 check, 2 calibrations" in text
    assert "8 steps, volt per octave, 1.0004 V an octave, at worst -2.1 cents from its law" in text


def test_a_history_has_circumstances_findings_notes_and_what_was_struck_out(path: Path) -> None:
    text = right_of_the_rule(history_page("north shelf", read_history(path, "north shelf")))
    assert f"{local(DAY)}, check fault: The positive half flattens from 245 Hz (B3) upward" in text
    assert "· first · second" in text
    assert "calibration as left, 20 °C, 30 min after switching on" in text
    assert "· wrong struck out" in text
    assert ": another board" in text


def test_an_entry_has_the_answers_and_findings_of_its_check(path: Path) -> None:
    text = right_of_the_rule(entry_page(read_history(path, "north shelf")[0]))
    assert "north shelf, third board.wav" in text
    assert "It sings 162 Hz (E3) to 2.16 kHz (C7), 3.7 octaves." in text
    assert "The level moves by 2.2 dB along the turn, highest at 2.16 kHz." in text


def test_the_drift_says_offset_apart_from_span_and_temperature(path: Path) -> None:
    history = drift_history(read_history(path, "north shelf"))
    text = right_of_the_rule(drift_page("north shelf", history))
    assert "against entry 2 (10 days before)" in text
    assert "All notes together: +7.4 ±0.0 cents (at D#5)." in text
    assert "Each octave: 0.40 ±0.01 cents wider." in text
    assert "What neither explains: 0.0 cents rms." in text
    assert "It was 5 °C warmer: two tables do not tell the cause." in text
    assert "a degree" not in text
    assert "Taken soon after switching on (entry 3 5 min)" in text
    assert "A4" in text or "C4" in text


def warmed(*points: tuple[float, float, float]) -> str:
    """The drift page of tables at temperatures, each higher and wider by some cents."""
    entries = [
        entry(
            table(octave_a_volt(cents, wider)),
            i,
            days=float(i),
            temperature_c=celsius,
            state="as-left" if i == 1 else None,
        )
        for i, (celsius, cents, wider) in enumerate(points, start=1)
    ]
    return right_of_the_rule(drift_page("north shelf", drift_history(entries)))


def test_three_tables_tell_what_a_degree_does_and_two_do_not() -> None:
    """Made with 1.5 cents and 0.08 cents an octave a degree, give or take."""
    text = warmed((20.0, 0.0, 0.0), (24.0, 6.02, 0.31), (27.0, 10.46, 0.57))
    found = re.search(r"Over 3 tables, 20 to 27 °C: (\+\d\.\d) ±\d\.\d cents a degree and (\+\d\.\d\d) ±", text)
    # the middle is 3.5 octaves up, and the octaves are wider there
    assert float(found[1]) == pytest.approx(1.5 + 3.5 * 0.08, abs=0.06)
    assert float(found[2]) == pytest.approx(0.08, abs=0.01)
    assert "(A junction without compensation: -4.1 cents an octave a degree.)" in text
    assert "a degree" not in warmed((20.0, 0.0, 0.0), (24.0, 6.0, 0.3))
    # two temperatures, though of three tables, are two points
    assert "a degree" not in warmed((20.0, 0.0, 0.0), (24.0, 6.0, 0.3), (24.0, 6.1, 0.3))
    assert "no change with the temperature stands out" in warmed((20.0, 0.0, 0.0), (24.0, 6.0, 0.3), (28.0, -5.0, -0.2))


def test_a_span_that_is_not_told_from_none_is_not_claimed() -> None:
    old, new = table(octave_a_volt(), scatter_cents=2.0, seed=1), table(octave_a_volt(), scatter_cents=2.0, seed=2)
    history = drift_history([entry(old, 1), entry(new, 2, days=1.0)])
    text = right_of_the_rule(drift_page("north shelf", history))
    assert "The octaves kept their width" in text
    assert "(24.0 hours before)" in text


def test_a_trim_and_a_table_that_cannot_be_compared_are_said() -> None:
    entries = [
        entry(table(octave_a_volt(9.0)), 1, state="as-found"),
        entry(table(octave_a_volt()), 2, state="as-left"),
        entry(table(octave_a_volt(), axis="positions"), 3),
    ]
    text = right_of_the_rule(drift_page("north shelf", drift_history(entries)))
    assert "trimmed, against entry 1" in text
    assert "Cannot be compared: one table is over volts, the other over positions." in text


@pytest.mark.parametrize("width", [56, 80])
def test_no_page_is_wider_than_its_paper(path: Path, width: int) -> None:
    paper = Paper(width=width, ascii_only=width == 56)
    entries = read_history(path, "north shelf")
    history = drift_history(entries)
    for page in (
        builds_page(read_builds(path), path, paper),
        history_page("north shelf", entries, paper),
        entry_page(entries[0], paper),
        drift_page("north shelf", history, None, paper),
    ):
        assert max(map(len, page.splitlines())) <= width
        assert page.isascii() == (width == 56)
        assert "?" not in page


def test_what_was_stored_is_said_in_one_line(path: Path) -> None:
    first = record_note(build="nroth shelf", path=path, about=About(note="x"))
    line = stored_line(first)
    assert line.startswith(f'stored as entry {first.number} of "nroth shelf" in {path}, the first of a new build')
    assert f'there is also "north shelf"; struck out with: listen logbook strike {first.number} WHY' in line
    again = record(check_document(make_result()), build="north shelf", path=path)
    assert stored_line(again).endswith("(the same recording as entry 1)")


# Files


def test_the_table_of_entries(path: Path) -> None:
    data = entries_csv(read_history(path))
    rows = list(csv.DictReader(io.StringIO(data.decode("ascii"))))
    assert tuple(rows[0]) == ENTRY_COLUMNS
    check, table_row, _, struck, note = rows
    assert (check["entry"], check["verdict"], check["measured_utc"]) == ("1", "fault", "2026-03-01T18:30:00Z")
    assert (check["f0_low_hz"], check["start_s"], check["note_text"]) == ("162.1", "", "first\nsecond")
    assert check["findings"].startswith("asymmetric-clipping (fault); ")
    assert (table_row["law_volts_per_octave"], table_row["law_worst_error_cents"]) == ("1.00042", "-2.13")
    assert (table_row["state"], table_row["temperature_c"], table_row["verdict"]) == ("as-left", "20", "")
    assert (struck["struck_why"], note["build"], note["temperature_c"]) == ("another board", "attic", "12.5")


def test_the_table_of_steps(path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(steps_csv(read_history(path)).decode("ascii"))))
    assert tuple(rows[0]) == STEP_COLUMNS
    assert len(rows) == 16
    assert (rows[3]["entry"], rows[3]["step"], rows[3]["cv_v"], float(rows[3]["f0_hz"])) == ("2", "4", "3", 440.0)
    assert rows[3]["direction"] == "up"


def test_the_table_of_drift_has_every_note(path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(drift_csv(drift_history(read_history(path))).decode("ascii"))))
    assert tuple(rows[0]) == DRIFT_COLUMNS
    assert [rows[0]["note"], rows[-1]["note"], len(rows)] == ["A1", "A8", 85]
    assert float(rows[0]["drift_cents"]) == pytest.approx(6.0, abs=1e-4)


def required_places(schema: dict[str, Any], place: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], str]]:
    for key in schema.get("required", ()):
        yield place, key
        yield from required_places(schema["properties"][key], (*place, key))
    if isinstance(schema.get("items"), dict):
        yield from required_places(schema["items"], (*place, 0))


def documents(path: Path) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    entries: tuple[Entry, ...] = read_history(path)
    return [
        (logbook_document(entries), logbook_schema()),
        (drift_document("north shelf", drift_history(entries)), drift_schema()),
    ]


def test_documents_hold_to_their_schemas_and_every_key_is_needed(path: Path) -> None:
    for document, schema in documents(path):
        jsonschema.Draft202012Validator.check_schema(schema)
        validator = jsonschema.Draft202012Validator(schema)
        validator.validate(json.loads(json.dumps(document, allow_nan=False)))
        places = list(required_places(schema))
        assert len(places) > 15
        for place, key in places:
            broken = copy.deepcopy(document)
            inner: Any = broken
            for step in place:
                inner = inner[step]
            del inner[key]
            assert not validator.is_valid(broken), f"{place} {key}"
            inner[key + "_x"] = 1
            assert not validator.is_valid(broken | {}), f"{place} {key}"


def test_a_drift_that_cannot_be_told_holds_to_the_schema_too() -> None:
    entries = [entry(table(octave_a_volt()), 1), entry(table(octave_a_volt(), []), 2)]
    document = drift_document("a", drift_history(entries))
    jsonschema.validate(document, drift_schema())
    assert document["tables"][0]["offset_cents"] is None


def test_exports_with_decimal_commas(path: Path, tmp_path: Path) -> None:
    """Numbers change their sign, texts do not."""
    from listen.cli import main

    record_note(build="attic", path=path, about=About(note="2.5 turns, no more; see =1+1", temperature_c=20.5))
    book = ["--logbook", str(path)]
    files = {name: tmp_path / f"{name}.csv" for name in ("csv", "steps", "drift")}
    export = ["logbook", "export", *book, "--csv", str(files["csv"]), "--steps", str(files["steps"])]
    assert main([*export, "--decimal", "comma"]) == 0
    drift = ["logbook", "drift", "north shelf", *book, "--csv", str(files["drift"]), "--decimal", "comma"]
    assert main(drift) == 0
    rows = {
        name: list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig")), delimiter=";"))
        for name, file in files.items()
    }
    assert rows["csv"][-1]["temperature_c"] == "20,5"
    assert rows["csv"][-1]["note_text"] == "2.5 turns, no more; see =1+1"
    point = tmp_path / "point.csv"
    assert main(["logbook", "export", *book, "--steps", str(point)]) == 0
    wanted = list(csv.DictReader(io.StringIO(point.read_text(encoding="utf-8-sig"))))
    sigmas = [row["f0_sigma_cents"] for row in wanted]
    assert any("." in sigma for sigma in sigmas)
    assert [row["f0_sigma_cents"].replace(",", ".") for row in rows["steps"]] == sigmas
    assert any("," in row["drift_cents"] for row in rows["drift"])
