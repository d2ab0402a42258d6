"""What a calibration comes to, in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from listen.units import format_hz

if TYPE_CHECKING:
    from listen.calibration.types import Calibration, Law

_MOST_NAMED = 6
_AGAINST = {
    "octave line": "a straight line in octaves",
    "hertz line": "a straight line in hertz",
    "power": "a power of the voltage",
    "parabola": "a parabola",
    "cubic": "a cubic",
}
_KINDS = {"volt-per-octave": "volt per octave", "hertz-per-volt": "hertz per volt", "free": "free"}


class CalibrationVerdict(NamedTuple):
    """Whether a table can be used as it is (``pass``) or not (``attention``), and a sentence."""

    outcome: str
    sentence: str


def calibration_verdict(calibration: Calibration) -> CalibrationVerdict:
    """Return what a calibration comes to.

    Parameters
    ----------
    calibration : Calibration

    Returns
    -------
    Verdict
    """
    reasons = _reasons(calibration)
    if reasons:
        return CalibrationVerdict("attention", f"Look at this table before you use it: {'; '.join(reasons)}.")
    counted = f"{len(calibration.steps)} {'steps' if calibration.axis == 'volts' else 'positions'}"
    known = [step.f0_hz for step in calibration.steps if step.f0_hz is not None]
    span = _span(min(known), max(known))
    if calibration.law is None:
        return CalibrationVerdict("pass", f"The table is whole: {counted}, {span}.")
    errors = error_words(calibration.law, "its law")
    return CalibrationVerdict("pass", f"The table is whole: {counted}, {span}; {errors}.")


def error_words(law: Law, own: str = "it") -> str:
    """Return the errors of a law in a few words, by its own name; of two steps, that there is none to state."""
    if law.rms_error_cents != law.rms_error_cents:
        return "two steps leave no error to state"
    against = _AGAINST.get(law.errors_against)
    worst = f"worst {law.worst_error_cents:+z.1f} cents at {volts_text(law.worst_at_v)} V"
    return f"{law.rms_error_cents:.2f} cents r.m.s. off {against or own}, {worst}"


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
    span = f"{volts_text(low_v)} to {volts_text(high_v)} V, {_span(low_hz, high_hz)}"
    if law.kind == "volt-per-octave":
        straight = (
            ""
            if law.straight_v == law.range_v
            else f" (straight from {volts_text(law.straight_v[0])} to {volts_text(law.straight_v[1])} V)"
        )
        what = f"{law.volts_per_octave:.5f} V an octave, {format_hz(law.f0_at_zero_v_hz, 5)} at 0 V{straight}"
    elif law.kind == "hertz-per-volt":
        what = f"{law.hertz_per_volt or 0.0:.5g} Hz a volt, {law.f0_at_zero_v_hz:.3g} Hz at 0 V"
    else:
        what = f"a smooth curve, {abs(law.octaves_per_volt):.3f} octaves a volt on the whole"
        if law.exponent is not None:
            from_v = law.exponent_from_v or 0.0
            what += f", as (V {'-' if from_v >= 0 else '+'} {abs(from_v):.2f}) to the power {law.exponent:.2f}"
    return f"{_KINDS[law.kind].capitalize()}: {what}; {span}; {error_words(law)}."


def _span(low_hz: float, high_hz: float) -> str:
    low, high = format_hz(low_hz), format_hz(high_hz)
    return low if low == high else f"{low} to {high}"


def volts_text(value: float) -> str:
    """Write a voltage to the millivolt, without idle zeros."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def _reasons(calibration: Calibration) -> list[str]:
    several = len({step.capture for step in calibration.steps}) > 1
    found: dict[str, list[str]] = {}
    counts: dict[int, int] = {}
    for step in calibration.steps:
        counts[step.capture] = counts.get(step.capture, 0) + 1
        name = f"{counts[step.capture]} of take {step.capture + 1}" if several else str(counts[step.capture])
        for trouble, there in (
            ("does not fit the others", step.doubtful),
            ("is missing", step.missing),
            ("does not oscillate", step.f0_hz is None and not step.missing),
            ("was still moving", step.unsettled),
        ):
            if there:
                found.setdefault(trouble, []).append(name)
    reasons = [_named(names, trouble) for trouble, names in found.items()]
    if calibration.left_out:
        reasons.append(
            "1 plateau has no voltage"
            if calibration.left_out == 1
            else f"{calibration.left_out} plateaus have no voltage"
        )
    if calibration.doubts and "does not fit the others" not in found:
        reasons.append("the scale is none of this law")
    return reasons


def _named(names: list[str], trouble: str) -> str:
    if len(names) == 1:
        return f"step {names[0]} {trouble}"
    plural = {"does not": "do not", "is missing": "are missing", "was still": "were still"}
    for one, many in plural.items():
        trouble = trouble.replace(one, many)
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"steps {', '.join(names[:_MOST_NAMED])}{more} {trouble}"
