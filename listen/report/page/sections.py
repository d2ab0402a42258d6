"""Which charts and findings belong to which of the four questions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from listen.findings import half_name, kind_of
from listen.report.page.chart import Chart
from listen.report.page.figures import figure_view
from listen.report.page.sounds import FindingSound
from listen.report.page.wording import say
from listen.report.terminal import QUESTIONS
from listen.report.views import CheckView
from listen.report.words import interval
from listen.units import format_hz_range

SECTIONS = QUESTIONS

CHARTS_OF: Mapping[str, tuple[str, ...]] = {
    "pitch": ("pitch-time",),
    "start": ("start",),
    "hold": ("level-pitch", "level-time", "gain-pitch"),
    "clean": (
        "rise-pitch", "duty-pitch", "bow-pitch", "reset-pitch", "corner-pitch", "wave-cycle",
        "symmetry-pitch", "thd-pitch", "parts-pitch", "crest-pitch", "h2", "h3", "h4", "h5", "slope-pitch",
        "between-pitch", "cycle", "residue", "transfer", "amplifier-curve",
    ),
}  # fmt: skip

CHART_OF_WAVE: Mapping[str, str] = {
    "slope-asymmetry": "rise-pitch",
    "duty": "duty-pitch",
    "ramp-bow": "bow-pitch",
    "reset-slow": "reset-pitch",
    "corner-rounding": "corner-pitch",
    "reset-glitch": "wave-cycle",
}
"""The chart that shows a finding of a wave of slopes and edges, where it is drawn."""

MISSING: Mapping[str, tuple[tuple[str, str], ...]] = {
    "pitch": (),
    "start": (),
    "hold": (("level-pitch", "one_note"),),
    "clean": (("thd-pitch", "one_note"), ("cycle", "no_cycle")),
}
"""What is said where a chart could not be drawn."""


def section_of(kind: str) -> str:
    """Return the question that a kind of finding answers.

    Examples
    --------
    >>> section_of("slow-start"), section_of("capture-gap"), section_of("mains-hum")
    ('start', 'recording', 'clean')
    """
    return kind_of(kind).question


def figures_of(question: str, charts: Sequence[Chart]) -> list[dict[str, Any]]:
    """Return the figures of one question, in order."""
    known = {chart.name: chart for chart in charts}
    return [figure_view(known[name]) for name in CHARTS_OF[question] if name in known]


def finding_view(result: CheckView, number: int, sound: FindingSound, drawn: Collection[str]) -> dict[str, Any]:
    """Return what the page says of one finding."""
    finding, diagnosis = result.judgement.findings[number - 1], result.diagnoses[number - 1]
    where = interval(finding.start_s, finding.end_s)
    if finding.f0_low_hz is not None and finding.f0_high_hz is not None:
        where += f", {format_hz_range(finding.f0_low_hz, finding.f0_high_hz)}"
    half = half_name(finding.half, finding.half_known)
    if half and not finding.half_certain:
        half += f" ({say('page.probably')})"
    first = next((n for n, other in enumerate(result.diagnoses[: number - 1], start=1) if other == diagnosis), None)
    own = CHART_OF_WAVE.get(finding.kind, "")
    chart = own if own in drawn else kind_of(finding.kind).chart
    if (
        chart != own
        and finding.kind in ("even-order-distortion", "slope-asymmetry", "duty")
        and "symmetry-pitch" in drawn
    ):
        chart = "symmetry-pitch"  # of a triangle or a square, that is how it is judged
    if chart not in drawn:
        chart = "pitch-time" if "pitch-time" in drawn else ""
    return {
        "number": number,
        "kind": finding.kind,
        "severity": finding.severity,
        "severity_word": say(f"severity.{finding.severity}"),
        "half": half,
        "where": where,
        "sentence": finding.sentence,
        "same_as": first,
        "likely_causes": diagnosis.likely_causes,
        "next_checks": diagnosis.next_checks,
        "chart": chart,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "players": sound.players,
        "shared_with": sound.shared_with,
        "left_out": sound.left_out,
    }
