"""Classification of the source: an oscillator is one tone of continuous phase with harmonics at integer ratios."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account.chord import is_chord
from listen.account.lowrate import SampleSource
from listen.account.tone import CLEAN_DBC, HELD_DB, BoardTone, dies_away, is_another_pitch
from listen.sorting import median, quantile
from listen.track import MAINS_HZ, Frames

Floats = NDArray[np.floating[Any]]

SourceKind = Literal["oscillator", "two-tones", "not-an-oscillator", "absent"]

_SOUNDING_DB = 26.0
"""Under the loudest 20 ms a take is not sounding: room and noise lie there, and a tone that fades is still heard to a
twentieth."""
_TONE_SHARE = 0.6
"""Of the sounding time so much must hold a clean tone: oscillators, faulty ones included, had 0.89 or more, speech and
instruments 0.7 or less, but for a held note."""
_USUAL_DBC = -18.0
"""80 of 100 rows of an oscillator's tone leave less, a level that moves and alternate cycles that differ taken off."""
_ALL_SHARE = 0.97
"""... or nearly all of the sounding time is one tone: a core that misses resets is, no voice or instrument was."""
_OUTWEIGHED_DB, _OUTWEIGHED_SHARE = 1.0, 0.4
"""The fundamental is the strongest line of a sine, triangle, square, pulse and sawtooth, whatever bends it; of a voice
or a string a formant or the body's resonance often is: in 0.67 to 1 of the rows of songs, in none of oscillators."""
_BOARD_S, _BOARD_SHARE = 1.5, 0.25
"""A board that sings cleanly for so long, and so much of the take, is one, whatever else sounds in the room: longer
than a syllable, and more than one held note of a song. Chosen."""
_NOTES, _NOTES_PER_S = 4, 0.4
"""A tone that falls silent and begins again at another pitch so often, and so often in a second of tone, is played:
boards that die, or are switched, did three times at most and 0.3 times a second; melodies, bells and drums 0.44 to
4."""
_NOTE_ROWS, _NOTE_SILENT_DB = 25, 12.0
"""In the silence the level falls to a quarter or less of what it has within half a second on both sides: at a step of
the control it holds."""
_STEP_ROWS, _STEP_CENTS = 4, 100.0
"""From note to note within 80 ms, by more than a semitone: a step of a board's control is as quick, and noise-free."""
_BREATH_DBC, _STEADIEST, _BREATH_OVER_DB = -27.0, 0.2, 20.0
"""Breath noise is a tenth to a twentieth of a blown note (synthesised ones: -23 to -26 dBc), and ends with it. Rows in
which a board's level turns round, a fifth at the least, hold none of what its swing leaves."""
_PLUCKED_ROWS, _PLUCKED_SHARE, _PITCHES = 10, 0.6, 3
"""Notes of 0.2 s and longer that die away, more than half of all, at three pitches or more: strings, bars and tines
(synthesised: 4 to 17 dB a second). A board's level settles after a step within less of its rest."""
_HUM_OFF, _HUM_SPREAD, _HUM_THD_PERCENT, _HUM_SHARE = 0.004, 0.002, 10.0, 0.95
"""Hum alone, where a sine is meant: from end to end at the mains' frequency, of which grids keep 0.4 %, as steady as
that, and with more multiples than a sine board leaves that is not badly at fault."""
_FEWEST_CYCLES = 10.0
"""A click's ring has fewer: of less nothing is said but that no oscillation is there."""
_LEAST = 1e-12
"""Keeps a logarithm from zero, 120 dB down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceClass:
    """Class of the sound in a take.

    Attributes
    ----------
    source : {'oscillator', 'two-tones', 'not-an-oscillator', 'absent'}
    clean_share : float
        Part of the sounding time that holds a clean tone.
    residual_dbc : float
        Median of what the harmonics leave.
    low_hz, high_hz, weaker_dbc : float or None
        Of two tones: their pitches, and the weaker one's level.
    played, no_sine : bool
        Notes with silences between them; one tone whose harmonics no bent sine has.
    """

    source: SourceKind
    clean_share: float
    residual_dbc: float
    low_hz: float | None = None
    high_hz: float | None = None
    weaker_dbc: float | None = None
    played: bool = False
    no_sine: bool = False


def classify_source(frames: Frames, tone: BoardTone | None, explained: Floats, *, sine: bool = True) -> SourceClass:
    """Classify the source: an oscillator, two tones, other sound, or nothing.

    Parameters
    ----------
    frames : Frames
    tone : BoardTone or None
    explained : ndarray, shape (n,)
        Power between the harmonics, against the fundamental's, that the board's own tone makes.
    sine : bool
        A sine is meant.
    """
    tracked = frames.oscillating
    if tone is None or not tracked.any():
        return SourceClass(source="absent", clean_share=0.0, residual_dbc=0.0)
    cycles = float(np.sum(frames.f0_hz[tracked])) * frames.row_every_s + 4.0
    if cycles < _FEWEST_CYCLES:
        return SourceClass(source="absent", clean_share=0.0, residual_dbc=0.0)
    if sine and _is_hum(frames):
        return SourceClass(source="absent", clean_share=0.0, residual_dbc=0.0)
    sounding = frames.level_dbfs > float(np.nanmax(frames.level_dbfs)) - _SOUNDING_DB
    with np.errstate(invalid="ignore", divide="ignore"):
        residual_dbc = 10 * np.log10(np.maximum(10 ** (frames.residual_dbc / 10) - explained, _LEAST))
    residual = np.where(tracked, residual_dbc, 0.0)
    residual = np.where(np.isfinite(residual), residual, 0.0)
    share = float(np.mean(residual[sounding] < CLEAN_DBC))
    usual = median(residual[sounding])
    rows = tone.rows
    own = residual_dbc[rows]
    own = own[np.isfinite(own)]
    own_usual = quantile(own, 0.8) if len(own) else 0.0
    seconds = float(np.count_nonzero(own < CLEAN_DBC)) * frames.row_every_s
    length = max(len(frames), 1) * frames.row_every_s
    clean = rows & (frames.residual_dbc < CLEAN_DBC)
    outweighed = np.mean((frames.harmonics_dbc[clean] > _OUTWEIGHED_DB).any(axis=1)) if clean.any() else 0.0
    played = _is_played(frames, rows) or _is_blown(frames, rows) or _is_plucked(frames, rows)
    is_board = outweighed < _OUTWEIGHED_SHARE and not played
    is_board &= (own_usual < _USUAL_DBC or share > _ALL_SHARE) and (
        share > _TONE_SHARE or (seconds > _BOARD_S and seconds > _BOARD_SHARE * length)
    )
    source: SourceKind = "oscillator" if is_board else "not-an-oscillator"
    return SourceClass(source=source, clean_share=share, residual_dbc=usual, played=played)


def _is_hum(frames: Frames) -> bool:
    """Whether all of the take is hum: mains at one frequency with its multiples."""
    tracked = frames.oscillating
    if np.mean(tracked) < _HUM_SHARE:
        return False
    f0_hz = frames.f0_hz[tracked]
    middle_hz = median(f0_hz)
    if all(abs(middle_hz / mains - 1.0) > _HUM_OFF for mains in MAINS_HZ):
        return False
    spread = quantile(f0_hz, 0.95) - quantile(f0_hz, 0.05)
    return bool(spread < _HUM_SPREAD * middle_hz and median(frames.thd_percent[tracked]) > _HUM_THD_PERCENT)


def _is_played(frames: Frames, rows: NDArray[np.bool_]) -> bool:
    """Whether the tone is a row of notes with silences between them."""
    index = np.flatnonzero(rows & np.isfinite(frames.f0_hz))
    if len(index) < 2:
        return False
    level = np.nan_to_num(frames.level_dbfs, nan=-np.inf)
    notes = 0
    for i in np.flatnonzero(np.diff(index) > 1).tolist():
        a, b = int(index[i]), int(index[i + 1])
        gap_s = float(frames.time_s[b] - frames.time_s[a])
        if not is_another_pitch(float(frames.f0_hz[a]), float(frames.f0_hz[b]), gap_s):
            continue
        sides = level[max(0, a + 1 - _NOTE_ROWS) : a + 1].max(), level[b : b + _NOTE_ROWS].max()
        notes += level[a + 1 : b].min() < min(sides) - _NOTE_SILENT_DB
    return bool(notes >= _NOTES and notes > _NOTES_PER_S * len(index) * frames.row_every_s)


def _is_blown(frames: Frames, rows: NDArray[np.bool_]) -> bool:
    """Whether the tone goes from note to note and has a breath or a bow's noise, which the silence has not."""
    index = np.flatnonzero(rows & np.isfinite(frames.f0_hz) & np.isfinite(frames.residual_dbc))
    quiet = ~frames.oscillating & np.isfinite(frames.level_dbfs)
    if len(index) <= _STEP_ROWS or not quiet.any():
        return False
    cents = 1200.0 * np.log2(frames.f0_hz[index])
    apart = np.abs(cents[_STEP_ROWS:] - cents[:-_STEP_ROWS]) > _STEP_CENTS
    steps = np.count_nonzero(np.diff(apart.astype(np.int8)) > 0)
    if steps < _NOTES or steps < _NOTES_PER_S * len(index) * frames.row_every_s:
        return False
    breath_dbc = quantile(frames.residual_dbc[index], _STEADIEST)
    breath_dbfs = median((frames.level_dbfs + frames.residual_dbc)[index])
    return breath_dbc > _BREATH_DBC and median(frames.level_dbfs[quiet]) < breath_dbfs - _BREATH_OVER_DB


def _is_plucked(frames: Frames, rows: NDArray[np.bool_]) -> bool:
    """Whether the tone is a row of notes that die away from their first moment, at several pitches."""
    index = np.flatnonzero(rows & np.isfinite(frames.f0_hz))
    if len(index) <= _STEP_ROWS:
        return False
    cents, level = 1200.0 * np.log2(frames.f0_hz[index]), frames.level_dbfs[index]
    begins = (np.diff(index) > 1) | (np.abs(np.diff(cents)) > _STEP_CENTS) | (np.diff(level) > HELD_DB)
    edges = [0, *(np.flatnonzero(begins) + 1).tolist(), len(index)]
    notes = [(a, b) for a, b in itertools.pairwise(edges) if b - a >= _PLUCKED_ROWS]
    dying = [(a, b) for a, b in notes if _is_plucked_note(level[a:b])]
    pitches = {round(median(cents[a:b]) / _STEP_CENTS) for a, b in dying}
    enough = len(dying) >= max(_NOTES, _PLUCKED_SHARE * len(notes), _NOTES_PER_S * len(index) * frames.row_every_s)
    return bool(enough and len(pitches) >= _PITCHES)


def _is_plucked_note(level_dbfs: Floats) -> bool:
    """Whether a note dies away from its begin on: none of its second half is near the loudest."""
    late = level_dbfs[len(level_dbfs) // 2 :]
    return dies_away(level_dbfs) and not bool((late > level_dbfs.max() - HELD_DB).any())


def two_tones(capture: SampleSource, frames: Frames, heard: SourceClass) -> SourceClass:
    """Detect two oscillators: two harmonic series that contain nearly all power, window by window.

    Parameters
    ----------
    capture : Samples
    frames : Frames
    heard : Heard
        Not an oscillator; or absent, where two tones of one level may be too near for the tracker to follow either.
    """
    rate = capture.true_rate_hz
    near = heard.source == "absent"
    size = round((_TWO_NEAR_WINDOW_S if near else _TWO_WINDOW_S) * rate)
    loud = np.flatnonzero(frames.level_dbfs > float(np.nanmax(frames.level_dbfs)) - _TWO_WITHIN_DB)
    if len(loud) * frames.row_every_s < 2 * size / rate:
        return heard
    times = frames.time_s[loud[:: max(1, len(loud) // _TWO_WINDOWS)]]
    pairs = []
    seen = chords = 0
    for time_s in times.tolist():
        start = int(
            np.clip(
                time_s * rate - size // 2, capture.start_sample, max(capture.start_sample, capture.stop_sample - size)
            )
        )
        x = capture.read(start, min(start + size, capture.stop_sample))
        pair = _two_series(x, rate)
        seen += 1
        chords += near and is_chord(x, rate)
        if pair is not None and not _is_one_series(*pair[:2]):
            pairs.append(pair)
    if seen >= 4 and chords >= _TWO_SHARE * seen > len(pairs):
        return replace(heard, source="not-an-oscillator")
    if seen < 4 or len(pairs) < _TWO_SHARE * seen:
        return heard
    low, high, weaker = (median(np.array(column)) for column in zip(*pairs, strict=True))
    return replace(heard, source="two-tones", low_hz=low, high_hz=high, weaker_dbc=weaker)


def _two_series(x: Floats, rate_hz: float) -> tuple[float, float, float] | None:
    """Pitches of two harmonic series that hold nearly all of a window, and the weaker's level; None where none do."""
    n = len(x)
    power = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(n), 2 * n)) ** 2
    bin_hz = rate_hz / (2 * n)
    power[: int(_TWO_LEAST_HZ / bin_hz)] = 0.0
    total = float(power.sum())
    if total == 0.0:
        return None
    rest = power.copy()
    found: list[tuple[float, float]] = []
    for _ in range(2):
        peak = int(np.argmax(rest))
        if rest[peak] < 10 ** (_TWO_WEAKEST_DB / 10) * power.max():
            return None
        f0 = _refined(rest, peak) * bin_hz
        before = float(rest.sum())
        order = np.arange(1, int(0.45 * rate_hz / f0) + 1)
        for k in order.tolist():
            middle, reach = k * f0 / bin_hz, _TWO_REACH_BINS + _TWO_SMEAR * k * f0 / bin_hz
            rest[max(0, int(middle - reach)) : int(middle + reach) + 2] = 0.0
        found.append((f0, before - float(rest.sum())))
    if float(rest.sum()) > _TWO_RESIDUAL * total:
        return None
    (f1, p1), (f2, p2) = found
    weaker = 10 * float(np.log10(max(min(p1, p2), 1e-30) / max(p1, p2)))
    if weaker < _TWO_WEAKEST_DB or abs(np.log2(f1 / f2)) < _TWO_APART_OCTAVES:
        return None
    return min(f1, f2), max(f1, f2), weaker


def _is_one_series(low_hz: float, high_hz: float) -> bool:
    """Whether two pitches are harmonics of one, as those of hum alone are."""
    ratio = high_hz / low_hz
    return any(abs(k * ratio - round(k * ratio)) < k * ratio * _ONE_SERIES for k in (1, 2, 3))


def _refined(power: Floats, peak: int) -> float:
    a, b, c = (float(np.log(max(power[i], 1e-300))) for i in (peak - 1, peak, min(peak + 1, len(power) - 1)))
    bend = a - 2 * b + c
    return peak + (0.5 * (a - c) / bend if bend else 0.0)


_TWO_WINDOW_S, _TWO_WINDOWS, _TWO_WITHIN_DB, _TWO_SHARE = 0.12, 40, 12.0, 0.6
"""A Hann line is 17 Hz wide on each side of so short a window, which a slow turn leaves sharp; forty of them are enough
for a median; they lie where the take is loud, for in its noise there are no series; and in most of them, not by chance
in half, two series must be found."""
_TWO_NEAR_WINDOW_S = 0.5
"""Where the tracker follows neither: parts tones 8 Hz from each other, two semitones at 70 Hz."""
_ONE_SERIES = 0.002
"""Relative: lines of hum keep their ratio far closer, two controls are not set so by chance."""
_TWO_LEAST_HZ = 25.0
"""Three cycles in the window: less is rumble and the window's own edge."""
_TWO_WEAKEST_DB = -22.0
"""A second tone 18 dB down is what no single oscillator leaves (see above), and 4 dB of room."""
_TWO_RESIDUAL = 0.05
"""Of all power what two oscillators leave at the most: a chord of three, a voice or a drum leaves more."""
_TWO_REACH_BINS, _TWO_SMEAR = 8.0, 0.012
"""A Hann line is four bins wide on each side (of a window padded twice); a turn smears it by a per cent."""
_TWO_APART_OCTAVES = 0.02
"""A quarter of a semitone: nearer, the second series is what the first one's skirts left."""
