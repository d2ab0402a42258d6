"""Which part of a take is the board's own tone: its level and pitch on an even grid of time.

Words, knocks and hum before the supply is switched on are tracked as tones too. The board's tone is the longest clean
one; segments that are weaker by 22 dB, or unlike it in timbre and purity, belong to the room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median, median_of_known, quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

GRID_S = 0.005
"""Short frames of the tracker are 8 ms or two cycles long: nothing faster is in them."""
STRONG_DB = 22.0
"""Below the settled level by more than this it is not singing: 2 dB beyond the 20 dB of a dropout."""
CLEAN_DBC = -13.0
"""Residual of a row under which it may be an oscillator's: of 139 oscillators, faulty ones included, none had more."""
_GAP_CYCLES, _GAP_S = 2.5, 0.02
"""Short frames further apart than this have a gap between them: they are two cycles or 8 ms long, half a cycle or about
1.8 ms apart."""
_BRIDGED_S, _BEYOND_ROWS = 0.3, 3.0
"""Rows that a quick move leaves out last less; and a tone sounds up to half a frame and a few rows beyond its own."""
MEAN_CYCLES = 2.0
"""Level and pitch are averaged over two cycles at the least: alternate cycles that differ cancel."""
_OTHER_TIMBRE_DB = 9.0
"""R.m.s. difference of the first harmonics' levels from which a segment is another sound: voices differ by 20."""
_FLOOR_DBC = -40.0
"""Harmonics below this, 1 %, say nothing of a timbre: a board's own change as much from note to note."""
_SHORT_S = 2.0
"""A longer segment is no word and no knock."""
_IMPURE_DB = 15.0
"""A segment whose residual is higher than the board's by this is another sound."""
_PURE_DBC = -26.0
"""... unless it is as pure as this, 13 dB under what an oscillator may leave."""
_APART_CENTS, _TURNED_CENTS_PER_S = 100.0, 400.0
"""A segment whose pitch is further from the board's own before or after it than a semitone and what a hand turns in the
time between, an octave in three seconds, is another sound: pieces of a board that dies and comes back were within 50
cents, words 150 to 2900 cents off. So is an impure one whose own pitch moves as much: 200 cents in 40 ms in a word."""
_STRUCK_ROWS, _STRUCK_DB, HELD_DB, _HELD_SHARE = 3, 10.0, 3.0, 0.4
"""Two thumps of steps lost 30 dB in a fifth of a second, and were within 3 dB of their loudest for a row or two; a
board that comes on for a moment holds its level for most of it. Plucked notes lose 3 dB within two fifths of their
length (synthesised: 4 to 17 dB a second)."""

MAINS_HZ = np.outer((50.0, 60.0), (1.0, 2.0, 3.0)).ravel()
_FAINT_DB = 10.0
"""After the last of it a board that was switched to another range is about as loud as before; a telephone is as pure,
and fainter by more; so is a chair that squeaks before the first of it, or it has another timbre. Chosen."""
_STEP_GAP_S = 0.15
"""A quick step of the control leaves no more without a pitch; a cable that is plugged in hums alone. Chosen."""
_MAINS_SHARE = 0.004
"""Large networks keep within 0.2 Hz of 50 Hz (EN 50160, from memory: 1 % for 99.5 % of a year; in practice a fifth)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToneSegment:
    """One unbroken piece of tone that the tracker followed.

    Attributes
    ----------
    number : int
        In ``Frames.segment``.
    start_s, end_s : float
    level_dbfs, residual_dbc : float
        Medians of its rows.
    """

    number: int
    start_s: float
    end_s: float
    level_dbfs: float
    residual_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardTone:
    """Level and pitch of the board's tone on an even grid.

    Attributes
    ----------
    time_s, log_level, f0_hz : ndarray, shape (n,)
        Time, natural logarithm of the r.m.s. amplitude (a full-scale sine is 0), pitch; the pitch is held or
        interpolated in its logarithm where the tone is not there, the level is NaN there.
    tracked : ndarray of bool, shape (n,)
        The tracker followed the board's tone.
    strong : ndarray of bool, shape (n,)
        ... and it is within 22 dB of the settled level.
    settled_log : float
        Settled level: 70th percentile by time.
    rows : ndarray of bool, shape (rows,)
        Rows of the frames table that hold the board's tone.
    room : tuple of (start_s, end_s)
        Segments of tone that are not the board's.
    grid_s : float
    """

    time_s: Floats
    log_level: Floats
    f0_hz: Floats
    tracked: Flags
    strong: Flags
    settled_log: float
    rows: Flags
    room: tuple[tuple[float, float], ...]
    grid_s: float

    @property
    def settled_dbfs(self) -> float:
        """Settled level, a full-scale sine being 0 dBFS."""
        return float(20.0 / np.log(10.0) * self.settled_log)

    def index(self, time_s: float) -> int:
        """Nearest place of the grid."""
        return int(np.clip(round((time_s - float(self.time_s[0])) / self.grid_s), 0, len(self.time_s) - 1))

    def turns_off(self, cents: float, within_s: float) -> Flags:
        """Places of the grid where the pitch leaves a straight line through its ends by so many cents within a time."""
        half = max(1, round(0.5 * within_s / self.grid_s))
        log = 1200 * np.log2(self.f0_hz)
        padded = np.concatenate([np.full(half, log[0]), log, np.full(half, log[-1])])
        return np.asarray(np.abs(log - 0.5 * (padded[2 * half :] + padded[: -2 * half])) > cents)

    @property
    def first_s(self) -> float:
        """Time of the first strong place."""
        return float(self.time_s[int(np.argmax(self.strong))])

    @property
    def last_s(self) -> float:
        """Time of the last strong place."""
        return float(self.time_s[len(self.strong) - 1 - int(np.argmax(self.strong[::-1]))])


def find_tone(frames: Frames) -> BoardTone | None:
    """Select the board's tone among the tracked segments.

    Returns
    -------
    BoardTone or None
        None where nothing oscillates.
    """
    if not frames.oscillating.any():
        return None
    segments, foreign = _segments(frames)
    rows = frames.oscillating.copy()
    for segment in foreign:
        rows &= frames.segment != segment.number
    if not rows.any():
        rows, foreign = frames.oscillating.copy(), []
    settled = quantile(frames.level_dbfs[rows], 0.7)
    rows &= frames.level_dbfs > settled - STRONG_DB
    own = {s.number for s in segments} - {s.number for s in foreign}
    return _on_a_grid(frames, own, settled, rows, foreign)


def _segments(frames: Frames) -> tuple[list[ToneSegment], list[ToneSegment]]:
    """All segments, and those that are not the board's."""
    numbers = frames.segment[frames.oscillating]
    order = np.flatnonzero(frames.oscillating)
    bounds = np.flatnonzero(np.diff(numbers)) + 1
    segments = []
    timbres = []
    for rows in np.split(order, bounds):
        segments.append(
            ToneSegment(
                number=int(frames.segment[rows[0]]),
                start_s=float(frames.time_s[rows[0]]),
                end_s=float(frames.time_s[rows[-1]]),
                level_dbfs=median(frames.level_dbfs[rows]),
                residual_dbc=median_of_known(frames.residual_dbc[rows]),
            )
        )
        timbres.append(_timbre(frames, rows))
    return segments, _foreign(frames, segments, timbres)


def _timbre(frames: Frames, rows: Ints) -> Floats:
    """Levels of H2 to H6, limited to a floor from below."""
    levels = np.where(np.isfinite(frames.harmonics_dbc[rows, :5]), frames.harmonics_dbc[rows, :5], _FLOOR_DBC)
    return np.asarray(np.maximum(np.median(levels, axis=0), _FLOOR_DBC))


def _foreign(frames: Frames, segments: list[ToneSegment], timbres: list[Floats]) -> list[ToneSegment]:
    """Short segments of another timbre or at another pitch: speech and knocks, which are impure, and a cable's hum."""
    lengths = np.array([s.end_s - s.start_s + frames.row_every_s for s in segments])
    clean = np.array([s.residual_dbc < CLEAN_DBC for s in segments])
    weight = lengths * np.where(clean, 1.0, 0.05) * 10 ** (np.array([s.level_dbfs for s in segments]) / 40)
    total = float(lengths[clean].sum())
    if total == 0.0:
        return []
    order = np.argsort(-weight)
    usual = timbres[int(order[0])]
    purity = segments[int(order[0])].residual_dbc
    long = lengths > min(_SHORT_S, 0.5 * total)
    own = [s for s, is_long in zip(segments, long, strict=True) if is_long]
    begins_s, ends_s = min((s.start_s for s in own), default=0.0), max((s.end_s for s in own), default=np.inf)
    loud_dbfs, pure_dbc = segments[int(order[0])].level_dbfs - _FAINT_DB, max(purity + _IMPURE_DB, _PURE_DBC)
    alike = [s for s in segments if s.level_dbfs > loud_dbfs and s.residual_dbc <= pure_dbc]
    foreign = []
    for segment, timbre, is_long in zip(segments, timbres, long, strict=True):
        if not is_long and segment.end_s < begins_s and _is_struck(frames, segment):
            foreign.append(segment)
            continue
        if is_long:
            continue
        pure = segment.residual_dbc <= pure_dbc
        apart = _pitch_apart(frames, segment, own)
        other_timbre = float(np.sqrt(np.mean((timbre - usual) ** 2))) > _OTHER_TIMBRE_DB
        faint = segment.level_dbfs < loud_dbfs
        adjoins = any(other is not segment and _gap_s(segment, other) < _STEP_GAP_S for other in alike)
        hum = (faint or other_timbre or not adjoins) and _at_the_mains(frames, segment)
        late = faint and segment.start_s > ends_s
        early = (faint or other_timbre) and segment.end_s < begins_s and not adjoins
        if pure and not hum and not (apart and (late or early)):
            continue
        if other_timbre or segment.residual_dbc > CLEAN_DBC or apart or _is_spoken(frames, segment):
            foreign.append(segment)
    return foreign


def _pitch_of(frames: Frames, segment: ToneSegment) -> Floats:
    """Known pitches of a segment's rows."""
    return np.asarray(frames.f0_hz[(frames.segment == segment.number) & np.isfinite(frames.f0_hz)])


def _at_the_mains(frames: Frames, segment: ToneSegment) -> bool:
    """Whether a segment rests at a mains frequency, or at its second or third harmonic."""
    pitch = _pitch_of(frames, segment)
    return bool(len(pitch)) and bool(np.min(np.abs(median(pitch) / MAINS_HZ - 1.0)) < _MAINS_SHARE)


def _gap_s(one: ToneSegment, other: ToneSegment) -> float:
    """Time between two segments."""
    return max(other.start_s - one.end_s, one.start_s - other.end_s)


def _pitch_apart(frames: Frames, segment: ToneSegment, own: list[ToneSegment]) -> bool:
    """Whether the board's segment next in time is at another pitch than a hand can have turned to or from."""
    gaps_s = [_gap_s(segment, other) for other in own]
    if not gaps_s:
        return False
    nearest = own[int(np.argmin(gaps_s))]
    earlier, later = sorted((segment, nearest), key=lambda s: s.start_s)
    before, after = _pitch_of(frames, earlier), _pitch_of(frames, later)
    if not len(before) or not len(after):
        return False
    return is_another_pitch(float(before[-1]), float(after[0]), min(gaps_s))


def _is_spoken(frames: Frames, segment: ToneSegment) -> bool:
    """Whether the pitch of a segment moves faster than a hand turns it, as that of a word does."""
    pitch = _pitch_of(frames, segment)
    return len(pitch) > 1 and is_another_pitch(float(pitch.min()), float(pitch.max()), segment.end_s - segment.start_s)


def _is_struck(frames: Frames, segment: ToneSegment) -> bool:
    """Whether a segment dies away from its first moment, as a step on the floor does; a board holds its level first."""
    level = frames.level_dbfs[frames.segment == segment.number]
    if len(level) < _STRUCK_ROWS or float(level[0] - level[-1]) < _STRUCK_DB:
        return False
    return dies_away(level)


def dies_away(level_dbfs: Floats) -> bool:
    """Whether a level is near its loudest at few places: it is struck, and not held.

    Parameters
    ----------
    level_dbfs : ndarray, shape (n,)
    """
    return float(np.mean(level_dbfs > level_dbfs.max() - HELD_DB)) < _HELD_SHARE


def is_another_pitch(before_hz: float, after_hz: float, gap_s: float) -> bool:
    """Whether two pitches on both sides of a gap are further apart than a hand can have turned meanwhile."""
    return abs(1200.0 * float(np.log2(after_hz / before_hz))) > _APART_CENTS + _TURNED_CENTS_PER_S * gap_s


def _on_a_grid(
    frames: Frames, own: set[int], settled_dbfs: float, rows: Flags, foreign: list[ToneSegment]
) -> BoardTone:
    envelope = frames.envelope
    grid_s = max(GRID_S, 0.25 * frames.row_every_s)
    end_s = float(frames.time_s[-1]) + 0.5 * frames.row_every_s
    start_s = float(frames.time_s[0]) - 0.5 * frames.row_every_s
    time_s = start_s + grid_s * np.arange(max(2, int((end_s - start_s) / grid_s) + 1))
    owner = _owners(frames, own)
    use = envelope.oscillating & np.isin(owner, list(own))
    t, f0 = envelope.time_s[use], envelope.f0_hz[use].astype(float)
    log = np.log(np.maximum(envelope.rms_amplitude_fs[use].astype(float), 1e-9))
    good = np.isfinite(f0) & (f0 > 0)
    t, f0, log = t[good], f0[good], log[good]
    tracked = np.zeros(len(time_s), dtype=bool)
    level, pitch = np.full(len(time_s), np.nan), np.full(len(time_s), np.nan)
    gaps = np.flatnonzero(np.diff(t) > np.maximum(_GAP_S, _GAP_CYCLES / f0[:-1])) if len(t) else np.zeros(0, dtype=int)
    for a, b in zip([0, *(gaps + 1)], [*(gaps + 1), len(t)], strict=True):
        if b - a < 2:
            continue
        i, j = np.searchsorted(time_s, [t[a] - 0.5 * grid_s, t[b - 1] + 0.5 * grid_s])
        tracked[i:j] = True
        level[i:j] = _averaged(time_s[i:j], t[a:b], log[a:b], grid_s, f0[a:b])
        pitch[i:j] = _averaged(time_s[i:j], t[a:b], np.log(f0[a:b]), grid_s, f0[a:b])
    settled_log = settled_dbfs * np.log(10.0) / 20.0
    strong = tracked & (level > settled_log - STRONG_DB * np.log(10.0) / 20.0)
    known = strong if strong.any() else tracked
    held = np.exp(np.interp(time_s, time_s[known], pitch[known])) if known.any() else np.full(len(time_s), np.nan)
    return BoardTone(
        time_s=time_s,
        log_level=level,
        f0_hz=held,
        tracked=tracked,
        strong=strong,
        settled_log=settled_log,
        rows=rows,
        room=tuple((s.start_s, s.end_s) for s in foreign),
        grid_s=grid_s,
    )


def _owners(frames: Frames, own: set[int]) -> Ints:
    """Segment number of each short frame of the envelope: that of the nearest row which has one; -1 far from any."""
    has = np.flatnonzero(frames.segment >= 0)
    if not len(has):
        return np.full(len(frames.envelope.time_s), -1, dtype=np.int64)
    times, at_s = frames.time_s[has], frames.envelope.time_s
    right = np.clip(np.searchsorted(times, at_s), 1, max(1, len(has) - 1))
    left = right - 1
    right = np.minimum(right, len(has) - 1)
    nearest = np.where(at_s - times[left] <= times[right] - at_s, left, right)
    owner = frames.segment[has][nearest]
    # a word between two segments is neither's, nor what leads to one; a few rows that a quick move leaves out are
    outside = (at_s < times[left]) | (at_s > times[right]) | (times[right] - times[left] > _BRIDGED_S)
    known = np.isin(frames.segment[has], list(own))
    outside |= known[left] != known[right]
    reach_s = _BEYOND_ROWS * frames.row_every_s + 0.5 * np.nan_to_num(frames.frame_s[has][nearest])
    owner[outside & (np.abs(at_s - times[nearest]) > reach_s)] = -1
    return np.asarray(owner)


def _averaged(at_s: Floats, t: Floats, values: Floats, grid_s: float, f0: Floats) -> Floats:
    """Mean of a series over one step of the grid, and two cycles at the least: alternate cycles that differ cancel."""
    width = np.maximum(grid_s, MEAN_CYCLES / np.interp(at_s, t, f0))
    total = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(t))])
    low, high = np.clip(at_s - 0.5 * width, t[0], t[-1]), np.clip(at_s + 0.5 * width, t[0], t[-1])
    mean = (_integral(high, t, values, total) - _integral(low, t, values, total)) / np.maximum(high - low, 1e-12)
    return np.asarray(np.where(high - low > 1e-9, mean, np.interp(at_s, t, values)))


def _integral(at_s: Floats, t: Floats, values: Floats, total: Floats) -> Floats:
    """Integral of a piecewise linear function from its first point."""
    i = np.clip(np.searchsorted(t, at_s, side="right") - 1, 0, len(t) - 2)
    step = at_s - t[i]
    slope = (values[i + 1] - values[i]) / (t[i + 1] - t[i])
    return np.asarray(total[i] + step * (values[i] + 0.5 * slope * step))
