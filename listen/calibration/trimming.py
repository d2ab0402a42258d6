"""What the turn of a scale trimmer did, from a table before and a table after it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from listen.calibration.fits import LineFit, fit_line
from listen.calibration.laws import FittedLaw, StepRows, free_curve
from listen.calibration.types import Floats, Trim
from listen.errors import OptionError
from listen.units import cents_between, hz_from_cents

_LEAST_EFFECT_SIGMAS = 3.0
_FAR_V = 100.0
_LEAST_SIGMA_CENTS, _LEAST_SPAN_V = 0.02, 0.1
"""Two points, or points that lie on a line, would leave no scatter, and voltages that are nearly one no limit to it."""
_SAME_VOLTAGE_V = 0.02


def trim_from(
    before: Sequence[tuple[float, float]],
    rows: StepRows,
    fitted: FittedLaw,
    apart: tuple[float, float],
    turned: float,
    target: float = 1.0,
) -> Trim:
    """Compare two tables.

    Parameters
    ----------
    before : sequence of (volts, hertz)
        The table before the turn.
    rows : StepRows
        The table after it.
    fitted : FittedLaw
        Its law.
    apart : tuple of float
        Octaves per volt with the bend at the top taken out, and that bend in cents per kHz.
    turned : float
        Turns between the two, clockwise positive.
    target : float
        Octaves per volt that are wanted.

    Returns
    -------
    Trim

    Raises
    ------
    OptionError
        The two tables share fewer than two voltages, or the turn is zero.

    Notes
    -----
    The difference of two tables of one circuit, what is in proportion to the pitch taken out, is a straight line in the
    voltage: it crosses zero at the pivot, and its slope is what the turn did to the scale.
    """
    if not turned or not math.isfinite(turned):
        raise OptionError(f"--turned {turned:g}: no turn", "say how many turns, clockwise positive, for example 0.5")
    scale, cents_per_khz = apart
    volts, moved_cents = _moved(before, rows, cents_per_khz)
    line = fit_line(volts, moved_cents)
    slope_sigma = max(line.slope_sigma, _LEAST_SIGMA_CENTS / max(float(np.ptp(volts)), _LEAST_SPAN_V))
    a_turn = line.slope / turned
    pivot = turns_left = None
    if abs(line.slope) > _LEAST_EFFECT_SIGMAS * slope_sigma:
        pivot = _zero_of(line, slope_sigma, volts)
        turns_left = float(-1200.0 * (scale - target) / a_turn)
    watch = _watch(rows, fitted, pivot[0] if pivot else None, scale - target)
    return Trim(
        turned=turned,
        pivot_v=pivot[0] if pivot else None,
        pivot_sigma_v=pivot[1] if pivot else None,
        cents_per_octave_per_turn=float(a_turn / target),
        turns_left=turns_left,
        trim_at_v=watch[0] if watch else None,
        reads_hz=watch[1] if watch else None,
        should_read_hz=watch[2] if watch else None,
    )


def _moved(before: Sequence[tuple[float, float]], rows: StepRows, cents_per_khz: float) -> tuple[Floats, Floats]:
    """Return the voltages that both tables span, and how far the turn moved the pitch there, in cents.

    What is in proportion to the pitch is taken out of both.
    """
    volts, hz = np.array([v for v, _ in before]), np.array([f for _, f in before])
    inside = (volts >= rows.volts.min() - _SAME_VOLTAGE_V) & (volts <= rows.volts.max() + _SAME_VOLTAGE_V)
    if len(np.unique(np.round(volts[inside], 3))) < 2:
        raise OptionError(
            "--before: its table shares fewer than two voltages with this take", "calibrate both over the same range"
        )
    cents_before = cents_between(hz, 1.0) - cents_per_khz * hz / 1000.0
    unbent = replace(rows, cents=rows.cents - cents_per_khz * rows.hz / 1000.0)
    return volts[inside], free_curve(unbent)(volts[inside]) - cents_before[inside]


def _zero_of(line: LineFit, slope_sigma: float, volts: Floats) -> tuple[float, float] | None:
    """Return where a line crosses zero, in volts, with its standard deviation; None where that is far away."""
    zero_v = -line.intercept / line.slope
    if abs(zero_v) >= _FAR_V:
        return None
    scatter = max(line.residual_sd, _LEAST_SIGMA_CENTS) / math.sqrt(len(volts))
    sigma_v = math.hypot(scatter / line.slope, (zero_v - float(volts.mean())) * slope_sigma / line.slope)
    return float(zero_v), float(sigma_v)


def _watch(rows: StepRows, fitted: FittedLaw, pivot: float | None, off: float) -> tuple[float, float, float] | None:
    """Return the straight step furthest from the pivot, what it reads and what it should when the scale is right."""
    if pivot is None:
        return None
    inside = rows.volts <= fitted.law.straight_v[1] + 1e-9
    far = int(np.argmax(np.where(inside, np.abs(rows.volts - pivot), -np.inf)))
    volts, reads = float(rows.volts[far]), float(rows.hz[far])
    # the interval from the pivot, which stays, up to this step
    move = note_move_cents(1200.0 * off * (volts - pivot), pivot, volts, pivot)
    return volts, reads, float(hz_from_cents(move, reads))


def note_move_cents(error_cents: float, low_v: float, high_v: float, pivot_v: float) -> float:
    """Return how far the upper note must be moved by the scale trimmer so that the interval comes right.

    Parameters
    ----------
    error_cents : float
        Of the interval, positive where it is too wide.
    low_v, high_v, pivot_v : float
        The two notes, and where the trimmer does nothing.

    Returns
    -------
    float
        Cents. Pitch is ``const + 1200 s (V - Vp)``, so a change of the scale moves a note in proportion to its
        distance from the pivot: a flat note above which the pivot lies must go flatter.

    Examples
    --------
    >>> round(note_move_cents(-32.8, 0.0, 3.0, 6.0), 1), round(note_move_cents(-32.8, 0.0, 3.0, 0.0), 1)
    (-32.8, 32.8)
    """
    return -error_cents * (high_v - pivot_v) / (high_v - low_v)
