"""Two tones at once, beside the first of which the second was found: a line at one frequency, or one that beats.

A level that swings puts a sideband on each side of the tone; a second tone is one line with nothing opposite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.chord import NOTE_S
from listen.account.fixed_lines import FixedLine
from listen.account.lowrate import SampleSource
from listen.account.modulation import Swing
from listen.account.oscillator import SourceClass
from listen.sorting import median, median_of_known
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_WINDOWS_S = (2.0, 6.0)
"""A Hann line is 1 Hz wide on each side, or a third: beats of 2 Hz, or of 0.7, are told from one tone."""
_LOBES, _REACH_HZ = 2.0, 15.0
"""Half of the main lobe, in turns of the window; and how far from the stronger tone the second is looked for: of a
quicker beat the tracker follows neither (two_tones)."""
_SECOND_DB = -10.0
"""A second tone from a third of the first one's level on: two tones, not a line beside one."""
_MIRROR_DB = -12.0
"""What lies opposite is fainter by this: a swing's sidebands are equal within 6 dB but where level and pitch swing
alike."""
_BOTH_SHARE = 0.9
"""Of the power near by that the two lines hold: a voice that trembles or a bell has more of them."""
_MOST_WINDOWS, _LEAST_SHARE = 8, 0.6
"""Spread over the take; two tones are in most."""
_ONE_PITCH_HZ = 0.5
"""Of both halves of a window: a retune by less than lines of 2 s are apart makes no two lines."""
_DIPS, _DIP_DB = 3, 8.0
"""Places where the level of one unbroken tone falls to two fifths and comes back: what is worth a spectrum."""


def beating(
    capture: SampleSource, frames: Frames, rows: Flags, heard: SourceClass, lines: tuple[Swing, ...], resting: Flags
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
    resting : ndarray of bool, shape (n,)
        Rows in which the control rests.

    Returns
    -------
    SourceClass
    """
    if max((line.depth for line in lines), default=0.0) < 10 ** (_SECOND_DB / 20) and _dips(frames, rows) < _DIPS:
        return heard
    for window_s in _WINDOWS_S:
        pairs = _pairs(capture, frames, np.where(rows, frames.segment, -1), resting, window_s)
        if pairs:
            low, high, weaker = (median(np.array(column)) for column in zip(*pairs, strict=True))
            return replace(heard, source="two-tones", low_hz=low, high_hz=high, weaker_dbc=weaker)
    # further off than the spectra reach, a line alone on one side of the tone tells as much
    far = [line for line in lines if line.one_sided and line.rate_hz > _REACH_HZ and line.segment.seconds > NOTE_S]
    strong = [line for line in far if line.depth > 10 ** (_SECOND_DB / 20)]
    if not strong:
        return heard
    most = max(strong, key=lambda line: line.depth)
    low, high = sorted((most.segment.f0_hz, most.line_hz))
    weaker = min(float(20 * np.log10(most.depth)), 0.0)
    return replace(heard, source="two-tones", low_hz=low, high_hz=high, weaker_dbc=weaker)


def with_strong_line(heard: SourceClass, lines: Sequence[FixedLine], tone_hz: float) -> SourceClass:
    """Class of a take in which a line that keeps its frequency is nearly as strong as the tone that is turned.

    Parameters
    ----------
    heard : SourceClass
        An oscillator.
    lines : sequence of FixedLine
        Strongest first.
    tone_hz : float
        Median pitch of the tone.
    """
    own = next((line for line in lines if line.level_dbc > _SECOND_DB and line.of_the_recording is not True), None)
    if own is None:
        return heard
    low_hz, high_hz = sorted((tone_hz, own.frequency_hz))
    return replace(heard, source="two-tones", low_hz=low_hz, high_hz=high_hz, weaker_dbc=min(own.level_dbc, 0.0))


def _pairs(
    capture: SampleSource, frames: Frames, own: NDArray[np.int64], resting: Flags, window_s: float
) -> list[tuple[float, float, float]]:
    """The two tones of each of some windows; none where most windows have one."""
    rate, reach = capture.true_rate_hz, round(0.5 * window_s / frames.row_every_s)
    spans = [(i, slice(i - reach, i + reach + 1)) for i in range(reach, len(own) - reach, max(1, reach // 4))]
    places = [i for i, span in spans if _unbroken(own[span], frames.f0_hz[span])]
    # two that are turned together smear: where the control rests is where they are told
    at_rest = [i for i in places if resting[i - reach : i + reach + 1].all()]
    whole = np.array(at_rest or places)
    if not len(whole):
        return []
    chosen = whole[np.unique(np.linspace(0, len(whole) - 1, _MOST_WINDOWS).astype(int))].tolist()
    found = []
    for i in chosen:
        middle = round(float(frames.time_s[i]) * rate)
        first = max(capture.start_sample, middle - round(0.5 * window_s * rate))
        x = capture.read(first, min(first + round(window_s * rate), capture.stop_sample))
        near_hz = median_of_known(frames.f0_hz[i - reach : i + reach + 1])
        pair = _pair(x, rate, near_hz, _LOBES / window_s)
        found += [pair] if pair is not None else []
    return found if len(found) >= max(2, _LEAST_SHARE * len(chosen)) or (found and len(chosen) == 1) else []


def _unbroken(segment: NDArray[np.int64], f0_hz: Floats) -> bool:
    """Whether one segment of tone fills a window, but for the nulls of beats: which may part it, at one pitch."""
    there = segment >= 0
    if np.count_nonzero(there) <= _LEAST_SHARE * len(segment):
        return False
    first, last = (median_of_known(np.where(there, f0_hz, np.nan)[half]) for half in _halves(len(segment)))
    return bool((segment[there] == segment[there][0]).all() or abs(last - first) < _ONE_PITCH_HZ)


def _halves(n: int) -> tuple[slice, slice]:
    return slice(0, n // 2), slice(n - n // 2, n)


def _dips(frames: Frames, rows: Flags) -> int:
    index = np.flatnonzero(rows)
    if not len(index):
        return 0
    low = frames.level_dbfs[index[0] : index[-1] + 1] < median(frames.level_dbfs[rows]) - _DIP_DB
    return int(np.count_nonzero(np.diff(low.astype(np.int8)) > 0))


def _pair(x: Floats, rate_hz: float, near_hz: float, lobe_hz: float) -> tuple[float, float, float] | None:
    """The two lines of a window, and the weaker's level against the stronger; None where there is one, or a swing."""
    if not np.isfinite(near_hz):
        return None
    n = len(x)
    power = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(n), 2 * n)) ** 2
    bin_hz = rate_hz / (2 * n)
    lobe, reach = round(lobe_hz / bin_hz), round(_REACH_HZ / bin_hz)
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
