"""From steps to a calibration: law, error split, hysteresis, inverse table, advice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from listen.calibration.advising import AdviceFacts, KnownCircuit, advise, scale_doubt
from listen.calibration.doubting import doubt_lines, doubted
from listen.calibration.inverse import inverse_table
from listen.calibration.laws import HELD_CENTS, FittedLaw, StepRows, fit_law, free_curve
from listen.calibration.repeatability import hysteresis, intervals, repeatability
from listen.calibration.splitting import scale_apart, split_error
from listen.calibration.trimming import trim_from
from listen.calibration.types import Calibration, Gap, Step, StepAxis
from listen.errors import CaptureError, OptionError
from listen.units import cents_between


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimming:
    """What is known of the scale trimmer.

    Attributes
    ----------
    before : tuple of (volts, hertz), or None
        The table before it was turned.
    turned : float or None
        Turns since then, clockwise positive.
    clockwise : {'wider', 'narrower'} or None
        The user's own note of what clockwise does to an octave.
    """

    before: tuple[tuple[float, float], ...] | None = None
    turned: float | None = None
    clockwise: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSettings:
    """How a table is made of its steps.

    Attributes
    ----------
    axis : {'volts', 'positions'}
        A dial has no law.
    law : {'volt-per-octave', 'hertz-per-volt', 'free', 'auto'}
    trimming : Trimming
    circuit : KnownCircuit
        For advice on a flat top.
    """

    axis: StepAxis = "volts"
    law: str = "auto"
    trimming: Trimming = field(default_factory=Trimming)
    circuit: KnownCircuit = field(default_factory=KnownCircuit)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts:
    """What is known of the takes that hold the steps.

    Attributes
    ----------
    name : str
        Their names, for messages.
    notes : tuple of str
    left_out : int
        So many plateaus belong to no voltage.
    """

    name: str = "the take"
    notes: tuple[str, ...] = ()
    left_out: int = 0


def calibration_of(
    steps: Sequence[Step], settings: TableSettings | None = None, takes: TakeFacts | None = None
) -> Calibration:
    """Make a calibration of measured steps.

    Parameters
    ----------
    steps : sequence of Step
    settings : TableSettings, optional
    takes : TakeFacts, optional

    Returns
    -------
    Calibration

    Raises
    ------
    CaptureError
        Fewer than two steps oscillate, or all at one voltage.
    OptionError
        The law cannot be fitted to these voltages, or the tables before and after do not fit together.
    """
    settings, takes = settings or TableSettings(), takes or TakeFacts()
    if settings.axis == "positions":
        rows = rows_of(steps)
        _enough_steps(steps, rows, takes.name)
        return _dial(steps, rows, takes)
    steps, outliers = doubted(steps)
    rows = rows_of(steps)
    _enough_steps(steps, rows, takes.name)
    _possible(rows, settings.law)
    facts = _facts_of(steps, rows, settings)
    fitted, octave = facts.fitted, facts.fitted.law.kind == "volt-per-octave"
    return Calibration(
        axis="volts",
        steps=tuple(facts.steps),
        law=fitted.law,
        split=facts.split,
        hysteresis=facts.hysteresis,
        repeatability=facts.repeatability,
        intervals=intervals(rows, free_curve(rows)) if octave else (),
        inverse=inverse_table(rows, fitted.curve, _spread_cents(facts.hysteresis, facts.repeatability)),
        trim=facts.trim,
        advice=advise(facts),
        notes=takes.notes,
        doubts=(*doubt_lines(facts.steps, outliers), *scale_doubt(facts)),
        left_out=takes.left_out,
    )


def _facts_of(steps: Sequence[Step], rows: StepRows, settings: TableSettings) -> AdviceFacts:
    """Fit the law and measure all that the advice rests on: errors, split, hysteresis, repeatability, the trimmer."""
    fitted = fit_law(rows, settings.law)
    split = split_error(rows) if fitted.law.kind == "volt-per-octave" else None
    trimming = settings.trimming
    trim = None
    if trimming.before is not None and trimming.turned is not None:
        trim = trim_from(trimming.before, rows, fitted, scale_apart(fitted, split), trimming.turned)
    return AdviceFacts(
        steps=_with_errors(steps, fitted),
        rows=rows,
        fitted=fitted,
        split=split,
        hysteresis=hysteresis(rows, fitted.curve),
        repeatability=repeatability(rows),
        trim=trim,
        clockwise=trimming.clockwise,
        core=settings.circuit,
    )


def _enough_steps(steps: Sequence[Step], rows: StepRows, name: str) -> None:
    """Refuse a table of fewer than two voltages."""
    if len(rows.volts) < 2 or np.ptp(rows.volts) <= 0:
        raise CaptureError(
            f"{name}: {len(rows.volts)} of {len(steps)} steps oscillate{_silent(steps)}, "
            "a table needs two at different voltages",
            "check the level and the channel, or hold other voltages",
        )


def rows_of(steps: Sequence[Step]) -> StepRows:
    """Return the steps that oscillate and are not doubtful, as a law is fitted to them."""
    there = [step for step in steps if step.f0_hz is not None and not step.doubtful]
    hz = np.array([step.f0_hz for step in there], dtype=np.float64)
    sigma = np.array([step.f0_sigma_cents or 0.0 for step in there])
    moving = np.array([abs(step.moving_cents or 0.0) if step.unsettled else 0.0 for step in there])
    nominal = [step.nominal_v for step in there]
    return StepRows(
        volts=np.array([step.cv_v for step in there], dtype=np.float64),
        cents=cents_between(hz, 1.0) if len(hz) else hz,
        sigma=np.sqrt(sigma**2 + HELD_CENTS**2 + moving**2),
        direction=tuple(step.direction for step in there),
        nominal=np.array(nominal, dtype=np.float64) if there and None not in nominal else None,
    )


def _with_errors(steps: Sequence[Step], fitted: FittedLaw) -> list[Step]:
    out = []
    for step in steps:
        if step.f0_hz is None or np.isnan(fitted.law.rms_error_cents):
            out.append(step)
            continue
        wanted = float(fitted.curve(np.array([step.cv_v]))[0])
        out.append(replace(step, error_cents=float(cents_between(step.f0_hz, 1.0)) - wanted))
    return out


def _possible(rows: StepRows, law: str) -> None:
    volts = len(np.unique(rows.volts))
    if law == "free" and volts < 3:
        raise OptionError(
            f"--law free needs three different voltages, there are {volts}", "take more steps, or leave --law out"
        )
    if law == "hertz-per-volt" and np.polyfit(rows.volts, rows.hz, 1)[0] <= 0:
        raise OptionError(
            "--law hertz-per-volt: the pitch does not rise with the voltage",
            "leave --law out, or check the order of the voltages",
        )


def _spread_cents(gap: Gap | None, repeats: Gap | None) -> float:
    half = 0.5 * abs(gap.median) if gap is not None else 0.0
    return max(half, repeats.median if repeats is not None else 0.0)


def _dial(steps: Sequence[Step], rows: StepRows, takes: TakeFacts) -> Calibration:
    return Calibration(
        axis="positions",
        steps=tuple(steps),
        law=None,
        split=None,
        hysteresis=hysteresis(rows, free_curve(rows)),
        repeatability=repeatability(rows),
        intervals=(),
        inverse=inverse_table(rows, free_curve(rows)),
        trim=None,
        advice=(),
        notes=takes.notes,
        left_out=takes.left_out,
    )


def _silent(steps: Sequence[Step]) -> str:
    silent = [f"{i}" for i, step in enumerate(steps, start=1) if step.f0_hz is None]
    if not silent:
        return ""
    shown = ", ".join(silent[:8]) + (" ..." if len(silent) > 8 else "")
    return f" (not step {shown})" if len(silent) == 1 else f" (not steps {shown})"
