"""From two documents of a check to a comparison: aligned by pitch, whatever the takes' time and level."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from listen.report.comparing.blind_takes import BlindTakes, blind_takes, came_to_life, is_of_the_take
from listen.report.comparing.circuit_figures import compared_figures
from listen.report.comparing.finding_status import finding_statuses
from listen.report.comparing.summary_text import (
    advice_of,
    change_words,
    headline_of,
    remarks_of,
)
from listen.report.comparing.types import ComparedFinding, ComparedRow, Comparison, Document, FixVerdict

COLUMNS = ("level_dbfs", "thd_percent", "even_dbc", "odd_dbc", "crest_positive", "crest_negative")
LEAST_CHANGE_DB = 1.0
"""A smaller change of distortion is said to be none: about what a trimmer's touch makes."""


def compare_documents(before: Document, after: Document) -> Comparison:
    """Compare two checks.

    Parameters
    ----------
    before, after : mapping
        Documents of the schema ``listen.check/1``.

    Returns
    -------
    Comparison
    """
    pairs = _pairs(before["sweep"], after["sweep"])
    differences = [
        b["level_dbfs"] - a["level_dbfs"]
        for a, b in pairs
        if a["level_dbfs"] is not None and b["level_dbfs"] is not None
    ]
    offset_db = statistics.median(differences) if differences else None
    rows = tuple(_row(a, b, offset_db or 0.0) for a, b in pairs)
    findings = finding_statuses(before, after)
    blind = blind_takes(before, after)
    verdict = _verdict(findings, blind)
    shared = (rows[0].f0_low_hz, rows[-1].f0_high_hz) if rows else (None, None)
    return Comparison(
        before=before,
        after=after,
        verdict=verdict,
        headline=headline_of(verdict, findings, change_words(rows, before, after, findings), bool(rows), blind),
        advice=advice_of(verdict, blind),
        rows=rows,
        findings=findings,
        level_offset_db=offset_db,
        shared_low_hz=shared[0],
        shared_high_hz=shared[1],
        remarks=remarks_of(before, after, findings, offset_db, rows, blind),
        circuit=compared_figures(before, after),
    )


def _pairs(before: Sequence[Document], after: Sequence[Document]) -> list[tuple[Document, Document]]:
    """Rows of the same third of an octave: their edges are exact, so that they can be matched to a fraction."""

    def place(row: Document) -> int:
        return round(10.0 * math.log10(math.sqrt(row["f0_low_hz"] * row["f0_high_hz"])))

    found = {place(row): row for row in after}
    return [(row, found[place(row)]) for row in before if place(row) in found]


def _row(before: Document, after: Document, offset_db: float) -> ComparedRow:
    a = {name: before[name] for name in COLUMNS}
    b = {name: after[name] for name in COLUMNS}
    thd = None
    if a["thd_percent"] and b["thd_percent"]:
        thd = 20.0 * math.log10(b["thd_percent"] / a["thd_percent"])
    level = None
    if a["level_dbfs"] is not None and b["level_dbfs"] is not None:
        level = b["level_dbfs"] - a["level_dbfs"] - offset_db
    return ComparedRow(
        f0_low_hz=before["f0_low_hz"],
        f0_high_hz=before["f0_high_hz"],
        before=a,
        after=b,
        thd_change_db=thd,
        level_change_db=level,
    )


def _verdict(findings: Sequence[ComparedFinding], blind: BlindTakes) -> FixVerdict:
    """The verdict on the fix, from the statuses of the findings; notes and findings of the recording do not count."""
    statuses = [finding.fate for finding in findings if _counts(finding)]
    unseen_before = blind.before is not None and "not-shown-before" in statuses
    verdict = _verdict_of([status for status in statuses if not (unseen_before and status == "not-shown-before")])
    if verdict == "mended" and unseen_before:
        verdict = "better"  # a dead board came to life, and has faults that could not be seen before
    if (blind.before or blind.after) and verdict not in ("worse", "mixed", "mended", "better"):
        return "open"
    return "open" if blind.after and verdict in ("mended", "better") else verdict


def _verdict_of(statuses: Sequence[str]) -> FixVerdict:
    if not statuses:
        return "healthy"
    bad = any(status in ("new", "worse", "not-shown-before") for status in statuses)
    good = any(status in ("gone", "milder") for status in statuses)
    persisting = any(status in ("unchanged", "milder", "swapped") for status in statuses)
    hidden = "not-shown-after" in statuses
    if bad:
        return "mixed" if good else "worse"
    if good:
        return "better" if persisting or hidden else "mended"
    return "unchanged" if persisting else "open"


def _counts(finding: ComparedFinding) -> bool:
    severe = {"attention", "fault"} & {finding.severity_before, finding.severity_after}
    return bool(severe) and (not is_of_the_take(finding.kind) or came_to_life(finding))
