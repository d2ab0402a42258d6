"""Segments of rows in which a measured value exceeds a limit, and the candidate finding of each segment."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.shape import FEWEST_CYCLES
from listen.findings.candidate import Candidate
from listen.findings.measured import Measured
from listen.findings.types import Severity
from listen.sorting import quantile, quantile_of_known
from listen.track import BAND, Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_BRIDGE_S = 0.3
"""What was measured under the limit for so long parts two segments: one that comes and goes at its limit is one. Half
of it would cut where one median of five rows (0.1 s) and its neighbours fall below. Chosen."""
_SHORTEST_S = 0.1
"""As long as the median of five rows: what is over a limit for less may be one disturbed frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Rows first to last, inclusive, of a segment."""

    first: int
    last: int


def whole_frames(frames: Frames) -> Flags:
    """Rows whose frames hold enough cycles for the wave shape to be measured."""
    return frames.oscillating & (frames.frame_s * frames.f0_hz > FEWEST_CYCLES)


def orders_of(frames: Frames) -> NDArray[np.int64]:
    """Number of harmonics below the band limit at each row, 0 where nothing oscillates."""
    fits = np.floor(BAND * frames.sample_rate_hz / frames.f0_hz)
    return np.where(frames.oscillating, fits, 0.0).astype(np.int64)


def short_median(values: Floats, segment: NDArray[np.int64], width: int = 5) -> Floats:
    """Median over a few rows of the same segment of tone; NaN where the row itself is NaN.

    Parameters
    ----------
    values : ndarray, shape (n,)
    segment : ndarray of int, shape (n,)
        ``Frames.segment``.
    width : int
        Odd number of rows.
    """
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    owner = np.concatenate([np.full(half, -2), segment, np.full(half, -2)])
    views = np.lib.stride_tricks.sliding_window_view(padded, width)
    same = np.lib.stride_tricks.sliding_window_view(owner, width) == segment[:, None]
    ordered = np.sort(np.where(same, views, np.nan), axis=1)
    count = np.sum(np.isfinite(ordered), axis=1)
    rows = np.arange(len(values))
    low = ordered[rows, np.maximum((count - 1) // 2, 0)]
    high = ordered[rows, np.minimum(count // 2, width - 1)]
    return np.where(np.isfinite(values), 0.5 * (low + high), np.nan)


def line_ratio(frames: Frames, order: int) -> Floats:
    """Amplitude of a harmonic over the fundamental's, median-filtered over five rows."""
    return short_median(10 ** (frames.harmonics_dbc[:, order - 2] / 20), frames.segment)


def segments_over_limit(frames: Frames, values: Floats, known: Flags, limit: float) -> Iterator[Flags]:
    """Rows at or above a limit, segment by segment; gaps in which nothing could be measured do not end a segment.

    Parameters
    ----------
    frames : Frames
    values : ndarray, shape (n,)
    known : ndarray of bool, shape (n,)
        Rows in which the value was measured.
    limit : float
    """
    flags = known & (values >= limit)
    for span in spans(flags, known, frames.time_s, _BRIDGE_S, _SHORTEST_S):
        rows = np.zeros_like(flags)
        rows[span.first : span.last + 1] = flags[span.first : span.last + 1]
        yield rows


def spans(flags: Flags, known: Flags, time_s: Floats, bridge_s: float, shortest_s: float) -> list[Span]:
    """Contiguous segments of flagged rows.

    Parameters
    ----------
    flags, known : ndarray of bool, shape (n,)
        The condition, and whether it could be measured: rows where it could not do not end a segment.
    time_s : ndarray, shape (n,)
    bridge_s : float
        Gaps of measured rows up to this length are bridged.
    shortest_s : float
        Shorter segments are dropped. Both times are at least three rows, which are further apart in a long take.
    """
    index = np.flatnonzero(flags)
    if len(index) == 0 or len(time_s) < 2:
        return []
    hop = time_s[1] - time_s[0]
    bridge_s, shortest_s = max(bridge_s, 3.0 * hop), max(shortest_s, 3.0 * hop)
    measured = np.concatenate([[0], np.cumsum(known)])
    gap = measured[index[1:]] - measured[index[:-1] + 1]
    breaks = np.flatnonzero(gap * hop > bridge_s)
    first = index[np.concatenate([[0], breaks + 1])]
    last = index[np.concatenate([breaks, [len(index) - 1]])]
    out = [Span(first=int(a), last=int(b)) for a, b in zip(first, last, strict=True)]
    return [s for s in out if np.count_nonzero(flags[s.first : s.last + 1]) * hop >= shortest_s]


def worst_of(values: Floats, rows: Flags) -> float:
    """95th percentile of the values of some rows."""
    return quantile(values[rows], 0.95)


def onset_and_thd(frames: Frames, rows: Flags) -> dict[str, float]:
    """Lowest pitch of the rows, and their THD (98th percentile): fields of several kinds."""
    return {
        "onset_f0_hz": float(np.nanmin(frames.f0_hz[rows])),
        "thd_worst_percent": quantile_of_known(frames.thd_percent[rows], 0.98),
    }


def candidate_of(
    frames: Frames, rows: Flags, kind: str, severity: Severity, measured: Measured, **more: Any
) -> Candidate:
    """Candidate finding of some rows: their time, extended by half a row at both ends, and their pitch range."""
    index = np.flatnonzero(rows)
    half = 0.5 * frames.row_every_s
    f0 = frames.f0_hz[index]
    f0 = f0[np.isfinite(f0)]
    return Candidate(
        kind=kind,
        severity=severity,
        measured=measured,
        start_s=max(0.0, float(frames.time_s[index[0]]) - half),
        end_s=float(frames.time_s[index[-1]]) + half,
        f0_low_hz=float(f0.min()) if len(f0) else None,
        f0_high_hz=float(f0.max()) if len(f0) else None,
        rows=index,
        **more,
    )


def around(candidate: Candidate, frames: Frames) -> slice:
    """Rows within 50 ms of a candidate's time."""
    a = np.searchsorted(frames.time_s, candidate.start_s - 0.05, side="left")
    return slice(int(a), int(np.searchsorted(frames.time_s, candidate.end_s + 0.05, side="right")))


def flattest_rows(share: Floats, values: Floats, rows: Flags) -> Flags:
    """Rows with the greatest loss (0.6 of the worst and more) whose flatness is known."""
    return rows & (values >= 0.6 * worst_of(values, rows)) & np.isfinite(share)
