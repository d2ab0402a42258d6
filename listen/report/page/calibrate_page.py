"""The page of a calibration as HTML, with the sheet that is kept in the case."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from listen.calibration.types import Calibration, Step
from listen.logbook.types import About
from listen.report.calibration_views import CalibrationView
from listen.report.calibration_words import calibration_verdict, law_sentence
from listen.report.document import tool_version
from listen.report.files import write_whole
from listen.report.page.calibrate_charts import calibration_charts, same_v
from listen.report.page.figures import figure_view, page_data, sheet_figures
from listen.report.page.pages import render
from listen.report.page.sheet import build_name, recorded_text, state_of, stated_fields, supply_text
from listen.report.page.wording import say
from listen.report.paper import readable
from listen.report.words import name_of, rate
from listen.units import cents_off_note, note_name

MOST_PRINTED = 64
_SECTIONS = {"law": ("cv-pitch", "cv-octaves"), "error": ("cv-error", "cv-split"), "hold": ("cv-settling",)}


def write_calibration_page(result: CalibrationView, path: str | os.PathLike[str], about: About | None = None) -> None:
    """Write the page of a calibration, whole or not at all; what was stated of its circumstances is on its sheet.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, calibration_page_bytes(result, about))


def calibration_page_bytes(result: CalibrationView, about: About | None = None) -> bytes:
    """Return the page of a calibration: HTML, UTF-8, self-contained.

    Parameters
    ----------
    result : CalibrationResult
    about : About, optional
        The circumstances of the measurement, for the sheet.

    Returns
    -------
    bytes
    """
    calibration = result.calibration
    charts = calibration_charts(calibration)
    names = [readable(name_of(capture.path)) for capture in result.captures]
    known = {chart.name: chart for chart in charts}
    figures = {
        section: [figure_view(known[name]) for name in wanted if name in known] for section, wanted in _SECTIONS.items()
    }
    context = {
        "title": say("calibration.title", name=names[0]),
        "names": names,
        "source": say(
            "calibration.source" if calibration.axis == "volts" else "calibration.source_dial",
            source=readable(result.voltage_source),
        ),
        "verdict": calibration_verdict(calibration),
        "law": law_sentence(calibration.law) if calibration.law is not None else say("calibration.no_law"),
        "calibration": calibration,
        "figures": figures,
        "missing": _missing(calibration),
        "has_bands": "cv-error" in known,
        "table": _steps_table(calibration, calibration.steps),
        "inverse": _inverse_table(calibration),
        "about": [
            say("page.about_text", version=tool_version(), name=name, sha256=capture.sha256())
            for name, capture in zip(names, result.captures, strict=True)
        ],
        "sheet": {**_sheet(result, names, about), "figures": sheet_figures(charts, _printed(calibration))},
    }
    return render("calibrate.html", context, charts, page_data(charts))


def _missing(calibration: Calibration) -> list[str]:
    """What could not be measured, in words."""
    out = []
    if calibration.law is not None and calibration.split is None:
        out.append(say("calibration.no_split", why=say("calibration.no_split_why")))
    for term in calibration.split.terms if calibration.split is not None else ():
        if term.value is None:
            name = say(f"calibration.term.{term.name}")
            out.append(say("calibration.refused", term=name, why=term.refused or say("calibration.no_split_why")))
    return out


def _printed(calibration: Calibration) -> tuple[str, ...]:
    """The charts of the sheet: a dial has no law to err from."""
    return ("cv-error", "cv-octaves") if calibration.law is not None else ("cv-pitch",)


def _sheet(result: CalibrationView, names: Sequence[str], about: About | None) -> dict[str, Any]:
    calibration, first = result.calibration, result.captures[0]
    bench = getattr(result, "bench", None)
    build = bench.build if bench is not None else None
    recorded = recorded_text(first) if len(names) == 1 else f"{rate(first.sample_rate_hz)}, {', '.join(names)}"
    fields = [
        ("build", build_name(build, about)),
        *stated_fields(about),
        ("supply", supply_text(build)),
        ("instrument", None),
        ("interface", recorded),
    ]
    more = len(calibration.steps) - MOST_PRINTED
    return {
        "fields": [{"label": say(f"sheet.{key}"), "value": value} for key, value in fields],
        "table": _steps_table(calibration, calibration.steps[:MOST_PRINTED]),
        "more": say("calibration.more_rows", count=more) if more > 0 else "",
        **state_of(about),
    }


def _steps_table(calibration: Calibration, steps: Sequence[Step]) -> dict[str, Any]:
    keys = (
        "cv" if calibration.axis == "volts" else "position",
        "note",
        "f0",
        "off_note",
        "error",
        "sigma",
        "settled",
        "direction",
    )
    heads = [say(f"calibration.column.{key}") for key in keys]
    rows = [_step_row(step) for step in steps]
    if calibration.law is None:  # a dial has no law to err from
        at = keys.index("error")
        heads, rows = heads[:at] + heads[at + 1 :], [row[:at] + row[at + 1 :] for row in rows]
    return {"heads": heads, "rows": rows}


def _step_row(step: Step) -> list[str | None]:
    direction = say(f"calibration.column.{step.direction}")
    if step.f0_hz is None:
        why = say("calibration.missing" if step.missing else "calibration.silent")
        return [f"{same_v(step.cv_v):g}", why, None, None, None, None, None, direction]
    settled = say("calibration.unsettled") if step.unsettled else _number(step.settling_s, 2)
    return [
        f"{same_v(step.cv_v):g}",
        note_name(step.f0_hz),
        f"{step.f0_hz:.3f}",
        _number(float(cents_off_note(step.f0_hz)), 1),
        _number(step.error_cents, 1),
        _number(step.f0_sigma_cents, 2),
        settled,
        direction,
    ]


def _inverse_table(calibration: Calibration) -> dict[str, Any]:
    keys = ("volts", "sigma_v") if calibration.axis == "volts" else ("set_to", "sigma_position")
    heads = [say(f"calibration.column.{key}") for key in ("note", "f0", *keys)]
    cells = [[row.note, f"{row.f0_hz:.2f}", f"{row.cv_v:.4f}", f"{row.sigma_v:.4f}"] for row in calibration.inverse]
    return {"heads": heads, "rows": cells}


def _number(value: float | None, decimals: int) -> str | None:
    return None if value is None or value != value else f"{round(value, decimals) + 0.0:.{decimals}f}"
