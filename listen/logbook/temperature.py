"""Temperature coefficient of a table: slope over three tables or more, with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.calibration.fits import fit_line
from listen.logbook.drift import Drift
from listen.logbook.types import Entry

LEAST_TABLES = 3
"""Through two points goes a line of any slope: only a third says whether it is one."""
LEAST_SPREAD_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureTrend:
    """Temperature coefficient of a table.

    Attributes
    ----------
    against : Entry
        The table that the others were compared with.
    tables : int
        That one included.
    low_c, high_c : float
    axis : str
        ``volts`` or ``positions``.
    cents_per_c, sigma_cents_per_c : float
        Of all notes together.
    span_cents_per_octave_per_c, span_sigma_cents_per_octave_per_c : float or None
        Of the width of an octave.
    """

    against: Entry
    tables: int
    low_c: float
    high_c: float
    axis: str
    cents_per_c: float
    sigma_cents_per_c: float
    span_cents_per_octave_per_c: float | None
    span_sigma_cents_per_octave_per_c: float | None


def temperature_trend(history: Sequence[Drift]) -> TemperatureTrend | None:
    """Return how a table follows the temperature, from the latest set of tables that tells it.

    Parameters
    ----------
    history : sequence of Drift
        Of one build, in their order.

    Returns
    -------
    TemperatureTrend or None
        None with fewer than three tables at three temperatures that were noted and are two degrees apart; all are
        held against the same one.
    """
    for base in dict.fromkeys(drift.against.number for drift in reversed(history) if drift.cause == "drift"):
        known = [
            (drift, drift.temperature_change_c, drift.offset_cents)
            for drift in history
            if drift.cause == "drift" and drift.against.number == base
        ]
        points = [(drift, change_c, cents) for drift, change_c, cents in known if None not in (change_c, cents)]
        change_c = np.array([0.0, *(point[1] for point in points)], dtype=np.float64)
        if len(np.unique(change_c)) < LEAST_TABLES or np.ptp(change_c) < LEAST_SPREAD_C:
            continue
        offset = fit_line(change_c, np.array([0.0, *(point[2] for point in points)], dtype=np.float64))
        spans = [point[0].span_cents_per_octave for point in points]
        span = None if None in spans else fit_line(change_c, np.array([0.0, *spans], dtype=np.float64))
        first = points[0][0]
        base_c = first.against.temperature_c or 0.0
        return TemperatureTrend(
            against=first.against,
            tables=len(change_c),
            low_c=base_c + float(change_c.min()),
            high_c=base_c + float(change_c.max()),
            axis=first.axis,
            cents_per_c=offset.slope,
            sigma_cents_per_c=offset.slope_sigma,
            span_cents_per_octave_per_c=None if span is None else span.slope,
            span_sigma_cents_per_octave_per_c=None if span is None else span.slope_sigma,
        )
    return None
