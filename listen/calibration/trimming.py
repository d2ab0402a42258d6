"""What the turn of a scale trimmer did, from a table before and a table after it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from listen.calibration.fits import fit_line
from listen.calibration.laws import FittedLaw, StepRows, free_curve
from listen.calibration.types import Trim
from listen.errors import OptionError
from listen.units import cents_between, hz_from_cents

_LEAST_EFFECT_SIGMAS = 3.0
_FAR_V = 100.0


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
    rows : Rows
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
    old_v = np.array([v for v, _ in before])
    old_hz = np.array([hz for _, hz in before])
    scale, per_khz = apart
    old_cents = cents_between(old_hz, 1.0) - per_khz * old_hz / 1000.0
    unbent = replace(rows, cents=rows.cents - per_khz * rows.hz / 1000.0)
    inside = (old_v >= rows.volts.min() - 0.02) & (old_v <= rows.volts.max() + 0.02)
    if len(np.unique(np.round(old_v[inside], 3))) < 2:
        raise OptionError(
            "--before: its table shares fewer than two voltages with this take", "calibrate both over the same range"
        )
    gain = free_curve(unbent)(old_v[inside]) - old_cents[inside]
    line = fit_line(old_v[inside], gain)
    slope = line.slope
    sigma = max(line.slope_sigma, 0.02 / max(float(np.ptp(old_v[inside])), 0.1))
    a_turn = slope / turned
    pivot = pivot_sigma = turns_left = None
    if abs(slope) > _LEAST_EFFECT_SIGMAS * sigma:
        at = -line.intercept / slope
        if abs(at) < _FAR_V:
            pivot = float(at)
            pivot_sigma = float(_zero_sigma(old_v[inside], gain, slope, sigma, at))
        error = 1200.0 * (scale - target)
        turns_left = float(-error / a_turn)
    watch = _watch(rows, fitted, pivot, scale - target)
    return Trim(
        turned=turned,
        pivot_v=pivot,
        pivot_sigma_v=pivot_sigma,
        cents_per_octave_per_turn=float(a_turn / target),
        turns_left=turns_left,
        trim_at_v=watch[0] if watch else None,
        reads_hz=watch[1] if watch else None,
        should_read_hz=watch[2] if watch else None,
    )


def _zero_sigma(volts: np.ndarray, gain: np.ndarray, slope: float, sigma: float, at: float) -> float:
    line = fit_line(volts, gain)
    scatter = max(line.residual_sd, 0.02) / math.sqrt(len(volts))
    return math.hypot(scatter / slope, (at - float(volts.mean())) * sigma / slope)


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
