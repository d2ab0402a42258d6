"""Half-order lines: alternate cycles differ. Their phase is locked to the tone's; that of other signals rotates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

ROWS, _PASSES_HZ = 15, 3.0
"""Rows over which the lines must stand still: 0.3 s, so that what passes 3 Hz off turns by a whole cycle."""
_REST_ROWS, _REST_LEAST = 51, 35
"""Rows over which they must stand still where the control rests, a second, if most of it is there: sidebands of ripple
at 120 Hz lie 1.2 Hz off the half orders of 237.6 Hz, which to 0.3 s are the same."""
_OVER_SCATTER = 3.0
"""The mean stands so far over its own standard error: noise does once in 8000 places (e^-9)."""
_STANDS = 0.5
"""Mean over r.m.s.: a line that turns by 0.6 of a cycle in the window, 2 Hz off, comes to it (sinc)."""
_FEW_CYCLES = 7.0
"""In shorter frames, below 175 Hz, a pitch or level that moves leaves as much at half orders: there the control must
rest."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HalfOrders:
    """Half-order lines, row by row.

    Attributes
    ----------
    level_dbc : ndarray, shape (n,)
        R.s.s. of the lines that stand still, against the tone; -inf where there is none.
    seen : ndarray of bool, shape (n,)
        They could be looked for.
    """

    level_dbc: Floats
    seen: Flags

    def power(self, rows: Flags) -> Floats:
        """Power against the tone's, row by row; in rows where it could not be looked for, the nearest row's.

        Alternate cycles that differ at rest differ in a slow turn too, where short frames do not show it.
        """
        known = np.flatnonzero(self.seen)
        out = 10 ** (np.maximum(self.level_dbc, -300.0) / 10)
        if not len(known):
            return out
        every = np.arange(len(out))
        after = np.minimum(np.searchsorted(known, every), len(known) - 1)
        before = np.maximum(after - 1, 0)
        nearest = np.where(every - known[before] < np.abs(known[after] - every), known[before], known[after])
        return np.where(rows & ~self.seen, out[nearest], out)


def find_half_orders(frames: Frames, rows: Flags, resting: Flags, buzz_hz: float | None = None) -> HalfOrders:
    """Average the half orders over a few rows, in the tone's phase.

    Parameters
    ----------
    frames : Frames
    rows, resting : ndarray of bool, shape (n,)
        The board's rows; those in which the control rests.
    buzz_hz : float, optional
        The mains', where it has lines at all of its multiples: a half order that lies on one is its.
    """
    seen = rows & ((frames.frame_s * frames.f0_hz > _FEW_CYCLES) | resting)
    seen &= np.isfinite(frames.half_orders_fs).all(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        # relative to the whole wave where the fundamental is weak
        weak = np.maximum(frames.level_dbfs - frames.fundamental_dbfs - 3.0, 0.0)
        size = 10.0 ** ((frames.fundamental_dbfs + weak) / 20)
        lines = np.where(seen[:, None] & ~_on_multiple(frames, buzz_hz), frames.half_orders_fs / size[:, None], 0.0)
    label = np.where(rows, frames.segment, -1)
    mean, square, count = _running(lines, seen, label, ROWS)
    turns = _turning(lines, seen & resting, np.where(resting, label, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.maximum(square - np.abs(mean) ** 2, 0.0)
        # frames of 40 ms every 20 ms: half of the rows are independent
        error = scatter / np.maximum(0.5 * count[:, None], 1.0)
        stands = (np.abs(mean) ** 2 > _STANDS**2 * square) & (np.abs(mean) ** 2 > _OVER_SCATTER**2 * error) & ~turns
        power = np.sum(np.where(stands & (count[:, None] >= 6), np.abs(mean) ** 2, 0.0), axis=1)
        level = np.where(seen, 10 * np.log10(power), -np.inf)
    return HalfOrders(level_dbc=level, seen=seen & (count >= 6))


def _on_multiple(frames: Frames, buzz_hz: float | None) -> Flags:
    """Half orders that cannot be told from a multiple of a buzz, shape (n, orders)."""
    halves = frames.half_orders_fs.shape[1]
    if buzz_hz is None:
        return np.zeros((len(frames), halves), dtype=bool)
    at = (np.arange(halves) + 0.5) * frames.f0_hz[:, None] / buzz_hz
    return np.asarray(np.abs(at - np.round(at)) * buzz_hz < _PASSES_HZ)


def _turning(lines: NDArray[np.complex128], rests: Flags, label: NDArray[np.int64]) -> Flags:
    """Lines that turn against the tone's phase in the course of a rest: another signal's.

    Squared: from one chunk of the recording to the next the count of cycles may be one off, which turns them over.
    """
    mean, square, count = _running(lines**2, rests, label, _REST_ROWS, shifted=True)
    return np.asarray((rests & (count >= _REST_LEAST))[:, None] & (np.abs(mean) ** 2 < _STANDS**2 * square))


def _running(
    lines: NDArray[np.complex128], seen: Flags, label: NDArray[np.int64], width: int, *, shifted: bool = False
) -> tuple[NDArray[np.complex128], Floats, Floats]:
    """Mean, mean square and number of rows in a window that stays within one segment of tone.

    At a segment's ends it is shorter, or ``shifted`` inward.
    """
    n = len(seen)
    index = np.arange(n)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [n]])
    owner = np.searchsorted(edges, index, side="right") - 1
    low = np.maximum(index - width // 2, edges[owner])
    high = np.minimum(index + width // 2 + 1, edges[owner + 1])
    if shifted:
        low = np.maximum(np.minimum(low, edges[owner + 1] - width), edges[owner])
        high = np.minimum(np.maximum(high, edges[owner] + width), edges[owner + 1])
    count = _sums(seen.astype(float)[:, None], low, high)[:, 0]
    safe = np.maximum(count, 1.0)[:, None]
    mean = _sums(lines, low, high) / safe
    square = _sums(np.abs(lines) ** 2, low, high) / safe
    return mean, square, count


def _sums(values: Any, low: NDArray[np.int64], high: NDArray[np.int64]) -> Any:
    total = np.concatenate([np.zeros((1, values.shape[1]), dtype=values.dtype), np.cumsum(values, axis=0)])
    return total[high] - total[low]
