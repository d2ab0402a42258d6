"""Which rows and places events touch, so that nothing else is judged there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lost_samples import LostSamples
from listen.account.modulation import Swing
from listen.account.residual import RoomEvent
from listen.account.start import Start
from listen.account.stops import Silences
from listen.account.tone import BoardTone
from listen.capture import Damage
from listen.sorting import median_of_known
from listen.track import BAND, Frames
from listen.track.types import HARMONIC_COLUMNS

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Places = tuple[tuple[float, float], ...]

AFTER_START_S = 0.15
"""The level has settled so long after it first passed 90 %: where it goes on as it grew, the slowest start that is no
finding (0.5 s from 1 to 90 %) is then within 0.3 dB."""
_NEAR_SILENCE_S = 0.3
"""Beside a silence the tone dies or grows: twice as long as after a start, for both may be slow. Twice of it would
leave nothing to judge between dropouts a second apart. Chosen."""
_FALLING_S = 0.05
"""A fall is seen once it is 1 dB deep: its beginning lies a little before, a tenth of its time constant."""
_PAUSE_S = 0.6
"""Pauses between the loud parts of speech, syllables and words, are shorter (common practice, no source); in a piece of
a rest that is no longer two turns of 3 Hz have no room."""
_SYLLABLE_S = 0.3
"""Gaps within a word or between two are shorter (stops last 0.05 to 0.15 s: common practice, no source): a
row between two loud sounds so near holds what is soft of them."""
_NEAR_LOSS_S = 0.03
"""Half a frame of 40 ms and half the way from row to row: frames further off hold nothing of it."""
_EDGE_ROWS = 3
"""Rows at the ends of a segment of tone, whose frames are cut short: frames of 40 ms reach over the edge for a row or
two; of a short segment half of the rows at the most are left out."""
COUPLING_SETTLES_S = 0.25
"""Four time constants of a first-order high-pass of 2.5 Hz."""
_LEVEL_LEAVES = 1.8
"""Of the level's variance over a frame: the mean cycle only fades straight from frame to frame (1.5), and of a lamp's
ring at 25 Hz the short frames show nine tenths."""
OFF_CENTS, _OFF_S, _MOVE_S = 12.0, 0.08, 0.06
"""A pitch that moves on less straight leaves some of itself between the harmonics of a frame, and so does the start of
a ring; along a straight glide of 3 octaves a second the tracker leaves 80 dB less than the tone."""
EDGES_OFF_CENTS = 1.0
"""... and a wave with edges, whose high harmonics turn faster, leaves as much after a smaller bend."""
_EDGES_DBC = -20.0
"""Above the tenth harmonic a square has -13 dBc, a sawtooth -10, a triangle -38 and a sine clipped by half -37
(their Fourier series)."""
_PHASE_ERROR = 5e-3
"""Cycles by which the phase errs within a frame, for each octave that the pitch moves over it (measured: 1 to 4)."""
_PHASE_FLOOR = 4e-5
"""... and at rest."""
_ABOVE_TENTH = 10.5
"""Sum of 1 / k^2 above the tenth harmonic, inverted: 1 / 0.0952."""
_OFFSET_ROWS = 25
"""Half a second, over which the tracker averages the offset that it subtracts."""
_NEIGHBOUR, _LAST = 3, 5
"""Rows on both sides, 60 ms, whose moves count: frames of 40 ms reach over them, and the phase is smoothed across. And
harmonics below the band's edge: of five in a row no pulse lacks more than three."""
_EDGE_BAND, _EDGE_OCTAVES, _EDGE_LEAVES, _EDGE_REST = 0.11, 0.12, 0.1, 0.1
"""The band edge over 0.45 of the rate and in octaves; the part of a line's power that is left as it passes (measured: 1
to 3 hundredths), of which a tenth at rest, for the grid of phase ends there."""
_EDGE_A_ROW, _ONE_EDGE_LEAVES = 1.2, 1.0
"""Cycles in a row up to which one holds a single edge or none: what the grid of phase leaves of it hangs on where
between two samples it lies, and may be all that it has above the band's edge (sawtooths of 30 to 55 Hz: up to 0.9)."""
_SHORTEST_ROWS = 9
"""Rows over which a level is averaged without hunting too, 0.18 s: noise falls to a half; a law of the level changes by
nothing in it, for a slow hand takes ten seconds for an octave."""
_TURNS = 1.5
"""Turns of the slowest hunting over which the level is averaged: a fifth of that swing is left (sinc 1.5), less of
faster ones, and less still of the law that is fitted to all rests."""


def rows_near(time_s: Floats, places: Sequence[tuple[float, float]], before_s: float, after_s: float) -> Flags:
    """Rows (or places of a grid) within some time of intervals."""
    near = np.zeros(len(time_s), dtype=bool)
    for a, b in places:
        near[np.searchsorted(time_s, a - before_s) : np.searchsorted(time_s, b + after_s, side="right")] = True
    return near


def overloaded(frames: Frames, damage: Damage) -> Flags:
    """Rows whose frames contain a top clipped by the interface."""
    near = np.zeros(len(frames), dtype=bool)
    runs = damage.overload
    if len(runs) == 0 or len(frames) == 0:
        return near
    begin = runs.start_sample / frames.sample_rate_hz - _NEAR_LOSS_S
    end = (runs.start_sample + runs.n_samples) / frames.sample_rate_hz + _NEAR_LOSS_S
    edges = np.zeros(len(frames) + 1)
    np.add.at(edges, np.searchsorted(frames.time_s, begin), 1)
    np.add.at(edges, np.searchsorted(frames.time_s, end, side="right"), -1)
    return np.asarray(np.cumsum(edges)[:-1] > 0)


def quiet_places(silences: Silences, lost_samples: LostSamples) -> Places:
    """Intervals without the tone: dropouts, the time after its end, exact zeros."""
    out = [(min(d.start_s, d.falls_s - _FALLING_S), d.settled_s) for d in silences.dropouts]
    if silences.stop is not None:
        out.append((silences.stop.start_s, np.inf))
    return (*out, *lost_samples.zeros)


def calm_rows(frames: Frames, tone: BoardTone, start: Start, quiet: Places, lost_samples: LostSamples) -> Flags:
    """Rows of the board's tone away from onset, decay, the ends of segments and lost samples."""
    rows = tone.rows.copy()
    if start.settled_s:
        rows &= frames.time_s > start.settled_s + AFTER_START_S
    rows &= ~rows_near(frames.time_s, quiet, _NEAR_SILENCE_S, _NEAR_SILENCE_S)
    rows &= ~rows_near(frames.time_s, lost_samples.places, _NEAR_LOSS_S, _NEAR_LOSS_S)
    label = np.where(frames.oscillating, frames.segment, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [len(label)]])
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        edge = min(_EDGE_ROWS, (b - a) // 2)
        rows[a : a + edge] = False
        rows[b - edge : b] = False
    return rows


def barred(
    tone: BoardTone, quiet: Places, lost_samples: LostSamples, events: Sequence[RoomEvent]
) -> tuple[Flags, Flags]:
    """Places of the tone's grid where it is not there or samples are lost; and those that other sounds disturb."""
    gone = rows_near(tone.time_s, quiet, 0.15, 0.25)
    gone |= rows_near(tone.time_s, lost_samples.places, _NEAR_LOSS_S, _NEAR_LOSS_S)
    places = _with_pauses([(e.start_s, e.end_s) for e in events], _PAUSE_S)
    return gone, rows_near(tone.time_s, places, 0.04, 0.04)


def sounds_and_gaps(frames: Frames, events: Sequence[RoomEvent]) -> Flags:
    """Rows of sounds of the room that follow each other, those between them included."""
    return rows_near(frames.time_s, _with_pauses([(e.start_s, e.end_s) for e in events], _SYLLABLE_S), 0.0, 0.0)


def _with_pauses(places: list[tuple[float, float]], pause_s: float) -> list[tuple[float, float]]:
    """Places joined across short pauses, in which a voice goes on under what makes an event."""
    out: list[tuple[float, float]] = []
    for start_s, end_s in places:
        if out and start_s - out[-1][1] < pause_s:
            out[-1] = (out[-1][0], max(out[-1][1], end_s))
        else:
            out.append((start_s, end_s))
    return out


def level_change_residual(frames: Frames, tone: BoardTone) -> Floats:
    """Interharmonic power, relative to the tone, due to a level change within the frame."""
    span = np.nan_to_num(frames.frame_s, nan=0.04)
    known = tone.tracked & np.isfinite(tone.log_level)
    level = np.where(known, np.exp(np.where(known, tone.log_level, 0.0)), 0.0)
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (known.astype(float), level, level**2)]
    first = float(tone.time_s[0])
    low = np.clip(np.round((frames.time_s - 0.6 * span - first) / tone.grid_s).astype(np.int64), 0, len(level))
    high = np.clip(np.round((frames.time_s + 0.6 * span - first) / tone.grid_s).astype(np.int64) + 1, 0, len(level))
    count, mean, square = (total[high] - total[low] for total in sums)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, square = mean / count, square / count
        moved = np.maximum(square - mean**2, 0.0) / mean**2
    return np.asarray(np.nan_to_num(_LEVEL_LEAVES * moved))


def offset_residual(frames: Frames) -> Floats:
    """Power, relative to the tone, of an offset that one flattened half brings and that moves with the level.

    The residual of a row holds what its offset differs by from the mean over half a second. An even part of the wave
    has an offset of its second harmonic's amplitude at most: all of it for a square law, half for a narrow flat top.
    """
    width = min(_OFFSET_ROWS, len(frames))
    if width < 3:
        return np.zeros(len(frames))
    known = np.isfinite(frames.dc_fs)
    ones = np.ones(width)
    sums = np.convolve(np.where(known, frames.dc_fs, 0.0), ones, "same"), np.convolve(known.astype(float), ones, "same")
    with np.errstate(invalid="ignore", divide="ignore"):
        moved = frames.dc_fs - sums[0] / sums[1]
        fundamental = 10 ** (frames.fundamental_dbfs / 10)
        second = np.nan_to_num(10 ** (frames.harmonics_dbc[:, 0] / 10))
    second = _running_max(second, width // 2)  # the mean holds the other rows' offsets
    # of a sine the mean square is half of its amplitude's, of an offset all
    return np.asarray(2.0 * np.nan_to_num(np.minimum(moved**2 / fundamental, second)))


def _running_max(values: Floats, reach: int) -> NDArray[np.float64]:
    """Largest of the values up to ``reach`` places away."""
    padded = np.pad(values, reach, mode="edge")
    return np.asarray(np.max(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1))


def has_edges(frames: Frames, tone: BoardTone) -> bool:
    """Whether the wave has jumps, whatever was stated: much of it lies above the tenth harmonic."""
    high = frames.high_dbc[tone.rows]
    return bool(np.isfinite(high).any()) and median_of_known(high) > _EDGES_DBC


def edge_residual(frames: Frames) -> Floats:
    """Interharmonic power, relative to the tone, of a wave with edges whose pitch changes.

    A phase that errs by d cycles within a frame moves harmonic k by 2 pi k d, and a wave with edges has high ones:
    their levels fall as 1 / k, so that the sum of k^2 |A_k|^2 is 10.5 K times the power above the tenth of K harmonics.
    And the last ones pass the recorder's band edge, where their level changes within a frame.
    """
    if len(frames) < 3:
        return np.zeros(len(frames))
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log2(np.where(frames.oscillating, frames.f0_hz, np.nan))
        moved = np.nan_to_num(np.abs(np.gradient(log, frames.time_s)) * frames.frame_s)
        moved = _running_max(moved, _NEIGHBOUR)
        count = BAND * frames.sample_rate_hz / frames.f0_hz
        high = np.nan_to_num(10 ** (frames.high_dbc / 10))
        lines = np.nan_to_num(10 ** (frames.harmonics_dbc / 10))
        turned = (2 * np.pi) ** 2 * ((_PHASE_ERROR * moved) ** 2 + _PHASE_FLOOR**2)
        steep = steepness(frames)
        # of levels as 1 / k: the power of one line at the edge, and how many are between 0.45 and half of the rate
        edge = high / np.maximum(1 / _ABOVE_TENTH - 1 / count, 1e-3) / count**2
        last = np.maximum(edge, np.where(count < 2 * HARMONIC_COLUMNS, _last_lines(lines, frames.harmonic_count), 0.0))
        passing = np.maximum(_EDGE_BAND * count, 1.0) * np.clip(moved / _EDGE_OCTAVES, _EDGE_REST, 1.0)
        single = np.where(frames.f0_hz * frames.row_every_s < _EDGE_A_ROW, _ONE_EDGE_LEAVES * _EDGE_BAND * count, 0.0)
        return np.asarray(np.nan_to_num(turned * steep + last * np.maximum(_EDGE_LEAVES * passing, single)))


def steepness(frames: Frames) -> Floats:
    """Sum of k^2 |A_k|^2 of the harmonics above the first, over the fundamental's power, row by row."""
    with np.errstate(invalid="ignore", divide="ignore"):
        count = BAND * frames.sample_rate_hz / frames.f0_hz
        high = np.nan_to_num(10 ** (frames.high_dbc / 10))
        lines = np.nan_to_num(10 ** (frames.harmonics_dbc / 10))
        steep = _ABOVE_TENTH * count * high + lines @ np.arange(2.0, HARMONIC_COLUMNS + 1) ** 2
    return np.asarray(np.nan_to_num(steep))


def _last_lines(lines: Floats, count: NDArray[np.int64]) -> Floats:
    """Power of the largest of the last few harmonics that fit, H2 the first column; a pulse's come and go."""
    order = np.arange(2, lines.shape[1] + 2)
    last = (order <= count[:, None]) & (order > count[:, None] - _LAST)
    return np.asarray(np.max(np.where(last, lines, 0.0), axis=1))


def moving_fast(frames: Frames, tone: BoardTone, off_cents: float = OFF_CENTS) -> Flags:
    """Rows whose frames contain a quick start or end of a pitch change."""
    index = np.flatnonzero(tone.turns_off(off_cents, _OFF_S))
    if not len(index):
        return np.zeros(len(frames), dtype=bool)
    times = tone.time_s[index]
    place = np.searchsorted(times, frames.time_s)
    before = np.abs(frames.time_s - times[np.clip(place - 1, 0, len(times) - 1)])
    after = np.abs(frames.time_s - times[np.clip(place, 0, len(times) - 1)])
    reach = 0.5 * np.nan_to_num(frames.frame_s, nan=0.04) + _MOVE_S
    return np.asarray(np.minimum(before, after) < reach)


def without_hunting(frames: Frames, level_db: Floats, rows: Flags, hunting: Sequence[Swing]) -> Floats:
    """Level averaged over a turn and a half of hunting, and nine rows at the least, within segments of tone."""
    width = _SHORTEST_ROWS
    if hunting:
        slowest = min(swing.rate_hz for swing in hunting)
        width = max(width, int(_TURNS / slowest / frames.row_every_s))
    width |= 1
    label = np.where(rows, frames.segment, -1)
    n = len(label)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [n]])
    owner = np.searchsorted(edges, np.arange(n), side="right") - 1
    low = np.maximum(np.arange(n) - width // 2, edges[owner])
    high = np.minimum(np.arange(n) + width // 2 + 1, edges[owner + 1])
    total = np.concatenate([[0.0], np.cumsum(np.where(rows, np.nan_to_num(level_db), 0.0))])
    return np.asarray(np.where(rows, (total[high] - total[low]) / np.maximum(high - low, 1), np.nan))
