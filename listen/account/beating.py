"""Two tones so near that the tracker follows their sum: one that beats, as no gain control makes a level swing.

A level that swings puts a sideband on each side of the tone; a second tone is one line with nothing opposite.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource
from listen.account.modulation import Swing
from listen.account.oscillator import SourceClass
from listen.sorting import median, median_of_known
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_WINDOW_S = 2.0
"""A Hann line is 1 Hz wide on each side: beats of 2 Hz are told from one tone."""
_LOBE_HZ, _REACH_HZ = 1.0, 15.0
"""Half of the main lobe; and how far from the stronger tone the second is looked for: a quicker beat is slower than the
tracker's frames of 8 ms too, and its two lines are told from each other there (two_tones)."""
_SECOND_DB = -10.0
"""A second tone from a third of the first one's level on: two tones, not a line beside one."""
_MIRROR_DB = -12.0
"""What lies opposite is fainter by this: a swing's sidebands are equal within 6 dB but where level and pitch swing
alike."""
_BOTH_SHARE = 0.9
"""Of the power near by that the two lines hold: a voice that trembles or a bell has more of them."""
_MOST_WINDOWS, _LEAST_SHARE = 8, 0.6
"""Spread over the take; two tones are in most."""
_DIPS, _DIP_DB = 3, 8.0
"""Places where the level of one unbroken tone falls to two fifths and comes back: what is worth a spectrum."""


def beating(
    capture: SampleSource, frames: Frames, rows: Flags, heard: SourceClass, lines: tuple[Swing, ...]
) -> SourceClass:
    """Class of a take in which two tones beat; as it was heard where there are none.

    Parameters
    ----------
    capture : Samples
    frames : Frames
    rows : ndarray of bool, shape (n,)
        Rows of the board's tone.
    heard : SourceClass
        An oscillator.
    lines : tuple of Swing
        Lines beside the tone that were found at its rests.

    Returns
    -------
    SourceClass
    """
    if max((line.depth for line in lines), default=0.0) < 10 ** (_SECOND_DB / 20) and _dips(frames, rows) < _DIPS:
        return heard
    rate, reach = capture.true_rate_hz, round(0.5 * _WINDOW_S / frames.row_every_s)
    own = np.where(rows, frames.segment, -1)
    whole = np.array([i for i in range(reach, len(own) - reach, max(1, reach // 4)) if _unbroken(own, i, reach)])
    if not len(whole):
        return heard
    found = []
    chosen = whole[np.unique(np.linspace(0, len(whole) - 1, _MOST_WINDOWS).astype(int))].tolist()
    for i in chosen:
        middle = round(float(frames.time_s[i]) * rate)
        first = max(capture.start_sample, middle - round(0.5 * _WINDOW_S * rate))
        x = capture.read(first, min(first + round(_WINDOW_S * rate), capture.stop_sample))
        pair = _pair(x, rate, median_of_known(frames.f0_hz[i - reach : i + reach + 1]))
        found += [pair] if pair is not None else []
    if len(found) < max(2, _LEAST_SHARE * len(chosen)):
        return heard
    low, high, weaker = (median(np.array(column)) for column in zip(*found, strict=True))
    return replace(heard, source="two-tones", low_hz=low, high_hz=high, weaker_dbc=weaker)


def _unbroken(own: NDArray[np.int64], i: int, reach: int) -> bool:
    """Whether one segment of tone fills a window, but for the nulls of beats."""
    part = own[i - reach : i + reach + 1]
    there = part[part >= 0]
    return bool(len(there) > _LEAST_SHARE * len(part) and (there == there[0]).all())


def _dips(frames: Frames, rows: Flags) -> int:
    index = np.flatnonzero(rows)
    if not len(index):
        return 0
    low = frames.level_dbfs[index[0] : index[-1] + 1] < median(frames.level_dbfs[rows]) - _DIP_DB
    return int(np.count_nonzero(np.diff(low.astype(np.int8)) > 0))


def _pair(x: Floats, rate_hz: float, near_hz: float) -> tuple[float, float, float] | None:
    """The two lines of a window, and the weaker's level against the stronger; None where there is one, or a swing."""
    if not np.isfinite(near_hz):
        return None
    n = len(x)
    power = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(n), 2 * n)) ** 2
    bin_hz = rate_hz / (2 * n)
    lobe, reach = round(_LOBE_HZ / bin_hz), round(_REACH_HZ / bin_hz)
    low, high = max(1, round(near_hz / bin_hz) - 2 * reach), min(len(power), round(near_hz / bin_hz) + 2 * reach)
    if high - low < 4 * lobe:
        return None
    first = low + int(np.argmax(power[low:high]))
    low, high = max(1, first - reach), min(len(power), first + reach + 1)
    rest = power[low:high].copy()
    rest[max(0, first - low - 2 * lobe) : first - low + 2 * lobe + 1] = 0.0
    second = low + int(np.argmax(rest))
    weaker = 10 * float(np.log10(max(power[second], 1e-30) / power[first]))
    opposite = power[max(1, 2 * first - second - lobe) : 2 * first - second + lobe + 1]
    mirror = 10 * float(np.log10(max(float(opposite.max(initial=0.0)), 1e-30) / max(power[second], 1e-30)))
    both = sum(float(power[p - lobe : p + lobe + 1].sum()) for p in (first, second))
    if weaker < _SECOND_DB or mirror > _MIRROR_DB or both < _BOTH_SHARE * float(power[low:high].sum()):
        return None
    return min(first, second) * bin_hz, max(first, second) * bin_hz, weaker
