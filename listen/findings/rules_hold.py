"""Rules of the gain control (start, dropouts, hunting, bounce) and of pitch stability."""

from __future__ import annotations

import numpy as np

from listen.account import Account
from listen.account.settling import WITHIN_DB, Settling
from listen.account.stops import Dropout
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits, severity_of
from listen.findings.types import Severity
from listen.sorting import median

_WORST = ("none", "attention", "fault")
_APART_S, _SHORT_S, _UNEVEN, _AGAIN = 1.0, 0.3, 0.25, 4
"""Dropouts so near, so short, so evenly spaced and so many are a level that swings to nothing: three gaps that agree to
a quarter are seldom chance (of gaps drawn evenly from 0.3 to 0.9 s one run in five does, at 40 % one in two), and what
comes less than once a second, or lasts longer, is told as dropouts."""
_SAME_NOTE = 2 ** (1 / 12)
"""Ratio of pitches: a loop hunts while the control rests. A worn track lets go while it is turned."""
_PATIENT_S, _PATIENT = 1.0, 2.5
"""A control that is known to bounce for seconds is judged by how long; its size counts from 2.5 times the limit."""
_SWINGS_PITCH = 2.0
"""Where the level hunts the pitch follows: it wavers by itself where it moves by more than twice what follows."""


def start_candidates(account: Account, limits: Limits) -> list[Candidate]:
    """Slow start: the rise takes too long, in seconds and in cycles."""
    start, row = account.start, limits["slow-start"]
    severity = severity_of(start.rise_s, row) if start.shown and start.cycles > row["cycles"] else None
    if severity is None:
        return []
    growth = start.growth_per_s
    # R1 C2 of a Wien bridge of equal arms: excess gain = 2 sigma / omega
    excess = 2 * growth / (2 * np.pi * start.f0_hz) if growth else None
    return [
        Candidate(
            kind="slow-start",
            severity=severity,
            start_s=start.begin_s,
            end_s=start.settled_s,
            f0_low_hz=start.f0_hz,
            f0_high_hz=start.f0_hz,
            measured=measured.Rise(
                rise_s=start.rise_s,
                cycles=start.cycles,
                t90_s=start.settled_s,
                growth_per_s=growth,
                excess_gain=float(excess) if excess is not None else None,
            ),
            variant="gain" if growth else "plain",
            part=account.id_of("start"),
        )
    ]


def hold_candidates(account: Account, limits: Limits) -> list[Candidate]:
    """Dropouts, hunting, bounce and wavering."""
    drops = account.silences.dropouts
    runs = _even_runs(drops)
    swinging = {id(drop) for run in runs for drop in run}
    row = limits["oscillation-dropout"]
    died = [
        _dropout(account, number, drop)
        for number, drop in enumerate(drops, start=1)
        if id(drop) not in swinging
        and drop.depth_db >= row.get("fault", np.inf)
        and drop.end_s - drop.start_s >= row.get("shortest_s", 0.05)
    ]
    return [*died, *_hunting(account, limits, runs), *_bounce(account, limits), *_wavering(account, limits)]


def _dropout(account: Account, number: int, drop: Dropout) -> Candidate:
    return Candidate(
        kind="oscillation-dropout",
        severity="fault",
        start_s=drop.start_s,
        end_s=drop.end_s,
        f0_low_hz=drop.f0_low_hz,
        f0_high_hz=drop.f0_high_hz,
        measured=measured.Dropped(
            depth_db=drop.depth_db,
            seconds=drop.end_s - drop.start_s,
            comes_back=drop.comes_back,
            decay_per_s=drop.decay_per_s,
        ),
        variant="part" if drop.comes_back else "good",
        part=account.id_of(f"dropout-{number}"),
    )


def _even_runs(drops: tuple[Dropout, ...]) -> list[list[Dropout]]:
    """Runs of short dropouts that follow one another at about the same distance."""
    runs: list[list[Dropout]] = []
    run: list[Dropout] = []
    for drop in drops:
        short = drop.comes_back and drop.end_s - drop.start_s < _SHORT_S
        gap = drop.start_s - run[-1].start_s if run else 0.0
        usual = median(np.diff([d.start_s for d in run])) if len(run) > 1 else gap
        rests = run and max(drop.f0_high_hz, run[0].f0_high_hz) < _SAME_NOTE * min(drop.f0_low_hz, run[0].f0_low_hz)
        if short and rests and gap < _APART_S and abs(gap - usual) < _UNEVEN * usual:
            run.append(drop)
            continue
        runs.append(run)
        run = [drop] if short else []
    return [one for one in [*runs, run] if len(one) >= _AGAIN]


def _hunting(account: Account, limits: Limits, runs: list[list[Dropout]]) -> list[Candidate]:
    """Amplitude hunting of the gain control; the deepest found."""
    row = limits["amplitude-hunting"]
    out = [_squegging(account, run) for run in runs]
    swings = [s for s in account.hunting if 100 * s.depth >= row.get("attention", np.inf)]
    if swings:
        worst = max(swings, key=lambda s: s.depth)
        severity = severity_of(100 * worst.depth, row)
        assert severity is not None
        out.append(
            Candidate(
                kind="amplitude-hunting",
                severity=severity,
                start_s=min(s.segment.start_s for s in swings),
                end_s=max(s.segment.end_s for s in swings),
                f0_low_hz=min(s.segment.f0_hz for s in swings),
                f0_high_hz=max(s.segment.f0_hz for s in swings),
                measured=measured.Hunting(
                    depth_percent=100 * worst.depth,
                    rate_hz=worst.rate_hz,
                    worst_at_hz=worst.segment.f0_hz,
                    rests=len(swings),
                    follows_pitch=worst.follows_pitch,
                    rests_seen=len(account.segments),
                ),
                part=account.id_of("hunting"),
            )
        )

    def depth(candidate: Candidate) -> float:
        assert isinstance(candidate.measured, measured.Hunting)
        return candidate.measured.depth_percent

    return [max(out, key=depth)] if out else []


def _squegging(account: Account, run: list[Dropout]) -> Candidate:
    """Squegging: the tone stops and restarts periodically."""
    lowest = 10 ** (-median(np.array([d.depth_db for d in run])) / 20)
    gap = median(np.diff([d.start_s for d in run]))
    return Candidate(
        kind="amplitude-hunting",
        severity="fault",
        start_s=max(0.0, run[0].start_s - 0.5 * gap),
        end_s=run[-1].end_s + 0.5 * gap,
        f0_low_hz=min(d.f0_low_hz for d in run),
        f0_high_hz=max(d.f0_high_hz for d in run),
        measured=measured.Hunting(
            depth_percent=100 * (1 - lowest) / (1 + lowest),
            rate_hz=1.0 / gap,
            worst_at_hz=run[0].f0_low_hz,
            rests=1,
            follows_pitch=0.0,
            rests_seen=1,
        ),
        part=account.id_of("hunting") or account.id_of("dropout-1"),
    )


def _bounce(account: Account, limits: Limits) -> list[Candidate]:
    """The level jumps and settles after a retune."""
    row = limits["amplitude-bounce"]
    bad: list[tuple[Severity, Settling]] = []
    for s in account.settlings:
        if not s.ring:
            continue
        by_level = severity_of(s.deviation_db, row)
        by_time = severity_of(s.settle_s, row, "_settling_s") if s.deviation_db >= WITHIN_DB else None
        if row.get("attention_settling_s", 0.5) > _PATIENT_S and by_time is None:
            by_level = severity_of(s.deviation_db, {k: _PATIENT * v for k, v in row.items()})
        severity = max((by_level, by_time), key=lambda v: _WORST.index(v or "none"))
        if severity:
            bad.append((severity, s))
    if not bad:
        return []
    worst = max((s for _, s in bad), key=lambda s: s.deviation_db)
    return [
        Candidate(
            kind="amplitude-bounce",
            severity="fault" if any(v == "fault" for v, _ in bad) else "attention",
            start_s=min(s.retune_s for _, s in bad),
            end_s=max(s.retune_s + max(s.settle_s, 0.05) for _, s in bad),
            f0_low_hz=min(s.f0_hz for _, s in bad),
            f0_high_hz=max(s.f0_hz for _, s in bad),
            measured=measured.Bounce(
                deviation_db=worst.deviation_db,
                settle_s=max(s.settle_s for _, s in bad),
                overshoot_db=worst.overshoot_db,
                worst_at_s=worst.retune_s,
                retunes=len(bad),
                retunes_seen=len(account.settlings),
            ),
            part=account.id_of("settling-1"),
        )
    ]


def _wavering(account: Account, limits: Limits) -> list[Candidate]:
    """Pitch instability in steady segments."""
    hunted = {id(s.segment) for s in account.hunting if 100 * s.depth >= limits["amplitude-hunting"]["attention"]}
    found = [w for w in account.waverings if id(w.segment) not in hunted or w.rms_cents > _SWINGS_PITCH * w.swing_cents]
    if not found:
        return []
    worst = max(found, key=lambda w: w.rms_cents)
    severity = severity_of(worst.rms_cents, limits["pitch-instability"])
    if severity is None:
        return []
    return [
        Candidate(
            kind="pitch-instability",
            severity=severity,
            start_s=worst.segment.start_s,
            end_s=worst.segment.end_s,
            f0_low_hz=worst.segment.f0_hz,
            f0_high_hz=worst.segment.f0_hz,
            measured=measured.PitchScatter(
                rms_cents=worst.rms_cents, drift_cents_per_min=worst.drift_cents_per_min, rate_hz=worst.rate_hz
            ),
            variant="rate" if worst.rate_hz is not None else "plain",
            part=account.id_of("wavering"),
        )
    ]
