"""Steady segments: where the tuning control rests, and how it came to rest."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.tone import BoardTone
from listen.fitting import legendre_columns
from listen.sorting import median
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

TURN_CENTS_PER_S = 30.0
"""A faster move is a turn of the control: a slow hand takes an octave in ten seconds, 120 cents a second, and a quarter
of that is where its stroke ends. A build that warms up drifts by cents a minute."""
SHORTEST_S = 0.4
"""A shorter rest shows no swing of the level (2.5 turns at 6 Hz) and no settling (0.5 s are the limit)."""
_TREND_S = 2.0
"""Over so long a pitch that wavers at 1.25 Hz or faster turns round often enough to have no trend."""
_WAVER_CENTS = 60.0
"""R.m.s., 85 cents at the peaks: more than a quarter tone is no wavering but tuning by hand."""
_TREND_OF_WAVER = 0.6
"""Trend in a second that a wavering pitch seems to have, of its r.m.s.: a sine of amplitude a that turns N times within
T seconds has up to 6 a / (pi N T), which is 0.54 times its r.m.s. for the 2.5 turns in 2 s that are asked for here."""
_TURNS_ROUND = 5
"""Sign changes of what a cubic leaves: any smooth stroke leaves four (the least that is orthogonal to it)."""
_AT_ONCE = 2000
"""Windows at once, of 101 rows: 1.6 MB. No result hangs on it."""
_SIDE_S, _STEP_S, _STEP_CENTS, _AT_ONCE_SHARE = 0.3, 0.08, 80.0, 0.7
"""A quick move: medians of 0.3 s on both sides differ by more than a wavering pitch's, and most of it within 0.16 s."""
_TRIM_CENTS = 1.5
"""Half of the limit of a pitch that wavers: ends of a rest that are off by less move no number."""
_QUICK_CENTS, _QUICK_S = 60.0, 0.06
"""A move of more than this within this time before the rest is a quick retune: 1000 cents a second, eight slow
hands'."""
_LOOK_BACK_S = 0.35
"""How far before the first row of a rest the move may have ended: half of the 25 rows over which the pitch is averaged,
and 0.1 s of the move itself."""
_RETUNE_S = 0.25
"""What a quick retune leaves between the harmonics is no other sound, for so long: the pitch is averaged over as much
to each side."""
_UNREAD_CYCLES = 2.0
"""Half of the four that a frame holds at the least."""
_BEFORE_END_S = 0.15
"""The end of a rest may hold the slow beginning of the next turn."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteadySegment:
    """One rest of the control, as places [first, stop) of the tone's grid.

    Attributes
    ----------
    first, stop : int
    start_s, end_s : float
    f0_hz : float
        Median.
    retune_s : float or None
        When a quick move ended that led to it; None: it was reached slowly, or the take begins with it.
    """

    first: int
    stop: int
    start_s: float
    end_s: float
    f0_hz: float
    retune_s: float | None

    @property
    def seconds(self) -> float:
        """Length."""
        return self.end_s - self.start_s


def steady_rows(frames: Frames, rows: Flags) -> list[tuple[int, int]]:
    """Rows [a, b) in which the control rests.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        Rows of the board's tone.

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
        cents = 1200.0 * np.log2(np.where(rows, frames.f0_hz, np.nan))
    still = np.zeros(n, dtype=bool)
    hop = frames.row_every_s
    pieces = _pieces(frames.segment, rows)
    for a, b in pieces:
        if b - a >= 5:
            still[a:b] = _still(cents[a:b], hop) & ~_stepped(cents[a:b], hop)
    out = []
    for a, b in pieces:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], still[a:b].view(np.int8), [0]])))
        out += [
            (int(a + i), int(a + j))
            for i, j in zip(edges[0::2], edges[1::2], strict=True)
            if (j - i) * hop >= SHORTEST_S
        ]
    return out


def _stepped(cents: Floats, hop_s: float) -> Flags:
    """Rows on a quick move from one note to another: most of what lies between both sides happens at once."""
    side, gap = max(2, round(_SIDE_S / hop_s)), max(1, round(_STEP_S / hop_s))
    n = len(cents)
    if n < 2 * (side + gap) + 1:
        return np.zeros(n, dtype=bool)
    views = np.median(np.lib.stride_tricks.sliding_window_view(cents, side), axis=1)
    apart = np.zeros(n)
    middle = np.arange(side + gap, n - side - gap)
    apart[middle] = views[middle + gap + 1] - views[middle - gap - side]
    at_once = np.zeros(n)
    at_once[middle] = cents[middle + gap] - cents[middle - gap]
    step = (np.abs(apart) > _STEP_CENTS) & (at_once * np.sign(apart) > _AT_ONCE_SHARE * np.abs(apart))
    return np.asarray(np.convolve(step, np.ones(2 * gap + 1), mode="same") > 0)


def _pieces(segment: Ints, rows: Flags) -> list[tuple[int, int]]:
    """Unbroken runs of the board's rows within one segment of tone."""
    label = np.where(rows, segment, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1, [len(label)]])
    return [(int(a), int(b)) for a, b in itertools.pairwise(edges) if label[a] >= 0]


def _still(cents: Floats, hop_s: float) -> Flags:
    n = len(cents)
    width = min(25, n // 2 * 2 - 1)
    kernel = np.hanning(width + 2)[1:-1]
    kernel /= kernel.sum()
    half = width // 2
    ends = (cents[: max(1, half)].mean(), cents[-max(1, half) :].mean())
    padded = np.concatenate([np.full(half, ends[0]), cents, np.full(half, ends[1])])
    still: Flags = np.abs(np.gradient(np.convolve(padded, kernel, mode="valid"), hop_s)) < TURN_CENTS_PER_S
    long = round(_TREND_S / hop_s) | 1
    if n >= long and not still.all():
        for first in range(0, n - long + 1, _AT_ONCE):
            part = cents[first : first + _AT_ONCE + long - 1]
            for i in np.flatnonzero(_wavering(part, long, hop_s)):
                still[first + i : first + i + long] = True
    return still


def _wavering(cents: Floats, long: int, hop_s: float) -> Flags:
    """Whether each run of ``long`` rows keeps about one place and turns round often."""
    place = (np.arange(long) - long // 2) * hop_s
    views = np.lib.stride_tricks.sliding_window_view(cents, long)
    out = np.zeros(len(views), dtype=bool)
    rough = np.ptp(views[:, :: max(1, long // 12)], axis=1) < 7.0 * _WAVER_CENTS + 4.0 * TURN_CENTS_PER_S
    if not rough.any():
        return out
    some = views[rough]
    centred = some - some.mean(axis=1, keepdims=True)
    slope = centred @ place / (place @ place)
    off = centred - slope[:, None] * place
    rms = np.sqrt(np.mean(off**2, axis=1))
    bends = legendre_columns(place / (long // 2 * hop_s), 3)
    smooth = off - (off @ np.linalg.pinv(bends).T) @ bends.T
    crossings = np.count_nonzero(np.diff(np.sign(smooth), axis=1), axis=1)
    # wavering turns round often and no smooth bend explains it; a stroke's slow end does neither
    calm = np.abs(slope) < TURN_CENTS_PER_S + _TREND_OF_WAVER * rms
    calm &= (rms < _WAVER_CENTS) & (np.abs(off).max(axis=1) < 3.5 * _WAVER_CENTS)
    out[rough] = calm & (crossings >= _TURNS_ROUND) & (np.sqrt(np.mean(smooth**2, axis=1)) > 0.6 * rms)
    return out


def steady_segments(
    frames: Frames, tone: BoardTone, rows: list[tuple[int, int]], barred: Flags, events: Flags, started_s: float
) -> list[SteadySegment]:
    """Rests on the tone's grid, trimmed, without barred places.

    Parameters
    ----------
    frames : Frames
    tone : BoardTone
    rows : list of (a, b)
        From `steady_rows`.
    barred : ndarray of bool, shape (grid,)
        Places where the tone is not there, or samples are lost.
    events : ndarray of bool, shape (grid,)
        Places that other sounds disturb; right after a quick retune it is the retune itself.
    started_s : float
        Nothing before it is looked at.
    """
    out = []
    for a, b in rows:
        begin, end = _trimmed(frames, a, b)
        start_s = max(float(frames.time_s[begin]), started_s)
        end_s = float(frames.time_s[end])
        if frames.oscillating[end + 1 : end + 16].any():
            end_s -= _BEFORE_END_S
        i, j = tone.index(start_s), tone.index(end_s) + 1
        if j <= i:
            continue
        retune = _retune(tone, float(frames.time_s[a]), median(tone.f0_hz[i:j]))
        retune = retune if retune is not None and retune > started_s else None
        own = i + round(_RETUNE_S / tone.grid_s) if retune is not None else i
        good = tone.strong[i:j] & ~barred[i:j] & ~(events[i:j] & (np.arange(i, j) >= own))
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good.view(np.int8), [0]])))
        for p, q in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
            if p > 0 and retune is not None:
                # a low note is read some cycles after the move: no sooner, and none of the move any more
                unread = not tone.tracked[i : i + p].any()
                f0_hz = float(tone.f0_hz[i + p])
                retune = max(retune, float(tone.time_s[i + p]) - _UNREAD_CYCLES / f0_hz) if unread else None
            if (q - p) * tone.grid_s < SHORTEST_S:
                continue
            first, stop = i + p, i + q
            f0 = median(tone.f0_hz[first:stop])
            out.append(
                SteadySegment(
                    first=first,
                    stop=stop,
                    start_s=float(tone.time_s[first]),
                    end_s=float(tone.time_s[stop - 1]),
                    f0_hz=f0,
                    retune_s=retune,
                )
            )
    return out


def _trimmed(frames: Frames, a: int, b: int) -> tuple[int, int]:
    """First and last row of a rest without its ends where the pitch leaves the line of its middle."""
    n = b - a
    if n < 24:
        return a, b - 1
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 1200 * np.log2(frames.f0_hz[a:b])
    place = np.arange(n)
    middle = (place >= n // 4) & (place < n - n // 4) & np.isfinite(cents)
    if np.count_nonzero(middle) < 8:
        return a, b - 1
    line = np.polyfit(place[middle], cents[middle], 1)
    off = np.abs(cents - np.polyval(line, place))
    outside = off > max(_TRIM_CENTS, 4.0 * float(np.std(off[middle])), 1.5 * float(off[middle].max()))
    before = np.flatnonzero(outside & (place < n // 4))
    after = np.flatnonzero(outside & (place >= n - n // 4))
    first = a + (int(before[-1]) + 1 if len(before) else 0)
    last = a + (int(after[0]) - 1 if len(after) else n - 1)
    return first, last


def _retune(tone: BoardTone, start_s: float, f0_hz: float) -> float | None:
    """When the quick move before a rest ended; None where it was none."""
    i = tone.index(start_s)
    back = max(0, i - round(_LOOK_BACK_S / tone.grid_s))
    ahead = min(len(tone.time_s), i + round(0.2 / tone.grid_s))
    cents = 1200 * np.log2(tone.f0_hz[back:ahead] / f0_hz)
    off = np.where(tone.tracked[back:ahead], np.abs(cents), 0.0)
    if float(off.max()) < _QUICK_CENTS:
        return None
    far = np.flatnonzero(off > max(_QUICK_CENTS, 0.1 * float(off.max())))
    last = back + int(far[-1])
    lag = max(1, round(_QUICK_S / tone.grid_s))
    first = max(0, last - round(_LOOK_BACK_S / tone.grid_s))
    way = 1200 * np.log2(tone.f0_hz[first : min(len(tone.f0_hz), last + lag + 1)])
    if len(way) <= lag or float(np.abs(way[lag:] - way[:-lag]).max()) < _QUICK_CENTS:
        return None
    # it ended after the last place that is off and before the next
    return float(tone.time_s[last]) + 0.5 * tone.grid_s
