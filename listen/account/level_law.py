"""Level as a function of pitch over the whole take, and its dependence on time."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
_NEAR_END_DB, _NEAR_END_SHARE = 0.02, 0.05
"""The law's ends are read off all places within this, and within a twentieth of its span."""
_UNSEEN_S = 0.11
"""A tone's first and last rows lie so far within it: the outer 4 of a thousand rows, two frames of 40 ms, a hop."""
ONE_NOTE = 1.06
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
    span_sigma_db, time_span_sigma_db : float
        Standard deviations.
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
    span_sigma_db: float = 0.0
    time_span_sigma_db: float = 0.0

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
        return bool(self.f0_hz.max() < ONE_NOTE * self.f0_hz.min())


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
    laws = []
    for corner in (0.0,) if corner_known else CORNERS_HZ:
        if corner and f0_hz.min() > 40.0 * corner:
            continue
        laws.append(_fitted(time_s, f0_hz, level_db + 10 * np.log10(1 + (corner / f0_hz) ** 2)))
    best = laws[0]
    for law in laws[1:]:
        if law.span_db < best.span_db - 0.02:
            best = law
    # which of the corners it was is not known
    off = [law.span_db - best.span_db for law in laws]
    return replace(best, span_sigma_db=float(np.hypot(best.span_sigma_db, np.sqrt(np.mean(np.square(off))))))


def _fitted(time_s: Floats, f0_hz: Floats, level_db: Floats) -> LevelLaw:
    log = np.log2(f0_hz)
    low, high = float(log.min()), float(log.max())
    count = max(1, round((high - low) * _KNOTS_PER_OCTAVE) + 1)
    if high - low < np.log2(ONE_NOTE):
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
    scatter, independent_s = _scatter(rest, time_s)
    near = _NEAR_END_DB + _NEAR_END_SHARE * (top - bottom)
    at_ends = [max(int((np.abs(law - edge) < near).sum()), 1) for edge in (top, bottom)]
    bent = float(np.hypot(np.std(smooth), _overshoot(sizes)))  # the law is straight between knots, the level is not
    hop_s = median(np.diff(time_s))
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
        span_sigma_db=float(np.hypot(scatter * np.sqrt(sum(independent_s / (hop_s * n) for n in at_ends)), bent)),
        time_span_sigma_db=float(np.hypot(scatter * np.sqrt(2.0 * independent_s / _TIME_S), _unseen(smooth, hop_s))),
    )


def _overshoot(sizes: Floats) -> float:
    """By how much knots at a top and a bottom within the range lie beyond a bent course.

    It is h^2 f'' / 12 for straight pieces through a parabola by least squares.
    """
    inner = [k for k in (int(np.argmax(sizes)), int(np.argmin(sizes))) if 0 < k < len(sizes) - 1]
    return float(np.sqrt(sum(((sizes[k - 1] - 2.0 * sizes[k] + sizes[k + 1]) / 12.0) ** 2 for k in inner)))


def _unseen(smooth: Floats, hop_s: float) -> float:
    """By how much the level may have changed before the first row and after the last one."""
    rows = max(1, round(_UNSEEN_S / max(hop_s, 1e-6)))
    if len(smooth) <= rows:
        return 0.0
    return float(np.hypot(smooth[rows] - smooth[0], smooth[-1] - smooth[-1 - rows]))


def _scatter(rest: Floats, time_s: Floats) -> tuple[float, float]:
    """Standard deviation of what is left without its slow course, and the seconds after which it is another."""
    hop_s = median(np.diff(time_s))
    width = max(1, round(_TIME_S / max(hop_s, 1e-6)))
    if len(rest) < 3 * width:
        return float(np.std(rest)), min(_TIME_S, hop_s * len(rest))
    total = np.concatenate([[0.0], np.cumsum(rest)])
    fast = rest[width // 2 : width // 2 + len(rest) - width + 1] - (total[width:] - total[:-width]) / width
    power, alike = float(np.mean(fast**2)), 0.0
    for lag in range(1, width):
        share = float(np.mean(fast[lag:] * fast[:-lag])) / max(power, 1e-30)
        if share < 0.05:
            break
        alike += share
    return float(np.sqrt(power)), hop_s * (1.0 + 2.0 * alike)


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
