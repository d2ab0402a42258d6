"""Frames against pitch, as a builder asks: from which note, and does turning up differ from turning down."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from listen.track.types import Frames

Floats = NDArray[np.float64]
Turn = Literal["up", "down", "rest"]
TURNS: tuple[Turn, ...] = ("up", "down", "rest")

BINS_AN_OCTAVE = 24
SLOWEST_TURN = 0.08
"""Octaves a second; below, the control is taken to rest."""
_REACH = 6
_MOST_FILLED = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ByPitch:
    """Medians of narrow bands of pitch, apart for each way of turning.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
        Centres, a twenty-fourth of an octave apart.
    values : mapping of (column, turn) to ndarray, shape (n,)
        NaN where that turn did not pass or nothing could be measured.
    """

    f0_hz: Floats
    values: Mapping[tuple[str, Turn], Floats]

    def of(self, column: str, turn: Turn) -> Floats:
        """Return the medians of one column for one way of turning."""
        return self.values[column, turn]

    def all_turns(self, column: str) -> Floats:
        """Return the largest over the ways of turning."""
        return _quiet_max(np.stack([self.values[column, turn] for turn in TURNS]))


def turns_of(frames: Frames) -> NDArray[np.int64]:
    """Return for each frame which way the control is turned: 0 up, 1 down, 2 at rest, -1 where nothing oscillates."""
    tone = frames.oscillating & np.isfinite(frames.f0_hz)
    n = len(frames)
    out = np.full(n, -1, dtype=np.int64)
    at = np.flatnonzero(tone)
    if len(at) == 0:
        return out
    octaves = np.log2(np.where(tone, frames.f0_hz, 1.0))
    behind, ahead = np.maximum(at - _REACH, 0), np.minimum(at + _REACH, n - 1)
    for _ in range(_REACH):
        behind = np.where(frames.segment[behind] != frames.segment[at], behind + 1, behind)
        ahead = np.where(frames.segment[ahead] != frames.segment[at], ahead - 1, ahead)
    seconds = np.maximum(frames.time_s[ahead] - frames.time_s[behind], 1e-9)
    rate = np.where(ahead > behind, (octaves[ahead] - octaves[behind]) / seconds, 0.0)
    out[at] = np.where(rate > SLOWEST_TURN, 0, np.where(rate < -SLOWEST_TURN, 1, 2))
    return out


def by_pitch(frames: Frames, columns: Mapping[str, Floats], use: NDArray[np.bool_] | None = None) -> ByPitch:
    """Return medians of columns in bands of pitch, apart for turning up, turning down and resting.

    Parameters
    ----------
    frames : Frames
    columns : mapping of name to ndarray, shape (n,)
    use : ndarray of bool, shape (n,), optional
        Rows to look at; all that oscillate where not given.

    Returns
    -------
    ByPitch
    """
    tone = frames.oscillating & np.isfinite(frames.f0_hz)
    tone = tone if use is None else tone & use
    names = list(columns)
    if not tone.any():
        return ByPitch(f0_hz=np.empty(0), values={(name, turn): np.empty(0) for name in names for turn in TURNS})
    band = np.round(BINS_AN_OCTAVE * np.log2(np.where(tone, frames.f0_hz, 1.0))).astype(np.int64)
    low, high = int(band[tone].min()), int(band[tone].max())
    f0_hz = 2.0 ** (np.arange(low, high + 1) / BINS_AN_OCTAVE)
    table = np.stack([columns[name] for name in names], axis=1)
    turned = turns_of(frames)
    values: dict[tuple[str, Turn], Floats] = {}
    for number, turn in enumerate(TURNS):
        rows = np.flatnonzero(tone & (turned == number))
        medians = np.full((high - low + 1, len(names)), np.nan)
        order = rows[np.argsort(band[rows], kind="stable")]
        bands, firsts = np.unique(band[order], return_index=True)
        groups = np.split(order, firsts[1:]) if len(order) else []
        for b, group in zip(bands, groups, strict=True):
            medians[b - low] = _quiet_median(table[group])
        for i, name in enumerate(names):
            values[name, turn] = medians[:, i] if turn == "rest" else _filled(medians[:, i])
    return ByPitch(f0_hz=f0_hz, values=values)


def _quiet_median(rows: Floats) -> Floats:
    """Median of each column, NaN left out; numpy's own goes through masked arrays and takes ten times as long."""
    ordered = np.sort(rows, axis=0)  # NaN comes last
    known = np.count_nonzero(~np.isnan(ordered), axis=0)
    columns = np.arange(rows.shape[1])
    low, high = ordered[np.maximum(known - 1, 0) // 2, columns], ordered[known // 2 % len(rows), columns]
    return np.where(known > 0, 0.5 * (low + high), np.nan)


def _quiet_max(rows: Floats) -> Floats:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmax(rows, axis=0))


def _filled(values: Floats) -> Floats:
    """Draw across one or two bands that a quick turn jumped over; wider gaps stay gaps."""
    known = np.flatnonzero(np.isfinite(values))
    out = values.copy()
    for a, b in pairwise(known.tolist()):
        if 1 < b - a <= _MOST_FILLED + 1:
            out[a + 1 : b] = np.interp(np.arange(a + 1, b), [a, b], [values[a], values[b]])
    return out
