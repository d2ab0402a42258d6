"""What the gain control does while the control rests and after it has moved; and whether the pitch keeps still."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from listen.findings.between import knot_stretches
from listen.findings.curves import legendre_columns, without_curve
from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.findings.rows import Floats, Span
from listen.sorting import median, median_of_known, quantile
from listen.track import Frames, short_frame_s

_GRID_S = 0.005
_HIGHEST_HZ = 45.0
_OFF_CENTS = 1.5
_STILL_DB, _RINGS = 0.35, 4.0
_FLAT_FROM = 0.3
"""Wavering passes through its extremes and stays nowhere: about a tenth of its time is flat."""
_TAIL_S = 0.15
"""The end of a rest may hold the slow beginning of the next turn."""
_PERIODIC = 0.5
"""Part of the envelope's variance that one line and its double must hold for the level to be called hunting."""
_STEP_CENTS = 60.0
_WITHIN_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """One rest of the control: its span of time and its envelope on an even grid."""

    start_s: float
    end_s: float
    f0_hz: float
    time_s: Floats
    amplitude: Floats
    pitch_cents: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What the level did after one retune."""

    retune_s: float
    deviation_db: float
    settle_s: float
    f0_hz: float
    overshoot_db: float


def rests_of(frames: Frames, spans: list[Span], lead_s: float, after_s: float) -> list[Rest]:
    """Envelope of each rest, its first ``lead_s`` (settling) left out.

    Parameters
    ----------
    frames : Frames
    spans : list of Span
    lead_s : float
    after_s : float
        When the tone had started.
    """
    envelope = frames.envelope
    owner = knot_stretches(frames)
    out = []
    for wide in spans:
        span = _trimmed(frames, wide)
        start = max(float(frames.time_s[span.first]), float(frames.time_s[wide.first]) + lead_s, after_s)
        end = float(frames.time_s[span.last])
        if frames.oscillating[span.last + 1 : span.last + 16].any():
            end -= _TAIL_S
        part = (envelope.time_s >= start) & (envelope.time_s <= end) & (owner == frames.stretch[span.first])
        if np.count_nonzero(part) < 16 or end - start < 0.3:
            continue
        t = envelope.time_s[part]
        grid = np.arange(t[0], t[-1], _GRID_S)
        if len(grid) < 40:
            continue
        f0 = np.interp(grid, t, envelope.f0_hz[part])
        middle = median(f0)
        # alternate cycles that differ are a subharmonic: the pitch is looked at over four cycles or more
        width = max(1, round(max(0.01, 4.0 / middle) / _GRID_S))
        cents = 1200 * np.log2(np.maximum(f0, 1e-3) / middle)
        if len(cents) > 2 * width:
            cents = np.convolve(
                np.pad(cents, (width // 2, width - 1 - width // 2), mode="edge"), np.ones(width) / width, "valid"
            )
        out.append(
            Rest(
                start_s=start,
                end_s=end,
                f0_hz=middle,
                time_s=grid,
                amplitude=np.interp(grid, t, envelope.rms_amplitude_fs[part]),
                pitch_cents=cents,
            )
        )
    return out


def _trimmed(frames: Frames, span: Span) -> Span:
    """The rest less its ends where the pitch leaves the line of its middle: the slow ends of turns."""
    n = span.last - span.first + 1
    if n < 24:
        return span
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 1200 * np.log2(frames.f0_hz[span.first : span.last + 1])
    place = np.arange(n)
    middle = (place >= n // 4) & (place < n - n // 4) & np.isfinite(cents)
    if np.count_nonzero(middle) < 8:
        return span
    line = np.polyfit(place[middle], cents[middle], 1)
    off = np.abs(cents - np.polyval(line, place))
    outside = off > max(_OFF_CENTS, 4.0 * float(np.std(off[middle])), 1.5 * float(off[middle].max()))
    before = np.flatnonzero(outside & (place < n // 4))
    after = np.flatnonzero(outside & (place >= n - n // 4))
    first = span.first + (int(before[-1]) + 1 if len(before) else 0)
    last = span.first + (int(after[0]) - 1 if len(after) else n - 1)
    return Span(first=first, last=last)


def hunting(rests: list[Rest], limits: Limits) -> tuple[list[Draft], list[Rest]]:
    """The gain control oscillates: depth and rate; and the rests in which it does."""
    row = limits["amplitude-hunting"]
    found = []
    for rest in rests:
        measured = _periodic(rest)
        if measured is not None and 100 * measured[0] >= row.get("attention", np.inf):
            found.append((100 * measured[0], measured[1], rest))
    if not found:
        return [], []
    depth, rate, worst = max(found, key=lambda item: item[0])
    severity = severity_of(depth, row)
    if severity is None:
        return [], []
    pitches = [rest.f0_hz for _, _, rest in found]
    facts: dict[str, float | int | str | bool] = {
        "depth_percent": depth,
        "rate_hz": rate,
        "worst_at_hz": worst.f0_hz,
        "rests": len(found),
        "follows_pitch": _pitch_share(worst, rate, depth / 100),
        "rests_seen": len(rests),
    }
    draft = Draft(
        kind="amplitude-hunting",
        severity=severity,
        start_s=min(r.start_s for _, _, r in found),
        end_s=max(r.end_s for _, _, r in found),
        f0_low_hz=min(pitches),
        f0_high_hz=max(pitches),
        evidence=facts,
    )
    return [draft], [rest for _, _, rest in found]


def _periodic(rest: Rest) -> tuple[float, float] | None:
    """Depth (max - min)/(max + min) and rate of a level that swings to and fro at one rate; None where it does not."""
    log = np.log(np.maximum(rest.amplitude, 1e-9))
    n = len(log)
    place = np.linspace(-1, 1, n)
    flat = without_curve(place, log, 2)
    window = np.hanning(n)
    size = 4 * 2 ** int(np.ceil(np.log2(n)))
    power = np.abs(np.fft.rfft(flat * window, size)) ** 2
    rate = np.fft.rfftfreq(size, _GRID_S)
    length = n * _GRID_S
    allowed = (rate >= max(0.4, 2.5 / length)) & (rate <= _HIGHEST_HZ)
    if not allowed.any():
        return None
    best = int(np.argmax(np.where(allowed, power, 0.0)))
    near = np.zeros(len(power), dtype=bool)
    for k in (1, 2, 3):
        near |= np.abs(rate - k * rate[best]) < 2.2 / length
    seen = rate > 1.2 / length
    share = float(power[near & seen].sum() / max(power[seen].sum(), 1e-30))
    if share < _PERIODIC:
        return None
    turns = np.exp(-2j * np.pi * rate[best] * rest.time_s)
    third = max(n // 3, 4)
    early, late = (abs(np.mean(part)) for part in (flat[:third] * turns[:third], flat[-third:] * turns[-third:]))
    if late < 0.6 * early:
        return None
    top, bottom = quantile(np.exp(flat), 0.99), quantile(np.exp(flat), 0.01)
    bins = float(rate[best]) * short_frame_s(rest.f0_hz)
    smeared = float(np.sinc(bins)) / (1 - bins**2) if abs(bins - 1) > 1e-6 else 0.5
    return min(1.0, float((top - bottom) / (top + bottom)) / max(smeared, 0.3)), float(rate[best])


def _pitch_share(rest: Rest, rate_hz: float, depth: float) -> float:
    """Phase modulation over the depth: 1 where one line beats with the tone, 0 where the level alone swings."""
    turns = np.exp(-2j * np.pi * rate_hz * rest.time_s)
    window = np.hanning(len(turns))
    cents = 2 * abs(np.sum((rest.pitch_cents - rest.pitch_cents.mean()) * window * turns)) / window.sum()
    averaged = abs(np.sinc(rate_hz * max(0.01, 4.0 / rest.f0_hz)))
    if averaged < 0.3:
        # over so many cycles a swing at this rate averages out: nothing tells it from a beat
        return 1.0
    index = cents / averaged * np.log(2) / 1200 * rest.f0_hz / rate_hz
    return float(index / max(depth, 1e-9))


def retunes(frames: Frames, spans: list[Span]) -> list[tuple[float, Span]]:
    """Time at which the control came to rest after a quick move, and the rest that follows."""
    out = []
    for span in spans:
        a = span.first
        start = float(frames.time_s[a])
        before = (frames.time_s < start - 0.01) & (frames.time_s > start - 0.35) & frames.oscillating
        rest = median(frames.f0_hz[span.first : span.last + 1])
        if not before.any():
            continue
        moved = np.abs(1200 * np.log2(frames.f0_hz[before] / rest))
        if moved.max() < _STEP_CENTS:
            continue
        # the last row that was still far from the rest's pitch
        far = np.flatnonzero(before)[moved > max(_STEP_CENTS, 0.1 * moved.max())]
        at = float(frames.time_s[far[-1]]) + 0.01 if len(far) else start
        out.append((at, span))
    return out


def settlings(frames: Frames, moved: list[tuple[float, Span]], hunts: list[Rest]) -> list[Settling]:
    """Level after each retune against where it settles."""
    envelope = frames.envelope
    owner = knot_stretches(frames)
    out = []
    for at, span in moved:
        end = float(frames.time_s[span.last])
        if end - at < 0.4 or any(r.start_s < end and r.end_s > at for r in hunts):
            continue
        f0 = median(frames.f0_hz[span.first : span.last + 1])
        part = (envelope.time_s > at + max(0.012, 1.5 / f0)) & (envelope.time_s <= end)
        part &= owner == frames.stretch[span.last]
        if np.count_nonzero(part) < 20:
            continue
        t, a = envelope.time_s[part], envelope.rms_amplitude_fs[part]
        tail = t > end - 0.4 * (end - at)
        settled = median(a[tail])
        off = 20 * np.log10(np.maximum(a, 1e-9) / settled)
        noise = quantile(np.abs(off[tail]), 0.95)
        # a level that still moves says nothing, unless it is the end of a ringing that was far larger
        if noise > _STILL_DB and np.abs(off).max() < _RINGS * noise:
            continue
        outside = np.flatnonzero(np.abs(off) > _WITHIN_DB)
        out.append(
            Settling(
                retune_s=at,
                deviation_db=float(np.abs(off).max()),
                f0_hz=f0,
                settle_s=float(t[outside[-1]] - at) if len(outside) else 0.0,
                overshoot_db=float(off.max()),
            )
        )
    return out


def bounce(found: list[Settling], limits: Limits) -> list[Draft]:
    """The level jumps and settles after a retune."""
    row = limits["amplitude-bounce"]
    bad = []
    for s in found:
        by_level = severity_of(s.deviation_db, row)
        by_time = severity_of(s.settle_s, row, "_settling_s") if s.deviation_db >= _WITHIN_DB else None
        patient = row.get("attention_settling_s", 0.5) > 1.0
        if patient and by_time is None:
            # a control that is known to bounce is judged by how long it does
            by_level = severity_of(s.deviation_db, {k: 2.5 * v for k, v in row.items()})
        severity = max((by_level, by_time), key=lambda v: ("none", "attention", "fault").index(v or "none"))
        if severity:
            bad.append((severity, s))
    if not bad:
        return []
    severity = "fault" if any(v == "fault" for v, _ in bad) else "attention"
    worst = max((s for _, s in bad), key=lambda s: s.deviation_db)
    slowest = max((s for _, s in bad), key=lambda s: s.settle_s)
    facts: dict[str, float | int | str | bool] = {
        "deviation_db": worst.deviation_db,
        "settle_s": slowest.settle_s,
        "overshoot_db": worst.overshoot_db,
        "worst_at_s": worst.retune_s,
        "retunes": len(bad),
        "retunes_seen": len(found),
    }
    pitches = [s.f0_hz for _, s in bad]
    return [
        Draft(
            kind="amplitude-bounce",
            severity=severity,
            start_s=min(s.retune_s for _, s in bad),
            end_s=max(s.retune_s + max(s.settle_s, 0.05) for _, s in bad),
            f0_low_hz=min(pitches),
            f0_high_hz=max(pitches),
            evidence=facts,
        )
    ]


def instability(
    frames: Frames, rests: list[Rest], hunts: list[Rest], limits: Limits, explained_cents: Callable[[float], float]
) -> list[Draft]:
    """The pitch wavers while the control rests; a straight drift is taken out and reported apart.

    Parameters
    ----------
    frames : Frames
    rests, hunts : list of Rest
        Rests, and those in which the level hunts: the pitch follows there.
    limits : mapping
    explained_cents : callable (f0_hz) -> cents
        R.m.s. that the mains accounts for at a pitch.
    """
    row = limits["pitch-instability"]
    worst: tuple[float, float, Rest] | None = None
    for rest in rests:
        if any(h.start_s == rest.start_s for h in hunts) or len(rest.time_s) < 60:
            continue
        place = rest.time_s - rest.time_s.mean()
        slope = float(place @ rest.pitch_cents / (place @ place))
        left = rest.pitch_cents - rest.pitch_cents.mean() - slope * place
        bends = legendre_columns(np.linspace(-1, 1, len(left)), 3)
        curved = left - bends @ np.linalg.lstsq(bends, left, rcond=None)[0]
        if np.mean(curved**2) < 0.25 * np.mean(left**2):
            # one smooth bend is the end of a turn, not wavering
            left = curved
        if _flat_share(rest.pitch_cents) > _FLAT_FROM:
            # flat places with small turns between them are tuning, not wavering
            continue
        noise = 1.5 * _pitch_noise(frames, rest)
        variance = float(np.mean(left**2)) - noise**2 - explained_cents(rest.f0_hz) ** 2
        rms = float(np.sqrt(max(variance, 0.0)))
        if rms < 2.0 * noise:
            continue
        if worst is None or rms > worst[0]:
            worst = (rms, slope, rest)
    if worst is None:
        return []
    severity = severity_of(worst[0], row)
    if severity is None:
        return []
    rms, slope, rest = worst
    facts: dict[str, float | int | str | bool] = {"rms_cents": rms, "drift_cents_per_min": 60 * slope}
    rate = _rate(rest)
    if rate is not None:
        facts["rate_hz"] = rate
    return [
        Draft(
            kind="pitch-instability",
            severity=severity,
            start_s=rest.start_s,
            end_s=rest.end_s,
            f0_low_hz=rest.f0_hz,
            f0_high_hz=rest.f0_hz,
            evidence=facts,
            variant="rate" if rate is not None else "plain",
        )
    ]


def _flat_share(cents: Floats) -> float:
    """Part of the time in which the pitch moves by less than a tenth of its whole scatter in 0.15 s, and on the way.

    One look would take a pitch that comes back just then for one that stays.
    """
    lags = [round(seconds / _GRID_S) for seconds in (0.15, 0.11, 0.07)]
    if len(cents) < 3 * lags[0]:
        return 0.0
    count = len(cents) - lags[0]
    moved = np.max([np.abs(cents[lag : lag + count] - cents[:count]) for lag in lags], axis=0)
    return float(np.mean(moved < 0.1 * np.std(cents)))


def _pitch_noise(frames: Frames, rest: Rest) -> float:
    """R.m.s. in cents that the recording's noise alone gives the short frames' pitch."""
    near = (frames.time_s >= rest.start_s) & (frames.time_s <= rest.end_s) & frames.oscillating
    if not near.any():
        return 0.0
    ratio = median_of_known(10 ** ((frames.noise_dbfs[near] - frames.fundamental_dbfs[near]) / 20))
    samples = max(0.008, 2.0 / rest.f0_hz) * frames.sample_rate_hz
    phase = ratio * np.sqrt(1.5 / samples)
    return float(1200 / np.log(2) * phase * np.sqrt(2.0) / (2 * np.pi * 0.005 * rest.f0_hz))


def _rate(rest: Rest) -> float | None:
    """Rate of a periodic wavering."""
    x = without_curve(rest.time_s, rest.pitch_cents, 1)
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)), 4 * len(x))) ** 2
    rate = np.fft.rfftfreq(4 * len(x), _GRID_S)
    best = int(np.argmax(np.where(rate > 2.0 / (len(x) * _GRID_S), power, 0.0)))
    near = np.abs(rate - rate[best]) < 2.0 / (len(x) * _GRID_S)
    return float(rate[best]) if power[near].sum() > 0.5 * power.sum() else None
