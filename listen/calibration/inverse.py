"""The inverse table: which voltage to give for each note."""

from __future__ import annotations

import math

import numpy as np

from listen.calibration.laws import Curve, StepRows, averaged, free_curve
from listen.calibration.types import Floats, InverseRow
from listen.units import hz_from_cents, note_name, note_number

_GRID = 4000
_EDGE_CENTS = 1.0
_FEWEST_FOR_SCATTER = 5
_NORMAL = 1.4826
"""Median of absolute values to standard deviation, of the normal distribution."""


def inverse_table(rows: StepRows, curve: Curve, spread_cents: float = 0.0) -> tuple[InverseRow, ...]:
    """Return the voltage for each note (equal temperament, A4 = 440 Hz) that the table reaches.

    Parameters
    ----------
    rows : Rows
        Of at least two voltages.
    curve : callable
        The law; a monotone curve carries what the steps leave of it.
    spread_cents : float
        What the same voltage may be off next time: half of the hysteresis, or the repeatability.

    Returns
    -------
    tuple of InverseRow
        Upward in pitch; empty where the pitch does not rise or fall throughout.

    Notes
    -----
    Uncertainty: that of the pitches, the spread, and what the curve misses between the steps, estimated by leaving each
    inner step out in turn: between two steps the curve errs by about a quarter of that.
    """
    mean = averaged(rows)
    if len(mean.volts) < 2:
        return ()
    interpolated = free_curve(StepRows(volts=mean.volts, cents=mean.cents, sigma=mean.sigma, direction=mean.direction))
    volts = np.linspace(mean.volts[0], mean.volts[-1], _GRID)
    law = curve(volts)
    cents = law + np.interp(volts, volts, interpolated(volts) - law)
    falling = cents[-1] < cents[0]
    if falling:
        volts, cents = volts[::-1], cents[::-1]
    if not np.all(np.diff(cents) > 0):
        return ()
    error_cents = _interpolation_error_cents(mean, curve)
    step_sigma = np.maximum(mean.sigma, _scatter_cents(mean, error_cents))
    out = []
    first = math.ceil(note_number(float(hz_from_cents(cents[0] - _EDGE_CENTS, 1.0))))
    last = math.floor(note_number(float(hz_from_cents(cents[-1] + _EDGE_CENTS, 1.0))))
    for number in range(first, last + 1):
        f0_hz = 440.0 * 2.0 ** ((number - 69) / 12.0)
        wanted = 1200.0 * math.log2(f0_hz)
        at_v = float(np.interp(wanted, cents, volts))
        slope = abs(float(np.interp(at_v, *_slope(volts, cents))))
        sigma = math.hypot(
            _interpolated_sigma(mean.volts, step_sigma, at_v),
            spread_cents,
            _midway_cents(mean.volts, error_cents, at_v),
        )
        out.append(InverseRow(note=note_name(f0_hz), f0_hz=f0_hz, cv_v=at_v, sigma_v=sigma / max(slope, 1e-9)))
    return tuple(out)


def _slope(volts: Floats, cents: Floats) -> tuple[Floats, Floats]:
    slope = np.gradient(cents, volts)
    return (volts, slope) if volts[0] < volts[-1] else (volts[::-1], slope[::-1])


def _interpolation_error_cents(mean: StepRows, curve: Curve) -> Floats:
    """Leave-one-out interpolation error at each inner step."""
    n = len(mean.volts)
    residual = mean.cents - curve(mean.volts)
    out = np.zeros(n)
    for i in range(1, n - 1):
        others = np.arange(n) != i
        out[i] = abs(residual[i] - float(np.interp(mean.volts[i], mean.volts[others], residual[others])))
    if n > 2:
        out[0], out[-1] = out[1], out[-2]
    return out


def _scatter_cents(mean: StepRows, error_cents: Floats) -> float:
    """Return the scatter of the steps about their neighbours, 0 where too few tell it.

    A step and half of each of its two neighbours: three halves of the variance of one. The median, so that a bend at
    one end is no scatter.
    """
    if len(mean.volts) < _FEWEST_FOR_SCATTER:
        return 0.0
    return float(np.median(error_cents[1:-1])) * _NORMAL / math.sqrt(1.5)


def _interpolated_sigma(volts: Floats, sigma: Floats, at_v: float) -> float:
    """Return the standard deviation of a value that lies on the line between two steps."""
    place = int(np.clip(np.searchsorted(volts, at_v), 1, len(volts) - 1))
    share = min(max((at_v - volts[place - 1]) / max(volts[place] - volts[place - 1], 1e-12), 0.0), 1.0)
    return math.hypot((1.0 - share) * float(sigma[place - 1]), share * float(sigma[place]))


def _midway_cents(volts: Floats, error_cents: Floats, at_v: float) -> float:
    """Interpolation uncertainty: a quarter of the nearest steps' error midway between them, zero at a step."""
    place = int(np.clip(np.searchsorted(volts, at_v), 1, len(volts) - 1))
    share = (at_v - volts[place - 1]) / max(volts[place] - volts[place - 1], 1e-12)
    share = min(max(share, 0.0), 1.0)
    return float(max(error_cents[place - 1], error_cents[place]) * share * (1.0 - share))
