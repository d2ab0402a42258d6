"""How long a level rings: after power on and after a retune, on into the turns that follow.

A ring is known by its decay where the control rests. A loop that is poorly damped rings for many seconds, at a rate and
with a decay that change with the pitch: it is followed from one swing to the next against the settled level.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.settling import WITHIN_DB, Settling
from listen.account.stops import Dropout

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_OVER_DB = 0.1
"""A tenth of the limit of a level that drifts: what is less moves no number that is judged."""
_TAIL = float(np.log(WITHIN_DB / _OVER_DB))
"""Decay times from half a decibel, where a ring counts as over, down to that; no more than it took so far, for a slow
decay is known less well."""
_LONGER = 1.8
"""A half swing lasts no longer than so many of the ring's: rates go with the root of the pitch (van der Pol's loop) or
with it, and an octave of turn within one is a quick one."""
_DIES = 0.97
"""Sum of two half swings one after the other, against that of two before: a ring dies. Of one that decays in ten turns
it is 0.9."""
_DIP, _DEEP = 0.6, 0.5
"""Of a period: a ring is below its mean for a half of it, and its next one may be slower by a fifth. And part of the
level by which it must still swing: 0.9 take it down by 20 dB, and a loop that was driven into its stops swings
deeper."""


def is_dip(dropout: Dropout, ring: Settling) -> bool:
    """Whether a dropout is no more than the low side of a swing of a ring after power on."""
    since_s = dropout.start_s - ring.retune_s
    inside = since_s >= 0.0 and dropout.end_s <= ring.retune_s + ring.over_s
    swing = (10 ** (ring.deviation_db / 20) - 1.0) * float(np.exp(-since_s / max(ring.decay_s, 1e-3)))
    return inside and swing > _DEEP and (dropout.end_s - dropout.start_s) * ring.rate_hz < _DIP


def ringing_rows(time_s: Floats, off_db: Floats, rings: Sequence[Settling]) -> Flags:
    """Rows in which the level rings.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Of the rows whose level is known.
    off_db : ndarray, shape (n,)
        Level against the settled one at the same pitch.
    rings : sequence of Settling
        Those without a turn are followed no further than their decay tells.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    out = np.zeros(len(time_s), dtype=bool)
    for ring in rings:
        end_s = ring.retune_s + ring.over_s + min(_TAIL * ring.decay_s, ring.over_s)
        if ring.rate_hz > 0.0:
            end_s = max(end_s, _followed(time_s, off_db, ring))
        out |= (time_s >= ring.retune_s) & (time_s < end_s)
    return out


def _followed(time_s: Floats, off_db: Floats, ring: Settling) -> float:
    """When the last half swing ends that belongs to the ring."""
    first = int(np.searchsorted(time_s, ring.retune_s))
    change = first + 1 + np.flatnonzero(np.diff(np.signbit(off_db[first:])))
    edges = [first, *change.tolist()]
    peaks: list[float] = []
    for a, b in itertools.pairwise(edges):
        peaks.append(float(np.abs(off_db[a:b]).max()))
        if time_s[b - 1] - time_s[a] > _LONGER * 0.5 / ring.rate_hz:
            return float(time_s[a])
        if peaks[-1] < _OVER_DB or (len(peaks) > 3 and sum(peaks[-2:]) > _DIES * sum(peaks[-4:-2])):
            return float(time_s[a])
    return float(time_s[edges[-1]]) if len(edges) > 1 else ring.retune_s
