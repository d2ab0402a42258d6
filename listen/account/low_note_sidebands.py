"""Mains that modulates a low note, whose short frames are too long to show it: both sidebands, in the samples.

The recording at a low rate is turned back by the tone's own phase: the tone comes to lie at zero, and what the mains
does to it at the mains frequency on both sides, whether the control rests or turns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource, centre_s, read_low
from listen.account.sideband_search import OFFSETS_HZ, RATES_HZ, WINDOW_S, is_two_sided, stands_out
from listen.account.tone import BoardTone
from listen.track import MAINS_HZ
from listen.track.frame_runs import running_mean

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

HIGHEST_HZ = 2.5 * 2 * MAINS_HZ[-1]
"""Above it the short frames show all rates."""
_LOWEST_HZ = 20.0
"""The lowest pitch that is heard."""
_SMOOTH_S = 0.1
"""The phase follows the control, not the mains: a mean over five of its cycles leaves none of it."""
_GUARD_HZ = 4.0
"""A harmonic as near as this hides a sideband: the window's lobe is 2 Hz on each side, a rest wanders by as much."""
_THROUGHOUT = 0.98
"""Of a window: the tone's beginning and end have sidebands of their own."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowNoteSidebands:
    """Sidebands of low notes at the mains frequencies and their doubles, in windows of a second.

    Attributes
    ----------
    time_s, f0_hz : ndarray, shape (w,)
        Centres of the windows in which a low note sounds throughout, and its pitch.
    amplitude : mapping of float to ndarray, shape (w,)
        By rate in hertz: one sideband over the tone, r.m.s. of both; 0 where there is none, NaN where none can be seen.
    """

    time_s: Floats
    f0_hz: Floats
    amplitude: Mapping[float, Floats]


NO_LOW_NOTES = LowNoteSidebands(time_s=np.empty(0), f0_hz=np.empty(0), amplitude=dict.fromkeys(RATES_HZ, np.empty(0)))
"""Of a take in which none sounds for a second."""


def low_note_sidebands(source: SampleSource, tone: BoardTone, half_orders: bool) -> LowNoteSidebands:
    """Look for the sidebands of low notes.

    Parameters
    ----------
    source : SampleSource
    tone : BoardTone
    half_orders : bool
        Alternate cycles differ: half orders hide sidebands, too.
    """
    pitch = tone.f0_hz[tone.strong]
    if not len(pitch) or float(pitch.min()) > HIGHEST_HZ:
        return NO_LOW_NOTES
    low, low_rate_hz = read_low(source)
    at_s = centre_s(np.arange(len(low), dtype=float), source)
    smooth_hz = np.exp(running_mean(np.log(tone.f0_hz), max(1, round(_SMOOTH_S / tone.grid_s))))
    f0_hz = np.interp(at_s, tone.time_s, smooth_hz)
    there = np.interp(at_s, tone.time_s, tone.strong.astype(float)) > 0.5
    size = round(WINDOW_S * low_rate_hz)
    starts = [
        first
        for first in range(0, len(low) - size + 1, size // 2)
        if there[first : first + size].mean() > _THROUGHOUT
        and _LOWEST_HZ < float(np.median(f0_hz[first : first + size])) < HIGHEST_HZ
    ]
    if not starts:
        return NO_LOW_NOTES
    places = np.array(starts)[:, None] + np.arange(size)
    own_hz = f0_hz[places]
    turned = low[places] * np.exp(-2j * np.pi * np.cumsum(own_hz, axis=1) / low_rate_hz)
    return LowNoteSidebands(
        time_s=at_s[places[:, size // 2]],
        f0_hz=np.median(own_hz, axis=1),
        amplitude={rate: _both_sidebands(turned, own_hz, rate, low_rate_hz, half_orders) for rate in RATES_HZ},
    )


def _both_sidebands(turned: Complexes, f0_hz: Floats, rate_hz: float, low_rate_hz: float, half_orders: bool) -> Floats:
    window = np.hanning(turned.shape[1])
    window /= window.sum()
    time_s = np.arange(turned.shape[1]) / low_rate_hz
    turn = np.exp(-2j * np.pi * np.outer(rate_hz + OFFSETS_HZ, time_s)) * window
    tone = np.abs(turned @ window)
    sides = [np.abs(turned @ one.T) / tone[:, None] for one in (turn, turn.conj())]
    upper, lower = (side[:, 0] for side in sides)
    clear = stands_out(sides[0]) & stands_out(sides[1]) & is_two_sided(upper, lower)
    out = np.where(clear, np.sqrt(0.5 * (upper**2 + lower**2)), 0.0)
    out[_hidden(f0_hz, rate_hz, half_orders)] = np.nan
    return np.asarray(out)


def _hidden(f0_hz: Floats, rate_hz: float, half_orders: bool) -> Flags:
    """Windows in which a harmonic passes over a sideband, or lines of added hum lie where the sidebands would."""
    low, high = f0_hz.min(axis=1), f0_hz.max(axis=1)
    hidden = np.zeros(len(low), dtype=bool)
    step = 0.5 if half_orders else 1.0
    for order in np.arange(step, (rate_hz + _GUARD_HZ) / max(float(low.min()), 1.0) + step, step):
        hidden |= (order * low - _GUARD_HZ < rate_hz) & (order * high + _GUARD_HZ > rate_hz)
    mains_hz = RATES_HZ[rate_hz]
    multiple = np.round(low / mains_hz)
    for nearest in (multiple, multiple + 1):
        hidden |= (low - _GUARD_HZ < nearest * mains_hz) & (high + _GUARD_HZ > nearest * mains_hz) & (nearest > 0)
    return hidden
