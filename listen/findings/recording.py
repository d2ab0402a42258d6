"""What the recording did, not the circuit: overload, lost samples, too little level, too narrow a band, an offset."""

from __future__ import annotations

import numpy as np

from listen.capture import Capture, Damage
from listen.findings.draft import Draft
from listen.findings.limits import Limits
from listen.findings.rows import Flags, Span, pitch_range
from listen.findings.types import Half
from listen.sorting import median
from listen.track import Frames, PhaseStep

_NEAR_S = 0.03
_DYING_DB = 6.0


def overloaded_rows(frames: Frames, damage: Damage) -> Flags:
    """Rows whose frames hold a top that the interface cut."""
    return _rows_near(frames, damage.overload.start_sample, damage.overload.n_samples)


def lost_rows(frames: Frames, damage: Damage) -> Flags:
    """Rows whose frames hold lost samples or a step of the phase."""
    near = _rows_near(frames, damage.lost.start_sample, damage.lost.n_samples)
    for step in _skips(frames):
        near |= np.abs(frames.time_s - step.time_s) < _NEAR_S
    return near


def _skips(frames: Frames) -> list[PhaseStep]:
    """Steps of the phase where samples are missing: not those of a tone that dies or starts, whose level breaks."""
    kept = []
    for step in frames.phase_steps:
        near = np.flatnonzero(np.abs(frames.time_s - step.time_s) <= 2.5 * frames.row_every_s)
        level = frames.level_dbfs[near]
        if len(near) < 2 or abs(level[-1] - level[0]) <= _DYING_DB:
            kept.append(step)
    return kept


def _rows_near(frames: Frames, starts: np.ndarray, lengths: np.ndarray) -> Flags:
    near = np.zeros(len(frames), dtype=bool)
    if len(starts) == 0 or len(frames) == 0:
        return near
    begin = starts / frames.sample_rate_hz - _NEAR_S
    end = (starts + lengths) / frames.sample_rate_hz + _NEAR_S
    edges = np.zeros(len(frames) + 1)
    np.add.at(edges, np.searchsorted(frames.time_s, begin), 1)
    np.add.at(edges, np.searchsorted(frames.time_s, end, side="right"), -1)
    return np.cumsum(edges)[:-1] > 0


def overload(frames: Frames, damage: Damage, limits: Limits) -> list[Draft]:
    """Flat tops that the interface cut at one code."""
    runs = damage.overload
    row = limits["capture-overload"]
    if len(runs) < row.get("attention", 1.0):
        return []
    rate = frames.sample_rate_hz
    start = float(runs.start_sample[0] / rate)
    end = float((runs.start_sample[-1] + runs.n_samples[-1]) / rate)
    rows = overloaded_rows(frames, damage)
    low, high = _range(frames, rows)
    ceiling = max(
        (abs(v) for v in (runs.positive_level_fs, runs.negative_level_fs) if v is not None), default=damage.peak_fs
    )
    facts: dict[str, float | int | str | bool] = {
        "tops": len(runs),
        "positive_tops": runs.n_positive,
        "negative_tops": runs.n_negative,
        "ceiling_fs": float(ceiling),
    }
    half: Half = "both" if runs.n_positive and runs.n_negative else ("positive" if runs.n_positive else "negative")
    return [
        Draft(
            kind="capture-overload",
            severity="fault" if len(runs) >= row.get("fault", np.inf) else "attention",
            start_s=start,
            end_s=end,
            f0_low_hz=low,
            f0_high_hz=high,
            half=half,
            evidence=facts,
            rows=np.flatnonzero(rows),
            variant="plain" if ceiling > 0.985 else "below",
        )
    ]


def _range(frames: Frames, rows: Flags) -> tuple[float | None, float | None]:
    return pitch_range(frames, Span(first=0, last=len(frames) - 1), rows) if rows.any() else (None, None)


def gap(frames: Frames, damage: Damage, capture: Capture, limits: Limits) -> list[Draft]:
    """Samples missing, repeated, or no numbers."""
    row = limits["capture-gap"]
    places: list[tuple[float, float]] = []
    lost = 0.0
    rate = frames.sample_rate_hz
    for start, n in zip(damage.lost.start_sample, damage.lost.n_samples, strict=True):
        places.append((float(start / rate), float((start + n) / rate)))
        lost += float(n)
    jumps = 0
    for step in _skips(frames):
        if any(a - 0.05 <= step.time_s <= b + 0.05 for a, b in places):
            continue
        places.append((step.time_s, step.time_s + 1 / rate))
        jumps += 1
        lost += max(1.0, abs(step.missing_samples))
    promised = damage.missing_at_end_samples
    if promised > 0:
        places.append((capture.duration_s, capture.duration_s))
        lost += promised
    if not places or lost < row.get("attention", 1.0):
        return []
    places.sort()
    rows = lost_rows(frames, damage)
    low, high = _range(frames, rows)
    kinds = [name for name in ("not-finite", "zeros", "repeated") if name in damage.lost.kind]
    facts: dict[str, float | int | str | bool] = {
        "lost_samples": round(lost),
        "places": len(places),
        "phase_jumps": jumps,
        "kinds": ", ".join(kinds + (["skipped"] if jumps else []) + (["cut short"] if promised else [])),
    }
    return [
        Draft(
            kind="capture-gap",
            severity="fault" if lost >= row.get("fault", np.inf) else "attention",
            start_s=places[0][0],
            end_s=places[-1][1],
            f0_low_hz=low,
            f0_high_hz=high,
            evidence=facts,
            rows=np.flatnonzero(rows),
            variant="short" if promised and len(places) == 1 else "plain",
        )
    ]


def quiet(frames: Frames, limits: Limits) -> list[Draft]:
    """The take is recorded too low: noise and rounding stand in for distortion."""
    row = limits["capture-quiet"]
    tone = frames.level_dbfs[frames.oscillating]
    if len(tone) == 0:
        return []
    level = median(tone)
    if level >= row.get("attention", -np.inf):
        return []
    low, high = _range(frames, frames.oscillating)
    times = frames.time_s[frames.oscillating]
    return [
        Draft(
            kind="capture-quiet",
            severity="fault" if level < row.get("fault", -np.inf) else "attention",
            start_s=float(times[0]),
            end_s=float(times[-1]),
            f0_low_hz=low,
            f0_high_hz=high,
            evidence={"level_dbfs": level},
        )
    ]


def bandwidth(frames: Frames) -> list[Draft]:
    """From some pitch on, harmonics are no longer in the file."""
    rows = frames.oscillating & (frames.harmonic_count < 3)
    if not rows.any():
        return []
    low, high = _range(frames, rows)
    times = frames.time_s[rows]
    third = 0.15 * frames.sample_rate_hz
    facts: dict[str, float | int | str | bool] = {
        "sample_rate_hz": frames.sample_rate_hz,
        "third_harmonic_to_hz": third,
    }
    return [
        Draft(
            kind="capture-bandwidth",
            severity="note",
            start_s=float(times[0]),
            end_s=float(times[-1]),
            f0_low_hz=low,
            f0_high_hz=high,
            evidence=facts,
            rows=np.flatnonzero(rows),
        )
    ]


def offset(frames: Frames, damage: Damage, limits: Limits) -> list[Draft]:
    """A mean that is not zero."""
    if abs(damage.dc_fs) < limits["capture-offset"].get("note", np.inf) or len(frames) == 0:
        return []
    return [
        Draft(
            kind="capture-offset",
            severity="note",
            start_s=float(frames.time_s[0]),
            end_s=float(frames.time_s[-1]),
            evidence={"dc_fs": damage.dc_fs},
        )
    ]
