"""A check as a notebook shows it: the same answers in the same order, in HTML without any script."""

from __future__ import annotations

from listen.report.terminal import QUESTIONS
from listen.report.views import CheckView
from listen.report.words import interval, name_of, third
from listen.units import format_hz, format_hz_range, note_name

_COLOURS = {"pass": "#2d6a3e", "attention": "#8a5a00", "fault": "#a4262c", "note": "#555555"}


def check_html(result: CheckView) -> str:
    """Return HTML for a notebook cell: verdict, answers, findings with causes and checks, the sweep.

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    str
        One ``div``; everything that comes from outside is escaped.
    """
    judgement = result.judgement
    name = _escape(name_of(result.capture.path))
    parts = [
        '<div style="max-width:46em;line-height:1.35">',
        f"<p>{_verdict(judgement.verdict)} <b>{_escape(judgement.headline)}</b><br><small>{name}</small></p>",
        "<dl>",
        *(f"<dt><b>{q}</b></dt><dd>{_escape(judgement.answers[q])}</dd>" for q in QUESTIONS),
        "</dl>",
    ]
    if judgement.findings:
        parts.append("<ol>")
        for finding, diagnosis in zip(judgement.findings, result.diagnoses, strict=True):
            where = interval(finding.start_s, finding.end_s)
            if finding.f0_low_hz is not None and finding.f0_high_hz is not None:
                where += f", {format_hz_range(finding.f0_low_hz, finding.f0_high_hz)}"
            parts.append(
                f"<li>{_verdict(finding.severity)} {_escape(finding.sentence)} <small>{where}</small>"
                f"{_items('Likely', diagnosis.likely_causes)}{_items('Check next', diagnosis.next_checks)}</li>"
            )
        parts.append("</ol>")
    if judgement.sweep:
        parts += ["<table>", _row("th", ("pitch", "notes", "dBFS", "THD %", "crest +", "crest -"))]
        for row in judgement.sweep:
            centre_hz = third(row.f0_low_hz, row.f0_high_hz)
            notes = f"{note_name(row.f0_low_hz)}-{note_name(row.f0_high_hz)}"
            numbers = (
                _number(row.level_dbfs, 1),
                _number(row.thd_percent, 2),
                _number(row.crest_positive, 3),
                _number(row.crest_negative, 3),
            )
            parts.append(_row("td", (format_hz(centre_hz), notes, *numbers)))
        parts.append("</table>")
    for item in judgement.not_shown:
        parts.append(f"<p><i>Not shown, {item.question}:</i> {_escape(item.why)}; {_escape(item.mend)}.</p>")
    parts.append("</div>")
    return "".join(parts)


def _escape(text: str) -> str:
    """Return a text with nothing in it that HTML takes for its own."""
    import html  # its table of entities is long, and a check on the terminal needs none of it

    return html.escape(text)


def _verdict(word: str) -> str:
    return f'<b style="color:{_COLOURS[word]}">{word}</b>'


def _items(title: str, lines: tuple[str, ...]) -> str:
    items = "".join(f"<li>{_escape(line)}</li>" for line in lines)
    return f"<br>{title}:<ul>{items}</ul>"


def _row(tag: str, cells: tuple[str, ...]) -> str:
    return "<tr>" + "".join(f"<{tag}>{_escape(cell)}</{tag}>" for cell in cells) + "</tr>"


def _number(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"
