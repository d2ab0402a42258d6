"""Parts of the account against the limits: what is worth a finding. The shape of the wave has rules of its own."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.build import Parts
from listen.account.level_law import LevelLaw
from listen.account.modulation import Swing, typical_rate
from listen.account.residual import UNEXPLAINED_DBC
from listen.account.settling import Settling
from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.findings.types import Half, Severity
from listen.sorting import median, quantile

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Facts = dict[str, float | int | str | bool]

_WORST = ("none", "attention", "fault")
_HUM_RUN = 4
"""Windows of mains in a row (0.35 s apart at their ends: 1.15 s of hum): a second or more."""
_EVEN_APART_S, _EVEN_SHORT_S, _EVEN, _AGAIN = 1.0, 0.3, 0.4, 4
"""Dropouts so near, so short, so evenly spaced and so many are a level that swings to nothing."""
_SHORTEST_ROWS = 15
_BRIDGE_ROWS = 20


def start_drafts(parts: Parts, limits: Limits) -> list[Draft]:
    """The rise takes too long, in seconds and in cycles."""
    start, row = parts.start, limits["slow-start"]
    severity = severity_of(start.rise_s, row) if start.shown and start.cycles > row["cycles"] else None
    if severity is None:
        return []
    facts: Facts = {"rise_s": start.rise_s, "cycles": start.cycles, "t90_s": start.settled_s}
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


def hold_drafts(parts: Parts, limits: Limits) -> list[Draft]:
    """Dropouts, hunting, bounce: what the gain control does."""
    died, evenly = _dropouts(parts, limits)
    hunts = _hunting(parts, limits, evenly)
    return [*died, *hunts, *_bounce(list(parts.settlings), limits), *_wavering(parts, limits)]


def _dropouts(parts: Parts, limits: Limits) -> tuple[list[Draft], list[Draft]]:
    """Dropouts, and runs of them that are a level which swings."""
    row = limits["oscillation-dropout"]
    drafts = []
    for drop in parts.silences.dropouts:
        seconds = drop.end_s - drop.start_s
        facts: Facts = {"depth_db": drop.depth_db, "seconds": seconds, "comes_back": drop.comes_back}
        if drop.decay_per_s is not None:
            facts["decay_per_s"] = drop.decay_per_s
        drafts.append(
            Draft(
                kind="oscillation-dropout",
                severity="fault",
                start_s=drop.start_s,
                end_s=drop.end_s,
                f0_low_hz=drop.f0_low_hz,
                f0_high_hz=drop.f0_high_hz,
                evidence=facts,
                variant="part" if drop.comes_back else "good",
            )
        )
    runs = _even_runs(drafts)
    swinging = {id(d) for run in runs for d in run}
    kept = [
        d
        for d in drafts
        if id(d) not in swinging
        and float(d.evidence["depth_db"]) >= row.get("fault", np.inf)
        and d.end_s - d.start_s >= row.get("shortest_s", 0.05)
    ]
    return kept, [_run_of_hunting(run) for run in runs]


def _even_runs(drafts: list[Draft]) -> list[list[Draft]]:
    runs: list[list[Draft]] = []
    run: list[Draft] = []
    for draft in drafts:
        short = bool(draft.evidence["comes_back"]) and draft.end_s - draft.start_s < _EVEN_SHORT_S
        gap = draft.start_s - run[-1].start_s if run else 0.0
        usual = median(np.diff([d.start_s for d in run])) if len(run) > 1 else gap
        if short and run and gap < _EVEN_APART_S and abs(gap - usual) < _EVEN * usual:
            run.append(draft)
            continue
        runs.append(run)
        run = [draft] if short else []
    return [one for one in [*runs, run] if len(one) >= _AGAIN]


def _run_of_hunting(run: list[Draft]) -> Draft:
    depth = 10 ** (-median(np.array([float(d.evidence["depth_db"]) for d in run])) / 20)
    gap = median(np.diff([d.start_s for d in run]))
    facts: Facts = {
        "depth_percent": 100 * (1 - depth) / (1 + depth),
        "rate_hz": 1.0 / gap,
        "worst_at_hz": float(run[0].f0_low_hz or 0.0),
        "rests": 1,
        "follows_pitch": 0.0,
        "rests_seen": 1,
    }
    return Draft(
        kind="amplitude-hunting",
        severity="fault",
        start_s=max(0.0, run[0].start_s - 0.5 * gap),
        end_s=run[-1].end_s + 0.5 * gap,
        f0_low_hz=min(d.f0_low_hz or np.inf for d in run),
        f0_high_hz=max(d.f0_high_hz or 0.0 for d in run),
        evidence=facts,
    )


def _hunting(parts: Parts, limits: Limits, evenly: list[Draft]) -> list[Draft]:
    row = limits["amplitude-hunting"]
    swings = [s for s in hunting_swings(parts) if 100 * s.depth >= row.get("attention", np.inf)]
    out = list(evenly)
    if swings:
        worst = max(swings, key=lambda s: s.depth)
        severity = severity_of(100 * worst.depth, row)
        assert severity is not None
        facts: Facts = {
            "depth_percent": 100 * worst.depth,
            "rate_hz": worst.rate_hz,
            "worst_at_hz": worst.segment.f0_hz,
            "rests": len(swings),
            "follows_pitch": worst.follows_pitch,
            "rests_seen": len(parts.segments),
        }
        out.append(
            Draft(
                kind="amplitude-hunting",
                severity=severity,
                start_s=min(s.segment.start_s for s in swings),
                end_s=max(s.segment.end_s for s in swings),
                f0_low_hz=min(s.segment.f0_hz for s in swings),
                f0_high_hz=max(s.segment.f0_hz for s in swings),
                evidence=facts,
            )
        )
    return [max(out, key=lambda d: float(d.evidence["depth_percent"]))] if out else []


def hunting_swings(parts: Parts) -> list[Swing]:
    """Swings that are the level's own: two sidebands, or one rate at notes that differ."""
    swings = list(parts.swings)
    if not swings or sum(s.one_sided for s in swings) <= 0.5 * len(swings):
        return swings
    pitches = [s.segment.f0_hz for s in swings]
    rates = [s.rate_hz for s in swings]
    apart = max(pitches) > 1.02 * min(pitches)
    same = max(rates) < 1.08 * min(rates)
    return swings if apart and same and len(swings) > 1 else []


def line_beside(parts: Parts) -> list[Swing]:
    """Swings that are a second line beside the tone."""
    own = {id(s) for s in hunting_swings(parts)}
    return [s for s in parts.swings if id(s) not in own]


def _bounce(found: list[Settling], limits: Limits) -> list[Draft]:
    row = limits["amplitude-bounce"]
    bad: list[tuple[Severity, Settling]] = []
    for s in found:
        if not s.ring:
            continue
        by_level = severity_of(s.deviation_db, row)
        by_time = severity_of(s.settle_s, row, "_settling_s") if s.deviation_db >= 0.5 else None
        if row.get("attention_settling_s", 0.5) > 1.0 and by_time is None:
            # a control that is known to bounce is judged by how long it does
            by_level = severity_of(s.deviation_db, {k: 2.5 * v for k, v in row.items()})
        severity = max((by_level, by_time), key=lambda v: _WORST.index(v or "none"))
        if severity:
            bad.append((severity, s))
    if not bad:
        return []
    worst = max((s for _, s in bad), key=lambda s: s.deviation_db)
    facts: Facts = {
        "deviation_db": worst.deviation_db,
        "settle_s": max(s.settle_s for _, s in bad),
        "overshoot_db": worst.overshoot_db,
        "worst_at_s": worst.retune_s,
        "retunes": len(bad),
        "retunes_seen": len(found),
    }
    return [
        Draft(
            kind="amplitude-bounce",
            severity="fault" if any(v == "fault" for v, _ in bad) else "attention",
            start_s=min(s.retune_s for _, s in bad),
            end_s=max(s.retune_s + max(s.settle_s, 0.05) for _, s in bad),
            f0_low_hz=min(s.f0_hz for _, s in bad),
            f0_high_hz=max(s.f0_hz for _, s in bad),
            evidence=facts,
        )
    ]


def _wavering(parts: Parts, limits: Limits) -> list[Draft]:
    hunted = {id(s.segment) for s in hunting_swings(parts) if s.depth > 0.01}
    found = [w for w in parts.waverings if id(w.segment) not in hunted or w.rms_cents > 2.0 * w.swing_cents]
    if not found:
        return []
    worst = max(found, key=lambda w: w.rms_cents)
    severity = severity_of(worst.rms_cents, limits["pitch-instability"])
    if severity is None:
        return []
    facts: Facts = {"rms_cents": worst.rms_cents, "drift_cents_per_min": worst.drift_cents_per_min}
    if worst.rate_hz is not None:
        facts["rate_hz"] = worst.rate_hz
    return [
        Draft(
            kind="pitch-instability",
            severity=severity,
            start_s=worst.segment.start_s,
            end_s=worst.segment.end_s,
            f0_low_hz=worst.segment.f0_hz,
            f0_high_hz=worst.segment.f0_hz,
            evidence=facts,
            variant="rate" if worst.rate_hz is not None else "plain",
        )
    ]


def drift_drafts(parts: Parts, law: LevelLaw | None, limits: Limits) -> list[Draft]:
    """The level is not held along the tuning, or in time."""
    row = limits["level-drift"]
    if law is None:
        return []
    by_pitch, by_time = severity_of(law.span_db, row), severity_of(law.time_span_db, row)
    severity = max((by_pitch, by_time), key=lambda v: _WORST.index(v or "none"))
    if severity is None:
        return []
    in_time = by_pitch is None or (law.one_note and by_time is not None)
    frames = parts.frames
    values = law.rest_db if in_time else law.law_db
    times = law.time_s
    if in_time:
        times = np.linspace(times[0], times[-1], len(values))
    off = np.abs(values - median(values)) > 0.35 * max(law.span_db if not in_time else law.time_span_db, 1e-6)
    place = np.flatnonzero(off) if off.any() else np.arange(len(values))
    pitches = np.interp(times[place], law.time_s, law.f0_hz)
    del frames
    facts: Facts = {
        "span_db": law.time_span_db if in_time else law.span_db,
        "highest_at_hz": law.highest_hz,
        "lowest_at_hz": law.lowest_hz,
        "highest_dbfs": float(law.level_db.max()),
        "lowest_dbfs": float(law.level_db.min()),
    }
    return [
        Draft(
            kind="level-drift",
            severity=severity,
            start_s=float(times[place[0]]),
            end_s=float(times[place[-1]]),
            f0_low_hz=float(pitches.min()),
            f0_high_hz=float(pitches.max()),
            evidence=facts,
            variant="time" if in_time else "plain",
        )
    ]


def between_drafts(parts: Parts, whole: Flags, limits: Limits) -> list[Draft]:
    """Mains, half orders, bursts, fixed lines, and what nothing explains.

    ``whole``: rows whose tops the interface did not cut.
    """
    return [
        *_hum(parts, limits),
        *_half_orders(parts, limits),
        *_parasitic(parts, whole, limits),
        *_unexplained(parts, whole),
    ]


def _hum(parts: Parts, limits: Limits) -> list[Draft]:
    row, mains = limits["mains-hum"], parts.mains
    sides = _hum_sidebands(parts, row)
    if mains is None:
        return sides
    over = mains.level_dbc >= row["attention"]
    runs = [(a, b) for a, b in _runs(over, 2) if b - a >= min(_HUM_RUN, len(over))]
    if not runs:
        return sides
    rows = np.zeros(len(over), dtype=bool)
    for a, b in runs:
        rows[a:b] = True
    rows &= over
    level = float(10 * np.log10(np.median(10 ** (mains.level_dbc[rows] / 10))))
    severity = severity_of(max(level, row["attention"]), row)
    assert severity is not None
    power = np.mean(np.abs(mains.amplitude[rows]) ** 2, axis=0)
    silent = ~mains.singing
    in_silence = bool(silent.any() and (mains.level_dbc[silent] >= row["attention"] - 6.0).mean() > 0.5)
    facts: Facts = {
        "mains_hz": float(round(mains.mains_hz / 10) * 10),
        "level_dbc": level,
        "strongest_hz": float(round(mains.mains_hz / 10) * 10 * (1 + int(np.argmax(power)))),
        "as_sidebands": False,
        "in_silence": in_silence,
    }
    f0 = parts.frames.f0_hz[parts.tone.rows] if parts.tone is not None else np.empty(0)
    return [
        Draft(
            kind="mains-hum",
            severity=severity,
            start_s=max(0.0, float(mains.time_s[runs[0][0]]) - 0.4),
            end_s=float(mains.time_s[runs[-1][1] - 1]) + 0.4,
            f0_low_hz=float(f0.min()) if len(f0) else None,
            f0_high_hz=float(f0.max()) if len(f0) else None,
            evidence=facts,
            variant="silence" if in_silence else "plain",
        )
    ]


def _hum_sidebands(parts: Parts, row: Any) -> list[Draft]:
    sides = parts.sidebands
    severity = severity_of(sides.level_dbc, row) if sides is not None else None
    if sides is None or severity is None:
        return []
    facts: Facts = {
        "mains_hz": sides.mains_hz,
        "level_dbc": sides.level_dbc,
        "strongest_hz": sides.rate_hz,
        "as_sidebands": True,
        "in_silence": False,
    }
    return [
        _draft_of_rows(parts, parts.frames.oscillating, "mains-hum", severity, facts, variant="sidebands")
    ]


def _runs(flags: Flags, bridge: int) -> list[tuple[int, int]]:
    index = np.flatnonzero(flags)
    if not len(index):
        return []
    breaks = np.flatnonzero(np.diff(index) > bridge + 1)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [len(index) - 1]])
    return [(int(index[i]), int(index[j]) + 1) for i, j in zip(first, last, strict=True)]


def _rows_over(parts: Parts, values: Floats, limit: float, shortest: int) -> list[Flags]:
    """Stretches of the board's rows over a limit."""
    out = []
    for a, b in _runs(values >= limit, _BRIDGE_ROWS):
        rows = np.zeros(len(values), dtype=bool)
        rows[a:b] = values[a:b] >= limit
        if np.count_nonzero(rows) >= shortest:
            out.append(rows)
    return out


def _draft_of_rows(parts: Parts, rows: Flags, kind: str, severity: Severity, facts: Facts, **more: Any) -> Draft:
    frames = parts.frames
    index = np.flatnonzero(rows)
    half = 0.5 * frames.row_every_s
    f0 = frames.f0_hz[index]
    f0 = f0[np.isfinite(f0)]
    return Draft(
        kind=kind,
        severity=severity,
        start_s=max(0.0, float(frames.time_s[index[0]]) - half),
        end_s=float(frames.time_s[index[-1]]) + half,
        f0_low_hz=float(f0.min()) if len(f0) else None,
        f0_high_hz=float(f0.max()) if len(f0) else None,
        rows=index,
        evidence=facts,
        **more,
    )


def _half_orders(parts: Parts, limits: Limits) -> list[Draft]:
    row = limits["subharmonic"]
    level = np.where(parts.judged, parts.half_orders.level_dbc, -np.inf)
    out = []
    for rows in _rows_over(parts, level, row["attention"], _SHORTEST_ROWS):
        worst = quantile(level[rows], 0.9)
        severity = severity_of(worst, row)
        if severity:
            facts: Facts = {"level_dbc": worst, "onset_f0_hz": float(parts.frames.f0_hz[rows].min())}
            out.append(_draft_of_rows(parts, rows, "subharmonic", severity, facts))
    return out


def _parasitic(parts: Parts, whole: Flags, limits: Limits) -> list[Draft]:
    row = limits["parasitic-oscillation"]
    out = []
    level = np.where(parts.judged & whole, parts.bursts.level_dbc, -np.inf)
    for rows in _rows_over(parts, level, row["attention"], _SHORTEST_ROWS):
        worst = quantile(level[rows], 0.9)
        severity = severity_of(worst, row)
        if severity is None:
            continue
        facts: Facts = {"burst_rms_dbc": worst, "onset_f0_hz": float(parts.frames.f0_hz[rows].min())}
        spur = np.where(np.isfinite(parts.frames.spur_hz), parts.frames.spur_hz, parts.frames.high_hz)[rows]
        if np.isfinite(spur).any():
            facts["burst_hz"] = float(np.nanmedian(spur))
        turn = np.mean(np.exp(2j * np.pi * parts.bursts.cycle[rows]))
        cycle = float(np.angle(turn) / (2 * np.pi) % 1.0)
        facts["burst_cycle"] = cycle
        half: Half | None = None
        if min(cycle, 1 - cycle) < 0.2:
            half = "positive"
        elif abs(cycle - 0.5) < 0.2:
            half = "negative"
        variant = "crest" if half else "plain"
        out.append(
            _draft_of_rows(parts, rows, "parasitic-oscillation", severity, facts, half=half, variant=variant)
        )
    return out or _line_drafts(parts, whole, limits)


def _line_drafts(parts: Parts, whole: Flags, limits: Limits) -> list[Draft]:
    """A line fixed in hertz that is not the recording's, or a line beside the tone."""
    row = limits["parasitic-oscillation"]
    out: list[Draft] = []
    lines = [line for line in parts.fixed_lines if line.of_the_recording is not True]
    for line in lines:
        severity = severity_of(line.level_dbc, row)
        if severity is None or out:
            continue
        level = np.interp(parts.frames.time_s, line.time_s, np.nan_to_num(line.level_dbfs, nan=-200.0))
        with np.errstate(invalid="ignore"):
            rows = parts.judged & whole & (level - parts.frames.fundamental_dbfs >= row["attention"] - 3.0)
        if np.count_nonzero(rows) < _SHORTEST_ROWS:
            continue
        facts: Facts = {
            "burst_rms_dbc": line.level_dbc,
            "onset_f0_hz": float(parts.frames.f0_hz[rows].min()),
            "burst_hz": line.frequency_hz,
        }
        out.append(_draft_of_rows(parts, rows, "parasitic-oscillation", severity, facts))
    beside = line_beside(parts)
    if beside and not out:
        worst = max(beside, key=lambda s: s.depth)
        dbc = float(20 * np.log10(worst.depth))
        severity = severity_of(dbc, row)
        if severity:
            a, b = worst.segment.start_s, worst.segment.end_s
            rows = (parts.frames.time_s >= a) & (parts.frames.time_s <= b) & parts.judged
            if rows.any():
                more: Facts = {
                    "burst_rms_dbc": dbc,
                    "onset_f0_hz": worst.segment.f0_hz,
                    "burst_hz": worst.segment.f0_hz + worst.rate_hz,
                }
                out.append(_draft_of_rows(parts, rows, "parasitic-oscillation", severity, more))
    return out


def _unexplained(parts: Parts, whole: Flags) -> list[Draft]:
    with np.errstate(divide="ignore"):
        level = np.where(parts.judged & whole, 10 * np.log10(parts.unexplained), -np.inf)
    rows = level >= UNEXPLAINED_DBC
    if np.count_nonzero(rows) < _SHORTEST_ROWS:
        return []
    worst = quantile(level[rows], 0.9)
    return [_draft_of_rows(parts, rows, "unexplained", "attention", {"level_dbc": worst})]


__all__ = ["between_drafts", "drift_drafts", "hold_drafts", "hunting_swings", "start_drafts", "typical_rate"]
