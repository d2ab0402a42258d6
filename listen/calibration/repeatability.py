"""What differs between two ways to the same voltage (hysteresis), between repeats, and how wide each octave is."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from listen.calibration.laws import Curve, StepRows, same_voltage
from listen.calibration.types import Direction, Gap, Interval, Step
from listen.units import hz_from_cents

_NEAR_SHARE = 0.25


def hysteresis(rows: StepRows, smooth: Curve) -> Gap | None:
    """Return how far the pitch on the way down lies above that on the way up.

    Parameters
    ----------
    rows : Rows
    smooth : callable
        A law through all of them: it carries the small differences between the voltages of the two ways.

    Returns
    -------
    Gap or None
        Down minus up, at each voltage of the way down that the way up has too, or nearly (then along the law);
        None where there is none.
    """
    up, down = _only(rows, "up"), _only(rows, "down")
    if len(up.volts) < 1 or len(down.volts) < 1:
        return None
    order = np.argsort(up.volts, kind="stable")
    off_up = up.cents[order] - smooth(up.volts[order])
    off_down = down.cents - smooth(down.volts)
    nodes = np.unique(up.volts)
    spacing = float(np.median(np.diff(nodes))) if len(nodes) > 1 else np.inf
    near = np.array([np.abs(nodes - v).min() <= max(_NEAR_SHARE * spacing, 1e-9) for v in down.volts])
    if not near.any() or len(nodes) < 2:
        return None
    gap = off_down[near] - np.interp(down.volts[near], up.volts[order], off_up)
    return _gap_of(gap, down.volts[near])


def repeatability(rows: StepRows) -> Gap | None:
    """Return how far repeats of a voltage, come to from the same side, lie off their mean.

    Parameters
    ----------
    rows : Rows

    Returns
    -------
    Gap or None
        ``median`` is the pooled standard deviation, ``worst`` the largest deviation from a mean; None without repeats.
    """
    near = same_voltage(rows.volts)
    off: list[float] = []
    at: list[float] = []
    variance, freedom = 0.0, 0
    ways: tuple[Direction, Direction] = ("up", "down")
    for way in ways:
        part = _only(rows, way)
        order = np.argsort(part.volts, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(part.volts[order]) > near) + 1):
            if len(group) < 2:
                continue
            residual = part.cents[group] - part.cents[group].mean()
            variance += float(residual @ residual)
            freedom += len(group) - 1
            off += residual.tolist()
            at += part.volts[group].tolist()
    if not freedom:
        return None
    worst = int(np.argmax(np.abs(off)))
    return Gap(median=float(np.sqrt(variance / freedom)), worst=off[worst], worst_at_v=at[worst], pairs=len(off))


def intervals(rows: StepRows, curve: Curve) -> tuple[Interval, ...]:
    """Return the width of each volt of the table, in cents, from its lowest whole volt upward.

    Parameters
    ----------
    rows : Rows
    curve : callable
        A curve through the measured pitches.

    Returns
    -------
    tuple of Interval
    """
    low, high = float(rows.volts.min()), float(rows.volts.max())
    whole = float(np.ceil(low - 0.05))
    start = whole if whole + 1.0 <= high + 0.05 else low
    count = int(np.floor(high - start + 0.05))
    if count < 1 or count > 40:
        return ()
    volts = start + np.arange(count + 1.0)
    cents = curve(volts)
    hz = hz_from_cents(cents, 1.0)
    return tuple(
        Interval(
            from_v=float(volts[i]),
            to_v=float(volts[i + 1]),
            from_hz=float(hz[i]),
            to_hz=float(hz[i + 1]),
            width_cents=float(cents[i + 1] - cents[i]),
        )
        for i in range(count)
    )


def directions(values: Sequence[float]) -> list[Direction]:
    """Return which way each voltage was come to; the first as the second, a repeat as the one before."""
    out: list[Direction] = []
    for before, value in pairwise(values):
        out.append("up" if value > before else "down" if value < before else (out[-1] if out else "up"))
    return [out[0] if out else "up", *out]


def slowest(steps: Sequence[Step]) -> Step | None:
    """Return the step that took longest to settle."""
    known = [step for step in steps if step.settling_s is not None]
    return max(known, key=lambda step: step.settling_s or 0.0, default=None)


def _only(rows: StepRows, way: Direction) -> StepRows:
    which = np.array([d == way for d in rows.direction], dtype=bool)
    return StepRows(
        volts=rows.volts[which],
        cents=rows.cents[which],
        sigma=rows.sigma[which],
        direction=tuple(d for d in rows.direction if d == way),
    )


def _gap_of(gap: np.ndarray, volts: np.ndarray) -> Gap:
    worst = int(np.argmax(np.abs(gap)))
    return Gap(median=float(np.median(gap)), worst=float(gap[worst]), worst_at_v=float(volts[worst]), pairs=len(gap))
