"""From steps to a calibration: law, error split, hysteresis, inverse table, advice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from listen.calibration.advising import AdviceFacts, KnownCircuit, advise, scale_doubt
from listen.calibration.doubting import doubt_lines, doubted
from listen.calibration.inverse import inverse_table
from listen.calibration.laws import HELD_CENTS, FittedLaw, StepRows, fit_law, free_curve
from listen.calibration.outliers import Outlier
from listen.calibration.repeatability import hysteresis, intervals, repeatability
from listen.calibration.splitting import scale_apart, split_error
from listen.calibration.trimming import trim_from
from listen.calibration.types import Axis, Calibration, Gap, Step
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


def calibration_of(
    steps: Sequence[Step],
    *,
    notes: tuple[str, ...] = (),
    axis: Axis = "volts",
    law: str = "auto",
    trimming: Trimming | None = None,
    core: KnownCircuit | None = None,
    left_out: int = 0,
    name: str = "the take",
) -> Calibration:
    """Make a calibration of measured steps.

    Parameters
    ----------
    steps : sequence of Step
    notes : tuple of str
    axis : {'volts', 'positions'}
        A dial has no law.
    law : {'volt-per-octave', 'hertz-per-volt', 'free', 'auto'}
    trimming : Trimming, optional
    core : Core, optional
        What is known of the circuit, for advice on a flat top.
    left_out : int
        So many plateaus belong to no voltage.
    name : str
        For messages.

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
    trimming = trimming or Trimming()
    outliers: tuple[Outlier, ...] = ()
    if axis == "volts":
        steps, outliers = doubted(steps)
    rows = rows_of(steps)
    if len(rows.volts) < 2 or np.ptp(rows.volts) <= 0:
        raise CaptureError(
            f"{name}: {len(rows.volts)} of {len(steps)} steps oscillate{_silent(steps)}, "
            "a table needs two at different voltages",
            "check the level and the channel, or hold other voltages",
        )
    if axis == "positions":
        return replace(_dial(steps, rows, notes), left_out=left_out)
    _possible(rows, law)
    fitted = fit_law(rows, law)
    steps = _with_errors(steps, fitted)
    octave = fitted.law.kind == "volt-per-octave"
    split = split_error(rows) if octave else None
    gap, repeats = hysteresis(rows, fitted.curve), repeatability(rows)
    trim = None
    if trimming.before is not None and trimming.turned is not None:
        trim = trim_from(trimming.before, rows, fitted, scale_apart(fitted, split), trimming.turned)
    facts = AdviceFacts(
        steps=steps,
        rows=rows,
        fitted=fitted,
        split=split,
        hysteresis=gap,
        repeatability=repeats,
        trim=trim,
        clockwise=trimming.clockwise,
        core=core or KnownCircuit(),
    )
    return Calibration(
        axis=axis,
        steps=tuple(steps),
        law=fitted.law,
        split=split,
        hysteresis=gap,
        repeatability=repeats,
        intervals=intervals(rows, free_curve(rows)) if octave else (),
        inverse=inverse_table(rows, fitted.curve, _spread_cents(gap, repeats)),
        trim=trim,
        advice=advise(facts),
        notes=notes,
        doubts=(*doubt_lines(steps, outliers), *scale_doubt(facts)),
        left_out=left_out,
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


def _dial(steps: Sequence[Step], rows: StepRows, notes: tuple[str, ...]) -> Calibration:
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
        notes=notes,
    )


def _silent(steps: Sequence[Step]) -> str:
    silent = [f"{i}" for i, step in enumerate(steps, start=1) if step.f0_hz is None]
    if not silent:
        return ""
    shown = ", ".join(silent[:8]) + (" ..." if len(silent) > 8 else "")
    return f" (not step {shown})" if len(silent) == 1 else f" (not steps {shown})"
