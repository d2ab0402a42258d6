"""What lies between the harmonics: parasitic bursts, subharmonics, hum."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.findings.rows import Flags, Floats, Span, blocks, pitch_range, resting, short_median, spans, times
from listen.findings.types import Half
from listen.sorting import median, median_of_known, medians, quantile
from listen.track import HUM_LINES_HZ, Frames, knot_spacing_s, short_frame_s

_BRIDGE_S = 0.4
_SHORTEST_S = 0.16
_PEAKED = 8.0
"""A burst is there where the residual's steps in one sixteenth of the cycle are so many times those of the others."""
_JITTERS_FROM = 0.1
"""Cycles of uneven length smear strong harmonics into lines between them: that is jitter, told by the pitch."""
_FOLD_ROWS = 9
_AT_ONCE = 4000
_CLEAR_DB = 10.0
_FREE_HZ = 30.0
"""A harmonic of the tone nearer than this to a mains line hides it."""
_MAINS_HZ = (50.0, 60.0)
_GRID_S = 0.0025


def parasitic(frames: Frames, usable: Flags, limits: Limits, locked: bool) -> list[Draft]:
    """Bursts and lines that are no harmonic of the tone: r.m.s. over the whole cycle to the fundamental.

    Parameters
    ----------
    frames : Frames
    usable : ndarray of bool, shape (n,)
    limits : mapping
    locked : bool
        The intended wave has few harmonics: a crowd of high ones is a burst too.
    """
    row = limits["parasitic-oscillation"]
    level, place, peaked = _burst_level(frames, locked)
    with np.errstate(invalid="ignore"):
        level = np.where(10 ** ((frames.subharmonic_dbc + 1.0) / 10) > level, 0.0, level)
    values = short_median(np.where(usable, level, np.nan), frames.stretch, 9)
    with np.errstate(divide="ignore", invalid="ignore"):
        dbc = 10 * np.log10(values)
    known = usable & np.isfinite(dbc)
    out = []
    for span in spans(known & (dbc >= row["attention"]), known, frames.time_s, _BRIDGE_S, _SHORTEST_S):
        rows = np.zeros(len(frames), dtype=bool)
        rows[span.first : span.last + 1] = (known & (dbc >= row["attention"]))[span.first : span.last + 1]
        worst = quantile(dbc[rows], 0.9)
        severity = severity_of(worst, row)
        if severity is None or (not locked and _jitter_cents(frames, rows) > _JITTERS_FROM):
            continue
        start, end = times(frames, span)
        low, high = pitch_range(frames, span, rows)
        facts: dict[str, float | int | str | bool] = {
            "burst_rms_dbc": worst,
            "onset_f0_hz": float(frames.f0_hz[rows].min()),
        }
        spur = np.where(np.isfinite(frames.spur_hz), frames.spur_hz, frames.high_hz)[rows]
        if np.isfinite(spur).any():
            facts["burst_hz"] = median_of_known(spur)
        half: Half | None = None
        if np.mean(peaked[rows]) > 0.5:
            turn = np.mean(np.exp(2j * np.pi * place[rows][peaked[rows]]))
            cycle = float(np.angle(turn) / (2 * np.pi) % 1.0)
            facts["burst_cycle"] = cycle
            if min(cycle, 1 - cycle) < 0.2:
                half = "positive"
            elif abs(cycle - 0.5) < 0.2:
                half = "negative"
        out.append(
            Draft(
                kind="parasitic-oscillation",
                severity=severity,
                start_s=start,
                end_s=end,
                f0_low_hz=low,
                f0_high_hz=high,
                half=half,
                evidence=facts,
                rows=np.flatnonzero(rows),
                variant="crest" if half else "plain",
            )
        )
    return out


def _jitter_cents(frames: Frames, rows: Flags) -> float:
    """How far the pitch of a row is off the line between its neighbours, in the middling row."""
    with np.errstate(divide="ignore", invalid="ignore"):
        cents = 1200 * np.log2(frames.f0_hz)
    off = np.zeros(len(frames))
    off[1:-1] = np.abs(cents[1:-1] - 0.5 * (cents[:-2] + cents[2:]))
    known = off[rows & np.isfinite(off)]
    return median(known) if len(known) else 0.0


def _burst_level(frames: Frames, locked: bool) -> tuple[Floats, Floats, Flags]:
    """Power of what is no harmonic over the fundamental's, its place in the cycle, whether it is a burst."""
    excess, place, peaked = _folded(frames)
    with np.errstate(divide="ignore", invalid="ignore"):
        # a weak fundamental is no measure of what disturbs the wave: then the whole wave is
        weak = np.maximum(frames.level_dbfs - frames.fundamental_dbfs - 3.0, 0.0)
        fundamental = 0.5 * 10 ** ((frames.fundamental_dbfs + weak) / 10)
        # where the wave itself has edges, what is left at them is no burst
        peaked &= np.nan_to_num(frames.high_dbc, nan=-200.0) < -46.0
        peaked &= locked
        spur = np.nan_to_num(10 ** ((frames.spur_dbc - weak) / 10))
        if not locked:
            # many strong harmonics: the jitter of their phase leaves lines beside them
            spur = np.where(frames.spur_dbc > frames.high_dbc - 22.0, spur, 0.0)
        level = np.maximum(spur, np.where(peaked, excess / fundamental, 0.0))
        # a burst that repeats in step with the cycle makes harmonics: many, high, and more than the low ones
        high = np.nan_to_num(10 ** (frames.high_dbc / 10))
        low = np.nan_to_num(
            np.sum(np.where(frames.harmonics_dbc > -300, 10 ** (frames.harmonics_dbc / 10), 0.0), axis=1)
        )
        if locked:
            level = level + np.where(high > low, high, 0.0)
    return level, place, peaked


def _folded(frames: Frames) -> tuple[Floats, Floats, Flags]:
    """What stands out in some part of the cycle: its mean square over the cycle, its place, whether it is a burst."""
    n = len(frames)
    excess, place, peaked = np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    parts = frames.residual_fold.shape[2]
    half = _FOLD_ROWS // 2
    for a, b in blocks(frames.stretch):
        for first in range(a, b, _AT_ONCE):
            last = min(first + _AT_ONCE, b)
            low, high = max(a, first - half), min(b, last + half)
            total = np.cumsum(np.nan_to_num(frames.residual_fold[low:high]), axis=0, dtype=np.float64)
            total = np.concatenate([np.zeros((1, 2, parts)), total])
            rows = np.arange(first, last)
            begin, end = np.maximum(rows - half, low) - low, np.minimum(rows + half + 1, high) - low
            smooth = (total[end] - total[begin]) / (end - begin)[:, None, None]
            level, steps = smooth[:, 0], smooth[:, 1]
            usual = medians(steps, axis=1)
            over = np.maximum(level - 2 * medians(level, axis=1)[:, None], 0.0)
            own = slice(first, last)
            peaked[own] = steps.max(axis=1) > _PEAKED * usual
            excess[own] = np.where(steps > 3 * usual[:, None], over, 0.0).mean(axis=1)
            place[own] = np.argmax(steps, axis=1) / parts
    return excess, place, peaked


def subharmonic(frames: Frames, usable: Flags, limits: Limits, humming: bool) -> list[Draft]:
    """Alternate cycles differ: lines at odd half orders."""
    row = limits["subharmonic"]
    weak = np.maximum(frames.level_dbfs - frames.fundamental_dbfs - 3.0, 0.0)
    values = short_median(np.where(usable, frames.subharmonic_dbc - weak, np.nan), frames.stretch, 15)
    # in frames of few cycles a pitch that moves looks alike: there the control must rest
    calm = frames.frame_s * frames.f0_hz > 7.0
    for span in resting(frames):
        calm[span.first : span.last + 1] = True
    known = usable & np.isfinite(values) & calm
    if humming:
        known &= ~_at_mains(frames)
    out = []
    for span in spans(known & (values >= row["attention"]), known, frames.time_s, _BRIDGE_S, 0.3):
        rows = np.zeros(len(frames), dtype=bool)
        rows[span.first : span.last + 1] = (known & (values >= row["attention"]))[span.first : span.last + 1]
        worst = quantile(values[rows], 0.9)
        severity = severity_of(worst, row)
        if severity is None:
            continue
        start, end = times(frames, span)
        low, high = pitch_range(frames, span, rows)
        out.append(
            Draft(
                kind="subharmonic",
                severity=severity,
                start_s=start,
                end_s=end,
                f0_low_hz=low,
                f0_high_hz=high,
                evidence={"level_dbc": worst, "onset_f0_hz": float(frames.f0_hz[rows].min())},
                rows=np.flatnonzero(rows),
            )
        )
    return out


def _at_mains(frames: Frames) -> Flags:
    """Rows whose half orders fall on a mains line."""
    half = 0.5 * frames.f0_hz
    near = np.zeros(len(frames), dtype=bool)
    reach = np.maximum(3.0, 1.2 / np.where(frames.frame_s > 0, frames.frame_s, 1.0))
    for line in HUM_LINES_HZ:
        for order in (1, 3):
            near |= np.abs(order * half - line) < reach
    return near


def hum(frames: Frames, limits: Limits) -> list[Draft]:
    """Mains lines added to the tone, in the silence before it, or as sidebands of it."""
    row = limits["mains-hum"]
    tone = frames.fundamental_dbfs[frames.oscillating]
    if len(tone) == 0:
        return []
    reference = median(tone)
    added = _added_lines(frames)
    sides = _sidebands(frames)
    best: Draft | None = None
    for i, mains in enumerate(_MAINS_HZ):
        facts: dict[str, float | int | str | bool] = {"mains_hz": mains}
        levels = []
        for name, value in (("added", added[i][0] - reference), ("silence", added[i][1] - reference)):
            if np.isfinite(value):
                levels.append((value, name))
        if np.isfinite(sides[i][0]):
            levels.append((sides[i][0], "sidebands"))
        if not levels:
            continue
        worst, where = max(levels)
        severity = severity_of(worst, row)
        if severity is None or (best is not None and float(best.evidence["level_dbc"]) >= worst):
            continue
        facts.update(
            level_dbc=float(worst),
            strongest_hz=float(sides[i][1] if where == "sidebands" else added[i][2]),
            as_sidebands=where == "sidebands",
            in_silence=bool(np.isfinite(added[i][1]) and added[i][1] - reference >= row["attention"] - 6.0),
        )
        variant = "sidebands" if where == "sidebands" else ("silence" if facts["in_silence"] else "plain")
        span = Span(first=0, last=len(frames) - 1)
        start, end = times(frames, span)
        low, high = pitch_range(frames, span)
        best = Draft(
            kind="mains-hum",
            severity=severity,
            start_s=start,
            end_s=end,
            f0_low_hz=low,
            f0_high_hz=high,
            evidence=facts,
            variant=variant,
        )
    return [best] if best else []


def _added_lines(frames: Frames) -> list[tuple[float, float, float]]:
    """For 50 and 60 Hz: r.s.s. level under the tone, in silence (dBFS or NaN), and the strongest line."""
    t = frames.hum_time_s
    per = len(HUM_LINES_HZ) // len(_MAINS_HZ)
    out = []
    if len(t) == 0:
        return [(np.nan, np.nan, np.nan)] * len(_MAINS_HZ)
    width = 1.0 if len(t) < 2 else 2 * (t[1] - t[0])
    silent, hidden = _windows(frames, t, width)
    clear = frames.hum_dbfs > frames.hum_floor_dbfs + _CLEAR_DB
    power = np.where(clear, 10 ** (frames.hum_dbfs / 10), 0.0)
    lines: list[NDArray[np.float64]] = []
    for flags in (~silent[:, None] & ~hidden, silent[:, None] & ~hidden & np.ones_like(hidden)):
        level = np.zeros(len(HUM_LINES_HZ))
        for j in range(len(HUM_LINES_HZ)):
            seen = flags[:, j] & np.isfinite(frames.hum_dbfs[:, j])
            if np.count_nonzero(seen) >= min(2, len(t)):
                level[j] = median(power[seen, j])
        lines.append(level)
    for i in range(len(_MAINS_HZ)):
        own = slice(i * per, (i + 1) * per)
        sums = [float(np.sum(level[own])) for level in lines]
        with np.errstate(divide="ignore"):
            both = np.maximum(lines[0][own], lines[1][own])
            strongest = float(HUM_LINES_HZ[own][int(np.argmax(both))])
            levels = [10 * np.log10(s) if s > 0 else np.nan for s in sums]
        out.append((levels[0], levels[1], strongest))
    return out


def line_levels(frames: Frames) -> Floats:
    """Median level of each mains line over the take, dBFS; -inf where it does not stand out."""
    power = np.where(frames.hum_dbfs > frames.hum_floor_dbfs + _CLEAR_DB, 10 ** (frames.hum_dbfs / 10), 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(medians(power, axis=0)))


def _windows(frames: Frames, t: Floats, width: float) -> tuple[Flags, NDArray[np.bool_]]:
    """Which windows hold no tone, and which mains lines the tone hides in each."""
    silent = np.zeros(len(t), dtype=bool)
    hidden = np.zeros((len(t), len(HUM_LINES_HZ)), dtype=bool)
    begin = np.searchsorted(frames.time_s, t - 0.5 * width)
    end = np.searchsorted(frames.time_s, t + 0.5 * width, side="right")
    for i, (a, b) in enumerate(zip(begin, end, strict=True)):
        tone = frames.oscillating[a:b]
        silent[i] = not tone.any()
        if silent[i]:
            continue
        if np.count_nonzero(tone) < 0.9 * (b - a):
            hidden[i] = True
            continue
        f0 = frames.f0_hz[a:b][tone]
        for j, line in enumerate(HUM_LINES_HZ):
            order = np.maximum(np.round(line / f0), 1.0)
            hidden[i, j] = bool((np.abs(order * f0 - line) < _FREE_HZ).any())
    return silent, hidden


def _sidebands(frames: Frames) -> list[tuple[float, float]]:
    """For 50 and 60 Hz: level of one sideband (r.s.s. of level and pitch modulation) and the modulation's frequency."""
    windows: dict[tuple[int, int], list[float]] = {(i, k): [] for i in range(2) for k in (1, 2)}
    envelope = frames.envelope
    for a, b in blocks(_knot_stretches(frames)):
        t = envelope.time_s[a:b]
        if t[-1] - t[0] < 1.2:
            continue
        grid = np.arange(t[0], t[-1], _GRID_S)
        f0 = np.interp(grid, t, envelope.f0_hz[a:b])
        level = np.log(np.maximum(np.interp(grid, t, envelope.amplitude_fs[a:b]), 1e-9))
        size = round(1.0 / _GRID_S)
        for start in range(0, len(grid) - size + 1, size // 2):
            part = slice(start, start + size)
            middle = median(f0[part])
            for i, mains in enumerate(_MAINS_HZ):
                for k in (1, 2):
                    value = _modulation(level[part], f0[part] / middle, middle, mains * k)
                    windows[i, k].append(value)
    out = []
    for i, mains in enumerate(_MAINS_HZ):
        best = (np.nan, np.nan)
        for k in (1, 2):
            values = np.array(windows[i, k])
            values = values[np.isfinite(values)]
            if len(values) >= 2 and median(values) > 0:
                dbc = float(20 * np.log10(median(values)))
                if not np.isfinite(best[0]) or dbc > best[0]:
                    best = (dbc, mains * k)
        out.append(best)
    return out


def _modulation(level: Floats, pitch: Floats, f0_hz: float, rate_hz: float) -> float:
    """One sideband's amplitude over the carrier; 0 where nothing stands out, NaN where it cannot be seen."""
    # the short frames' weight smears the modulation, and the pitch's difference from knot to knot a little more
    bins = rate_hz * short_frame_s(f0_hz)
    differenced = float(np.sinc(2.0 * knot_spacing_s(f0_hz) * rate_hz))
    seen = np.sinc(bins) / (1 - bins**2) if abs(bins - 1) > 1e-6 else 0.5
    if abs(seen) < 0.2 or differenced < 0.3 or f0_hz < 2.2 * rate_hz:
        return float("nan")
    total = 0.0
    lines_at, bends, undo = _lines_beside(len(level), rate_hz)
    for series, scale in ((level, 0.5), (np.log(np.maximum(pitch, 1e-6)), 0.5 * f0_hz / rate_hz / differenced)):
        lines = np.abs(lines_at @ (series - bends @ (undo @ series))) * 2
        beside = median(lines[1:])
        if lines[0] > 3.2 * beside:
            total += (lines[0] * scale / seen) ** 2
    return float(np.sqrt(total))


@lru_cache(maxsize=16)
def _lines_beside(n: int, rate_hz: float) -> tuple[NDArray[np.complex128], Floats, Floats]:
    """Windowed lines at a rate and beside it, and a cubic with its least squares, for ``n`` points of the grid.

    Modulation moves on one frequency while the control turns: only what stands out beside it counts.
    """
    window = np.hanning(n)
    beside = np.array([rate_hz, *(rate_hz + d for d in (-7.0, -5.0, -3.5, 3.5, 5.0, 7.0))])
    turn = np.exp(-2j * np.pi * np.outer(beside, np.arange(n) * _GRID_S)) * (window / window.sum())
    bends = np.vander(np.linspace(-1, 1, n), 4)
    return turn, bends, np.linalg.pinv(bends)


def _knot_stretches(frames: Frames) -> NDArray[np.int64]:
    """Stretch number of each short frame, -1 where nothing oscillates or its row is none."""
    envelope = frames.envelope
    if len(frames) == 0 or len(envelope.time_s) == 0:
        return np.full(len(envelope.time_s), -1, dtype=np.int64)
    hop = frames.time_s[1] - frames.time_s[0] if len(frames) > 1 else 0.02
    row = ((envelope.time_s - (frames.time_s[0] - 0.5 * hop)) / hop).astype(np.int32)
    np.clip(row, 0, len(frames) - 1, out=row)
    return np.where(envelope.oscillating, frames.stretch[row], -1)


def knot_stretches(frames: Frames) -> NDArray[np.int64]:
    """Stretch number of each short frame of the envelope, -1 outside of a stretch."""
    return _knot_stretches(frames)
