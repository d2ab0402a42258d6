"""What the level does after a quick retune: a damped ring or a slow recovery, carried back to the move's end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.modulation import Swing, best_rate, without_pitch
from listen.account.steady import SHORTEST_S, SteadySegment
from listen.account.tone import BoardTone
from listen.fitting import legendre_columns, orthonormal, without

Floats = NDArray[np.floating[Any]]

_TIMES_S = np.geomspace(0.022, 3.0, 14)
"""Decay times that are tried, each 1.46 times the one before. Shorter ones fit the tracker's own error in the glide (15
ms did); 3 s is what a lamp's bounce may take."""
_RATES_HZ = np.array([0.0, *np.geomspace(0.35, 45.0, 26)])
"""Rates that are tried: a recovery without a turn; from one turn in 3 s to what short frames leave, each 1.21 times the
one before."""
_GOING_ON = (1.5, 3.0)
"""... and decay times of more than the rest, in rests, at the rate of the strongest line: what has not decayed has no
other place among them, and its line is narrower than the steps of the rates."""
_ONE_LINE = 0.5
"""Turns over the rest that two rates may differ by to be one line: a swing's rate is known no better (modulation)."""
_LEAST_TURNS = 0.1
"""A ring of a tenth of a turn within its decay, half a turn until it is gone, is a recovery: the rate of zero stands
for it."""
_FINER = np.linspace(-1.0, 1.0, 5)
_FINER_TIMES, _FINER_RATES = (0.24, 0.12, 0.06, 0.03), (0.1, 0.05, 0.025, 0.0125)
"""Between the grid's values: the best of a grid is 20 % off in its time, and its size carried back as much. Steps of
half of these, in the logarithm of the time and parts of the rate: the first reach half way to the neighbours, the last
leave 1.5 and 0.6 %."""
_RECOVERED = 0.8
"""A recovery whose time constant is more of the rest than this is no more than 70 % over in it: no drift is told from
it."""
_HIDDEN_S = 0.03
"""Frames that hold some of the move say nothing of the level: two cycles at 66 Hz; of lower notes two cycles are left
out."""
_FIRST_S = 0.01
"""Half a short frame of eight milliseconds and the move's own uncertainty: earlier, frames hold some of the move."""
_CARRIED = 1.25
"""A ring carried back to there is right to a quarter; a level further off has some of the move in it."""
_GLIDES_CENTS, _ONE_WAY = 10.0, 0.8
"""A hand's stroke ends slowly: tens of cents, one way. A pitch that the level pulls goes to and fro, by a few."""
_BEFORE_S, _FEWEST_BEFORE, _TURNS_BEFORE = 0.6, 40, 5
"""Before the move the level is looked at for so long, 0.2 s at the least, and must cross its bend five times, two turns
and a half: fewer are a bend."""
_GOES_ON = 0.4
"""A swing that was nearly half as large in the move as after it has only gone on: the move makes a ring begin."""
_MARGIN = 12.0
"""By so much the information criterion (Schwarz 1978: from memory) must fall for a ring to be believed: odds of 400 to
1."""
_SHARE = 0.5
"""Of the level's variance: a ring explains more than all else together."""
_FURTHEST = 3.0
"""Rests that a ring is taken to go on for, at most: of one that decays in a rest 26 dB are then gone."""
WITHIN_DB = 0.5
"""The bounce's own definition: until the level stays within 0.5 dB."""


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
    over_s : float
        When it is within 0.5 dB for good: by its decay, where the rest ends before.
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
    over_s: float = 0.0


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
    if (b - a) * tone.grid_s < SHORTEST_S - skip or not tone.tracked[a:b].all():
        return None
    t = tone.time_s[a:b] - at
    y = _level_without_glide(tone, a, b)
    if not np.isfinite(y).all():
        return None
    columns = [np.ones_like(t)]
    for rate in _rates_going_on(y, tone.grid_s, segment, swings):
        columns += [np.cos(2 * np.pi * rate * t), np.sin(2 * np.pi * rate * t)]
    steady = orthonormal(np.array(columns).T)
    rest = without(steady, y)
    before = float(rest @ rest)
    nothing = Settling(retune_s=at, f0_hz=segment.f0_hz, ring=False)
    n = len(y)
    if before < n * 1e-8:
        return nothing
    best, residual = _best_ring(t, rest, steady, n * tone.grid_s)
    # neighbours on the grid share short frames: half of them count
    gain = 0.5 * n * float(np.log(before / max(residual, 1e-30))) - 2.0 * float(np.log(0.5 * n))
    share = 1.0 - residual / before
    if gain < _MARGIN or share < _SHARE:
        return nothing
    found = _described(t, y, steady, best, _first_levels(tone, at, a), nothing, share)
    return nothing if _swung_before(tone, at) > _GOES_ON * found.deviation_db else found


def _rates_going_on(y: Floats, grid_s: float, segment: SteadySegment, swings: list[Swing]) -> set[float]:
    """Rates of swings that were found in this rest; else of its strongest line, where one was found elsewhere near it.

    Another rate than the line's own would leave a beat.
    """
    own = {round(s.rate_hz, 3) for s in swings if s.segment is segment}
    line = best_rate(y - y.mean(), grid_s) if swings and not own else None
    if line is None:
        return own
    return {line[0]} if abs(swings[0].rate_hz - line[0]) < _ONE_LINE / (len(y) * grid_s) else set()


def _level_without_glide(tone: BoardTone, a: int, b: int) -> Floats:
    """Level in decibels without what goes along with the pitch, where the control still glides to its place."""
    log, cents = tone.log_level[a:b], 1200 * np.log2(tone.f0_hz[a:b] / tone.f0_hz[b - 1])
    span = float(np.ptp(cents))
    if span > _GLIDES_CENTS and abs(float(cents[0])) > _ONE_WAY * span:
        log = log.mean() + without_pitch(log - log.mean(), cents - cents.mean())
    return np.asarray(20 / np.log(10) * log)


def _swung_before(tone: BoardTone, retune_s: float) -> float:
    """How far the level swung in the move and before it, decibels either way: a swing that goes on is no bounce."""
    a, b = tone.index(retune_s - _BEFORE_S), tone.index(retune_s - _HIDDEN_S)
    level = 20 / np.log(10) * tone.log_level[a:b]
    if b - a < _FEWEST_BEFORE or not np.isfinite(level).all():
        return 0.0
    rest = without(orthonormal(legendre_columns(np.linspace(-1, 1, b - a), 2)), level)
    turns = np.count_nonzero(np.diff(np.sign(rest)))
    return 0.5 * float(np.ptp(rest)) if turns >= _TURNS_BEFORE else 0.0


def _first_levels(tone: BoardTone, retune_s: float, stop: int) -> tuple[Floats, Floats]:
    """Time since the move's end and level in decibels, from the first frames that hold none of it."""
    first = tone.index(retune_s + _FIRST_S)
    level = 20 / np.log(10) * tone.log_level[first:stop]
    good = np.isfinite(level)
    return tone.time_s[first:stop][good] - retune_s, level[good]


def _best_ring(t: Floats, rest: Floats, steady: Floats, length_s: float) -> tuple[tuple[float, float], float]:
    """Decay time and rate of the ring that leaves least, and the sum of squares that it leaves."""
    times, rates = _pairs(float(min(3.0, length_s)))
    line = best_rate(rest, float(t[1] - t[0]))
    if line is not None:
        own = np.concatenate([_TIMES_S[_TIMES_S <= length_s], length_s * np.array(_GOING_ON)])
        own = own[own * line[0] > _LEAST_TURNS]
        times, rates = np.concatenate([times, own]), np.concatenate([rates, np.full(len(own), line[0])])
    explained = _explained(t, rest, steady, times, rates)
    best = int(np.argmax(explained))
    decay_s, rate_hz, most = float(times[best]), float(rates[best]), float(explained[best])
    for spread, step in zip(_FINER_TIMES, _FINER_RATES, strict=True):
        grid = np.meshgrid(decay_s * np.exp(spread * _FINER), rate_hz * (1.0 + step * _FINER), indexing="ij")
        times, rates = grid[0].ravel(), grid[1].ravel()
        if rate_hz == 0.0:
            times, rates = times[:: len(_FINER)], rates[:: len(_FINER)]
        explained = _explained(t, rest, steady, times, rates)
        best = int(np.argmax(explained))
        if explained[best] > most:
            decay_s, rate_hz, most = float(times[best]), float(rates[best]), float(explained[best])
    # a recovery that is not mostly over within the segment cannot be distinguished from a drift
    longest = max(_RECOVERED * length_s, 0.1) if rate_hz == 0.0 else np.inf
    return (float(np.clip(decay_s, _TIMES_S[0], longest)), rate_hz), float(rest @ rest) - most


def _explained(t: Floats, rest: Floats, steady: Floats, times: Floats, rates: Floats) -> Floats:
    """Sum of squares that each decay time with its rate explains, sine and cosine fitted."""
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
    return np.asarray((ya**2 * bb - 2 * ya * yb * ab + yb**2 * aa) / det)


@lru_cache(maxsize=8)
def _pairs(longest_s: float) -> tuple[Floats, Floats]:
    times = _TIMES_S[_TIMES_S <= max(longest_s, 0.1)]
    grid = np.meshgrid(times, _RATES_HZ, indexing="ij")
    keep = (grid[1] == 0.0) | (grid[1] * grid[0] > _LEAST_TURNS)
    return grid[0][keep], grid[1][keep]


def _described(
    t: Floats,
    y: Floats,
    steady: Floats,
    best: tuple[float, float],
    first: tuple[Floats, Floats],
    nothing: Settling,
    share: float,
) -> Settling:
    decay_s, rate_hz = best
    columns = [np.exp(-t / decay_s) * np.cos(2 * np.pi * rate_hz * t)]
    if rate_hz > 0:
        columns.append(np.exp(-t / decay_s) * np.sin(2 * np.pi * rate_hz * t))
    whole = np.column_stack([np.array(columns).T, steady])
    size = np.linalg.lstsq(whole, y, rcond=None)[0]
    fine = np.arange(_FIRST_S, float(t[-1]), 0.002)
    ring = np.exp(-fine / decay_s) * size[0] * np.cos(2 * np.pi * rate_hz * fine)
    if rate_hz > 0:
        ring = ring + size[1] * np.exp(-fine / decay_s) * np.sin(2 * np.pi * rate_hz * fine)
    # before the fitted span both may exaggerate: a ring carried back, and frames with some of the move in them
    if len(first[0]):
        seen = np.interp(fine, first[0], first[1] - (whole[0, -steady.shape[1] :] @ size[-steady.shape[1] :]))
        early = fine < t[0]
        alike = np.where(ring * seen > 0, np.sign(ring) * np.minimum(_CARRIED * np.abs(ring), np.abs(seen)), 0.0)
        ring = np.where(early, alike, ring)
    outside = np.flatnonzero(np.abs(ring) > WITHIN_DB)
    settle_s = float(fine[outside[-1]]) if len(outside) else 0.0
    amplitude_db = float(np.linalg.norm(size[: len(columns)]))
    within_s = decay_s * float(np.log(max(amplitude_db, 1e-9) / WITHIN_DB))
    return Settling(
        retune_s=nothing.retune_s,
        f0_hz=nothing.f0_hz,
        ring=True,
        deviation_db=float(np.abs(ring).max()),
        overshoot_db=float(ring.max()),
        settle_s=settle_s,
        decay_s=decay_s,
        rate_hz=rate_hz,
        share=share,
        over_s=min(within_s, _FURTHEST * float(t[-1])) if within_s > t[-1] else settle_s,
    )
