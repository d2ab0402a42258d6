"""Multiples of the mains above the eighth: the buzz of a phase-cut dimmer or a rectifier, up to many kilohertz.

Each line is faint, and all together are the hum that is heard. They are looked for where the tone does not sound, else
where it rests, and only beside lower multiples, which tell the frequency.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource
from listen.account.mains import MainsLines
from listen.account.mains_windows import ORDERS, WINDOW_S
from listen.account.tone import BoardTone
from listen.sorting import distinct, median, quantile

Floats = NDArray[np.floating[Any]]

_HIGHEST = 0.45
"""Of the sample rate: the converter's filter begins above."""
_MOST_WINDOWS, _FEWEST = 12, 2
"""Windows of 0.8 s that are read, spread over what there is; of two both must hold it."""
_STANDS_OUT = 10.0
"""Power at a multiple over that half way to its neighbours: three bins of noise come to three times their mean once in
160 (gamma distribution), to ten times never."""
_FEWEST_LINES = 8
"""A comb: as many multiples as are looked for below. A whistle or a note lies on one or some."""
_NEAR_HZ = np.linspace(-0.15, 0.15, 13)
"""A network moves by a tenth of a hertz in some seconds (common practice, no source); its lower multiples tell the mean
of the take alone. Steps of 0.025 Hz: of the 400th multiple 10 Hz."""
_WANDERS, _MOST_SIDE_HZ = 2.5e-4, 10.0
"""Half of such a step, in parts. The windows' bins are added over as much to each side of a multiple, and no further
than two fifths of the way to what lies between."""
_FILLED, _MOST_OF = 0.3, 0.9
"""Part of the multiples that stand out, up to where nine in ten of them lie: a buzz of equal half waves has every
second one; of the other mains' every fifth or sixth is shared."""
_STRONG = 0.9
"""Of the lines of a comb: one in ten is stronger."""
_AS_LOUD = 4.0
"""6 dB: a window that is louder holds another sound, whose partials may lie on multiples too (a telephone) or which
hides some of them (a rustle). Chosen."""
_FROM_HARMONICS_HZ = 15.0
"""A harmonic of the tone hides what is nearer: a rest's tremor is within."""
_STILL_HZ = 3.0
"""A pitch that moves by less within a window rests."""


def with_buzz(mains: MainsLines | None, capture: SampleSource, tone: BoardTone | None) -> MainsLines | None:
    """Add the high multiples to the level of mains lines, where there are any.

    Parameters
    ----------
    mains : MainsLines or None
    capture : SampleSource
    tone : BoardTone or None

    Returns
    -------
    MainsLines or None
        With the same lines, and their level relative to the tone as that of all multiples.
    """
    if mains is None or not mains.worth_subtracting:
        return mains
    buzz, line = _power(capture, tone, mains)
    if buzz <= 0.0:
        return mains
    own = np.sum(np.abs(mains.amplitude) ** 2, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(own > 0.0, mains.level_dbc + 10 * np.log10(1.0 + buzz / own), mains.level_dbc)
    return replace(mains, level_dbc=level, buzz_power=buzz, buzz_line=line)


def _power(capture: SampleSource, tone: BoardTone | None, mains: MainsLines) -> tuple[float, float]:
    """Sum of the squared peak amplitudes of the multiples above the eighth, and that of a strong one; 0 of no comb."""
    starts, pitches_hz = _places(capture, tone, mains)
    if len(starts) < _FEWEST:
        return 0.0, 0.0
    size = round(WINDOW_S * capture.true_rate_hz)
    found = [
        _of_window(capture.read(start, start + size), capture.true_rate_hz, mains.mains_hz, pitch_hz)
        for start, pitch_hz in zip(starts, pitches_hz, strict=True)
    ]
    combs, lines, totals = np.array(found).T
    return _of_the_quiet(combs, combs, totals), _of_the_quiet(combs, lines, totals)


def _of_the_quiet(combs: Floats, values: Floats, totals: Floats) -> float:
    """Usual value where most windows have a comb, from those of them that hold least of other sounds."""
    there = combs > 0.0
    if 2 * np.count_nonzero(there) <= len(combs):
        return 0.0
    return median(values[there & (totals < _AS_LOUD * totals[there].min())])


def _places(capture: SampleSource, tone: BoardTone | None, mains: MainsLines) -> tuple[list[int], list[float]]:
    """First samples of windows in silence, else at rests, and the pitch of the tone there (NaN in silence)."""
    rate = capture.true_rate_hz
    half = 0.5 * WINDOW_S
    inside = (mains.time_s - half) * rate >= capture.start_sample
    inside &= (mains.time_s + half) * rate < capture.stop_sample
    silent = np.flatnonzero(inside & ~mains.singing)
    if len(silent) >= _FEWEST or tone is None:
        chosen, pitch_hz = silent, np.full(len(mains.time_s), np.nan)
    else:
        begin, end = (np.searchsorted(tone.time_s, mains.time_s + side * half) for side in (-1, 1))
        spans = [tone.f0_hz[a:b] for a, b in zip(begin.tolist(), end.tolist(), strict=True)]
        rests = np.array([len(x) > 0 and bool(np.isfinite(x).all()) and float(np.ptp(x)) < _STILL_HZ for x in spans])
        chosen = np.flatnonzero(inside & mains.singing & rests)
        pitch_hz = np.array([median(x) if len(x) else np.nan for x in spans])
    some = chosen[distinct(np.linspace(0, len(chosen) - 1, _MOST_WINDOWS).astype(int))] if len(chosen) else chosen
    starts = np.round((mains.time_s[some] - half) * rate).astype(np.int64)
    return starts.tolist(), pitch_hz[some].tolist()


def _of_window(x: Floats, rate_hz: float, mains_hz: float, pitch_hz: float) -> tuple[float, float, float]:
    """Sum of the squared peak amplitudes of those multiples that stand out, where it is largest; one's; that of all."""
    window = np.hanning(len(x) + 1)[:-1]
    power = np.abs(np.fft.rfft((x - x.mean()) * window)) ** 2 * (2.0 / window.sum()) ** 2 / 1.5
    total, bin_hz = np.concatenate([[0.0], np.cumsum(power)]), rate_hz / len(x)
    comb, line = max(_of_comb(total, bin_hz, rate_hz, float(hz), pitch_hz) for hz in mains_hz + _NEAR_HZ)
    return comb, line, float(total[-1])


def _of_comb(total: Floats, bin_hz: float, rate_hz: float, mains_hz: float, pitch_hz: float) -> tuple[float, float]:
    """The same at one frequency of the mains, from the running total of the power of all bins."""
    orders = np.arange(ORDERS + 1, int(_HIGHEST * rate_hz / mains_hz))
    if not len(orders):
        return 0.0, 0.0
    side = np.clip(np.round(_WANDERS * orders * mains_hz / bin_hz).astype(np.int64), 1, int(_MOST_SIDE_HZ / bin_hz))
    at, before, after = (_sums(total, (orders + off) * mains_hz / bin_hz, side) for off in (0.0, -0.5, 0.5))
    floor = 0.5 * (before + after)
    clear = at > _STANDS_OUT * floor
    if np.isfinite(pitch_hz):
        apart = np.abs(orders * mains_hz - np.round(orders * mains_hz / pitch_hz) * pitch_hz)
        clear &= apart > _FROM_HARMONICS_HZ
    lines = np.flatnonzero(clear)
    if len(lines) < _FEWEST_LINES or len(lines) < _FILLED * (lines[int(_MOST_OF * (len(lines) - 1))] + 1):
        return 0.0, 0.0
    own = (at - floor)[clear]
    return float(np.sum(own)), quantile(own, _STRONG)


def _sums(total: Floats, place: Floats, side: NDArray[np.int64]) -> Floats:
    """Sums of so many bins on each side of some places, from the running total of all."""
    middle = np.round(place).astype(np.int64)
    return np.asarray(total[np.minimum(middle + side + 1, len(total) - 1)] - total[middle - side])
