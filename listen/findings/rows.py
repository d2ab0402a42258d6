"""Rows of the frames table made ready for judging: short medians, rests of the control, stretches of time."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.findings.curves import legendre_columns
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Rows [first, last] of one stretch of time in which something holds."""

    first: int
    last: int


def short_median(values: Floats, stretch: NDArray[np.int64], width: int = 5) -> Floats:
    """Median over a few rows of the same stretch of tone; NaN where the row itself is NaN.

    Parameters
    ----------
    values : ndarray, shape (n,)
    stretch : ndarray of int, shape (n,)
    width : int
        Odd number of rows.
    """
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    owner = np.concatenate([np.full(half, -2), stretch, np.full(half, -2)])
    views = np.lib.stride_tricks.sliding_window_view(padded, width)
    same = np.lib.stride_tricks.sliding_window_view(owner, width) == stretch[:, None]
    ordered = np.sort(np.where(same, views, np.nan), axis=1)
    count = np.sum(np.isfinite(ordered), axis=1)
    rows = np.arange(len(values))
    low = ordered[rows, np.maximum((count - 1) // 2, 0)]
    high = ordered[rows, np.minimum(count // 2, width - 1)]
    return np.where(np.isfinite(values), 0.5 * (low + high), np.nan)


def spans(flags: Flags, known: Flags, time_s: Floats, bridge_s: float, shortest_s: float) -> list[Span]:
    """Contiguous stretches of flagged rows.

    Parameters
    ----------
    flags, known : ndarray of bool, shape (n,)
        What holds, and whether it could be measured: stretches join across rows where it could not.
    time_s : ndarray, shape (n,)
    bridge_s : float
        Measured rows between two stretches are bridged up to this long.
    shortest_s : float
        Shorter stretches are dropped. Neither time is less than three rows, which are far apart in a long take.
    """
    index = np.flatnonzero(flags)
    if len(index) == 0:
        return []
    hop = time_s[1] - time_s[0] if len(time_s) > 1 else 0.02
    bridge_s, shortest_s = max(bridge_s, 3.0 * hop), max(shortest_s, 3.0 * hop)
    out: list[Span] = []
    first = last = int(index[0])
    for i in index[1:]:
        between = int(np.count_nonzero(known[last + 1 : i]))
        if between * hop > bridge_s:
            out.append(Span(first=first, last=last))
            first = int(i)
        last = int(i)
    out.append(Span(first=first, last=last))
    return [s for s in out if np.count_nonzero(flags[s.first : s.last + 1]) * hop >= shortest_s]


def smooth_pitch(frames: Frames) -> Floats:
    """Pitch with jitter taken out: median over 0.1 s."""
    return short_median(frames.f0_hz, frames.stretch, 5)


def resting(frames: Frames, *, cents_per_s: float = 30.0, shortest_s: float = 0.4) -> list[Span]:
    """Stretches in which the control rests.

    Parameters
    ----------
    frames : Frames
    cents_per_s : float
        A faster move is a turn of the control.
    shortest_s : float

    Notes
    -----
    Two signs of rest, either is enough: the pitch averaged over half a second keeps still; or over two seconds it
    has no trend, turns round often and stays within about a quarter tone. The second keeps a pitch that wavers
    slowly (hunting, vibrato, wandering) from passing for a turn of the control.
    """
    n = len(frames)
    if n < 3:
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 1200.0 * np.log2(frames.f0_hz)
    still = np.zeros(n, dtype=bool)
    hop = float(frames.time_s[1] - frames.time_s[0])
    for a, b in blocks(frames.stretch):
        own = cents[a:b]
        if b - a >= 5 and np.isfinite(own).all():
            still[a:b] = _still(own, hop, cents_per_s)
    out = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
    for a, b in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        for c, d in blocks(frames.stretch[a:b]):
            if (d - c) * hop >= shortest_s:
                out.append(Span(first=int(a + c), last=int(a + d - 1)))
    return out


def without(items: list[Span], flags: Flags, least: int) -> list[Span]:
    """Stretches less the flagged rows; pieces shorter than ``least`` rows are dropped."""
    out = []
    for span in items:
        good = ~flags[span.first : span.last + 1]
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
        for a, b in zip(edges[0::2], edges[1::2], strict=True):
            if b - a >= least:
                out.append(Span(first=int(span.first + a), last=int(span.first + b - 1)))
    return out


def _still(cents: Floats, hop_s: float, cents_per_s: float) -> Flags:
    n = len(cents)
    width = min(25, n // 2 * 2 - 1)
    kernel = np.hanning(width + 2)[1:-1]
    kernel /= kernel.sum()
    half = width // 2
    ends = (cents[: max(1, half)].mean(), cents[-max(1, half) :].mean())
    padded = np.concatenate([np.full(half, ends[0]), cents, np.full(half, ends[1])])
    still: Flags = np.abs(np.gradient(np.convolve(padded, kernel, mode="valid"), hop_s)) < cents_per_s
    long = round(_TREND_S / hop_s) | 1
    if n >= long:
        for first in range(0, n - long + 1, _AT_ONCE):
            part = cents[first : first + _AT_ONCE + long - 1]
            for i in np.flatnonzero(_wavering(part, long, hop_s, cents_per_s)):
                still[first + i : first + i + long] = True
    return still


def _wavering(cents: Floats, long: int, hop_s: float, cents_per_s: float) -> Flags:
    """Whether each run of ``long`` rows keeps about one place and turns round often."""
    place = (np.arange(long) - long // 2) * hop_s
    views = np.lib.stride_tricks.sliding_window_view(cents, long)
    centred = views - views.mean(axis=1, keepdims=True)
    slope = centred @ place / (place @ place)
    off = centred - slope[:, None] * place
    rms = np.sqrt(np.mean(off**2, axis=1))
    bends = legendre_columns(place / (long // 2 * hop_s), 3)
    smooth = off - (off @ np.linalg.pinv(bends).T) @ bends.T
    crossings = np.count_nonzero(np.diff(np.sign(smooth), axis=1), axis=1)
    # wavering turns round often and no smooth bend explains it; a stroke's slow end does neither
    calm = (np.abs(slope) < 2.0 * cents_per_s) & (rms < _WAVER_CENTS) & (np.abs(off).max(axis=1) < 3.5 * _WAVER_CENTS)
    wavering: Flags = calm & (crossings >= 5) & (np.sqrt(np.mean(smooth**2, axis=1)) > 0.6 * rms)
    return wavering


_AT_ONCE = 2000
_TREND_S = 2.0
_WAVER_CENTS = 60.0


def blocks(stretch: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Row ranges [a, b) of equal, non-negative stretch number."""
    if len(stretch) == 0:
        return []
    edges = np.concatenate([[0], np.flatnonzero(np.diff(stretch)) + 1, [len(stretch)]])
    return [(int(a), int(b)) for a, b in itertools.pairwise(edges) if stretch[a] >= 0]


def pitch_range(frames: Frames, span: Span, flags: Flags | None = None) -> tuple[float | None, float | None]:
    """Lowest and highest pitch of the (flagged) rows of a stretch; None where nothing oscillates."""
    f0 = frames.f0_hz[span.first : span.last + 1]
    if flags is not None:
        f0 = f0[flags[span.first : span.last + 1]]
    f0 = f0[np.isfinite(f0)]
    return (float(f0.min()), float(f0.max())) if len(f0) else (None, None)


def times(frames: Frames, span: Span) -> tuple[float, float]:
    """Start and end of a stretch, half a row beyond its first and last row."""
    half = 0.5 * (frames.time_s[1] - frames.time_s[0]) if len(frames) > 1 else 0.01
    return max(0.0, float(frames.time_s[span.first] - half)), float(frames.time_s[span.last] + half)
