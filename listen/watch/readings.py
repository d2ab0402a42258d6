"""The newest rows of the frames table whose frames have their full length, and the state that they tell."""

from __future__ import annotations

import itertools
import math
from statistics import median
from typing import Any

import numpy as np

from listen.capture.overload import ExtremesByBlock, find_overload, may_be_cut
from listen.track.lines import frame_cycles
from listen.track.stream import NewestRows
from listen.track.types import ROW_EVERY_S, Frames
from listen.units import cents_between, cents_off_note
from listen.watch.types import Reading, ToneState
from listen.watch.window import Window

RowColumns = NewestRows | Frames
_SMOOTHED_S = 0.010
"""The phase is smoothed over eleven knots: nearer to the end, where it lacks the later ones, pitch is 0.1 cents off."""
_QUIET_HALF_S = 0.5 * ROW_EVERY_S
_MOVING_CENTS = 2.0
"""A pitch that moves by more from row to row is being turned."""
_SIGMAS = 4.0
"""... unless its own scatter explains that."""
_MOVED_ROWS = 5
_STEP_S = 0.2
"""So long after a step of the pitch it has just stepped."""
_TURNED_CENTS_A_S = 50.0
"""A pitch that moves faster is being turned, however smoothly: 10 cents in 0.2 s."""
_AT_REST_S = 0.16
"""So long a tone and its level must have stood: with its frame, the way from reading to reading and what is dear to
measure the state is right 0.3 s after the cause."""
_AT_REST_DB_A_S = 0.5
"""A level that moves faster has not settled: 0.1 dB in 0.2 s."""
_SCATTERS = 3.0
"""... unless it scatters as much from row to row."""
_MAINS_HZ = 50.0, 60.0, 100.0, 120.0
_MAINS_WANDER, _MAINS_BELOW_DBFS = 0.004, -30.0
"""What stands within so much of the mains or twice it and is this weak is hum, as it is for the tracker in a take of
nothing else: in a short window that holds the end of something louder the tracker cannot know."""
_SOUNDING_S = 0.3
_PEAK_S = 0.2


def newest_rows(frames: RowColumns, stop_s: float, after_s: float, every_s: float) -> list[int]:
    """Choose the rows to show: the newest whose frame has its full length, and before it one every so often.

    Parameters
    ----------
    frames : NewestRows or Frames
        Of the window.
    stop_s : float
        Its end.
    after_s : float
        The last row that was shown; only later ones are chosen.
    every_s : float
        Least time from row to row, apart from the newest.

    Returns
    -------
    list of int
        Rows in order of time; none where no new one is complete.
    """
    count = int(np.searchsorted(frames.time_s, stop_s - _half_frame_s(frames) + 1e-9, side="right"))
    first = int(np.searchsorted(frames.time_s, after_s + 1e-9, side="right"))
    stride = max(1, math.ceil(every_s / ROW_EVERY_S - 1e-9))
    return list(range(count - 1, first - 1, -stride))[::-1]


def _half_frame_s(frames: RowColumns) -> float:
    """Half of the frame that the newest pitch asks for: what is nearer to the end has a shortened frame."""
    newest = slice(-round(_SOUNDING_S / ROW_EVERY_S), None)
    sounding = np.flatnonzero(frames.oscillating[newest])
    if not len(sounding):
        return _QUIET_HALF_S
    f0_hz = float(frames.f0_hz[newest][sounding[-1]])
    return _SMOOTHED_S + max(_QUIET_HALF_S, 0.5 * float(frame_cycles(np.array([f0_hz]))[0]) / f0_hz)


def reading_of(
    frames: RowColumns, row: int, *, heard_s: float, peak_fs: float, clipped: bool, note_hz: float | None
) -> Reading:
    """Return one row with its state.

    Parameters
    ----------
    frames : NewestRows or Frames
    row : int
    heard_s : float
    peak_fs : float
    clipped : bool
        Whether the interface clips: then nothing of the wave's shape is shown.
    note_hz : float or None
        What ``cents`` are counted from; None: the nearest note.
    """
    f0_hz = _known(frames.f0_hz[row])
    shape = not clipped
    return Reading(
        time_s=round(float(frames.time_s[row]), 7),
        heard_s=heard_s,
        f0_hz=f0_hz,
        cents=None if f0_hz is None else cents_between(f0_hz, note_hz) if note_hz else cents_off_note(f0_hz),
        level_dbfs=_known(frames.level_dbfs[row]),
        thd_percent=_known(frames.thd_percent[row]) if shape else None,
        h2_dbc=_known(frames.harmonics_dbc[row, 0]) if shape else None,
        h3_dbc=_known(frames.harmonics_dbc[row, 1]) if shape else None,
        crest_positive=_known(frames.crest_positive[row]) if shape else None,
        crest_negative=_known(frames.crest_negative[row]) if shape else None,
        f0_sigma_cents=_known(frames.f0_sigma_cents[row]),
        peak_fs=peak_fs,
        state="over" if clipped else state_of(frames, row),
    )


def _known(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


def state_of(frames: RowColumns, row: int) -> ToneState:
    """Tell whether the tone is absent, being turned, growing or at rest at a row."""
    if not frames.oscillating[row]:
        return "silent"
    # a handful of numbers: as lists they cost a tenth of what arrays do
    rows = slice(max(0, row - round(_STEP_S / ROW_EVERY_S)), row + 1)
    sounding, f0_hz = frames.oscillating[rows].tolist(), frames.f0_hz[rows].tolist()
    level_dbfs = frames.level_dbfs[rows].tolist()
    if _is_hum(f0_hz[-_MOVED_ROWS:], level_dbfs[-_MOVED_ROWS:], sounding[-_MOVED_ROWS:]):
        return "silent"
    cents = [1200.0 * math.log2(hz) for hz, sounds in zip(f0_hz, sounding, strict=True) if sounds]
    if _moves(cents, [sigma for sigma in frames.f0_sigma_cents[rows].tolist() if math.isfinite(sigma)]):
        return "moving"
    at_rest = round(_AT_REST_S / ROW_EVERY_S) + 1
    if row + 1 < at_rest or not all(sounding[-at_rest:]) or _level_moves(level_dbfs[-at_rest:]):
        return "settling"
    return "steady"


def _is_hum(f0_hz: list[float], level_dbfs: list[float], sounding: list[bool]) -> bool:
    """Whether what sounds is the mains: at rest at its frequency or twice it, and weaker than any recorded tone."""
    if max(level for level, sounds in zip(level_dbfs, sounding, strict=True) if sounds) > _MAINS_BELOW_DBFS:
        return False
    pitches = [hz for hz, sounds in zip(f0_hz, sounding, strict=True) if sounds]
    return any(all(abs(hz / mains - 1.0) < _MAINS_WANDER for hz in pitches) for mains in _MAINS_HZ)


def _moves(cents: list[float], sigma: list[float]) -> bool:
    """Whether the pitch moves from row to row, or has stepped."""
    if len(cents) < 2:
        return False
    scatter = median(sigma) if sigma else 0.0
    steps = [abs(after - before) for before, after in itertools.pairwise(cents)]
    turned = max(steps[-_MOVED_ROWS:]) > max(_MOVING_CENTS, _SIGMAS * scatter)
    if len(cents) < 6:
        return turned
    # a hold before a step and the hold after it differ, wherever in the window the step lies
    apart_s = (len(cents) - 3) * ROW_EVERY_S
    least = max(_TURNED_CENTS_A_S * apart_s, 5.0 * _SIGMAS * scatter)
    return turned or abs(median(cents[:3]) - median(cents[-3:])) > least


def _level_moves(level_dbfs: list[float]) -> bool:
    """Whether the level moves by more than it scatters."""
    third = max(1, len(level_dbfs) // 3)
    # the parts' medians: a single row across a click is no growth
    moved_db = abs(median(level_dbfs[-third:]) - median(level_dbfs[:third]))
    scatter_db = median(abs(after - before) for before, after in itertools.pairwise(level_dbfs))
    return moved_db > max(_AT_REST_DB_A_S * (len(level_dbfs) - third) * ROW_EVERY_S, _SCATTERS * scatter_db)


def is_clipped(window: Window) -> tuple[bool, float]:
    """Tell whether the interface clipped in the last 0.2 s, and how high the wave came.

    Returns
    -------
    (bool, float)
        Flat tops that a converter cut, as a check finds them; the largest sample, full scale is 1.
    """
    start = max(window.start_sample, window.stop_sample - round(_PEAK_S * window.sample_rate_hz))
    if window.stop_sample - start < 8:
        return False, 0.0
    x = window.read(start, window.stop_sample)
    highest, lowest = float(x.max()), float(x.min())
    peak_fs = max(highest, -lowest)
    if not may_be_cut(x, window.subtype):
        return False, peak_fs
    span = Window(
        ring=window.ring,
        start_sample=start,
        stop_sample=window.stop_sample,
        sample_rate_hz=window.sample_rate_hz,
        true_rate_hz=window.true_rate_hz,
        subtype=window.subtype,
        ac_coupling_hz=window.ac_coupling_hz,
    )
    extremes = ExtremesByBlock()
    extremes.feed(start, len(x), highest, lowest)
    return len(find_overload(span, extremes)) > 0, peak_fs
