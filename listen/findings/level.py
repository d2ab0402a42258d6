"""Whether it starts, keeps going, and keeps its level along the tuning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.findings.rows import Flags, Floats, blocks, short_median
from listen.sorting import median, median_of_known, quantile
from listen.track import Frames

_CORNERS_HZ = (0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 20.0)
"""Corners that an input's AC coupling of unknown corner may have: its fall of level at low notes is no drift."""
_TEN_CYCLES = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """How the tone began.

    Attributes
    ----------
    shown : bool
        The take holds the start.
    begin_s, settled_s : float
        1 % and 90 % of the settled level.
    rise_s, cycles : float
    growth_per_s : float or None
        Slope of the envelope's logarithm while it grows.
    f0_hz : float
    """

    shown: bool
    begin_s: float = 0.0
    settled_s: float = 0.0
    rise_s: float = 0.0
    cycles: float = 0.0
    growth_per_s: float | None = None
    f0_hz: float = 0.0


def absent(frames: Frames) -> bool:
    """Whether less than ten cycles of tone were found."""
    tone = frames.oscillating
    if not tone.any():
        return True
    return bool(np.sum(frames.f0_hz[tone]) * frames.row_every_s + 4.0 < _TEN_CYCLES)


def find_start(frames: Frames) -> Start:
    """Measure the rise of the first stretch of tone."""
    envelope = frames.envelope
    tone = np.flatnonzero(frames.oscillating)
    if len(tone) == 0:
        return Start(shown=False)
    first = frames.time_s[tone[0]]
    inside = np.flatnonzero(envelope.oscillating & (envelope.time_s > first - 0.5))
    if len(inside) < 10:
        return Start(shown=False)
    # up to the first break
    t, a = envelope.time_s[inside], envelope.amplitude_fs[inside]
    gap = np.flatnonzero(np.diff(t) > 0.1)
    stop = int(gap[0]) + 1 if len(gap) else len(t)
    t, a = t[:stop], a[:stop]
    settled = _settled(t, a)
    before = envelope.rms_amplitude_fs[envelope.time_s < t[0] - 0.01]
    silent = len(before) > 3 and t[0] - frames.time_s[0] > 0.08 and median(before[-25:]) < 0.1 * settled
    if not silent and a[0] > 0.1 * settled:
        return Start(shown=False)
    over = np.flatnonzero(a >= 0.9 * settled)
    if len(over) == 0:
        return Start(shown=False)
    end = int(over[0])
    t90 = float(t[end])
    under = np.flatnonzero(a[: end + 1] < 0.01 * settled)
    growth = _growth(t[: end + 1], a[: end + 1], settled)
    if len(under):
        t1 = float(t[under[-1]])
    elif growth and a[0] > 0.01 * settled and not (silent and a[0] > 0.5 * settled):
        t1 = float(t[0] - np.log(a[0] / (0.01 * settled)) / growth)
        t1 = max(t1, float(frames.time_s[0]))
    else:
        t1 = float(t[0])
    f0 = median_of_known(envelope.f0_hz[inside[max(0, end - 5) : end + 20]])
    rise = max(0.0, t90 - t1)
    return Start(shown=True, begin_s=t1, settled_s=t90, rise_s=rise, cycles=rise * f0, growth_per_s=growth, f0_hz=f0)


def _settled(t: Floats, a: Floats) -> float:
    """Level reached once the growth has stopped."""
    top = quantile(a[t <= t[0] + 20.0], 0.98)
    for i in range(0, len(t), max(1, len(t) // 2000)):
        if a[i] < 0.3 * top:
            continue
        ahead = (t >= t[i]) & (t <= t[i] + 0.3)
        later = (t > t[i] + 0.2) & (t <= t[i] + 0.5)
        if not later.any():
            break
        if median(a[later]) < 1.03 * a[i]:
            return median(a[ahead])
    return median(a[-max(3, len(a) // 10) :])


def _growth(t: Floats, a: Floats, settled: float) -> float | None:
    """Slope of ln(amplitude) between 2 % and 40 % of the settled level, where that holds eight points or more."""
    part = (a > 0.02 * settled) & (a < 0.4 * settled)
    if np.count_nonzero(part) < 8:
        return None
    slope = float(np.polyfit(t[part], np.log(a[part]), 1)[0])
    return slope if slope > 0 else None


def slow_start(start: Start, limits: Limits) -> list[Draft]:
    """The rise takes too long, in seconds and in cycles."""
    row = limits["slow-start"]
    severity = severity_of(start.rise_s, row) if start.shown and start.cycles > row["cycles"] else None
    if severity is None:
        return []
    facts: dict[str, float | int | str | bool] = {
        "rise_s": start.rise_s,
        "cycles": start.cycles,
        "t90_s": start.settled_s,
    }
    if start.growth_per_s:
        facts["growth_per_s"] = start.growth_per_s
        facts["excess_gain"] = 2 * start.growth_per_s / (2 * np.pi * start.f0_hz)
    return [
        Draft(
            kind="slow-start",
            severity=severity,
            start_s=start.begin_s,
            end_s=start.settled_s,
            f0_low_hz=start.f0_hz,
            f0_high_hz=start.f0_hz,
            evidence=facts,
            variant="gain" if start.growth_per_s else "plain",
        )
    ]


def row_levels(frames: Frames) -> Floats:
    """Level of the fundamental, else of all there is, in dBFS; -inf for digital silence."""
    tone = frames.oscillating & np.isfinite(frames.fundamental_dbfs)
    return np.where(tone, frames.fundamental_dbfs, frames.level_dbfs)


def dropouts(frames: Frames, start: Start, limits: Limits, lost: Flags) -> tuple[list[Draft], list[Draft], Flags]:
    """Places where the tone falls far below its level beside them: long ones, short ones, and the rows round both.

    Parameters
    ----------
    frames : Frames
    start : Start
    limits : mapping
    lost : ndarray of bool, shape (n,)
        Rows in which the recording lost samples.
    """
    row = limits["oscillation-dropout"]
    depth = row.get("fault", np.inf)
    levels = row_levels(frames)
    n = len(levels)
    tone = np.flatnonzero(frames.oscillating)
    near = np.zeros(n, dtype=bool)
    out: list[Draft] = []
    dips: list[Draft] = []
    if len(tone) == 0:
        return out, dips, near
    i = int(tone[0])
    if start.shown:
        i = max(i, int(np.searchsorted(frames.time_s, start.settled_s)))
    reference = -np.inf
    recent: list[float] = []
    while i < n:
        if frames.oscillating[i]:
            recent = [*recent[-24:], float(levels[i])]
            reference = sorted(recent)[int(0.8 * (len(recent) - 1))]
        if not np.isfinite(reference) or levels[i] > reference - depth:
            i += 1
            continue
        j = i
        while j < n and levels[j] < reference - depth + 6.0:
            j += 1
        digital = bool(np.all(~np.isfinite(levels[i:j]))) or bool(np.mean(~np.isfinite(levels[i:j])) > 0.9)
        if not digital and not lost[i:j].mean() > 0.5:
            long = (j - i) * frames.row_every_s >= row.get("shortest_s", 0.05)
            (out if long else dips).append(_dropout(frames, levels, i, j, reference))
        near[max(0, i - 15) : min(n, j + 15)] = True
        recent = []
        i = max(j, i + 1)
    return out, dips, near


def _dropout(frames: Frames, levels: Floats, i: int, j: int, reference: float) -> Draft:
    back = j < len(levels)
    before = frames.f0_hz[max(0, i - 25) : i]
    after = frames.f0_hz[j : j + 25]
    pitches = np.concatenate([before[np.isfinite(before)][-3:], after[np.isfinite(after)][:3]])
    finite = levels[i:j][np.isfinite(levels[i:j])]
    facts: dict[str, float | int | str | bool] = {
        "depth_db": float(reference - (median(finite) if len(finite) else -120.0)),
        "seconds": float(frames.time_s[j - 1] - frames.time_s[i] + frames.row_every_s),
        "comes_back": back,
    }
    span = frames.envelope
    decay = (span.time_s > frames.time_s[i] - 0.4) & (span.time_s < frames.time_s[i]) & span.oscillating
    if np.count_nonzero(decay) > 8:
        t, a = span.time_s[decay], span.amplitude_fs[decay]
        falling = (a < 0.7 * a.max()) & (a > 0)
        if np.count_nonzero(falling) > 6:
            slope = float(np.polyfit(t[falling], np.log(a[falling]), 1)[0])
            if slope < 0:
                facts["decay_per_s"] = -slope
    low = float(pitches.min()) if len(pitches) else None
    high = float(pitches.max()) if len(pitches) else None
    return Draft(
        kind="oscillation-dropout",
        severity="fault",
        start_s=float(frames.time_s[i]),
        end_s=float(frames.time_s[j - 1] + 0.01),
        f0_low_hz=low,
        f0_high_hz=high,
        evidence=facts,
        variant="part" if back else "good",
    )


def level_drift(frames: Frames, steady: Flags, limits: Limits, width: int, coupling_known: bool) -> list[Draft]:
    """The level is not held along the tuning.

    Parameters
    ----------
    frames : Frames
    steady : ndarray of bool, shape (n,)
        Rows whose level is neither starting, dying nor settling.
    limits : mapping
    width : int
        Rows to take the median of: a hunting level is averaged out.
    coupling_known : bool
        Where not, the least span over the ordinary corners of an input counts.
    """
    row = limits["level-drift"]
    use = steady & frames.oscillating
    if np.count_nonzero(use) < 10:
        return []
    level = short_median(np.where(use, frames.level_dbfs, np.nan), frames.stretch, width | 1)
    use &= np.isfinite(level)
    f0 = frames.f0_hz[use]
    best: tuple[float, Floats] | None = None
    for corner in (0.0,) if coupling_known else _CORNERS_HZ:
        flat = level[use] + 10 * np.log10(1 + (corner / f0) ** 2)
        span = quantile(flat, 0.995) - quantile(flat, 0.005)
        if best is None or span < best[0] - 0.02:
            best = (span, flat)
    if best is None:
        return []
    severity = severity_of(best[0], row)
    if severity is None:
        return []
    index = np.flatnonzero(use)
    high, low = index[int(np.argmax(best[1]))], index[int(np.argmin(best[1]))]
    off = np.abs(best[1] - median(best[1])) > 0.35 * best[0]
    places = index[off] if off.any() else np.array([low, high])
    facts: dict[str, float | int | str | bool] = {
        "span_db": best[0],
        "highest_at_hz": float(frames.f0_hz[high]),
        "lowest_at_hz": float(frames.f0_hz[low]),
        "highest_dbfs": float(level[high]),
        "lowest_dbfs": float(level[low]),
    }
    one_note = f0.max() < 1.06 * f0.min()
    return [
        Draft(
            kind="level-drift",
            severity=severity,
            start_s=float(frames.time_s[places[0]]),
            end_s=float(frames.time_s[places[-1]]),
            f0_low_hz=float(frames.f0_hz[places].min()),
            f0_high_hz=float(frames.f0_hz[places].max()),
            evidence=facts,
            variant="time" if one_note else "plain",
        )
    ]


def steady_rows(frames: Frames, start: Start, near_dropout: Flags, settling: list[tuple[float, float]]) -> Flags:
    """Rows whose level is neither starting, dying, settling after a retune nor at the edge of a stretch."""
    steady = frames.oscillating & ~near_dropout
    if start.shown:
        steady &= frames.time_s > start.settled_s + 0.15
    for a, b in settling:
        steady &= (frames.time_s < a - 0.03) | (frames.time_s > b)
    for a, b in blocks(frames.stretch):
        edge = min(3, (b - a) // 2)
        steady[a : a + edge] = False
        steady[b - edge : b] = False
    return steady
