"""The page of a build's history: every entry in words, how its table moved, the last drift note by note."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from listen.logbook import Drift, Entry
from listen.report.document import tool_version
from listen.report.files import write_whole
from listen.report.logbook_words import change, circumstances, drift_sentences, moment, shown, summary
from listen.report.page.chart import Chart, Line, LineInk, aligned
from listen.report.page.figures import figure_view, page_data
from listen.report.page.pages import render
from listen.report.page.wording import say
from listen.units import format_note_cents

_DAY_S = 86400.0
_SEVERITIES = ("pass", "attention", "fault")


def write_logbook_page(
    build: str, entries: Sequence[Entry], history: Sequence[Drift], path: str | os.PathLike[str]
) -> None:
    """Write the page of a build's history, whole or not at all.

    Parameters
    ----------
    build : str
    entries : sequence of Entry
        Oldest first.
    history : sequence of Drift
        Each calibration against the table left before it; empty where there are fewer than two.
    path : path

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, logbook_page_bytes(build, entries, history))


def logbook_page_bytes(build: str, entries: Sequence[Entry], history: Sequence[Drift]) -> bytes:
    """Return the page of a build's history: HTML, UTF-8, self-contained."""
    charts = logbook_charts(history)
    last = _last(history)
    context = {
        "title": say("logbook.title", name=shown(build)),
        "build": shown(build),
        "entries": [_entry_view(entry) for entry in entries],
        "drifts": [
            {
                "head": say(
                    f"logbook.{drift.cause}",
                    when=moment(drift.entry.measured), number=drift.entry.number, against=drift.against.number,
                ),
                "sentences": drift_sentences(drift),
            }
            for drift in history
        ],
        "figures": [figure_view(chart) for chart in charts],
        "table": _notes_table(last) if last is not None else {"heads": [], "rows": []},
        "about": say("many.about_logbook", version=tool_version()),
    }  # fmt: skip
    return render("logbook.html", context, charts, page_data(charts))


def logbook_charts(history: Sequence[Drift]) -> tuple[Chart, ...]:
    """Return how the table moved from calibration to calibration, and the last drift note by note.

    Parameters
    ----------
    history : sequence of Drift

    Returns
    -------
    tuple of Chart
        None of a kind for which there are not two points.
    """
    charts = [_moves(history), _notes(_last(history))]
    return aligned([chart for chart in charts if chart is not None])


def _moves(history: Sequence[Drift]) -> Chart | None:
    ordered = sorted((d for d in history if d.offset_cents is not None), key=lambda d: d.entry.measured)
    if len(ordered) < 2:
        return None
    first = ordered[0].entry.measured
    x = np.array([(drift.entry.measured - first).total_seconds() / _DAY_S for drift in ordered])
    offset = np.array([drift.offset_cents for drift in ordered], dtype=float)
    span = np.array(
        [np.nan if drift.span_cents_per_octave is None else drift.span_cents_per_octave for drift in ordered]
    )  # fmt: skip
    most = int(np.argmax(np.abs(offset)))
    return Chart(
        name="book-moves",
        title=say("logbook.moves"),
        alt=say("logbook.moves_alt", most=change(offset[most], None), when=moment(ordered[most].entry.measured)),
        x_label=say("logbook.days", date=moment(first)[:10]),
        y_label=say("calibration.axis_cents"),
        x=x,
        x_axis="volts",
        x_unit=say("logbook.unit_days"),
        group="days",
        lines=(*_dotted(say("logbook.all_notes"), offset, "first"), *_dotted(say("logbook.octaves"), span, "second")),
        unit=say("calibration.axis_cents"),
        decimals=1,
    )


def _notes(drift: Drift | None) -> Chart | None:
    if drift is None or len(drift.notes) < 2:
        return None
    moved = np.array([note.drift_cents for note in drift.notes])
    rest = np.array([note.rest_cents for note in drift.notes])
    most = drift.notes[int(np.argmax(np.abs(moved)))]
    return Chart(
        name="book-notes",
        title=say("logbook.notes", number=drift.entry.number, against=drift.against.number),
        alt=say("logbook.notes_alt", most=change(most.drift_cents, None), note=format_note_cents(most.f0_hz)),
        x_label=say("axis.pitch"),
        y_label=say("calibration.axis_cents"),
        x=np.array([note.f0_hz for note in drift.notes]),
        x_axis="pitch",
        lines=(
            Line(label=say("logbook.drift_line"), y=moved),
            Line(label=say("logbook.rest"), y=rest, ink="second", dash="dashed"),
        ),
        unit=say("calibration.axis_cents"),
        decimals=1,
    )


def _dotted(label: str, y: Any, ink: LineInk) -> tuple[Line, Line]:
    return (
        Line(label=label, y=y, ink=ink, dash="solid" if ink == "first" else "dashed"),
        Line(label=label, y=y, ink=ink, dots=True),
    )


def _last(history: Sequence[Drift]) -> Drift | None:
    """The last that is no trimming and has notes."""
    return next((d for d in reversed(history) if d.cause == "drift" and d.notes), None)


def _entry_view(entry: Entry) -> dict[str, Any]:
    verdict = str(entry.document.get("verdict", "")) if entry.kind == "check" else ""
    struck = None
    if entry.struck is not None:
        struck = say("logbook.struck", when=moment(entry.struck), why=shown(entry.struck_why or ""))
    return {
        "number": entry.number,
        "severity": verdict if verdict in _SEVERITIES else "",
        "where": circumstances(entry),
        "summary": shown(summary(entry)),
        "notes": [shown(line) for line in (entry.note or "").splitlines()],
        "struck": struck,
    }


def _notes_table(drift: Drift) -> dict[str, Any]:
    control = "cv" if drift.axis == "volts" else "position"
    heads = [
        say("calibration.column.note"),
        say("calibration.column.f0"),
        say(f"calibration.column.{control}"),
        say("logbook.column_drift"),
        say("logbook.column_rest"),
    ]
    rows = [
        [
            note.note,
            f"{note.f0_hz:.2f}",
            f"{note.control:.3f}",
            change(note.drift_cents, None),
            change(note.rest_cents, None),
        ]
        for note in drift.notes
    ]
    return {"heads": heads, "rows": rows}
