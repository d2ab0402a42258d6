"""Doubtful steps: those whose voltage does not fit the others, with the voltage that would."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from listen.calibration.law_evidence import MeasuredSteps, ways_of
from listen.calibration.outliers import Outlier, judge_voltages
from listen.calibration.phrases import cents_text, phrase, volts_text
from listen.calibration.repeatability import directions
from listen.calibration.types import Step
from listen.units import cents_between

_LEAST_STEPS = 4
_SIGMA_CENTS = 0.5
_LEFT_OUT_FROM = 0.5
_SIGMAS = 3.0


def doubted(steps: Sequence[Step]) -> tuple[list[Step], tuple[Outlier, ...]]:
    """Mark the steps whose voltage does not fit the others.

    Parameters
    ----------
    steps : sequence of Step
        Those with ``sigma_v`` are judged: voltages that were typed or meant. A recorded one is what it is.

    Returns
    -------
    steps : list of Step
        The doubtful ones marked; all directions are those of the voltages that fit.
    outliers : tuple of Outlier
        ``row`` counts all steps.
    """
    at = [i for i, step in enumerate(steps) if step.f0_hz is not None and step.sigma_v is not None]
    out = list(steps)
    if len(at) < _LEAST_STEPS:
        return out, ()
    judged = [steps[i] for i in at]
    entries = np.array([i if step.entry is None else step.entry for i, step in zip(at, judged, strict=True)])
    verdict = judge_voltages(_measured_steps(judged), entries)
    outliers = tuple(
        replace(
            one,
            row=at[one.row],
            exchanged_with=None if one.exchanged_with is None else at[one.exchanged_with],
        )
        for one in verdict.outliers
    )
    if not outliers:
        return out, ()
    left_out = [one for one in outliers if one.probability >= _LEFT_OUT_FROM] or [outliers[0]]
    for one in left_out:
        out[one.row] = replace(out[one.row], doubtful=True, fits_v=one.fits_v)
    return _turned(out), outliers


def doubt_lines(steps: Sequence[Step], outliers: Sequence[Outlier]) -> tuple[str, ...]:
    """Return what to say of doubtful steps, in the order of the take.

    Parameters
    ----------
    steps : sequence of Step
        Marked, with their errors.
    outliers : sequence of Outlier

    Returns
    -------
    tuple of str
    """
    lines = []
    done: set[int] = set()
    for one in sorted(outliers, key=lambda outlier: outlier.row):
        if one.row in done or not steps[one.row].doubtful:
            continue
        done.add(one.row)
        if one.exchanged_with is not None and steps[one.exchanged_with].doubtful:
            done.add(one.exchanged_with)
            lines.append(_exchanged_line(steps, one.row, one.exchanged_with))
        else:
            lines.append(_step_line(steps, one))
    others = [one for one in outliers if not steps[one.row].doubtful]
    if others:
        names = " or ".join(f"{step_number(steps, one.row)}" for one in sorted(others, key=lambda o: o.row))
        lines.append(phrase("doubt", "or_another", names=names))
    return tuple(lines)


def step_number(steps: Sequence[Step], row: int) -> int:
    """Return the number of a step within its take, counted from 1."""
    return row - next(i for i, step in enumerate(steps) if step.capture == steps[row].capture) + 1


def _measured_steps(steps: Sequence[Step]) -> MeasuredSteps:
    cents = cents_between(np.array([step.f0_hz for step in steps], dtype=np.float64), 1.0)
    take = np.array([step.capture for step in steps])
    moving = np.array([abs(step.moving_cents or 0.0) if step.unsettled else 0.0 for step in steps])
    own = np.array([step.f0_sigma_cents or 0.0 for step in steps])
    return MeasuredSteps(
        volts=np.array([step.cv_v for step in steps]),
        cents=cents,
        sigma_v=np.array([step.sigma_v or 0.0 for step in steps]),
        sigma_cents=np.sqrt(_SIGMA_CENTS**2 + own**2 + moving**2),
        way=np.concatenate([ways_of(cents[take == one]) for one in dict.fromkeys(take.tolist())]),
        take=take,
    )


def _turned(steps: list[Step]) -> list[Step]:
    """Give each step the direction that it has with the voltages that fit: one wrong one turns two."""
    out = list(steps)
    for capture in {step.capture for step in steps}:
        at = [i for i, step in enumerate(steps) if step.capture == capture]
        values = [steps[i].cv_v if steps[i].fits_v is None else float(steps[i].fits_v or 0.0) for i in at]
        for i, way in zip(at, directions(values), strict=True):
            out[i] = replace(out[i], direction=way)
    return out


def _step_line(steps: Sequence[Step], one: Outlier) -> str:
    step = steps[one.row]
    volts = np.array([other.cv_v for other in steps if other.f0_hz is not None and not other.doubtful])
    far = not volts.min() <= one.fits_v <= volts.max()
    line = phrase(
        "doubt",
        "step",
        number=step_number(steps, one.row),
        at=volts_text(step.cv_v),
        fits=_fitting(one),
        cents=f"{cents_text(step.error_cents or 0.0)} cents {'above' if (step.error_cents or 0.0) > 0 else 'below'}",
    )
    return f"{line} {phrase('doubt', 'at_the_end' if far else 'typed')}"


def _exchanged_line(steps: Sequence[Step], one: int, other: int) -> str:
    return phrase(
        "doubt",
        "exchanged",
        one=step_number(steps, one),
        other=step_number(steps, other),
        one_v=volts_text(steps[one].cv_v),
        other_v=volts_text(steps[other].cv_v),
    )


def _fitting(one: Outlier) -> str:
    """The voltage that would fit, to the digits that are known."""
    digits = max(0, min(4, -math.floor(math.log10(max(_SIGMAS * one.sigma_v, 1e-4)))))
    return f"{one.fits_v:.{digits}f}"
