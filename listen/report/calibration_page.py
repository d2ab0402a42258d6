"""The page that a calibration prints: the table, the error curve, the law in a sentence, then the advice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from listen.report.drawing import dot
from listen.report.paper import Paper
from listen.report.words import name_of
from listen.units import cents_off_note, format_hz, format_seconds, note_name

if TYPE_CHECKING:
    from listen.calibration.types import Calibration, Gap, Law, Step
    from listen.report.calibration_views import CalibrationView

_LANE = 21
_LEAST_LANE_CENTS = 2.0
_MOST_ROWS = 120
_KINDS = {"volt-per-octave": "volt per octave", "hertz-per-volt": "hertz per volt", "free": "free"}


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
    made = result.calibration
    lines = [paper.rule("┬")]
    for i, capture in enumerate(result.captures):
        lines += paper.write(name_of(capture.path), label="" if i else "take")
    lines += paper.write(f"voltages from {result.voltage_source}", text_ink="faint")
    if result.bench_path is not None:
        lines += paper.write(f"with the bench file {name_of(result.bench_path)}", text_ink="faint")
    for i, note in enumerate(made.notes):
        lines += paper.write(note, label="" if i else "noticed", ink="mind")
    lines += [paper.line(), *_table(made, paper), paper.line()]
    if made.law is not None:
        lines += paper.write(law_sentence(made.law), label="law", text_ink="strong")
        lines += paper.write(
            f"chosen: {made.law.chosen_because}." if result.law_asked == "auto" else "as asked for.", text_ink="faint"
        )
    lines += _intervals(made, paper)
    lines += _gaps(made, paper)
    if made.advice:
        lines.append(paper.line())
    for i, line in enumerate(made.advice):
        lines += paper.write(line, label="" if i else "advice", bullet=True)
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def law_sentence(law: Law) -> str:
    """Return the law in one sentence.

    Parameters
    ----------
    law : Law

    Returns
    -------
    str
    """
    (low_v, high_v), (low_hz, high_hz) = law.range_v, law.range_hz
    span = f"{_volts(low_v)} to {_volts(high_v)} V, {format_hz(low_hz)} to {format_hz(high_hz)}"
    worst = f"worst {law.worst_error_cents:+.1f} cents at {_volts(law.worst_at_v)} V"
    left = f"{law.rms_error_cents:.2f} cents r.m.s. off it, {worst}"
    if law.kind == "volt-per-octave":
        straight = (
            ""
            if law.straight_v == law.range_v
            else f" (straight from {_volts(law.straight_v[0])} to {_volts(law.straight_v[1])} V)"
        )
        what = f"{law.volts_per_octave:.5f} V an octave, {format_hz(law.f0_at_zero_v_hz, 5)} at 0 V{straight}"
    elif law.kind == "hertz-per-volt":
        what = f"{law.hertz_per_volt or 0.0:.5g} Hz a volt, {law.f0_at_zero_v_hz:.3g} Hz at 0 V"
    else:
        what = f"a smooth curve, {abs(law.octaves_per_volt):.3f} octaves a volt on the whole"
        if law.exponent is not None:
            from_v = law.exponent_from_v or 0.0
            what += f", as (V {'-' if from_v >= 0 else '+'} {abs(from_v):.2f}) to the power {law.exponent:.2f}"
    return f"{_KINDS[law.kind].capitalize()}: {what}; {span}; {left}."


def _table(made: Calibration, paper: Paper) -> list[str]:
    drawn = paper.text_width >= 68 and made.law is not None
    errors = [abs(step.error_cents) for step in made.steps if step.error_cents is not None]
    reach = max(_LEAST_LANE_CENTS, max(errors, default=0.0))
    end = f"{reach:.0f}" if reach >= 9.95 else f"{reach:.1f}"
    scale = f"{'-' + end:<{_LANE // 2}}0{'+' + end:>{_LANE // 2}}" if drawn else ""
    place = "V" if made.axis == "volts" else "place"
    several = len({step.capture for step in made.steps}) > 1
    head = f"{'':8} {'':8} {'':3}{'cents':>6} {'error':>7} {'settled':>7}   {scale}"
    units = f"{place:>7}  {'Hz':>8} {'note':4}{'off':>5} {'cents':>7} {'after':>7}"
    lines = [paper.line(head, label="table", text_ink="faint"), paper.line(units, text_ink="faint")]
    shown = made.steps[:_MOST_ROWS]
    before: Step | None = None
    for step in shown:
        if several and (before is None or before.capture != step.capture):
            lines.append(paper.line(f"take {step.capture + 1}", text_ink="faint"))
        lines.append(paper.line(_row(step, before, reach, drawn)))
        before = step
    if len(made.steps) > len(shown):
        lines.append(paper.line(f"and {len(made.steps) - len(shown)} more", text_ink="faint"))
    return lines


def _row(step: Step, before: Step | None, reach: float, drawn: bool) -> str:
    turned = "↓" if step.direction == "down" and (before is None or before.direction != "down") else " "
    place = f"{round(step.cv_v, 3) + 0.0:>7.3f}{turned}"
    if step.f0_hz is None:
        return f"{place} {'·':>8} {'missing' if step.missing else 'does not oscillate'}"
    settling = step.settling_s
    after = "·" if settling is None else "at once" if settling == 0.0 else format_seconds(settling)
    error = "·" if step.error_cents is None else _fitted(step.error_cents, 7, 2, "+")
    lane = dot(0.5 + 0.5 * (step.error_cents or 0.0) / reach, _LANE) if drawn and step.error_cents is not None else ""
    mark = "!" if step.unsettled else " "
    return (
        f"{place} {_fitted(step.f0_hz, 8, 3)} {note_name(step.f0_hz):3}{cents_off_note(step.f0_hz):>+6.1f} "
        f"{error:>7} {after:>7}{mark} {lane}"
    ).rstrip()


def _fitted(value: float, columns: int, decimals: int, sign: str = "") -> str:
    """Write a number into a cell, with as many of the decimals as there is room for."""
    while decimals and len(f"{value:{sign}.{decimals}f}") > columns:
        decimals -= 1
    return f"{value:{sign}{columns}.{decimals}f}"


def _intervals(made: Calibration, paper: Paper) -> list[str]:
    if not made.intervals:
        return []
    widths = [f"{one.width_cents - 1200.0:+.1f}" for one in made.intervals]
    first = made.intervals[0].from_v
    text = f"each volt from {_volts(first)} V upward, in cents off an octave: {', '.join(widths)}"
    return paper.write(text, label="octaves")


def _gaps(made: Calibration, paper: Paper) -> list[str]:
    lines: list[str] = []
    words: Sequence[tuple[str, Gap | None, str]] = (
        ("up, down", made.hysteresis, "down lies {median:+.2f} cents off up (median), worst {worst:+.2f} at {at} V"),
        ("repeats", made.repeatability, "come back within {median:.2f} cents r.m.s., worst {worst:+.2f} at {at} V"),
    )
    for label, gap, text in words:
        if gap is not None:
            lines += paper.write(
                text.format(median=gap.median, worst=gap.worst, at=_volts(gap.worst_at_v)), label=label
            )
    return lines


def _volts(value: float) -> str:
    """Write a voltage to the millivolt, without idle zeros."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")
