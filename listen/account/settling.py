"""What the level does after a quick retune: a damped ring or a slow recovery, carried back to the move's end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.modulation import Swing
from listen.account.steady import SteadySegment
from listen.account.tone import BoardTone
from listen.fitting import orthonormal, without

Floats = NDArray[np.floating[Any]]

_TIMES_S = np.geomspace(0.022, 3.0, 14)
"""Decay times that are tried. Shorter ones fit the tracker's own error in the glide (15 ms did)."""
_RATES_HZ = np.array([0.0, *np.geomspace(0.35, 45.0, 26)])
_HIDDEN_S = 0.03
"""Frames that hold some of the move say nothing of the level."""
_MARGIN = 12.0
"""By so much the information criterion (Schwarz 1978: from memory) must fall for a ring to be believed."""
_SHARE = 0.5
_WITHIN_DB = 0.5
_SHORTEST_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settling:
    """The level after one quick retune.

    Attributes
    ----------
    retune_s : float
    f0_hz : float
    ring : bool
        A decaying part was found; else the level was at rest at once.
    deviation_db, overshoot_db : float
        Furthest from the settled level, either way and upward, from the end of the move on.
    settle_s : float
        Until it stays within 0.5 dB.
    decay_s, rate_hz : float
        Of the ring.
    share : float
        Part of the variance that it explains.
    """

    retune_s: float
    f0_hz: float
    ring: bool
    deviation_db: float = 0.0
    overshoot_db: float = 0.0
    settle_s: float = 0.0
    decay_s: float = 0.0
    rate_hz: float = 0.0
    share: float = 0.0


def find_settlings(tone: BoardTone, segments: list[SteadySegment], swings: list[Swing]) -> list[Settling]:
    """Fit the level after each quick retune."""
    out = []
    for segment in segments:
        if segment.retune_s is None:
            continue
        found = _settling(tone, segment, swings)
        if found is not None:
            out.append(found)
    return out


def _settling(tone: BoardTone, segment: SteadySegment, swings: list[Swing]) -> Settling | None:
    assert segment.retune_s is not None
    at = segment.retune_s
    skip = max(_HIDDEN_S, 2.0 / segment.f0_hz)
    a, b = tone.index(at + skip), segment.stop
    if (b - a) * tone.grid_s < _SHORTEST_S - skip or not tone.tracked[a:b].all():
        return None
    t = tone.time_s[a:b] - at
    y = 20 / np.log(10) * tone.log_level[a:b]
    if not np.isfinite(y).all():
        return None
    columns = [np.ones_like(t)]
    for rate in {round(s.rate_hz, 3) for s in swings if s.segment is segment} or {
        round(s.rate_hz, 3) for s in swings[:1]
    }:
        columns += [np.cos(2 * np.pi * rate * t), np.sin(2 * np.pi * rate * t)]
    steady = orthonormal(np.array(columns).T)
    rest = without(steady, y)
    before = float(rest @ rest)
    nothing = Settling(retune_s=at, f0_hz=segment.f0_hz, ring=False)
    n = len(y)
    if before < n * 1e-8:
        return nothing
    best, left = _best_ring(t, rest, steady, n * tone.grid_s)
    # neighbours on the grid share short frames: half of them count
    gain = 0.5 * n * float(np.log(before / max(left, 1e-30))) - 2.0 * float(np.log(0.5 * n))
    share = 1.0 - left / before
    if gain < _MARGIN or share < _SHARE:
        return nothing
    return _described(t, y, steady, best, nothing, share)


def _best_ring(t: Floats, rest: Floats, steady: Floats, length_s: float) -> tuple[tuple[float, float], float]:
    """Decay time and rate of the ring that leaves least, and the sum of squares that it leaves."""
    times, rates = _pairs(float(min(3.0, length_s)))
    decay = np.exp(-t[:, None] / times)
    turn = 2 * np.pi * t[:, None] * rates
    one, two = decay * np.cos(turn), decay * np.sin(turn)
    one -= steady @ (steady.T @ one)
    two -= steady @ (steady.T @ two)
    aa, bb, ab = np.sum(one * one, axis=0), np.sum(two * two, axis=0), np.sum(one * two, axis=0)
    ya, yb = rest @ one, rest @ two
    flat = rates == 0.0
    bb = np.where(flat, 1.0, bb)
    ab = np.where(flat, 0.0, ab)
    yb = np.where(flat, 0.0, yb)
    det = np.maximum(aa * bb - ab**2, 1e-18)
    explained = (ya**2 * bb - 2 * ya * yb * ab + yb**2 * aa) / det
    best = int(np.argmax(explained))
    return (float(times[best]), float(rates[best])), float(rest @ rest - explained[best])


@lru_cache(maxsize=8)
def _pairs(longest_s: float) -> tuple[Floats, Floats]:
    times = _TIMES_S[_TIMES_S <= max(longest_s, 0.1)]
    grid = np.meshgrid(times, _RATES_HZ, indexing="ij")
    # a ring of less than half a turn within its decay is a recovery: the rate of zero stands for it
    keep = (grid[1] == 0.0) | (grid[1] * grid[0] > 0.1)
    return grid[0][keep], grid[1][keep]


def _described(
    t: Floats, y: Floats, steady: Floats, best: tuple[float, float], nothing: Settling, share: float
) -> Settling:
    decay_s, rate_hz = best
    columns = [np.exp(-t / decay_s) * np.cos(2 * np.pi * rate_hz * t)]
    if rate_hz > 0:
        columns.append(np.exp(-t / decay_s) * np.sin(2 * np.pi * rate_hz * t))
    whole = np.column_stack([np.array(columns).T, steady])
    size = np.linalg.lstsq(whole, y, rcond=None)[0]
    fine = np.arange(0.0, float(t[-1]), 0.002)
    ring = size[0] * np.exp(-fine / decay_s) * np.cos(2 * np.pi * rate_hz * fine)
    if rate_hz > 0:
        ring = ring + size[1] * np.exp(-fine / decay_s) * np.sin(2 * np.pi * rate_hz * fine)
    outside = np.flatnonzero(np.abs(ring) > _WITHIN_DB)
    return Settling(
        retune_s=nothing.retune_s,
        f0_hz=nothing.f0_hz,
        ring=True,
        deviation_db=float(np.abs(ring).max()),
        overshoot_db=float(ring.max()),
        settle_s=float(fine[outside[-1]]) if len(outside) else 0.0,
        decay_s=decay_s,
        rate_hz=rate_hz,
        share=share,
    )
