"""The page that a comparison prints."""

from __future__ import annotations

from listen.report.comparing.finding_status import words
from listen.report.comparing.types import Comparison
from listen.report.paper import Ink, Paper
from listen.report.words import name_of, third
from listen.units import format_hz

_INKS: dict[str, Ink] = {
    "mended": "good", "better": "good", "healthy": "good", "unchanged": "mind", "mixed": "mind", "open": "mind",
    "worse": "bad", "gone": "good", "milder": "good", "new": "bad", "swapped": "mind",
}  # fmt: skip


def compare_page(comparison: Comparison, paper: Paper | None = None) -> str:
    """Return the page of a comparison.

    Parameters
    ----------
    comparison : Comparison
    paper : Paper, optional
        80 columns without colour where not given.

    Returns
    -------
    str
        Lines of at most ``paper.width`` columns; ends with a newline.
    """
    paper = paper or Paper()
    said = words()
    lines = [paper.rule("┬")]
    for label, side in (("before", comparison.before), ("after", comparison.after)):
        lines += paper.write(f"{name_of(side['capture']['path'])}: {side['verdict']}", label=label)
    lines.append(paper.line())
    verdict = said["verdict"][comparison.verdict]
    ink = _INKS[comparison.verdict]
    label = verdict if len(verdict) <= 9 else "open"
    lines += paper.write(comparison.headline, label=label, ink=ink, text_ink="strong")
    lines += paper.write(comparison.advice)
    if comparison.remarks:
        lines.append(paper.line())
    for i, remark in enumerate(comparison.remarks):
        lines += paper.write(remark, label="" if i else "mind")
    if comparison.findings:
        lines.append(paper.line())
    for finding in comparison.findings:
        mark = said["mark"][finding.fate]
        label = mark if len(mark) <= 9 else "not shown"
        lines += paper.write(finding.sentence, label=label, ink=_INKS.get(finding.fate))
    if comparison.circuit:
        lines.append(paper.line())
    for i, figure in enumerate(comparison.circuit):
        lines += paper.write(figure.sentence, label="" if i else "circuit")
    if comparison.rows:
        lines.append(paper.line())
        lines += _table(comparison, paper)
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def _table(comparison: Comparison, paper: Paper) -> list[str]:
    head = f"{'':8}  {'THD, %':^15} {'':>7}  {'crest +':^11} {'crest -':^11}  level"
    halves = f"{'bef.':>5} {'aft.':>5} {'bef.':>5} {'aft.':>5}"
    units = f"{'pitch':>8}  {'before':>7} {'after':>7} {'dB':>7}  {halves}  {'dB':>5}"
    if paper.text_width < len(units):
        head, units = f"{'':8}  {'THD, %':^15}", f"{'pitch':>8}  {'before':>7} {'after':>7} {'dB':>7}"
    lines = [paper.line(head, label="by pitch", text_ink="faint"), paper.line(units, text_ink="faint")]
    for row in comparison.rows:
        text = (
            f"{format_hz(third(row.f0_low_hz, row.f0_high_hz)):>8}  {_cell(row.before['thd_percent'], 7, 3)} "
            f"{_cell(row.after['thd_percent'], 7, 3)} {_signed(row.thd_change_db, 7)}"
        )
        if paper.text_width >= len(units) and "crest" in head:
            crests = [
                _cell(side[name], 5, 3)
                for name in ("crest_positive", "crest_negative")
                for side in (row.before, row.after)
            ]
            text += f"  {' '.join(crests)}  {_signed(row.level_change_db, 5)}"
        lines.append(paper.line(text))
    return lines


def _cell(value: float | None, columns: int, decimals: int) -> str:
    return f"{'·':>{columns}}" if value is None else f"{value:>{columns}.{decimals}f}"


def _signed(value: float | None, columns: int) -> str:
    return f"{'·':>{columns}}" if value is None else f"{round(value, 1) + 0.0:>+{columns}.1f}"
