"""How the tone began: growth from 1 % to 90 % of its settled level, at its own frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.heterodyne import tone_amplitude
from listen.account.lowrate import SampleSource
from listen.account.tone import BoardTone
from listen.sorting import median, quantile

Floats = NDArray[np.floating[Any]]

_CYCLES, _LEAST_S = 8.0, 0.03
"""Averaging window: shorter ones let other sounds in; growth faster than about 0.07 s reads as that."""
_FEW_CYCLES = 3.0
"""Fewer do not part the tone from its own second harmonic (Hann: two bins)."""
_QUICK_S = 0.2
"""A rise quicker than this is read again with a window of few cycles: other sounds matter less in so short a time."""
_LOOK_BACK_S = (1.0, 4.0, 20.0)
"""How far before the first strong place the growth is followed, further where it is still over 1 % there: 4.5 time
constants of the growth are 1 to 90 %, and a start of 20 s is a fault ten times over."""
_LOOK_AHEAD_S = 20.0
"""... and after it: one that is not settled by then is taken at its largest."""
_FROM_TOP, _LATER_S, _STOPPED, _SETTLE_S = 0.2, 0.2, 1.03, 0.3
"""Growth has stopped where the level of the next 0.2 to 0.5 s is no more than 3 % larger; below a fifth of the largest
it may still be another sound's, and the settled level is a median over 0.3 s."""
_FULL_SWING = 0.1
"""A take whose tone is over a tenth of its level from the beginning does not show the start."""
_END_OF_GROWTH_S = 0.5
"""... but the end of it, where the level gets to 90 % within the time that is no slow start: no swing of the level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """How the tone began.

    Attributes
    ----------
    shown : bool
        The take holds the start.
    begin_s, settled_s : float
        1 % and 90 % of the settled level. A take that begins while the tone grows has ``settled_s`` alone; 0: unknown.
    rise_s, cycles : float
    growth_per_s : float or None
        Slope of the logarithm of the level while it grows.
    f0_hz : float
    """

    shown: bool
    begin_s: float = 0.0
    settled_s: float = 0.0
    rise_s: float = 0.0
    cycles: float = 0.0
    growth_per_s: float | None = None
    f0_hz: float = 0.0


def crossing_step_s(start: Start) -> float:
    """Step at which the level was read: 1 % and 90 % are each passed within one of them."""
    cycles, least_s = (_FEW_CYCLES, 0.0) if start.rise_s < _QUICK_S else (_CYCLES, _LEAST_S)
    return 0.25 * max(cycles / start.f0_hz, least_s) if start.f0_hz > 0 else float("nan")


def find_start(capture: SampleSource, tone: BoardTone) -> Start:
    """Measure the growth of the tone at its own frequency."""
    take_start_s = capture.start_sample / capture.true_rate_hz
    first_s = tone.first_s
    settled = _settled(tone)
    if not np.isfinite(settled):
        return Start(shown=False)
    f0 = float(tone.f0_hz[tone.index(first_s)])
    cross = _first_crossing(tone, 0.9 * settled)
    if cross is None:
        return Start(shown=False)
    for back_s in _LOOK_BACK_S:
        begin = max(take_start_s, first_s - back_s)
        time_s, level = tone_amplitude(capture, tone, begin, cross + 0.1, _CYCLES, _LEAST_S)
        if not len(level):
            return Start(shown=False)
        if begin <= take_start_s or level[0] < 0.01 * settled:
            break
    if level[0] > _FULL_SWING * settled and time_s[0] < take_start_s + max(0.1, 1.5 * _CYCLES / f0):
        # against the fundamental's own level after it: ``settled`` is the whole wave's
        grows = level[0] < 0.9 * level[-1] and cross - take_start_s < _END_OF_GROWTH_S
        return Start(shown=False, settled_s=cross if grows else 0.0)
    rise = _rise(time_s, level, settled, take_start_s)
    if rise[1] - rise[0] < _QUICK_S:
        # the averaging window is what was read: once more, as short as the pitch allows
        begin = max(take_start_s, rise[1] - 2 * _QUICK_S)
        time_s, level = tone_amplitude(capture, tone, begin, cross + 0.1, _FEW_CYCLES, 0.0)
        if len(level) and level.max() >= 0.9 * settled:
            rise = _rise(time_s, level, settled, take_start_s)
    t01, t90, growth = rise
    return Start(
        shown=True,
        begin_s=t01,
        settled_s=t90,
        rise_s=t90 - t01,
        cycles=(t90 - t01) * f0,
        growth_per_s=growth,
        f0_hz=f0,
    )


def _rise(t: Floats, level: Floats, settled: float, take_start_s: float) -> tuple[float, float, float | None]:
    """When 1 % and 90 % of the settled level are passed, and the rate of growth between."""
    above = np.flatnonzero(level >= 0.9 * settled)
    end = int(above[0]) if len(above) else len(level) - 1
    t90 = float(t[end])
    floor = median(level[: max(1, end // 4)]) if end > 8 else float(level[0])
    under = np.flatnonzero(level[: end + 1] < 0.01 * settled)
    growth = _growth(t[: end + 1], level[: end + 1], settled, floor)
    if len(under):
        t01 = float(t[under[-1]])
    elif growth:
        t01 = max(t90 - float(np.log(90.0)) / growth, take_start_s)
    else:
        t01 = float(t[0])
    return min(t01, t90), t90, growth


def _settled(tone: BoardTone) -> float:
    """Amplitude once the growth has stopped: a little later it is no larger."""
    a = tone.index(tone.first_s)
    b = min(len(tone.time_s), a + round(_LOOK_AHEAD_S / tone.grid_s))
    level = np.where(tone.strong[a:b], np.exp(tone.log_level[a:b]), 0.0)
    top = quantile(level[level > 0], 0.98) if (level > 0).any() else 0.0
    later_from, later_to, mean = (round(s / tone.grid_s) for s in (_LATER_S, _LATER_S + 0.3, _SETTLE_S))
    for i in range(0, len(level), 2):
        later = level[i + later_from : i + later_to]
        later = later[later > 0]
        if level[i] < _FROM_TOP * top or not len(later):
            continue
        if median(later) < _STOPPED * level[i]:
            here = level[i : i + mean]
            return max(median(here[here > 0]), median(later))
    return top if top > 0 else float("nan")


def _first_crossing(tone: BoardTone, level: float) -> float | None:
    a = tone.index(tone.first_s)
    above = np.flatnonzero(tone.tracked[a:] & (tone.log_level[a:] >= np.log(level)))
    return float(tone.time_s[a + int(above[0])]) if len(above) else None


def _growth(t: Floats, level: Floats, settled: float, floor: float) -> float | None:
    """Slope of the level's logarithm between what else sounds and where the limiter sets in."""
    least = max(0.02 * settled, 2.0 * floor)
    part = np.flatnonzero((level > least) & (level < 0.4 * settled))
    if len(part) < 5:
        return None
    # the last run of growth: a knock before it is no part of it
    breaks = np.flatnonzero(np.diff(part) > 1)
    part = part[breaks[-1] + 1 :] if len(breaks) else part
    if len(part) < 5:
        return None
    slope = float(np.polyfit(t[part], np.log(level[part]), 1)[0])
    return slope if slope > 0 else None
