"""Unexplained residual: transient sounds under the tone, and other power above the steady noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

EVENT_DBC = -51.0
"""Sound under the tone below this is nothing: 1 dB under the limit of lines and bursts, -50 dBc."""
_NOISE_SHARE = 0.25
"""Steady noise: the quietest quarter of the rows stays below it."""
_NOISE_ROOM = 2.0
"""Power of one row's noise against that of the quietest quarter: white noise scatters by 3 % (40 ms at 48 kHz), noise
that swells by more."""
_EVENT_OVER = 4.0
"""An event stands so far (6 dB) over what is usual around it: what a turn of the control leaves swells by less within 3
s. Chosen."""
_AROUND_ROWS = 75
"""Rows on each side, 1.5 s: a word or a knock fills less than the 60 % of them that would make it usual."""
_BRIDGE_ROWS = 6
"""0.12 s: the pauses within a word are one event's."""
_ROOM_ROWS = 3
"""60 ms on each side: frames of 40 ms hold some of it for one row, and it fades before and after."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomEvent:
    """Transient sound that no part explains, during the tone.

    Attributes
    ----------
    start_s, end_s : float
    level_dbc : float
        R.m.s. of the unexplained residual relative to the tone, at its loudest.
    """

    start_s: float
    end_s: float
    level_dbc: float


def unexplained_power(frames: Frames, rows: Flags, explained: Floats) -> Floats:
    """Residual power above steady noise and explained parts, relative to the tone; 0 elsewhere.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        The board's rows.
    explained : ndarray, shape (n,)
        Power against the fundamental's that parts explain.
    """
    out = np.zeros(len(frames))
    with np.errstate(invalid="ignore"):
        tone = 10 ** (frames.fundamental_dbfs / 10)
        residual = 10 ** (frames.residual_dbc / 10)
    known = rows & np.isfinite(residual) & np.isfinite(tone)
    if np.count_nonzero(known) < 5:
        return out
    noise = quantile((residual * tone)[known], _NOISE_SHARE)
    out[known] = np.maximum(residual - explained - _NOISE_ROOM * noise / tone, 0.0)[known]
    return out


def find_events(frames: Frames, rows: Flags, power: Floats) -> tuple[list[RoomEvent], Flags]:
    """Events in which the unexplained residual rises for a short time, and the rows that they affect."""
    touched = np.zeros(len(frames), dtype=bool)
    loud = rows & (power > 10 ** (EVENT_DBC / 10))
    if not loud.any():
        return [], touched
    usual = _running_quantile(np.where(rows, power, np.nan), _AROUND_ROWS)
    high = loud & (power > _EVENT_OVER * usual)
    events = []
    for a, b in _runs(high, _BRIDGE_ROWS):
        worst = float(power[a:b].max())
        events.append(
            RoomEvent(
                start_s=float(frames.time_s[a]) - 0.5 * frames.row_every_s,
                end_s=float(frames.time_s[b - 1]) + 0.5 * frames.row_every_s,
                level_dbc=float(10 * np.log10(worst)),
            )
        )
        touched[max(0, a - _ROOM_ROWS) : b + _ROOM_ROWS] = True
    return events, touched


def _running_quantile(values: Floats, width: int) -> Floats:
    """Lower quartile of the known values within a window, every fifth row and straight between."""
    n = len(values)
    centres = np.arange(0, n, 5)
    out = np.empty(len(centres))
    for k, c in enumerate(centres.tolist()):
        part = values[max(0, c - width) : c + width + 1]
        part = part[np.isfinite(part)]
        out[k] = quantile(part, 0.4) if len(part) else 0.0
    return np.asarray(np.interp(np.arange(n), centres, out))


def _runs(flags: Flags, bridge: int) -> list[tuple[int, int]]:
    index = np.flatnonzero(flags)
    if not len(index):
        return []
    breaks = np.flatnonzero(np.diff(index) > bridge)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [len(index) - 1]])
    return [(int(index[i]), int(index[j]) + 1) for i, j in zip(first, last, strict=True)]
