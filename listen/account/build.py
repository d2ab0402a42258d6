"""The account of one take: its parts, found in the order in which each one's look-alikes are gone.

What is fixed in hertz comes first, then what is fixed in the tone's phase, then all that is slow; each is measured on
what those before it leave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from listen.account import lost as lost_samples
from listen.account.bursts import Bursts, find_bursts
from listen.account.cleaning import CleanedCapture
from listen.account.fixed_lines import FixedLine, find_fixed_lines
from listen.account.half_orders import HalfOrders, find_half_orders
from listen.account.level_law import LevelLaw, fit_level_law
from listen.account.lost import LostSamples, find_lost
from listen.account.mains import MainsLines, find_mains
from listen.account.mains_sidebands import MainsSidebands, find_sidebands
from listen.account.modulation import Swing, find_swings
from listen.account.oscillator import Heard, what_is_heard
from listen.account.pitch_scatter import Wavering, find_wavering
from listen.account.residual import RoomEvent, find_events, unexplained_power
from listen.account.settling import Settling, find_settlings
from listen.account.start import Start, find_start
from listen.account.steady import SteadySegment, steady_rows, steady_segments
from listen.account.stops import Silences, find_silences
from listen.account.tone import BoardTone, find_tone
from listen.capture import Damage
from listen.sorting import quantile_of_known
from listen.track import Frames, track

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_HARMONICS = 10
_HALF_ORDERS_SEEN = 0.3
"""Part of the rows that show lines at half orders from which on they are kept out of the mains."""
_HALF_ORDERS_DBC = -56.0
_SAME_RATE, _STAYS = 0.1, 1.5
"""A ring that decays in 1.5 times the length of the rest does not die away in it."""
_AFTER_START_S = 0.15
_NEAR_SILENCE_S = 0.3
_SPURS_DBC = -66.0
"""Lines between the harmonics are looked for where the tracker's rows show as much."""
_EDGE_ROWS = 3
_LEVEL_LEAVES = 1.5
"""Of the level's variance over a frame; nearly all of a swing that is quicker than a frame is left."""
_FAST_CENTS, _FAST_S = 50.0, 0.08
_MOVE_S = 0.06
"""A pitch that moves faster leaves some of itself between the harmonics of a frame, and so does the start of a ring."""


class Recording(Protocol):
    """What the account needs of a capture."""

    true_rate_hz: float
    sample_rate_hz: float
    start_sample: int
    stop_sample: int
    ac_coupling_hz: float | None

    def read(self, start: int, stop: int) -> Any:
        """Samples start .. stop of the file."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """All parts of a take but the shape of its wave.

    Attributes
    ----------
    frames : Frames
        Tracked again without mains lines where these are strong; else as they were.
    tone : BoardTone or None
    heard : Heard
    mains : MainsLines or None
    sidebands : MainsSidebands or None
    start : Start
    silences : Silences
    lost : LostSamples
    resting_rows : ndarray of bool
    segments, swings, settlings, waverings : tuples
    half_orders : HalfOrders
    bursts : Bursts
    fixed_lines : tuple of FixedLine
    unexplained : ndarray, shape (rows,)
        Power against the tone's.
    events : tuple of RoomEvent
    judged : ndarray of bool, shape (rows,)
        Rows in which the board's tone is at rest in level and no event touches it.
    """

    frames: Frames
    tone: BoardTone | None
    heard: Heard
    mains: MainsLines | None
    sidebands: MainsSidebands | None
    start: Start
    silences: Silences
    lost: LostSamples
    resting: Flags
    segments: tuple[SteadySegment, ...]
    swings: tuple[Swing, ...]
    settlings: tuple[Settling, ...]
    waverings: tuple[Wavering, ...]
    half_orders: HalfOrders
    bursts: Bursts
    fixed_lines: tuple[FixedLine, ...]
    unexplained: Floats
    events: tuple[RoomEvent, ...]
    judged: Flags


def find_parts(capture: Recording, frames: Frames, damage: Damage, *, threads: int = 2) -> Parts:
    """Find all parts but the wave's shape."""
    tone = find_tone(frames)
    rows = tone.rows if tone is not None else np.zeros(len(frames), dtype=bool)
    halves = find_half_orders(frames, rows, rows)
    share = float(np.mean(halves.level_dbc[rows] > _HALF_ORDERS_DBC)) if rows.any() else 0.0
    mains = find_mains(capture, tone, _HARMONICS, share > _HALF_ORDERS_SEEN)
    source: Any = capture
    if mains is not None and mains.worth_subtracting and tone is not None:
        source = CleanedCapture(capture, mains)
        frames = track(source, workers=threads)
        tone = find_tone(frames)
    heard = what_is_heard(frames, tone)
    end_s = capture.stop_sample / capture.true_rate_hz
    lost = find_lost(frames, damage, end_s, tone)
    if tone is None or heard.source != "oscillator":
        return _nothing(frames, tone, heard, mains, lost)
    return _of_an_oscillator(source, frames, tone, heard, mains, lost)


def _nothing(
    frames: Frames, tone: BoardTone | None, heard: Heard, mains: MainsLines | None, lost: LostSamples
) -> Parts:
    empty = np.zeros(len(frames), dtype=bool)
    return Parts(
        frames=frames,
        tone=tone,
        heard=heard,
        mains=mains,
        sidebands=None,
        start=Start(shown=False),
        silences=Silences(dropouts=(), stop=None),
        lost=lost,
        resting=empty,
        segments=(),
        swings=(),
        settlings=(),
        waverings=(),
        half_orders=HalfOrders(level_dbc=np.full(len(frames), -np.inf), seen=empty),
        bursts=Bursts(level_dbc=np.full(len(frames), -np.inf), cycle=np.zeros(len(frames))),
        fixed_lines=(),
        unexplained=np.zeros(len(frames)),
        events=(),
        judged=empty,
    )


def _of_an_oscillator(
    capture: Any, frames: Frames, tone: BoardTone, heard: Heard, mains: MainsLines | None, lost: LostSamples
) -> Parts:
    start = find_start(capture, tone)
    started_s = start.settled_s if start.shown else float(tone.time_s[0])
    silences = find_silences(capture, tone, started_s, lost.zeros)
    quiet = [(d.start_s, d.end_s) for d in silences.dropouts]
    if silences.stop is not None:
        quiet.append((silences.stop.start_s, silences.stop.end_s + 10.0))
    quiet += list(lost.zeros)
    rest_rows = steady_rows(frames, tone.rows)
    resting = np.zeros(len(frames), dtype=bool)
    for a, b in rest_rows:
        resting[a:b] = True

    halves = find_half_orders(frames, tone.rows, resting)
    lines = _lines(capture, frames, tone, halves)
    moving = _of_the_level(frames, tone)
    taken = 10 ** (np.maximum(halves.level_dbc, -300.0) / 10) + moving
    bursts = find_bursts(frames, tone.rows, taken, [(line.frequency_hz, line.level_dbc) for line in lines])
    explained = _explained(frames, halves, bursts, lines, tone) + moving
    calm = _calm_rows(frames, tone, start, tuple(quiet), lost)
    still = calm & ~_moving_fast(frames, tone)
    unexplained = unexplained_power(frames, still, explained)
    events, touched = find_events(frames, still, unexplained)

    barred = lost_samples.rows_near(tone.time_s, tuple(quiet), 0.15, 0.25)
    barred |= lost_samples.rows_near(tone.time_s, lost.places, 0.03, 0.03)
    disturbed = lost_samples.rows_near(tone.time_s, tuple((e.start_s, e.end_s) for e in events), 0.04, 0.04)
    after_s = started_s + (_AFTER_START_S if start.shown else 0.0)
    segments = steady_segments(frames, tone, rest_rows, barred, disturbed, after_s)
    slow = [s for s in segments if s.retune_s is None]
    swings = [s for s in find_swings(tone, slow) if not _at_half_pitch(s, halves, frames)]
    settlings = find_settlings(tone, segments, [s for s in swings if not s.one_sided])
    swings += _after_retunes(tone, segments, swings, settlings)
    waverings = find_wavering(frames, tone, segments, swings, barred | disturbed)
    judged = calm & ~touched
    for s in settlings:
        if s.ring:
            judged &= ~lost_samples.rows_near(
                frames.time_s, ((s.retune_s, s.retune_s + max(0.1, s.settle_s)),), 0.03, 0.0
            )
    return Parts(
        frames=frames,
        tone=tone,
        heard=heard,
        mains=mains,
        sidebands=find_sidebands(frames.envelope),
        start=start,
        silences=silences,
        lost=lost,
        resting=resting,
        segments=tuple(segments),
        swings=tuple(swings),
        settlings=tuple(settlings),
        waverings=tuple(waverings),
        half_orders=halves,
        bursts=bursts,
        fixed_lines=tuple(lines),
        unexplained=np.where(touched, 0.0, unexplained),
        events=tuple(events),
        judged=judged,
    )


def _after_retunes(
    tone: BoardTone, segments: list[SteadySegment], swings: list[Swing], settlings: list[Settling]
) -> list[Swing]:
    """Swings after quick retunes: at the rate of the slow rests, or where no ring that dies away explains them."""
    out = []
    for segment in segments:
        if segment.retune_s is None:
            continue
        ring = next((s for s in settlings if s.retune_s == segment.retune_s and s.ring), None)
        for swing in find_swings(tone, [segment]):
            known = any(abs(swing.rate_hz / s.rate_hz - 1) < _SAME_RATE for s in swings)
            if known or ring is None or ring.decay_s > _STAYS * segment.seconds:
                out.append(swing)
    return out


def _moving_fast(frames: Frames, tone: BoardTone) -> Flags:
    """Rows whose frames hold some of a quick move."""
    fast = tone.moves_fast(tone.time_s, _FAST_CENTS, _FAST_S)
    index = np.flatnonzero(fast)
    near = np.zeros(len(frames), dtype=bool)
    if len(index):
        times = tone.time_s[index]
        place = np.searchsorted(times, frames.time_s)
        before = np.abs(frames.time_s - times[np.clip(place - 1, 0, len(times) - 1)])
        after = np.abs(frames.time_s - times[np.clip(place, 0, len(times) - 1)])
        near = np.minimum(before, after) < 0.5 * np.nan_to_num(frames.frame_s, nan=0.04) + _MOVE_S
    return near


def _lines(capture: Any, frames: Frames, tone: BoardTone, halves: HalfOrders) -> list[FixedLine]:
    with np.errstate(invalid="ignore"):
        shown = tone.rows & (frames.spur_dbc > _SPURS_DBC)
    if np.count_nonzero(shown) < 8:
        return []
    levels = np.full(11, -200.0)
    levels[0] = 0.0
    own = frames.harmonics_dbc[tone.rows]
    levels[1:10] = [quantile_of_known(own[:, k], 0.8) if np.isfinite(own[:, k]).any() else -200.0 for k in range(9)]
    high = frames.high_dbc[tone.rows]
    levels[10] = quantile_of_known(high, 0.8) if np.isfinite(high).any() else -200.0
    return find_fixed_lines(capture, tone, levels, bool((halves.level_dbc[tone.rows] > -60.0).mean() > 0.1))


def _explained(
    frames: Frames, halves: HalfOrders, bursts: Bursts, lines: list[FixedLine], tone: BoardTone
) -> Floats:
    """Power against the fundamental's of what lies between the harmonics, as far as parts account for it."""
    power = 10 ** (np.maximum(halves.level_dbc, -300) / 10) * 1.5 + 10 ** (np.maximum(bursts.level_dbc, -300) / 10) * 2.0
    for line in lines:
        level = np.interp(frames.time_s, line.time_s, np.nan_to_num(line.level_dbfs, nan=line.level_dbc + tone.settled_dbfs))
        with np.errstate(invalid="ignore"):
            power = power + np.nan_to_num(2.0 * 10 ** ((level - frames.fundamental_dbfs) / 10))
    return np.asarray(power)


def _of_the_level(frames: Frames, tone: BoardTone) -> Floats:
    """Power that a level which moves within a frame leaves: the mean cycle only fades straight from frame to frame."""
    span = np.nan_to_num(frames.frame_s, nan=0.04)
    known = tone.tracked & np.isfinite(tone.log_level)
    level = np.where(known, np.exp(np.where(known, tone.log_level, 0.0)), 0.0)
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (known.astype(float), level, level**2)]
    low = np.clip(np.round((frames.time_s - 0.6 * span - tone.time_s[0]) / tone.grid_s).astype(np.int64), 0, len(level))
    high = np.clip(np.round((frames.time_s + 0.6 * span - tone.time_s[0]) / tone.grid_s).astype(np.int64) + 1, 0, len(level))
    count, mean, square = (total[high] - total[low] for total in sums)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, square = mean / count, square / count
        moved = np.maximum(square - mean**2, 0.0) / mean**2
    return np.asarray(np.nan_to_num(_LEVEL_LEAVES * moved))


def _calm_rows(
    frames: Frames, tone: BoardTone, start: Start, quiet: tuple[tuple[float, float], ...], lost: LostSamples
) -> Flags:
    """Rows of the board's tone that are neither starting, dying, at the edge of a segment nor beside lost samples."""
    rows = tone.rows.copy()
    if start.shown:
        rows &= frames.time_s > start.settled_s + _AFTER_START_S
    rows &= ~lost_samples.rows_near(frames.time_s, quiet, _NEAR_SILENCE_S, _NEAR_SILENCE_S)
    rows &= ~lost_samples.rows_near(frames.time_s, lost.places, 0.03, 0.03)
    label = np.where(frames.oscillating, frames.stretch, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [len(label)]])
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        edge = min(_EDGE_ROWS, (b - a) // 2)
        rows[a : a + edge] = False
        rows[b - edge : b] = False
    return rows


def _at_half_pitch(swing: Swing, halves: HalfOrders, frames: Frames) -> bool:
    """Whether a swing comes at half the pitch where alternate cycles differ: that is the difference itself."""
    half = 0.5 * swing.segment.f0_hz
    near = (frames.time_s >= swing.segment.start_s) & (frames.time_s <= swing.segment.end_s)
    return abs(swing.rate_hz - half) < 0.05 * half and bool((halves.level_dbc[near] > -60.0).mean() > 0.3)


def level_law_of(
    parts: Parts, level_db: Floats, rows: Flags, corner_known: bool
) -> LevelLaw | None:
    """Level against pitch from rows of the table."""
    use = rows & np.isfinite(level_db)
    frames = parts.frames
    return fit_level_law(frames.time_s[use], frames.f0_hz[use], level_db[use], corner_known)
