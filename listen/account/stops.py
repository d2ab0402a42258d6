"""Intervals without the tone between its start and the end of the take: dropout, switch-off or cut."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account.heterodyne import tone_amplitude
from listen.account.lowrate import SampleSource
from listen.account.tone import BoardTone
from listen.sorting import median, quantile, running_max

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

DROP_DB = 20.0
"""Down by this, to a tenth, is a dropout: less is a level that is not held."""
_SHORTEST_S = 0.03
"""Shorter candidates are not looked at; what is reported is over the limit's own length."""
_ASIDE_S = 0.02
"""An interruption that is confirmed lies where the rows are missing, to two periods of 100 Hz."""
_CONTEXT_S = 0.4
"""A place is held against the loudest within so long on both sides: longer than the edges of a dropout, too short for a
turn of the control to change the level by 20 dB."""
_CYCLES, _LEAST_S = 3.0, 0.008
"""Hann window that the tone's own level is read with: the shortest that parts it from its second harmonic, and as long
as the tracker's short frames."""
_STOPPED_S = 0.5
"""An oscillation died only if the recording goes on for so long after it: less is the end of a take."""
_FADE_DB = 1.0
"""A level within 1 dB is held: the limit of its drift. From there on it falls or grows."""
_FADE_LOOK_S = 4.0
"""The level before a fall is a median over so long: it holds the beginning of fades of up to two seconds."""
_EDGE = 0.14
"""Of the window: a steep edge is seen 0.21 of it late, a slow one where it is (0.12, r.m.s.), and to a quarter."""
_NORMAL, _MEDIAN, _DB = 1.4826, math.sqrt(0.5 * math.pi), 20.0 / math.log(10.0)
"""Of normal numbers: deviation over the median of their sizes, that of a median over that of the mean."""
_ALIKE = 3.0
"""Readings of which one is independent: Hann windows that lie a quarter of their length apart (simulated)."""
_NOISE_ALONE = 0.35
"""Relative scatter from which the level that is left may be noise's: Rayleigh's 0.52 less three deviations of twenty
readings."""
_GROWS_S, _LOOK_AHEAD_S = 4.0, 0.5
"""How long the level may grow after a dropout, and how far ahead it must then be level: growth by less than 1 dB in
half a second is drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropout:
    """The tone falls by 20 dB or more for some time.

    Attributes
    ----------
    start_s, end_s : float
    falls_s, settled_s : float
        Where it begins to fall, and where it has grown back.
    depth_db : float
    comes_back : bool
    decay_per_s : float or None
        Rate at which the level's logarithm falls before it.
    f0_low_hz, f0_high_hz : float
        Pitch on both sides.
    depth_sigma_db, edge_sigma_s : float
        Standard deviations of the depth, NaN where what is left is noise alone, and of its ends.
    """

    start_s: float
    end_s: float
    falls_s: float
    settled_s: float
    depth_db: float
    comes_back: bool
    decay_per_s: float | None
    f0_low_hz: float
    f0_high_hz: float
    depth_sigma_db: float = math.nan
    edge_sigma_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """The end of the tone before the end of the take.

    Attributes
    ----------
    start_s : float
        Where it begins to fall.
    end_s : float
        Where it is gone.
    how : {'fade', 'off'}
    """

    start_s: float
    end_s: float
    how: Literal["fade", "off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Silences:
    """All intervals without the tone after its start."""

    dropouts: tuple[Dropout, ...]
    stop: Stop | None


def find_silences(
    capture: SampleSource, tone: BoardTone, started_s: float, zeros: tuple[tuple[float, float], ...]
) -> Silences:
    """Find dropouts and the end.

    Parameters
    ----------
    capture : Samples
    tone : BoardTone
    started_s : float
        The tone has reached its level; nothing before is looked at.
    zeros : tuple of (start_s, end_s)
        Runs of exact zeros: cut by the recorder, not by the board.
    """
    end_s = capture.stop_sample / capture.true_rate_hz
    last_s = tone.last_s
    found: list[Dropout] = []
    for a, b in _candidates(tone, started_s, last_s):
        dropout = _confirmed(capture, tone, a, b)
        if dropout is not None and found and dropout.start_s < found[-1].end_s:
            continue  # the rows between two pieces of one
        if dropout is not None and not _is_cut(dropout.start_s, dropout.end_s, zeros):
            found.append(dropout)
    stop = None
    gone_s = end_s - last_s
    quiet_after = not _is_cut(last_s, end_s, zeros)
    falls_s = _fall_begins(tone, last_s)
    if gone_s > _STOPPED_S and quiet_after:
        found.append(_final(tone, capture, last_s, end_s))
    elif gone_s > 2.5 * tone.grid_s + 2.0 / float(tone.f0_hz[-1]) or last_s - falls_s > 0.02:
        how: Literal["fade", "off"] = "fade" if last_s - falls_s > 0.2 else "off"
        if gone_s > 0.02 or _down_db(tone, last_s) > 6.0:
            stop = Stop(start_s=falls_s, end_s=last_s, how=how)
    return Silences(dropouts=tuple(found), stop=stop)


def _candidates(tone: BoardTone, started_s: float, last_s: float) -> list[tuple[float, float]]:
    """Intervals between start and end in which the tone is not tracked, or 20 dB below its surroundings."""
    a, b = tone.index(started_s), tone.index(last_s)
    level = np.where(tone.tracked, tone.log_level, -np.inf)[a : b + 1]
    if len(level) < 3:
        return []
    side = max(1, round(_CONTEXT_S / tone.grid_s))
    around = running_max(level, side)
    low = ~(level > around - DROP_DB * np.log(10.0) / 20.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], low.view(np.int8), [0]])))
    return [
        (float(tone.time_s[a + i]), float(tone.time_s[a + j - 1]))
        for i, j in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True)
        if (j - i) * tone.grid_s >= _SHORTEST_S and i > 0 and j < len(low)
    ]


def _confirmed(capture: SampleSource, tone: BoardTone, start_s: float, end_s: float) -> Dropout | None:
    """Confirm at the tone's own frequency: other sounds may mask an interruption, or look like one."""
    margin = 0.3
    time_s, level = tone_amplitude(capture, tone, start_s - margin, end_s + margin, _CYCLES, _LEAST_S)
    if len(level) < 4:
        return None
    before, after = level[time_s < start_s - 0.02], level[time_s > end_s + 0.02]
    reference = max(
        (quantile(side, 0.8) for side in (before, after) if len(side) >= 3), default=float(level.max(initial=0.0))
    )
    low = level < reference * 10 ** (-DROP_DB / 20)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], low.view(np.int8), [0]])))
    runs = [
        (int(i), int(j))
        for i, j in zip(edges[0::2], edges[1::2], strict=True)
        if time_s[i] < end_s + _ASIDE_S and time_s[j - 1] > start_s - _ASIDE_S
    ]
    if not runs:
        return None
    i, j = max(runs, key=lambda run: run[1] - run[0])
    if j == len(low) and np.count_nonzero(tone.strong & (tone.time_s > end_s)) * tone.grid_s < _SHORTEST_S:
        return None  # what comes after is another sound
    hop_s = float(time_s[1] - time_s[0])
    bottom = median(level[i:j])
    pitches = np.interp([time_s[i] - 0.03, time_s[j - 1] + 0.03], tone.time_s, tone.f0_hz)
    return Dropout(
        start_s=float(time_s[i]) - 0.5 * hop_s,
        end_s=float(time_s[j - 1]) + 0.5 * hop_s,
        falls_s=_fall_begins(tone, float(time_s[i])),
        settled_s=_grown_back(tone, float(time_s[j - 1]) + 0.5 * hop_s),
        depth_db=float(20 * np.log10(reference / max(bottom, 1e-6))),
        comes_back=True,
        decay_per_s=_decay(time_s[: i + 1], level[: i + 1]),
        f0_low_hz=float(pitches.min()),
        f0_high_hz=float(pitches.max()),
        depth_sigma_db=_depth_sigma_db(level[i:j], _ALIKE),
        edge_sigma_s=_EDGE * 4.0 * hop_s,
    )


def _depth_sigma_db(amplitude: Floats, alike: float) -> float:
    """Standard deviation of the level that is left, decibels; one of so many readings is independent.

    Noise beside a tone that is left adds half of its square to the amplitude (Rice); noise alone scatters by 0.52 of
    its mean (Rayleigh).
    """
    middle = median(amplitude)
    scatter = _NORMAL * median(np.abs(amplitude - middle)) / max(middle, 1e-12)
    if not scatter < _NOISE_ALONE:
        return math.nan
    return _DB * math.hypot(_MEDIAN * scatter / math.sqrt(max(len(amplitude) / alike, 1.0)), 0.5 * scatter**2)


def _grown_back(tone: BoardTone, end_s: float) -> float:
    """End of the recovery after a dropout: the level rises by at most 1 dB in the next half second."""
    first = tone.index(end_s)
    level = np.where(tone.strong, tone.log_level, -np.inf)[first : first + round(_GROWS_S / tone.grid_s)]
    ahead = max(1, round(_LOOK_AHEAD_S / tone.grid_s))
    if not np.isfinite(level).any():
        return end_s
    coming = np.array([level[i : i + ahead].max() for i in range(len(level))])
    with np.errstate(invalid="ignore"):
        there = np.flatnonzero(np.isfinite(level) & (coming - level < _FADE_DB * np.log(10.0) / 20.0))
    return max(end_s, float(tone.time_s[first + int(there[0])])) if len(there) else end_s


def _decay(t: Floats, level: Floats) -> float | None:
    """Rate of the exponential decay that ends here."""
    if len(level) < 6:
        return None
    falling = (level < 0.7 * level.max()) & (level > 0)
    if np.count_nonzero(falling) < 6:
        return None
    slope = float(np.polyfit(t[falling], np.log(level[falling]), 1)[0])
    return -slope if slope < 0 else None


def _final(tone: BoardTone, capture: SampleSource, last_s: float, end_s: float) -> Dropout:
    f0 = float(tone.f0_hz[tone.index(last_s)])
    near = tone.strong & (tone.time_s > last_s - 1.0) & (tone.time_s <= last_s)
    reference = float(np.exp(quantile(tone.log_level[near], 0.8)))
    time_s, level = tone_amplitude(capture, tone, last_s + 0.1, end_s, _CYCLES * 4, _LEAST_S * 4)
    bottom = median(level) if len(level) else 1e-6
    past, before = tone_amplitude(capture, tone, last_s - 0.6, last_s + 0.05, _CYCLES, _LEAST_S)
    del time_s
    return Dropout(
        start_s=last_s,
        end_s=end_s,
        falls_s=_fall_begins(tone, last_s),
        settled_s=end_s,
        depth_db=float(20 * np.log10(reference / max(bottom, 1e-6))),
        comes_back=False,
        decay_per_s=_decay(past, before),
        f0_low_hz=f0,
        f0_high_hz=f0,
        depth_sigma_db=_depth_sigma_db(level, _ALIKE) if len(level) else math.nan,
        edge_sigma_s=_EDGE * max(_CYCLES / f0, _LEAST_S),
    )


def _fall_begins(tone: BoardTone, last_s: float) -> float:
    """Start of the final decay: from there on the level stays more than 1 dB down."""
    part = tone.strong & (tone.time_s > last_s - _FADE_LOOK_S) & (tone.time_s <= last_s)
    index = np.flatnonzero(part)
    if len(index) < 4:
        return last_s
    level = tone.log_level[index]
    reference = median(level)
    up = np.flatnonzero(level > reference - _FADE_DB * np.log(10.0) / 20.0)
    return float(tone.time_s[index[up[-1]]]) if len(up) else last_s


def _down_db(tone: BoardTone, last_s: float) -> float:
    """How far the level has fallen at the last place of the tone against the second before it."""
    near = np.flatnonzero(tone.strong & (tone.time_s > last_s - 1.0) & (tone.time_s <= last_s))
    return float(20 / np.log(10) * (median(tone.log_level[near]) - tone.log_level[near[-1]]))


def _is_cut(start_s: float, end_s: float, zeros: tuple[tuple[float, float], ...]) -> bool:
    """Whether exact zeros fill most of an interval."""
    inside = sum(max(0.0, min(b, end_s) - max(a, start_s)) for a, b in zeros)
    return inside > 0.5 * max(end_s - start_s, 1e-9)
