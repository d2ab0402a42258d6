"""Level as a function of pitch over the whole take, and its dependence on time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median, quantile

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

CORNERS_HZ = (0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 20.0)
"""Corners that an input's AC coupling of unknown corner may have: its fall of level at low notes is no drift."""
_KNOTS_PER_OCTAVE = 4
"""A knot each three semitones: chosen, not varied."""
_ROUNDS, _HUBER = 3, 1.5
"""Weights by Huber, Annals of Mathematical Statistics 35, 1964 (from memory): less beyond 1.5 deviations. With one
place of twelve off by up to 6 dB three rounds leave the law 0.015 dB from where it ends (simulated), two 0.1."""
_OUTER = 0.004
"""The highest and lowest 4 of a thousand places do not count: in a take of 20 s four rows, which an event may have
touched."""
_TIME_S = 0.5
"""Shorter than this is a swing or a ring: half a second is the limit of a level that settles."""
_ONE_NOTE = 1.06
"""A semitone (1.0595): of a note that drifts by less no law against pitch is asked."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelLaw:
    """Level against pitch, and against time.

    Attributes
    ----------
    knots_hz, level_db : ndarray, shape (k,)
        Level at knots of the pitch, straight in the logarithm between them.
    span_db : float
        Of the law over the notes that were played.
    highest_hz, lowest_hz : float
    time_span_db : float
        Of what the law leaves, through a mean of half a second.
    time_s, law_db : ndarray, shape (n,)
        Places that were judged, and the law there.
    """

    knots_hz: Floats
    level_db: Floats
    span_db: float
    highest_hz: float
    lowest_hz: float
    time_span_db: float
    time_s: Floats
    law_db: Floats
    rest_db: Floats
    f0_hz: Floats

    def at(self, f0_hz: Floats) -> Floats:
        """Level at some pitches, decibels."""
        return np.asarray(np.interp(np.log(f0_hz), np.log(self.knots_hz), self.level_db))

    def slope_db_per_octave(self, f0_hz: float) -> float:
        """How the level changes with the pitch there."""
        here = self.at(np.array([f0_hz * 2**-0.125, f0_hz * 2**0.125]))
        return float(4.0 * (here[1] - here[0]))

    @property
    def rest_time_s(self) -> Floats:
        """Middle of each mean in ``rest_db``: the places that were judged have gaps between them."""
        width = len(self.time_s) - len(self.rest_db)
        return self.time_s[width // 2 : width // 2 + len(self.rest_db)]

    @property
    def one_note(self) -> bool:
        """Whether the pitch stays within a semitone."""
        return bool(self.f0_hz.max() < _ONE_NOTE * self.f0_hz.min())


def fit_level_law(time_s: Floats, f0_hz: Floats, level_db: Floats, corner_known: bool) -> LevelLaw | None:
    """Fit level against pitch, robustly; the least span over the ordinary corners of an input counts.

    Parameters
    ----------
    time_s, f0_hz, level_db : ndarray, shape (n,)
        Places at which the level is the board's own: evenly spaced in time, events left out.
    corner_known : bool
        The interface's coupling is known, and undone.
    """
    if len(time_s) < 10:
        return None
    best: LevelLaw | None = None
    for corner in (0.0,) if corner_known else CORNERS_HZ:
        if corner and f0_hz.min() > 40.0 * corner:
            continue
        flat = level_db + 10 * np.log10(1 + (corner / f0_hz) ** 2)
        law = _fitted(time_s, f0_hz, flat)
        if best is None or law.span_db < best.span_db - 0.02:
            best = law
    return best


def _fitted(time_s: Floats, f0_hz: Floats, level_db: Floats) -> LevelLaw:
    log = np.log2(f0_hz)
    low, high = float(log.min()), float(log.max())
    count = max(1, round((high - low) * _KNOTS_PER_OCTAVE) + 1)
    if high - low < np.log2(_ONE_NOTE):
        knots = np.array([0.5 * (low + high)])
        law = np.full(len(log), _centre(level_db))
        sizes = law[:1]
    else:
        knots = np.linspace(low, high, max(2, count))
        sizes = _hats(log, level_db, knots)
        law = np.interp(log, knots, sizes)
    rest = level_db - law
    top, bottom = quantile(law, 1 - _OUTER), quantile(law, _OUTER)
    smooth = _over_time(rest, time_s)
    return LevelLaw(
        knots_hz=np.exp2(knots),
        level_db=sizes,
        span_db=top - bottom,
        highest_hz=float(f0_hz[int(np.argmax(law))]),
        lowest_hz=float(f0_hz[int(np.argmin(law))]),
        time_span_db=quantile(smooth, 1 - _OUTER) - quantile(smooth, _OUTER),
        time_s=time_s,
        law_db=law,
        rest_db=smooth,
        f0_hz=f0_hz,
    )


def _centre(values: Floats) -> float:
    return median(values)


def _hats(log: Floats, level: Floats, knots: Floats) -> Floats:
    """Piecewise linear least squares with three iterations of Huber weights; gaps are interpolated."""
    step = knots[1] - knots[0]
    place = np.clip((log - knots[0]) / step, 0, len(knots) - 1 - 1e-9)
    lower = place.astype(np.int64)
    share = place - lower
    weight = np.ones(len(log))
    sizes = np.full(len(knots), median(level))
    for _ in range(_ROUNDS):
        normal = np.zeros((len(knots), len(knots)))
        right = np.zeros(len(knots))
        np.add.at(normal, (lower, lower), weight * (1 - share) ** 2)
        np.add.at(normal, (lower + 1, lower + 1), weight * share**2)
        np.add.at(normal, (lower, lower + 1), weight * share * (1 - share))
        normal += np.triu(normal, 1).T
        np.add.at(right, lower, weight * (1 - share) * level)
        np.add.at(right, lower + 1, weight * share * level)
        # weak smoothness prior (second differences): between two steady segments the knots are undetermined
        for k in range(1, len(knots) - 1):
            bend = np.zeros(len(knots))
            bend[k - 1 : k + 2] = (1.0, -2.0, 1.0)
            normal += 1e-3 * np.outer(bend, bend)
        normal[np.diag_indices_from(normal)] += 1e-9
        sizes = np.linalg.solve(normal, right)
        off = np.abs(level - np.interp(log, knots, sizes))
        usual = max(median(off), 0.005)
        weight = np.minimum(1.0, _HUBER * 1.4826 * usual / np.maximum(off, 1e-12))
    return sizes


def _over_time(rest: Floats, time_s: Floats) -> Floats:
    """Mean over half a second, within unbroken pieces."""
    hop = median(np.diff(time_s))
    width = max(1, round(_TIME_S / max(hop, 1e-6)))
    if len(rest) < 2 * width:
        return np.full(1, float(np.mean(rest)))
    total = np.concatenate([[0.0], np.cumsum(rest)])
    return np.asarray((total[width:] - total[:-width]) / width)
