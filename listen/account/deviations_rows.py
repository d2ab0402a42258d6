"""Levels and their standard deviations of what is read row by row: half orders, bursts, the law of the level."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from listen.account import bursts, half_orders
from listen.account.stops import Dropout
from listen.sorting import median, quantile

if TYPE_CHECKING:
    from listen.account.types import Account

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_NORMAL = 1.4826
"""Standard deviation of normal numbers over the median of their sizes."""
_THIRD = math.sqrt(6.0)
"""Of a - 2 b + c over that of one of them."""
_LEAK_DB = 8.0
"""Over the square of a frame's cycles: what half orders leave in the mean cycle that is taken off, decibels r.m.s. (of
turned tones with lines at the half, three and five halves of random size and phase: 0.08 to 0.11 at 10 cycles, 0.06 at
13, 0.04 at 16; simulated)."""
_TAKEN_OFF, _TAKEN_OFF_SHARE = 1.5, 0.25
"""The mean cycle that is taken off holds so much over the frame's cycles of a burst's power (a mean under a Hann
window), and the ninth decile of the rows makes up for it but for this share, r.m.s. (simulated)."""
_CELLS, _CENTRE, _NARROW = 2, 0.0004, 0.015
"""Sixteenths of the cycle on both sides of a burst's strongest in which its centre is looked for; what that is off by,
r.m.s. over bursts of 0.08 to 0.24 of a cycle (simulated); and where one sixteenth holds more than half of them, what is
more than half times this."""
_ONE_PLACE = 0.7
"""Mean length of the rows' unit vectors, as in `bursts`: below, there are several places, and one is given."""
_SPURS_ALIKE = 4.0
"""Rows of which one is independent: lines of a burst come and go as the tone is turned (simulated)."""
_STANDS_OUT = 3.0
"""As in `bursts`."""


def upper_tenth(values: Floats, apart: int) -> tuple[float, float]:
    """The level below which nine tenths lie, without the part of it that is noise's, and its standard deviation.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time, each a mean over ``apart`` of its neighbours.
    apart : int

    Returns
    -------
    level, deviation : float
        Of the mean of those that lie near it, and half of what is taken off: how noise raises a decile hangs on the
        course of the rest.
    """
    middle, top = median(values), quantile(values, 0.9)
    if len(values) <= 2 * apart:
        return top, float("nan")
    bends = values[2 * apart :] - 2.0 * values[apart:-apart] + values[: -2 * apart]
    noise = _NORMAL * median(np.abs(bends)) / _THIRD
    spread = float(np.var(values))
    own = math.sqrt(max(1.0 - noise**2 / spread, 0.0)) if spread > 0.0 else 0.0
    taken_off = (top - middle) * (1.0 - own)
    near = int((np.abs(values - top) < noise).sum()) / apart
    return top - taken_off, math.hypot(noise / math.sqrt(max(near, 1.0)), 0.5 * taken_off)


def half_order_level(account: Account, rows: Flags) -> tuple[float, float]:
    """Level of half orders in some rows, dBc, and its standard deviation."""
    levels, frames = account.half_orders.level_dbc[rows], account.frames
    level, noise = upper_tenth(levels, half_orders.ROWS)
    cycles = median((frames.frame_s * frames.f0_hz)[rows][levels >= quantile(levels, 0.9)])
    return level, math.hypot(noise, _LEAK_DB / cycles**2)


def burst_figures(account: Account, rows: Flags) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """Level, place in the cycle and frequency of a burst in some rows, and their standard deviations."""
    frames = account.frames
    found, sigma = _place(account, rows)
    found["level_dbc"] = quantile(account.bursts.level_dbc[rows], 0.9)
    _, noise = upper_tenth(account.bursts.level_dbc[rows], bursts.ROWS)
    taken_off_db = 10.0 / math.log(10.0) * _TAKEN_OFF / median((frames.frame_s * frames.f0_hz)[rows])
    sigma["level_dbc"] = math.hypot(noise, _TAKEN_OFF_SHARE * taken_off_db, _left_out_db(account, rows))
    spur = frames.spur_hz[rows]
    spur = spur[np.isfinite(spur)]
    if len(spur):
        found["frequency_hz"] = median(spur)
        scatter = _NORMAL * median(np.abs(spur - found["frequency_hz"]))
        sigma["frequency_hz"] = math.sqrt(0.5 * math.pi * _SPURS_ALIKE / len(spur)) * scatter
    return found, sigma


def _place(account: Account, rows: Flags) -> tuple[dict[str, float], dict[str, float]]:
    """Centre of the sixteenths of the cycle that stand out; steps lie half a sample before where they are counted."""
    steps, frames = _in_cycle(account, rows)[1], account.frames
    late = 0.5 * median(frames.f0_hz[rows]) / frames.sample_rate_hz
    strongest, offsets = int(np.argmax(steps)), np.arange(-_CELLS, _CELLS + 1)
    near = np.maximum(steps[(strongest + offsets) % len(steps)] - median(steps), 0.0)
    centre = strongest + float(near @ offsets) / max(float(near.sum()), 1e-30)
    narrow = max(float(near[_CELLS]) / max(float(near.sum()), 1e-30) - 0.5, 0.0)
    together = abs(complex(np.mean(np.exp(2j * np.pi * account.bursts.cycle[rows]))))
    known = {"cycle": math.hypot(_CENTRE, _NARROW * narrow)} if together > _ONE_PLACE else {}
    return {"cycle": (centre / len(steps) - late) % 1.0}, known


def _left_out_db(account: Account, rows: Flags) -> float:
    """What the parts of the cycle that do not stand out add to a burst's level."""
    level, steps = _in_cycle(account, rows)
    usual = median(level)
    stated = float(np.where(steps > _STANDS_OUT * median(steps), np.maximum(level - 2.0 * usual, 0.0), 0.0).mean())
    whole = float(level.mean()) - usual
    return 10.0 * math.log10(whole / stated) if whole > stated > 0.0 else 0.0


def _in_cycle(account: Account, rows: Flags) -> Floats:
    """Power of the residual and of its steps in each sixteenth of the cycle: every row counts alike, however loud."""
    power = np.nan_to_num(account.frames.residual_fold[rows]).astype(np.float64)
    total = power.sum(axis=2, keepdims=True)
    return np.asarray(np.mean(power / np.where(total > 0.0, total, 1.0), axis=0))


def dropout_deviations(drop: Dropout) -> dict[str, float]:
    """Of the depth and the ends of a dropout; the end of a tone that does not come back is the take's."""
    ends = {"start_s": drop.edge_sigma_s, "end_s": drop.edge_sigma_s if drop.comes_back else math.nan}
    known = {"depth_db": drop.depth_sigma_db, **ends}
    return {name: size for name, size in known.items() if math.isfinite(size)}
