"""The page that a check prints: the four answers, the findings, the sweep, what the take does not show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from listen.findings import half_name
from listen.report.bench_effects import bench_facts
from listen.report.drawing import bar, dot, lane_ends, log_part
from listen.report.jack_volts import bench_lines
from listen.report.paper import Ink, Paper
from listen.report.words import interval, name_of, rate, third
from listen.track.types import ROW_EVERY_S
from listen.units import format_hz, format_hz_range, format_seconds, note_name

if TYPE_CHECKING:
    from listen.circuit import Diagnosis
    from listen.findings.types import Finding, SweepRow
    from listen.report.views import CheckView

QUESTIONS = ("pitch", "start", "hold", "clean")
_INKS: dict[str, Ink] = {"pass": "good", "attention": "mind", "fault": "bad", "note": "faint"}

_LANE = 13
_BAR = 10
_LEAST_FOR_ROWS = 43
"""A row of the sweep without its drawings; of a narrower page its cells stand closer, and under no heads."""
_SAID_IN_FULL = 3
"""Findings of one kind with one diagnosis; of more, as of a worn track's dropouts, each has a line."""
_LEVEL_LEAST_DB = 3.0
"""A lane of at least this width: a steady level looks steady."""


def check_page(result: CheckView, paper: Paper | None = None) -> str:
    """Return the page of one check.

    Parameters
    ----------
    result : CheckResult
    paper : Paper, optional
        80 columns without colour where not given.

    Returns
    -------
    str
        Lines of at most ``paper.width`` columns; ends with a newline.
    """
    paper = paper or Paper()
    judgement = result.judgement
    lines = [paper.rule("┬"), *_take(result, paper), paper.line()]
    verdict = paper.write(judgement.headline, label=judgement.verdict, ink=_INKS[judgement.verdict], text_ink="strong")
    lines += [*verdict, paper.line()]
    for question in QUESTIONS:
        lines += paper.write(judgement.answers[question], label=question)
    lines += _findings(result, paper)
    lines += _circuit(result, paper)
    if judgement.sweep:
        lines.append(paper.line())
        lines += _sweep(judgement.sweep, paper)
    if judgement.not_shown:
        lines.append(paper.line())
    for i, item in enumerate(judgement.not_shown):
        lines += paper.write(f"{item.question}: {_sentence(item.why)}", label="" if i else "not shown")
        lines += paper.write(f"to see it, {_sentence(item.mend)}", bullet=True)
    if judgement.findings:  # a long page: its head has left the screen
        lines += [paper.rule("┼"), *verdict]
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def _take(result: CheckView, paper: Paper) -> list[str]:
    """Say what was looked at, and with which settings."""
    capture = result.capture
    lines = paper.write(name_of(capture.path), label="take")
    whole_s = capture.n_samples / capture.sample_rate_hz
    facts = [f"{format_seconds(whole_s)} at {rate(capture.sample_rate_hz)}"]
    if capture.start_sample > 0 or capture.stop_sample < capture.n_samples:
        span = interval(capture.start_sample / capture.sample_rate_hz, capture.stop_sample / capture.sample_rate_hz)
        facts.append(f"looked at from {span}")
    if capture.channels > 1:
        facts.append(f"channel {capture.channel} of {capture.channels}")
    facts.append("any wave" if result.wave == "any" else result.wave)
    if result.gain_control is not None:
        facts.append(f"gain control: {result.gain_control}")
    lines += paper.write(", ".join(facts), text_ink="faint")
    every_s = result.frames.row_every_s
    if every_s > 1.5 * ROW_EVERY_S:
        said = f"a long take: one row of measurements every {1000 * every_s:.0f} ms is kept"
        lines += paper.write(said, text_ink="faint")
    if result.bench_path is not None:
        lines += paper.write(bench_facts(result), text_ink="faint")
    return lines


def _findings(result: CheckView, paper: Paper) -> list[str]:
    """Say the findings in full; from the fourth of one kind and diagnosis on, their places alone."""
    lines: list[str] = []
    said: dict[Diagnosis, int] = {}
    alike: Counter[tuple[str, str, str | None, Diagnosis]] = Counter()
    shortened: tuple[str, str, str | None, Diagnosis] | None = None
    for number, (finding, diagnosis) in enumerate(zip(result.judgement.findings, result.diagnoses, strict=True), 1):
        key = (finding.severity, finding.kind, finding.half, diagnosis)
        alike[key] += 1
        if alike[key] > _SAID_IN_FULL:
            if shortened != key:
                lines += [
                    paper.line(),
                    *paper.write(f"{finding.kind}, more of these", label=finding.severity, ink="faint"),
                ]
            lines += paper.write(_short_place(finding), label=str(number), ink="faint")
            shortened = key
            continue
        shortened = None
        lines += [paper.line(), *_finding(finding, number, paper)]
        before = said.setdefault(diagnosis, number)
        lines += _diagnosis(diagnosis, before if before != number else None, paper)
    return lines


def _place(finding: Finding) -> str:
    where = interval(finding.start_s, finding.end_s)
    if finding.f0_low_hz is not None and finding.f0_high_hz is not None:
        where += f", {format_hz_range(finding.f0_low_hz, finding.f0_high_hz)}"
    return where


def _short_place(finding: Finding) -> str:
    where = interval(finding.start_s, finding.end_s)
    if finding.f0_low_hz is not None and finding.f0_high_hz is not None:
        low, high = format_hz(finding.f0_low_hz), format_hz(finding.f0_high_hz)
        where += f", {low}" if low == high else f", {low} to {high}"
    return where


def _finding(finding: Finding, number: int, paper: Paper) -> list[str]:
    half = "" if finding.half is None else f", {half_name(finding.half, finding.half_known)}"
    sure = "" if finding.half_certain or finding.half is None else " (probably)"
    ink = _INKS[finding.severity]
    lines = paper.write(finding.kind + half + sure, label=finding.severity, ink=ink, text_ink="strong")
    lines += paper.write(_place(finding), label=str(number), ink="faint", text_ink="faint")
    return lines + paper.write(finding.sentence)


def _diagnosis(diagnosis: Diagnosis, said_for: int | None, paper: Paper) -> list[str]:
    """Say what may lie behind a finding and what to do next, once."""
    if said_for is not None:
        return paper.write(f"as for {said_for}", label="check", ink="faint")
    lines = []
    for label, items in (("likely", diagnosis.likely_causes), ("check", diagnosis.next_checks)):
        for i, item in enumerate(items):
            lines += paper.write(item, label="" if i else label, ink="faint", bullet=True)
    return lines


def _circuit(result: CheckView, paper: Paper) -> list[str]:
    """Say what the bench file lets be said: volts, notes, and what was measured of the circuit."""
    said = bench_lines(result)
    lines = [paper.line()] if said else []
    for i, text in enumerate(said):
        lines += paper.write(text, label="" if i else "circuit")
    return lines


def _sweep(rows: Sequence[SweepRow], paper: Paper) -> list[str]:
    """Draw the table of the sweep: the level as a line, the distortion as bars."""
    levels = [row.level_dbfs for row in rows if row.level_dbfs is not None]
    low_db, high_db = lane_ends(levels, least=_LEVEL_LEAST_DB) if levels else (0.0, 0.0)
    worst = max((row.thd_percent for row in rows if row.thd_percent is not None), default=0.0)
    low_percent, high_percent = 0.01, 10.0 if worst <= 10.0 else 100.0
    drawn = paper.text_width >= 68
    lane_scale = f"{low_db:<{_LANE - 6}.0f}{high_db:>6.0f}"
    bar_scale = f"{low_percent:<{_BAR - 4}g}{high_percent:>4g}"
    if not drawn:
        lane_scale = bar_scale = ""
    head = f"{'':8} {'':7}{'level':>6}{_if(drawn, lane_scale)}  {'THD':>6}{_if(drawn, bar_scale)}   crest"
    units = (
        f"{'pitch':>8} {'notes':7}{'dBFS':>6}{_if(drawn, ' ' * _LANE)}  {'%':>6}{_if(drawn, ' ' * _BAR)}      +     -"
    )
    lines = [paper.line(head, label="sweep", text_ink="faint"), paper.line(units, text_ink="faint")]
    if paper.width < _LEAST_FOR_ROWS:
        lines = paper.write("pitch, notes, level in dBFS, THD in %, crests + and -", label="sweep")
    for row in rows:
        centre_hz = third(row.f0_low_hz, row.f0_high_hz)
        notes = f"{note_name(row.f0_low_hz)}-{note_name(row.f0_high_hz)}"
        lane = graph = ""
        if drawn:
            lane = " " * _LANE
            if row.level_dbfs is not None:
                lane = dot((row.level_dbfs - low_db) / (high_db - low_db), _LANE)
            graph = " " * _BAR
            if row.thd_percent is not None:
                graph = bar(log_part(row.thd_percent, low_percent, high_percent), _BAR)
        lines.append(
            paper.line(
                f"{format_hz(centre_hz):>8} {notes:<7}{_cell(row.level_dbfs, 6, 1)}{_if(drawn, lane)}  "
                f"{_percent(row.thd_percent):>6}{_if(drawn, graph)}  "
                f"{_cell(row.crest_positive, 5, 3)} {_cell(row.crest_negative, 5, 3)}"
            )
        )
    return lines


def _if(drawn: bool, text: str) -> str:
    return f" {text}" if drawn else ""


def _cell(value: float | None, columns: int, decimals: int) -> str:
    """Write a number into a cell, with as many of the decimals as there is room for."""
    if value is None:
        return f"{'·':>{columns}}"
    while decimals and len(f"{value:.{decimals}f}") > columns:
        decimals -= 1
    return f"{value:>{columns}.{decimals}f}"


def _percent(value: float | None) -> str:
    if value is None:
        return "·"
    for least, decimals in ((1000.0, 0), (10.0, 1), (0.1, 2)):
        if value >= least:
            return f"{value:.{decimals}f}"
    return f"{value:.3f}"


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
