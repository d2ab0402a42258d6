"""The logbook as files: JSON that holds everything, CSV that a spreadsheet opens."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.report.csv_cells import Decimal, csv_bytes
from listen.report.document import tool_version

if TYPE_CHECKING:
    from listen.logbook import Drift, Entry

LOGBOOK_SCHEMA = "listen.logbook/1"
DRIFT_SCHEMA = "listen.drift/1"

_SUMMARY = (
    "f0_low_hz",
    "f0_high_hz",
    "level_dbfs",
    "level_span_db",
    "thd_median_percent",
    "thd_worst_percent",
    "start_s",
)
_LAW = ("kind", "octaves_per_volt", "volts_per_octave", "f0_at_zero_v_hz", "rms_error_cents", "worst_error_cents")
_STEP = ("cv_v", "f0_hz", "f0_sigma_cents", "note", "cents_off_note", "error_cents", "settling_s", "direction")

ENTRY_COLUMNS: tuple[str, ...] = (
    *("entry", "build", "kind", "state", "measured_utc", "stored_utc", "temperature_c", "warm_up_min", "take"),
    *("verdict", "headline", "findings"),
    *_SUMMARY,
    *(f"law_{key}" for key in _LAW),
    *("note_text", "struck_utc", "struck_why"),
)
STEP_COLUMNS: tuple[str, ...] = (
    *("entry", "build", "state", "measured_utc", "temperature_c", "warm_up_min", "step"),
    *_STEP,
)
DRIFT_COLUMNS: tuple[str, ...] = (
    *("entry", "against", "cause", "measured_utc", "days", "temperature_change_c", "offset_cents"),
    *("span_cents_per_octave", "note", "f0_hz", "control", "drift_cents", "rest_cents"),
)


def logbook_document(entries: Sequence[Entry]) -> dict[str, Any]:
    """Return entries as a JSON document, with all that was stored of each.

    Parameters
    ----------
    entries : sequence of Entry

    Returns
    -------
    dict
        It holds to the schema that :func:`logbook_schema` returns.
    """
    return {
        "schema": LOGBOOK_SCHEMA,
        "tool": {"name": "listen", "version": tool_version()},
        "entries": [
            {
                "entry": entry.number,
                "build": entry.build,
                "kind": entry.kind,
                "state": entry.state,
                "measured_utc": _utc(entry.measured),
                "stored_utc": _utc(entry.stored),
                "note": entry.note,
                "temperature_c": entry.temperature_c,
                "warm_up_min": entry.warm_up_min,
                "struck_utc": _utc(entry.struck),
                "struck_why": entry.struck_why,
                "document": entry.document or None,
            }
            for entry in entries
        ],
    }


def drift_document(build: str, history: Sequence[Drift]) -> dict[str, Any]:
    """Return the drift of a build's table as a JSON document, as :func:`drift_schema` has it."""
    return {
        "schema": DRIFT_SCHEMA,
        "tool": {"name": "listen", "version": tool_version()},
        "build": build,
        "tables": [
            {
                "entry": drift.entry.number,
                "against": drift.against.number,
                "cause": drift.cause,
                "axis": drift.axis,
                "measured_utc": _utc(drift.entry.measured),
                "days": drift.days,
                "temperature_change_c": drift.temperature_change_c,
                "offset_cents": drift.offset_cents,
                "offset_sigma_cents": drift.offset_sigma_cents,
                "span_cents_per_octave": drift.span_cents_per_octave,
                "span_sigma_cents_per_octave": drift.span_sigma_cents_per_octave,
                "rest_rms_cents": drift.rest_rms_cents,
                "middle_hz": drift.middle_hz,
                "steps": drift.steps,
                "left_out": drift.left_out,
                "why_not": drift.why_not,
                "notes": [
                    {
                        "note": note.note,
                        "f0_hz": note.f0_hz,
                        "control": note.control,
                        "drift_cents": note.drift_cents,
                        "rest_cents": note.rest_cents,
                    }
                    for note in drift.notes
                ],
            }
            for drift in history
        ],
    }


def entries_csv(entries: Sequence[Entry], decimal: Decimal = "point") -> bytes:
    """Return one row an entry: when, in what circumstances, and the numbers that one compares over the years."""
    return csv_bytes(ENTRY_COLUMNS, map(_entry_row, entries), decimal)


def steps_csv(entries: Sequence[Entry], decimal: Decimal = "point") -> bytes:
    """Return one row a step of every calibration among the entries that stands."""
    return csv_bytes(STEP_COLUMNS, _step_rows(entries), decimal)


def drift_csv(history: Sequence[Drift], decimal: Decimal = "point") -> bytes:
    """Return one row a note of each comparison."""
    return csv_bytes(
        DRIFT_COLUMNS,
        (
            (
                drift.entry.number,
                drift.against.number,
                drift.cause,
                _utc(drift.entry.measured),
                drift.days,
                drift.temperature_change_c,
                drift.offset_cents,
                drift.span_cents_per_octave,
                note.note,
                note.f0_hz,
                note.control,
                note.drift_cents,
                note.rest_cents,
            )
            for drift in history
            for note in drift.notes
        ),
        decimal,
    )


@cache
def logbook_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of an exported logbook."""
    return _schema("logbook-1.json")


@cache
def drift_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the drift of a table."""
    return _schema("drift-1.json")


def _schema(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = json.loads((Path(__file__).parent / "schemas" / name).read_text(encoding="utf-8"))
    return schema


def _entry_row(entry: Entry) -> list[str | float | int | None]:
    document = entry.document
    captures = document.get("captures") or ([document["capture"]] if document.get("capture") else [])
    found, law = document.get("summary") or {}, document.get("law") or {}
    findings = "; ".join(f"{item.get('kind')} ({item.get('severity')})" for item in document.get("findings") or ())
    return [
        entry.number,
        entry.build,
        entry.kind,
        entry.state,
        _utc(entry.measured),
        _utc(entry.stored),
        entry.temperature_c,
        entry.warm_up_min,
        "; ".join(str(capture.get("path")) for capture in captures) or None,
        document.get("verdict"),
        document.get("headline"),
        findings or None,
        *(found.get(key) for key in _SUMMARY),
        *(law.get(key) for key in _LAW),
        entry.note,
        _utc(entry.struck),
        entry.struck_why,
    ]


def _step_rows(entries: Sequence[Entry]) -> Iterator[list[str | float | int | None]]:
    for entry in entries:
        if entry.struck is not None:
            continue
        for i, step in enumerate(entry.document.get("steps") or (), start=1):
            yield [
                entry.number,
                entry.build,
                entry.state,
                _utc(entry.measured),
                entry.temperature_c,
                entry.warm_up_min,
                i,
                *(step.get(key) for key in _STEP),
            ]


def _utc(when: datetime | None) -> str | None:
    return None if when is None else when.strftime("%Y-%m-%dT%H:%M:%SZ")
