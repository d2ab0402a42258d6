"""What lies between the harmonics of the tone: half orders, bursts in the cycle, lines at one frequency."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.bursts import Bursts, find_bursts
from listen.account.fixed_lines import FixedLine, find_fixed_lines, lasts
from listen.account.half_orders import HalfOrders, find_half_orders
from listen.account.tone import BoardTone
from listen.account.types import Account
from listen.sorting import quantile_of_known
from listen.track import Frames
from listen.track.types import HARMONIC_COLUMNS

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_SPURS_DBC, _SPUR_ROWS = -66.0, 8
"""Lines between the harmonics are looked for where so many of the tracker's rows show as much.

4 dB under the faintest line that is taken (-62 dBc), for one frame of 40 ms reads a level less surely; eight rows of 20
ms are as long as one window of the search.
"""
_NOTHING_DBC = -200.0
"""Where a harmonic is not there: far under what 24 bits hold."""
_RESIDUAL_DBC = -54.0
"""... or as much in all: a line below the second harmonic is none of those. 4 dB under the limit of one line."""
HALVES_ROOM = 1.5
"""Power of all half orders over that of the first three, which alone are read: 1.07 where they fall as 1 / k (the
series), the rest is room for their scatter from frame to frame."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InterharmonicParts:
    """Interharmonic parts.

    Attributes
    ----------
    half_orders : HalfOrders
    bursts : Bursts
    lines : tuple of FixedLine
    """

    half_orders: HalfOrders
    bursts: Bursts
    lines: tuple[FixedLine, ...]

    def explained(self, frames: Frames, tone: BoardTone) -> Floats:
        """Power that they explain together, over the fundamental's, shape (n,)."""
        power = HALVES_ROOM * self.half_orders.power(tone.rows)
        power = power + 2.0 * 10 ** (np.maximum(self.bursts.level_dbc, -300.0) / 10)
        for line in self.lines:
            power = power + 2.0 * line.power_over(frames, tone)
        return np.asarray(power)

    def without_events(self, time_s: Floats, touched: Flags) -> InterharmonicParts:
        """The same without lines that are there in the rows of events alone; itself where all last."""
        lines = tuple(line for line in self.lines if lasts(line, time_s, touched))
        return self if len(lines) == len(self.lines) else replace(self, lines=lines)


def find_interharmonics(
    source: Any, account: Account, tone: BoardTone, resting: Flags, moving: Floats
) -> InterharmonicParts:
    """Find half orders, lines and bursts, each in what those before it leave.

    ``moving``: power that a level that changes leaves between the harmonics, over the fundamental's, row by row.
    """
    frames = account.frames
    mains = account.mains
    halves = find_half_orders(
        frames, tone.rows, resting, mains.mains_hz if mains is not None and mains.buzz_power > 0.0 else None
    )
    lines = _fixed_lines(source, account, tone, halves)
    before = halves.power(tone.rows) + moving
    buzz = mains.buzz_over(frames) if mains is not None else 0.0
    bursts = find_bursts(frames, tone.rows, before, [(x.frequency_hz, x.level_dbc) for x in lines], buzz)
    return InterharmonicParts(half_orders=halves, bursts=bursts, lines=tuple(lines))


def _fixed_lines(source: Any, account: Account, tone: BoardTone, halves: HalfOrders) -> list[FixedLine]:
    frames, mains = account.frames, account.mains
    with np.errstate(invalid="ignore"):
        shown = tone.rows & ((frames.spur_dbc > _SPURS_DBC) | (frames.residual_dbc > _RESIDUAL_DBC))
    if np.count_nonzero(shown) < _SPUR_ROWS:
        return []
    levels = np.full(HARMONIC_COLUMNS + 1, _NOTHING_DBC)
    levels[0] = 0.0
    own = frames.harmonics_dbc[tone.rows]
    for k in range(HARMONIC_COLUMNS - 1):
        if np.isfinite(own[:, k]).any():
            levels[k + 1] = quantile_of_known(np.maximum(own[:, k], _NOTHING_DBC), 0.8)
    high = frames.high_dbc[tone.rows]
    if np.isfinite(high).any():
        levels[HARMONIC_COLUMNS] = quantile_of_known(np.maximum(high, _NOTHING_DBC), 0.8)
    half_orders = bool((halves.level_dbc[tone.rows] > -60.0).mean() > 0.1)
    mains_hz = mains.mains_hz if mains is not None and mains.worth_subtracting else None
    ripple = account.sidebands
    ripple_hz = ripple.rate_hz if ripple is not None and ripple.level_dbc > _SPURS_DBC else None
    buzz = mains is not None and mains.buzz_power > 0.0
    return find_fixed_lines(source, tone, levels, half_orders, mains_hz, ripple_hz, buzz)
