"""Rules of the recording, not the circuit: overload, lost samples, low level, limited bandwidth, offset, early end."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.capture import Damage
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits
from listen.findings.types import Half
from listen.sorting import median
from listen.track import Frames

Flags = NDArray[np.bool_]

_FULL_SCALE = 0.985
"""Tops cut below this part of full scale (-0.13 dB) are an input stage's, not the converter's: a converter clips at its
last code, a filter behind it takes off a little."""

_TOUCHING_S = 0.1
"""Frames of a sound and of the tone beside it overlap by 40 ms and more."""


def recording_candidates(account: Account, damage: Damage, limits: Limits) -> list[Candidate]:
    """All findings of the recording."""
    return [
        *_overload(account, damage, limits),
        *_lost_samples(account, limits),
        *_quiet(account, limits),
        *_band(account),
        *_offset(account.frames, damage, limits),
        *_stop(account),
        *_room(account),
    ]


def _pitches(frames: Frames, rows: Flags) -> dict[str, Any]:
    f0 = frames.f0_hz[rows]
    f0 = f0[np.isfinite(f0)]
    return {"f0_low_hz": float(f0.min()), "f0_high_hz": float(f0.max())} if len(f0) else {}


def _overload(account: Account, damage: Damage, limits: Limits) -> list[Candidate]:
    """Tops clipped by the interface at one code."""
    runs, row, frames = damage.overload, limits["capture-overload"], account.frames
    if len(runs) < row.get("attention", 1.0):
        return []
    rate = frames.sample_rate_hz
    levels = (runs.positive_level_fs, runs.negative_level_fs)
    ceiling = max((abs(v) for v in levels if v is not None), default=damage.peak_fs)
    half: Half = "both" if runs.n_positive and runs.n_negative else "positive" if runs.n_positive else "negative"
    return [
        Candidate(
            kind="capture-overload",
            severity="fault" if len(runs) >= row.get("fault", np.inf) else "attention",
            start_s=float(runs.start_sample[0] / rate),
            end_s=float((runs.start_sample[-1] + runs.n_samples[-1]) / rate),
            half=half,
            measured=measured.Overload(
                tops=len(runs),
                positive_tops=runs.n_positive,
                negative_tops=runs.n_negative,
                ceiling_fs=float(ceiling),
            ),
            rows=np.flatnonzero(account.cut),
            variant="plain" if ceiling > _FULL_SCALE else "below",
            part=account.id_of("overload"),
            **_pitches(frames, account.cut),
        )
    ]


def _lost_samples(account: Account, limits: Limits) -> list[Candidate]:
    """Samples missing, repeated, or no numbers; exact zeros of a gate are never more than attention."""
    lost_samples, row = account.lost_samples, limits["capture-gap"]
    if not lost_samples.places or lost_samples.samples < row.get("attention", 1.0):
        return []
    only_gated = len(lost_samples.zeros) == len(lost_samples.places)
    serious = lost_samples.samples >= row.get("fault", np.inf) and not only_gated
    near = (account.frames.time_s > lost_samples.places[0][0] - 0.03) & (
        account.frames.time_s < lost_samples.places[-1][1] + 0.03
    )
    return [
        Candidate(
            kind="capture-gap",
            severity="fault" if serious else "attention",
            start_s=lost_samples.places[0][0],
            end_s=lost_samples.places[-1][1],
            measured=measured.LostSamples(
                lost_samples=round(lost_samples.samples),
                lost_s=lost_samples.samples / account.frames.sample_rate_hz,
                places=len(lost_samples.places),
                phase_jumps=lost_samples.phase_jumps,
                kinds=", ".join(lost_samples.kinds),
            ),
            variant="short"
            if lost_samples.missing_at_end and len(lost_samples.places) == 1
            else "gate"
            if only_gated
            else "plain",
            part=account.id_of("lost"),
            **_pitches(account.frames, near),
        )
    ]


def _quiet(account: Account, limits: Limits) -> list[Candidate]:
    """The recording level is too low: noise and quantisation mask distortion."""
    row, tone, frames = limits["capture-quiet"], account.tone, account.frames
    if tone is None or not tone.rows.any():
        return []
    level = median(frames.level_dbfs[tone.rows])
    if level >= row.get("attention", -np.inf):
        return []
    times = frames.time_s[tone.rows]
    return [
        Candidate(
            kind="capture-quiet",
            severity="fault" if level < row.get("fault", -np.inf) else "attention",
            start_s=float(times[0]),
            end_s=float(times[-1]),
            measured=measured.Quiet(level_dbfs=level),
            part=account.id_of("tone"),
            **_pitches(frames, tone.rows),
        )
    ]


def _band(account: Account) -> list[Candidate]:
    """Limited bandwidth: above some pitch harmonics are outside the file's band."""
    frames = account.frames
    own = account.tone.rows if account.tone is not None else frames.oscillating
    rows = own & (frames.harmonic_count < 3)
    if not rows.any():
        return []
    times = frames.time_s[rows]
    return [
        Candidate(
            kind="capture-bandwidth",
            severity="note",
            start_s=float(times[0]),
            end_s=float(times[-1]),
            measured=measured.Band(
                sample_rate_hz=frames.sample_rate_hz, third_harmonic_to_hz=0.15 * frames.sample_rate_hz
            ),
            rows=np.flatnonzero(rows),
            **_pitches(frames, rows),
        )
    ]


def _offset(frames: Frames, damage: Damage, limits: Limits) -> list[Candidate]:
    """DC offset of the samples."""
    if abs(damage.dc_fs) < limits["capture-offset"].get("note", np.inf) or len(frames) == 0:
        return []
    return [
        Candidate(
            kind="capture-offset",
            severity="note",
            start_s=float(frames.time_s[0]),
            end_s=float(frames.time_s[-1]),
            measured=measured.Offset(dc_fs=damage.dc_fs),
        )
    ]


def _stop(account: Account) -> list[Candidate]:
    """The tone ends just before the take: a note."""
    stop = account.silences.stop
    if stop is None:
        return []
    return [
        Candidate(
            kind="switched-off",
            severity="note",
            start_s=stop.start_s,
            end_s=stop.end_s,
            measured=measured.Ended(start_s=round(max(0.0, stop.start_s - 0.1), 2)),
            variant=stop.how,
            part=account.id_of("stop"),
        )
    ]


def _room(account: Account) -> list[Candidate]:
    """Sounds where the tone is not there, and under it: notes."""
    out = []
    if account.is_oscillator and account.tone is not None and account.tone.room:
        room = account.tone.room
        ended = room[-1][1] <= account.tone.first_s + _TOUCHING_S
        variant = "before" if ended else "after" if room[0][0] >= account.tone.last_s - _TOUCHING_S else "around"
        out.append(
            Candidate(
                kind="room-sound",
                severity="note",
                start_s=room[0][0],
                end_s=room[-1][1],
                measured=measured.RoomSound(seconds=sum(b - a for a, b in room), places=len(room)),
                variant=variant,
                part=account.id_of("before-1"),
            )
        )
    if account.events:
        worst = max(account.events, key=lambda e: e.level_dbc)
        out.append(
            Candidate(
                kind="room-sound",
                severity="note",
                start_s=account.events[0].start_s,
                end_s=account.events[-1].end_s,
                measured=measured.RoomSound(
                    seconds=sum(e.end_s - e.start_s for e in account.events),
                    places=len(account.events),
                    level_dbc=worst.level_dbc,
                ),
                variant="under",
                part=account.id_of("room-1"),
            )
        )
    return out
