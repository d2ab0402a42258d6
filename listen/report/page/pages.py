"""The page of a check as HTML: one file, nothing fetched, nothing sent."""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from listen.logbook.types import About
from listen.report.circuit_lines import circuit_lines
from listen.report.document import tool_version
from listen.report.files import write_whole
from listen.report.page.chart import Chart
from listen.report.page.check_charts import check_charts
from listen.report.page.cycle_charts import worst_cycle
from listen.report.page.cycles import MeanCycle, mean_cycles
from listen.report.page.figures import cycle_data, page_data, sheet_figures
from listen.report.page.sections import MISSING, SECTIONS, figures_of, finding_view, section_of
from listen.report.page.sheet import CHARTS_PRINTED, sheet_view
from listen.report.page.sounds import finding_sounds
from listen.report.page.svg import shared_svg
from listen.report.page.tables import facts, limit_rows, sweep_table
from listen.report.page.wording import say, words
from listen.report.paper import readable
from listen.report.views import CheckView
from listen.report.words import name_of
from listen.units import format_db, format_hz_note, format_seconds

_HERE = Path(__file__).parent


def write_check_page(result: CheckView, path: str | os.PathLike[str], about: About | None = None) -> None:
    """Write the page of a check, whole or not at all; what was stated of its circumstances is on its sheet.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, check_page_bytes(result, about))


def check_page_bytes(result: CheckView, about: About | None = None) -> bytes:
    """Return the page of a check: HTML, UTF-8, self-contained.

    Parameters
    ----------
    result : CheckResult
    about : About, optional
        The circumstances of the measurement, for the sheet.

    Returns
    -------
    bytes
    """
    cycles = mean_cycles(result.capture, result.frames)
    charts = check_charts(result, cycles)
    sounds = finding_sounds(result)
    findings = [
        finding_view(result, number, sound, {chart.name for chart in charts})
        for number, sound in enumerate(sounds, start=1)
    ]
    name = readable(name_of(result.capture.path))
    build = result.bench.build.name if result.bench is not None else None
    context = {
        "title": say("page.title", name=readable(build) if build else name),
        "name": name,
        "build": readable(build) if build else None,
        "facts": facts(result),
        "verdict": result.judgement.verdict,
        "headline": result.judgement.headline,
        "findings": findings,
        "sections": [_section(result, question, charts, findings) for question in SECTIONS],
        "recording": [finding for finding in findings if section_of(finding["kind"]) == "recording"],
        "not_shown": result.judgement.not_shown,
        "circuit": circuit_lines(result.circuit, result.capture.polarity_known),
        "table": sweep_table(result.judgement.sweep),
        "limits": limit_rows(result.judgement.limits),
        "about": say(
            "page.about_text",
            version=tool_version(),
            name=name,
            sha256=result.capture.sha256(),
        ),
        "sheet": {**sheet_view(result, about), "figures": sheet_figures(charts, CHARTS_PRINTED)},
        "pitches": [pitch_label(cycle) for cycle in cycles],
        "chosen": worst_cycle(cycles, result.wave) if cycles else 0,
    }
    chosen = cycle_data(cycles, result.wave, result.judgement.findings, [pitch_label(cycle) for cycle in cycles])
    return render("check.html", context, charts, page_data(charts, chosen))


def render(template: str, context: Mapping[str, Any], charts: Sequence[Chart], data: Mapping[str, Any]) -> bytes:
    """Fill in a template; every value is escaped, and no script but our own may run.

    Parameters
    ----------
    template : str
        A file of this folder.
    context : mapping
    charts : sequence of Chart
        All that the page draws.
    data : mapping
        For the script, as JSON.

    Returns
    -------
    bytes
    """
    from markupsafe import Markup

    script = _text("page.js")
    policy = (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{_digest(script)}'; media-src data:; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    # Inside a script element only these can end it or begin another; JSON may write them as escapes.
    packed = json.dumps(data, allow_nan=False, separators=(",", ":")).translate(
        {ord("<"): "\\u003c", ord(">"): "\\u003e", ord("&"): "\\u0026"}
    )
    page: str = (
        _environment()
        .get_template(template)
        .render(
            **context,
            w=words(),
            policy=policy,
            style=Markup(_text("page.css")),
            script=Markup(script),
            shared=Markup(shared_svg(charts)),
            data=Markup(packed),
        )
    )
    return page.encode("utf-8", "replace")


def render_plain(template: str, context: Mapping[str, Any]) -> bytes:
    """Fill in a template of a page without a script; every value is escaped.

    Parameters
    ----------
    template : str
        A file of this folder.
    context : mapping

    Returns
    -------
    bytes
    """
    from markupsafe import Markup

    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    page: str = (
        _environment()
        .get_template(template)
        .render(**context, w=words(), policy=policy, style=Markup(_text("page.css")))
    )
    return page.encode("utf-8", "replace")


def _gain_known(result: CheckView) -> bool:
    return result.circuit is not None and result.circuit.loop_gain_in_hand.value is not None


def _section(
    result: CheckView, question: str, charts: Sequence[Chart], findings: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    figures = figures_of(question, charts)
    missing: list[str] = []
    if not result.frames.oscillating.any():
        missing = ["no_tone"]
    else:
        drawn = {figure["name"] for figure in figures}
        missing += [why for needed, why in MISSING[question] if needed not in drawn]
    alone = question == "start" and not _gain_known(result)
    return {
        "name": question,
        "title": say("question.start_alone" if alone else f"question.{question}"),
        "margin": say(f"margin.{question}"),
        "answer": result.judgement.answers[question],
        "findings": [finding for finding in findings if section_of(finding["kind"]) == question],
        "figures": figures,
        "missing": [say(f"missing.{why}") for why in dict.fromkeys(missing)],
    }


def pitch_label(cycle: MeanCycle) -> str:
    """Return the pitch, level and place of a cycle."""
    level = format_db(20.0 * _log10(cycle.amplitude_fs), "dBFS")
    return f"{format_hz_note(cycle.f0_hz)}, {level}, {format_seconds(cycle.time_s)}"


def _log10(value: float) -> float:
    import math

    return math.log10(max(value, 1e-12))


@cache
def _environment() -> Any:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_HERE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def _text(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
