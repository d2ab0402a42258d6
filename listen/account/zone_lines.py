"""Lines at a fixed frequency that sound in one zone of the tuning alone, each time that the control passes it.

A line that comes once may be any sound of the room; one that comes again at the same pitches is the board's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.tone import BoardTone
from listen.sorting import median

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_OVER_USUAL = 10 ** (13.0 / 10)
"""Over what four of five windows have in the same bin, and over the median of those next to it: white noise comes to so
much over that once in a million windows (e^-14)."""
_FEWEST = 3
"""Windows in a row, a sixth of a second each: shorter sounds are knocks, or speech that holds a pitch."""
_APART_S = 1.0
"""Two passes: between them the control has been elsewhere."""
_SAME_ZONE = 0.5
"""Two zones are one where they share so much of what they cover together: their ends lie within a window."""
_INSIDE, _OUTSIDE = 0.8, 0.1
"""Windows within the zone that have the line, and windows outside that may: one in ten lies at its edge."""
_EDGE_OCTAVES = 0.08
"""Windows nearer to the zone's edge are on neither side: a turn of half an octave a second moves so far in one."""
_ADJACENT_BINS = 12
"""Bins on each side whose median is the floor about a line: 70 Hz, its own lobe fills three."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneLine:
    """One line in a zone of the tuning: its bin, and the windows in which it sounds."""

    place: int
    there: Flags


def zone_lines(
    power: Floats, usual: Floats, hidden: Flags, singing: Flags, tone: BoardTone, time_s: Floats
) -> list[ZoneLine]:
    """Find lines that sound in a zone of the tuning at every pass, strongest first.

    Parameters
    ----------
    power : ndarray, shape (windows, bins)
    usual : ndarray, shape (bins,)
        Power that four windows of five do not reach; NaN where too few show the bin.
    hidden : ndarray of bool, shape (windows, bins)
        Bins near a harmonic of the tone.
    singing : ndarray of bool, shape (windows,)
    tone : BoardTone
    time_s : ndarray, shape (windows,)

    Returns
    -------
    list of ZoneLine
    """
    if len(time_s) < 4 * _FEWEST:
        return []
    octaves = np.interp(time_s, tone.time_s[tone.tracked], np.log2(tone.f0_hz[tone.tracked]))
    with np.errstate(invalid="ignore"):
        seen = power > (_OVER_USUAL * usual).astype(power.dtype)
    seen &= singing[:, None] & ~hidden
    often = np.flatnonzero(np.count_nonzero(seen, axis=0) >= 2 * _FEWEST)
    out: list[ZoneLine] = []
    loudest = np.max(np.where(seen[:, often], power[:, often], 0.0), axis=0, initial=0.0)
    for place in often[np.argsort(-loudest)].tolist():
        if any(abs(place - line.place) < 4 for line in out):
            continue
        there = seen[:, place] & (power[:, place] > _OVER_USUAL * _adjacent_median(power, hidden, place))
        visible = ~hidden[:, place] & singing
        if _keeps_to_a_zone(there, visible, octaves, time_s):
            out.append(ZoneLine(place=place, there=there))
    return out


def _adjacent_median(power: Floats, hidden: Flags, place: int) -> Floats:
    """Median of the bins beside one, window by window."""
    low = max(place - _ADJACENT_BINS, 0)
    near = np.where(hidden[:, low : place + _ADJACENT_BINS + 1], np.nan, power[:, low : place + _ADJACENT_BINS + 1])
    ordered = np.sort(near, axis=1)
    middle = np.maximum(np.count_nonzero(np.isfinite(ordered), axis=1) - 1, 0) // 2
    return np.asarray(np.nan_to_num(ordered[np.arange(len(ordered)), middle], nan=np.inf))


def _keeps_to_a_zone(there: Flags, visible: Flags, octaves: Floats, time_s: Floats) -> bool:
    """Whether a line sounds at two passes or more over the same pitches, at all of them, and hardly elsewhere."""
    passes = [rows for rows in _runs(there, time_s) if len(rows) >= _FEWEST]
    if len(passes) < 2:
        return False
    low, high = (np.array([f(octaves[rows]) for rows in passes]) for f in (np.min, np.max))
    if high.min() - low.max() < _SAME_ZONE * (high.max() - low.min()):
        return False
    edge = _EDGE_OCTAVES
    inside = visible & (octaves > median(low) + edge) & (octaves < median(high) - edge)
    outside = visible & ((octaves < low.min() - edge) | (octaves > high.max() + edge))
    if not inside.any() or not outside.any():
        return False
    return bool(np.mean(there[inside]) >= _INSIDE and np.mean(there[outside]) <= _OUTSIDE)


def _runs(there: Flags, time_s: Floats) -> list[NDArray[np.intp]]:
    """Windows with the line, pass by pass."""
    index = np.flatnonzero(there)
    if not len(index):
        return []
    return np.split(index, np.flatnonzero(np.diff(time_s[index]) > _APART_S) + 1)
