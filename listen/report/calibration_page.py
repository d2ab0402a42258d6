"""The page that a calibration prints: the table, the error curve, the law in a sentence, then the advice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from listen.report.calibration_words import calibration_verdict, law_sentence, volts_text
from listen.report.drawing import dot
from listen.report.paper import Ink, Paper
from listen.report.words import name_of
from listen.units import cents_off_note, format_seconds, note_name

if TYPE_CHECKING:
    from listen.calibration.types import Calibration, Gap, Step
    from listen.report.calibration_views import CalibrationView

_LANE = 21
_LEAST_LANE_CENTS = 2.0
_MOST_ROWS = 120
_ONE_SCREEN = 24
"""Lines of a terminal: a longer page says its verdict again at its end."""


def calibration_page(result: CalibrationView, paper: Paper | None = None) -> str:
    """Return the page of a calibration.

    Parameters
    ----------
    result : CalibrationResult
    paper : Paper, optional
        80 columns without colour where not given.

    Returns
    -------
    str
        Lines of at most ``paper.width`` columns; ends with a newline.
    """
    paper = paper or Paper()
    calibration = result.calibration
    what = "voltages" if calibration.axis == "volts" else "positions"
    verdict = calibration_verdict(calibration)
    ink: Ink = "good" if verdict.outcome == "pass" else "mind"
    verdict_lines = paper.write(verdict.sentence, label=verdict.outcome, ink=ink, text_ink="strong")
    lines = [paper.rule("┬")]
    for i, capture in enumerate(result.captures):
        lines += paper.write(name_of(capture.path), label="" if i else "take")
    lines += paper.write(f"{what} from {result.voltage_source}", text_ink="faint")
    for path in result.bench_paths:
        lines += paper.write(f"with the bench file {name_of(path)}", text_ink="faint")
    for i, note in enumerate(calibration.notes):
        lines += paper.write(note, label="" if i else "noticed", ink="mind")
    lines += [paper.line(), *verdict_lines]
    for i, doubt in enumerate(calibration.doubts):
        lines += paper.write(doubt, label="" if i else "doubt", ink="mind", bullet=True)
    lines += [paper.line(), *_table(calibration, paper), paper.line()]
    if calibration.law is not None:
        lines += paper.write(law_sentence(calibration.law), label="law", text_ink="strong")
        lines += paper.write(
            f"chosen: {calibration.law.chosen_because}." if result.law_asked == "auto" else "as asked for.",
            text_ink="faint",
        )
    lines += _intervals(calibration, paper)
    lines += _gaps(calibration, paper)
    if calibration.advice:
        lines.append(paper.line())
    for i, line in enumerate(calibration.advice):
        lines += paper.write(line, label="" if i else "advice", bullet=True)
    if len(lines) > _ONE_SCREEN:
        lines += [paper.rule("┼"), *verdict_lines]
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def _table(calibration: Calibration, paper: Paper) -> list[str]:
    drawn = paper.text_width >= 68 and calibration.law is not None
    errors = [abs(step.error_cents) for step in calibration.steps if step.error_cents is not None and not step.doubtful]
    reach = max(_LEAST_LANE_CENTS, max(errors, default=0.0))
    end = f"{reach:.0f}" if reach >= 9.95 else f"{reach:.1f}"
    scale = f"{'-' + end:<{_LANE // 2}}0{'+' + end:>{_LANE // 2}}" if drawn else ""
    place = "V" if calibration.axis == "volts" else "dial"
    several = len({step.capture for step in calibration.steps}) > 1
    head = f"{'':8} {'':8} {'':3}{'cents':>6} {'error':>7} {'settled':>7}   {scale}"
    units = f"{place:>7}  {'Hz':>8} {'note':4}{'off':>5} {'cents':>7} {'after':>7}"
    lines = [paper.line(head, label="table", text_ink="faint"), paper.line(units, text_ink="faint")]
    shown = calibration.steps[:_MOST_ROWS]
    before: Step | None = None
    for step in shown:
        if several and (before is None or before.capture != step.capture):
            lines.append(paper.line(f"take {step.capture + 1}", text_ink="faint"))
        lines.append(paper.line(_row(step, before, reach, drawn)))
        before = step
    if len(calibration.steps) > len(shown):
        lines.append(paper.line(f"and {len(calibration.steps) - len(shown)} more", text_ink="faint"))
    return lines


def _row(step: Step, before: Step | None, reach: float, drawn: bool) -> str:
    turned = "↓" if step.direction == "down" and (before is None or before.direction != "down") else " "
    place = f"{round(step.cv_v, 3) + 0.0:>7.3f}{turned}"
    if step.f0_hz is None:
        return f"{place} {'·':>8} {'missing' if step.missing else 'does not oscillate'}"
    settling = step.settling_s
    after = "·" if settling is None else "at once" if settling == 0.0 else format_seconds(settling)
    error = "·" if step.error_cents is None else _fitted(step.error_cents, 7, 2, "+")
    lane = ""
    if drawn and step.error_cents is not None:
        lane = dot(0.5 + 0.5 * max(-1.0, min(1.0, step.error_cents / reach)), _LANE)
    mark = "?" if step.doubtful else "!" if step.unsettled else " "
    return (
        f"{place} {_fitted(step.f0_hz, 8, 3)} {note_name(step.f0_hz):3}{cents_off_note(step.f0_hz):>+z6.1f} "
        f"{error:>7} {after:>7}{mark} {lane}"
    ).rstrip()


def _fitted(value: float, columns: int, decimals: int, sign: str = "") -> str:
    """Write a number into a cell, with as many of the decimals as there is room for."""
    while decimals and len(f"{value:{sign}z.{decimals}f}") > columns:
        decimals -= 1
    return f"{value:{sign}z{columns}.{decimals}f}"


def _intervals(calibration: Calibration, paper: Paper) -> list[str]:
    if not calibration.intervals:
        return []
    widths = [f"{one.width_cents - 1200.0:+z.1f}" for one in calibration.intervals]
    first = calibration.intervals[0].from_v
    text = f"each volt from {volts_text(first)} V upward, in cents off an octave: {', '.join(widths)}"
    return paper.write(text, label="octaves")


def _gaps(calibration: Calibration, paper: Paper) -> list[str]:
    lines: list[str] = []
    words: Sequence[tuple[str, Gap | None, str]] = (
        (
            "up, down",
            calibration.hysteresis,
            "down lies {median:+z.2f} cents off up (median), worst {worst:+z.2f} at {at}",
        ),
        (
            "repeats",
            calibration.repeatability,
            "come back within {median:.2f} cents r.m.s., worst {worst:+z.2f} at {at}",
        ),
    )
    unit = " V" if calibration.axis == "volts" else ""
    for label, gap, text in words:
        if gap is not None:
            lines += paper.write(
                text.format(median=gap.median, worst=gap.worst, at=f"{volts_text(gap.worst_at_v)}{unit}"), label=label
            )
    return lines
