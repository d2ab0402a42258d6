"""Lines that stay at one frequency whatever the tone does: an amplifier's own oscillation, a neighbour, a screen.

Spectra of a sixth of a second: in a turn the tone and its harmonics smear, what is fixed in hertz stays sharp.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.chord import FEWEST_NOTES, unrelated
from listen.account.lowrate import SampleSource
from listen.account.mains_wander import OFF_ITS_MEAN
from listen.account.tone import BoardTone
from listen.account.zone_lines import zone_lines
from listen.sorting import quantile
from listen.track import Frames, short_spectra

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_WINDOW_S = 0.17
"""Made a power of two of samples, 8192 at 48 kHz. A Hann line is then 12 Hz wide on each side, and a tone of 1 kHz
moves as much in it in a slow turn (120 cents a second): it smears. Twice as long parts better, but a line of 0.2 s is
lost in it."""
_MOST_WINDOWS = 240
"""Spectra of a take, spread evenly over it: 41 s without gaps, and 4 MB however long it is."""
_HIGHEST = 0.45
"""Of the sample rate: from there on a converter's filter (half-band: down from 0.55 on) lets harmonics of a wave with
edges fold, and where many crowd some stand still.
"""
_FLOOR_HZ = 60.0
"""What lies beside a line is a median of every other of 21 bins: its own lobe fills three of them, and coloured noise
changes little over 120 Hz."""
_SURE_DB = 13.0
"""Over the median of what lies beside it: noise of any colour stays within 10 dB (white, simulated: 9.4 dB in three
windows, the fewest, and 1.6 dB in 240)."""
_GUARD_HZ, _GUARD_SHARE, _HIGH_GUARD_SHARE = 60.0, 0.04, 0.0005
"""So near to a harmonic its own skirts lie: hunting at up to 45 Hz and the window's 12 Hz; a hand's tremor, most of a
semitone, which of high harmonics would hide everything: there the window's own width is all but what is left."""
_MOVES = 0.01
"""A pitch that moves by so much within a window has skirts as wide as the guard; of one at rest hunting's are all."""
_LOWEST_HZ = 20.0
"""The lowest pitch that is heard; below it lie a coupling's settling and wind."""
_MAINS_TO_HZ = 700.0
"""Below this, lines at multiples of a mains that was heard are its own: ripple of a rectifier has more of them than are
subtracted."""
_MAINS_BINS = 1.5
"""Within a Hann line's lobe: a weak line is pulled as far by the skirts of strong ones."""
_CLEAR_DB, _CLEAR_BINS = 25.0, 0.4
"""A line that stands out so far is pulled by nothing: its frequency is known to a tenth of a bin, and told from a
multiple of the mains from four of these on."""
_FAINT_LINE_DBC, _STRONG_LINE_DBC = -80.0, -40.0
"""Levels of a harmonic between which its guard grows from the window's lobe to the whole: skirts lie 20 dB under a line
and more, so that those of -40 dBc come up to the faintest line that is taken, those of -80 dBc to nothing."""
_LEAST_WINDOWS, _LEAST_SHARE = 3, 0.125
"""Windows in which a bin must be free of harmonics: where these lie close, as of a low note, a line shows at one rest
of several alone."""
_STEEP = 10 ** (6.0 / 10)
"""A Hann line falls by 6 dB or more to the bin beyond its middle's neighbour; skirts of a line further off by less."""
IN_SILENCE = 0.4
"""A line that keeps this much of its level (-8 dB) where the tone does not sing is the recording's: noise adds to it
there, a gain control raises it."""
_LEAST_DBC = -62.0
"""12 dB under the limit of a line that is no harmonic, -50 dBc: fainter ones change nothing that is judged."""

_ENDS_DB, _SOMEWHERE = 20.0, 0.95
"""A line that falls to less than a tenth where nothing else sounds ends with it: a voice on one pitch leaves 26 dB less
in 95 % of its pauses (synthesised speech under a board), a board's own line stays. It may be there in a part of the
tuning alone: one window in twenty counts."""
_STEADY_DB, _NOTE_HZ, _HIGHEST_NOTE_HZ = 12.0, 3.0, 2100.0
"""From the 20th to the 80th of 100 windows: 32 notes of chords on a synthesised radio moved by 15 to 56 dB, ten steady
lines by 2 dB at the most. What a line's frequency is known to. And the highest note of a voice, C7 (of common
instruments few go higher: common practice, no source); bursts on the cycle have lines about their own, far over it."""
_SMEARED_HZ = 2.5 * _FLOOR_HZ
"""A high harmonic that moves over so much in a window stands out of nothing: the floor about a line is read in less.
Those of a wave with edges fold at the converter's, where some stand still."""
_LOW_SHARE, _GROWN = 0.1, 0.35
"""Of what is tracked but faint: 3 dB (natural logarithm) over its lowest tenth a tone grows or dies."""
_SIDEBAND_BINS = 3.5
"""A Hann line's lobe of two bins on each side, and what a pitch at rest is off."""
_UNDER_DB = 6.0
"""Harmonics further under the faintest line that is taken hide nothing: half of its amplitude."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedLine:
    """One line at a fixed frequency.

    Attributes
    ----------
    frequency_hz : float
    time_s, level_dbfs : ndarray, shape (w,)
        Level in each window; NaN where a harmonic of the tone hides it.
    level_dbc : float
        Against the tone, where it is there: 80th percentile.
    of_the_recording : bool or None
        It is there in silence too, or a note; None: there is no silence to tell by.
    comes_again : bool
        It comes at the same pitches in every pass over them: no sound of the room does.
    is_note : bool
        It comes and goes, as others do that are no harmonics of it: music in the room.
    """

    frequency_hz: float
    time_s: Floats
    level_dbfs: Floats
    level_dbc: float
    of_the_recording: bool | None
    comes_again: bool = False
    is_note: bool = False

    def power_over(self, frames: Frames, tone: BoardTone) -> Floats:
        """Power against the fundamental's, row by row; where a harmonic hides it, its usual level."""
        usual = self.level_dbc + tone.settled_dbfs
        level = np.interp(frames.time_s, self.time_s, np.nan_to_num(self.level_dbfs, nan=usual))
        with np.errstate(invalid="ignore"):
            return np.asarray(np.nan_to_num(10 ** ((level - frames.fundamental_dbfs) / 10)))


def lasts(line: FixedLine, time_s: Floats, touched: Flags) -> bool:
    """Whether a line goes on outside the rows that sounds of the room affect, where it can be seen, or comes again.

    Parameters
    ----------
    line : FixedLine
    time_s : ndarray, shape (n,)
        Of the rows.
    touched : ndarray of bool, shape (n,)
    """
    seen = np.isfinite(line.level_dbfs)
    inside = seen & (np.interp(line.time_s, time_s, touched.astype(float)) > 0.0)
    outside = seen & ~inside
    if line.comes_again or min(np.count_nonzero(inside), np.count_nonzero(outside)) < _LEAST_WINDOWS:
        return True
    there, loudest = np.quantile(line.level_dbfs[inside], 0.8), np.quantile(line.level_dbfs[outside], _SOMEWHERE)
    return bool(there - loudest < _ENDS_DB)


def window_s(rate_hz: float) -> float:
    """Length of the windows whose spectra are read."""
    return float((1 << round(np.log2(_WINDOW_S * rate_hz))) / rate_hz)


def find_fixed_lines(
    capture: SampleSource,
    tone: BoardTone,
    levels_dbc: Floats,
    half_orders: bool,
    mains_hz: float | None = None,
    ripple_hz: float | None = None,
    buzz: bool = False,
) -> list[FixedLine]:
    """Find lines at a fixed frequency, strongest first (at most four).

    Parameters
    ----------
    capture : Samples
    tone : BoardTone
    levels_dbc : ndarray, shape (11,)
        Of the tone's harmonics 1 to 10, and of those above together.
    half_orders : bool
        Alternate cycles of the tone differ.
    mains_hz : float, optional
        Frequency of the mains that is heard in the take, whose multiples are none of these lines; None: none is.
    ripple_hz : float, optional
        Rate at which the mains modulates the tone, whose sidebands are none either; None: it does not.
    buzz : bool
        Multiples of the mains reach up to where the converter's filter begins, and not 700 Hz alone.
    """
    rate = capture.true_rate_hz
    size = 1 << round(np.log2(_WINDOW_S * rate))
    total = capture.stop_sample - capture.start_sample
    if total < 3 * size:
        return []
    count = min(_MOST_WINDOWS, total // size)
    starts = capture.start_sample + np.linspace(0, total - size, count).astype(np.int64)
    power = _spectra(capture, starts, size)
    time_s = (starts + 0.5 * size) / rate
    bin_hz = rate / size
    hidden = _hidden(tone, time_s, _WINDOW_S, power.shape[1], bin_hz, levels_dbc, 0.5 if half_orders else 1.0)
    hidden[:, int(_HIGHEST * size) :] = True
    if ripple_hz is not None:
        _hide_sidebands(hidden, tone, time_s, bin_hz, ripple_hz)
    singing = _singing(tone, time_s)
    usual = _high_share(np.where(hidden, np.nan, power), 0.8)
    candidates = np.flatnonzero(_stand_out(usual, tone.settled_dbfs, bin_hz, mains_hz, buzz))
    found: list[FixedLine] = []
    for i in candidates[np.argsort(-usual[candidates])][:8].tolist():
        if any(abs(i * bin_hz - line.frequency_hz) < 3 * bin_hz for line in found):
            continue
        if np.count_nonzero(singing & ~hidden[:, i]) < _LEAST_WINDOWS:
            continue  # where the tone sounds nothing is known of it
        found.append(_line(i, power, hidden, singing, tone, time_s, bin_hz))
    for line in zone_lines(power, usual, hidden, singing, tone, time_s)[:4]:
        one = _line(line.place, power, hidden, line.there, tone, time_s, bin_hz)
        if one.level_dbc > _LEAST_DBC and all(abs(one.frequency_hz - x.frequency_hz) > 3 * bin_hz for x in found):
            found.append(replace(one, of_the_recording=False, comes_again=True))
    return with_notes(sorted(found, key=lambda line: -line.level_dbc)[:4], singing)


def _stand_out(usual: Floats, tone_dbfs: float, bin_hz: float, mains_hz: float | None, buzz: bool) -> Flags:
    """Bins that stand out of what lies beside them, loud enough against the tone, and at no multiple of the mains."""
    with np.errstate(invalid="ignore", divide="ignore"):
        prominence_db = 10 * np.log10(usual / _local_floor(usual, bin_hz))
        dbc = 10 * np.log10(1.5 * usual) - tone_dbfs
    clear = _peaks(usual) & (prominence_db > _SURE_DB) & (dbc > _LEAST_DBC)
    return np.asarray(clear & ~_mains(usual, prominence_db, bin_hz, mains_hz, buzz))


def _spectra(capture: SampleSource, starts: NDArray[np.int64], size: int) -> NDArray[np.float32]:
    """Power in each bin of each window; a line's Hann bins hold 1.5 times its own."""
    window = np.hanning(size + 1)[:-1]
    power = np.empty((len(starts), size // 2 + 1), dtype=np.float32)
    frame, spectrum = np.empty((1, size), dtype=np.float32), np.empty((1, size // 2 + 1), dtype=np.complex64)
    for i, start in enumerate(starts.tolist()):
        frame[0] = capture.read(start, start + size) * window
        short_spectra(frame, spectrum)
        power[i] = spectrum.real[0] ** 2 + spectrum.imag[0] ** 2
    power *= 2.0 * (2.0 / window.sum()) ** 2 / 2.0
    return power


def with_notes(lines: list[FixedLine], singing: Flags) -> list[FixedLine]:
    """The same, and which are notes: of several that come and go and are no harmonics of each other.

    Parameters
    ----------
    lines : list of FixedLine
    singing : ndarray of bool, shape (w,)
        Windows in which the tone sounds.
    """
    low = [line for line in lines if line.frequency_hz < _HIGHEST_NOTE_HZ and not line.comes_again]
    notes = [line for line in low if _comes_and_goes(line, singing)]
    if unrelated([line.frequency_hz for line in notes], _NOTE_HZ) < FEWEST_NOTES:
        return lines
    return [replace(line, of_the_recording=True, is_note=True) if line in notes else line for line in lines]


def _comes_and_goes(line: FixedLine, singing: Flags) -> bool:
    level = line.level_dbfs[singing & np.isfinite(line.level_dbfs)]
    return len(level) > 0 and float(np.subtract(*np.quantile(level, [0.8, 0.2]))) > _STEADY_DB


def _peaks(usual: Floats) -> Flags:
    """Bins over both neighbours; where a harmonic hides one of these, a line is far over the other."""
    out = np.zeros(len(usual), dtype=bool)
    here, before, after = usual[2:-2], usual[1:-3], usual[3:-1]
    with np.errstate(invalid="ignore"):
        out[2:-2] = (here >= before) & (here >= after)
        out[2:-2] |= np.isnan(after) & (here > _STEEP * before) | np.isnan(before) & (here > _STEEP * after)
    return out


def _line(
    i: int, power: NDArray[np.float32], hidden: Flags, singing: Flags, tone: BoardTone, time_s: Floats, bin_hz: float
) -> FixedLine:
    near = slice(max(0, i - 2), i + 3)
    own = np.sum(power[:, near], axis=1) / 1.5
    seen = ~hidden[:, i]
    with np.errstate(divide="ignore"):
        level = np.where(seen, 10 * np.log10(2.0 * 0.5 * own), np.nan)
    at_tone = seen & singing
    loudest = at_tone if at_tone.any() else seen
    loud = level[loudest]
    dbfs = float(np.quantile(loud, 0.8)) if len(loud) else -200.0
    silent = seen & ~singing
    of_recording = None
    if np.count_nonzero(silent) >= 2:
        of_recording = bool(np.median(level[silent]) > dbfs + 20 * np.log10(IN_SILENCE))
    shape = np.median(power[loudest, near], axis=0) if loudest.any() else np.zeros(near.stop - near.start)
    centre, weight = float(np.sum(np.arange(near.start, near.stop) * shape)), float(np.sum(shape))
    return FixedLine(
        frequency_hz=(centre / weight if weight > 0 else i) * bin_hz,
        time_s=time_s,
        level_dbfs=level,
        level_dbc=dbfs - tone.settled_dbfs,
        of_the_recording=of_recording,
    )


def _singing(tone: BoardTone, time_s: Floats) -> Flags:
    index = np.clip(np.round((time_s - tone.time_s[0]) / tone.grid_s).astype(np.int64), 0, len(tone.time_s) - 1)
    return np.asarray(tone.strong[index])


def _hidden(
    tone: BoardTone, time_s: Floats, width_s: float, bins: int, bin_hz: float, levels_dbc: Floats, step: float
) -> Flags:
    """Bins near a harmonic of the tone (or a half order), window by window.

    ``levels_dbc``: of harmonics 1, 2 .. 11, the last for all above. A strong line has skirts: a hand's tremor, hunting.
    """
    hidden = np.zeros((len(time_s), bins), dtype=bool)
    strength = np.clip((levels_dbc - _FAINT_LINE_DBC) / (_STRONG_LINE_DBC - _FAINT_LINE_DBC), 0.0, 1.0)
    strong = levels_dbc > _LEAST_DBC - _UNDER_DB
    edges = bool(levels_dbc[7:10].max() > _LEAST_DBC)
    # an even part of the wave has an offset of its H2's size, which moves with the level as the harmonics do
    hidden[:, : max(2, int(max(_LOWEST_HZ, 3.5 * bin_hz + strength[1] * _GUARD_HZ) / bin_hz))] = True
    own_places = _own_places(tone)
    begin = np.searchsorted(tone.time_s, time_s - 0.5 * width_s)
    end = np.maximum(np.searchsorted(tone.time_s, time_s + 0.5 * width_s), begin + 1)
    for i, (a, b) in enumerate(zip(begin.tolist(), end.tolist(), strict=True)):
        there = own_places[a:b]
        if not there.any():
            continue
        f0 = tone.f0_hz[a:b][there]
        low, high = float(f0.min()), float(f0.max())
        order = np.arange(step, int(bins * bin_hz / low) + 1, step)
        own = strength[np.minimum(order.astype(np.int64), len(strength)) - 1] if step == 1.0 else 1.0
        moves = min((high / low - 1.0) / _MOVES, 1.0)
        share = np.where(order > 10, _HIGH_GUARD_SHARE, _GUARD_SHARE * moves)
        guard = np.where(order > 10, 2.5, 3.5) * bin_hz
        guard = guard + own * np.maximum(np.where(order > 10, 0.0, _GUARD_HZ), share * order * high)
        first = np.maximum(0, ((order * low - guard) / bin_hz).astype(np.int64))
        last = np.minimum(bins, ((order * high + guard) / bin_hz).astype(np.int64) + 2)
        marks = np.zeros(bins + 1, dtype=np.int64)
        hides = strong[np.minimum(order.astype(np.int64), len(strong)) - 1] | (step < 1.0)
        hides &= (order <= 10) | ((high - low) * order < _SMEARED_HZ) | edges
        good = (first < last) & hides
        np.add.at(marks, first[good], 1)
        np.add.at(marks, last[good], -1)
        hidden[i] |= np.cumsum(marks)[:-1] > 0
    return hidden


def _own_places(tone: BoardTone) -> Flags:
    """Places where the tone sounds, its growth and its decay included.

    What is tracked before and after may be a line that sounds in the silence: that does not hide itself, and stays at
    one level.
    """
    out = tone.strong.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], tone.tracked.view(np.int8), [0]])))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        faint = ~tone.strong[a:b]
        if faint.any() and not faint.all():
            level = tone.log_level[a:b]
            out[a:b] |= faint & (level > quantile(level[faint], _LOW_SHARE) + _GROWN)
    return out


def _hide_sidebands(hidden: Flags, tone: BoardTone, time_s: Floats, bin_hz: float, ripple_hz: float) -> None:
    """Mark the bins of the fundamental's sidebands, window by window."""
    f0_hz = np.interp(time_s, tone.time_s[tone.tracked], tone.f0_hz[tone.tracked])
    frequency = np.arange(hidden.shape[1]) * bin_hz
    for multiple in (1, 2, 3):
        for side in (-multiple, multiple):
            middle = np.abs(f0_hz + side * ripple_hz)
            hidden |= np.abs(frequency - middle[:, None]) < _SIDEBAND_BINS * bin_hz


def _high_share(power: Floats, share: float) -> Floats:
    """Quantile over the windows with a value; NaN where too few have one."""
    ordered = np.sort(np.ascontiguousarray(power.T), axis=1).T
    count = np.sum(np.isfinite(ordered), axis=0)
    place = np.clip((share * (count - 1)).astype(np.int64), 0, len(power) - 1)
    out = np.take_along_axis(ordered, place[None, :], axis=0)[0].astype(float)
    out[count < max(_LEAST_WINDOWS, int(_LEAST_SHARE * len(power)))] = np.nan
    return np.asarray(out)


def _local_floor(usual: Floats, bin_hz: float) -> Floats:
    """Local noise floor: median of the bins around each bin."""
    reach = max(8, int(_FLOOR_HZ / bin_hz))
    padded = np.concatenate([np.full(reach, np.nan), usual, np.full(reach, np.nan)])
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    some = np.sort(views[:, ::2], axis=1)
    count = np.sum(np.isfinite(some), axis=1)
    out = np.take_along_axis(some, np.maximum(count // 2, 0)[:, None], axis=1)[:, 0]
    out[count < 4] = np.nan
    return np.asarray(out)


def _mains(usual: Floats, prominence_db: Floats, bin_hz: float, mains_hz: float | None, buzz: bool) -> Flags:
    """Bins at multiples of the mains that is heard."""
    if mains_hz is None:
        return np.zeros(len(usual), dtype=bool)
    known, bins = np.nan_to_num(usual), np.arange(len(usual), dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = np.convolve(known * bins, np.ones(5), mode="same") / np.convolve(known, np.ones(5), mode="same")
    clear = prominence_db > _CLEAR_DB
    place = np.where(clear & np.isfinite(middle), middle, bins)
    order = np.maximum(np.round(place * bin_hz / mains_hz), 1.0)
    near = np.abs(place - order * mains_hz / bin_hz) < np.where(clear, _CLEAR_BINS, _MAINS_BINS) + OFF_ITS_MEAN * place
    return np.asarray(near & (buzz | (bins * bin_hz < _MAINS_TO_HZ)))
