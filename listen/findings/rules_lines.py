"""Rules of the interharmonics: mains, half orders, bursts, lines of another oscillator, unexplained power."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.chord import NOTE_S
from listen.account.mains import MainsLines
from listen.findings import measured
from listen.findings.candidate import Candidate
from listen.findings.limits import Limits, severity_of
from listen.findings.threshold_segments import candidate_of
from listen.findings.types import Half
from listen.sorting import median, median_of_known, quantile
from listen.track import NEAR_DB

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_HUM_WINDOWS = 4
"""Windows of mains in a row, 0.1 s apart and 0.8 s long: 1.1 s of hum, a second or more."""
_HUM_HOP_S, _HUM_REACH_S, _HUM_LEAST_S = 0.1, 0.4, 0.9
"""Of a second, with a tenth of room: the sum over windows of what a short hum has in each is its length, a hum that is
whole in its last window goes on for half a window at the least."""
_SHORTEST_ROWS, _BRIDGE_ROWS = 15, 20
"""Of 20 ms: 0.3 s at the least, as long as the windows over which half orders and bursts are averaged; across 0.4 s
what comes again is the same, as where a burst comes and goes at its limit. Chosen."""
_BOTH_DB = float(10.0 * np.log10(2.0))
"""Two equal sidebands over one."""
_SILENCE_DB = 6.0
"""Hum that is as strong in silence, within this, is the recording's."""
_HALF = 0.5
"""A line beside the tone that goes on is there at its other rests, too, or found elsewhere on its own; for less than
a note lasts, and in less than half of the time that the control rests, a note of the room looks alike."""
_CREST = 0.2
"""Parts of a cycle: so near to a crest, within 72 degrees, a burst sits on it; what lies between is the crossing's, a
tenth of a cycle wide."""


def line_candidates(account: Account, limits: Limits, recorder_hum_dbfs: float | None = None) -> list[Candidate]:
    """All findings from interharmonics; hum within 6 dB of what the recorder makes by itself is none of the board's."""
    return [
        *_hum(account, limits, recorder_hum_dbfs),
        *_half_orders(account, limits),
        *_parasitic(account, limits),
        *_unexplained(account, limits),
    ]


def _hum(account: Account, limits: Limits, recorder_hum_dbfs: float | None) -> list[Candidate]:
    """Mains lines added to the tone, or in the silence before it; else sidebands at the mains frequency."""
    row, mains = limits["mains-hum"], account.mains
    if mains is None:
        return _sidebands(account, limits)
    over_limit = (mains.level_dbc >= row["attention"]) & ~hum_of_recorder(account, recorder_hum_dbfs)
    runs = [
        (a, b)
        for a, b in _runs(over_limit, 1)
        if b - a >= min(_HUM_WINDOWS, len(over_limit)) and _lasts_s(mains, a, b) >= _HUM_LEAST_S
    ]
    if not runs:
        return _sidebands(account, limits)
    rows = np.zeros(len(over_limit), dtype=bool)
    for a, b in runs:
        rows[a:b] = over_limit[a:b]
    level = float(10 * np.log10(median(10 ** (mains.level_dbc[rows] / 10))))
    severity = severity_of(max(level, row["attention"]), row)
    assert severity is not None
    strongest = 1 + int(np.argmax(np.mean(np.abs(mains.amplitude[rows]) ** 2, axis=0)))
    silent = ~mains.singing
    loud = mains.level_dbc >= row["attention"] - _SILENCE_DB
    in_silence = bool(silent.any()) and (float(np.mean(loud[silent])) > 0.5 or not mains.singing[rows].any())
    nominal = 10.0 * round(mains.mains_hz / 10)
    f0 = account.frames.f0_hz[account.tone.rows] if account.tone is not None else np.empty(0)
    return [
        Candidate(
            kind="mains-hum",
            severity=severity,
            start_s=max(0.0, float(mains.time_s[runs[0][0]]) - 0.4),
            end_s=float(mains.time_s[runs[-1][1] - 1]) + 0.4,
            f0_low_hz=float(f0.min()) if len(f0) else None,
            f0_high_hz=float(f0.max()) if len(f0) else None,
            measured=measured.Hum(
                mains_hz=nominal,
                level_dbc=level,
                strongest_hz=nominal * strongest,
                as_sidebands=False,
                in_silence=in_silence,
            ),
            variant="silence" if in_silence else "plain",
            part=account.id_of("mains"),
        )
    ]


def _lasts_s(mains: MainsLines, first: int, stop: int) -> float:
    """Length of a hum, from its size in windows that overlap: of a short one each holds a part."""
    size = np.sqrt(np.sum(np.abs(mains.amplitude[first:stop]) ** 2, axis=1))
    loudest = max(float(size.max()), 1e-12)
    whole = np.count_nonzero(size[[0, -1]] > 0.5 * loudest)
    return float(_HUM_HOP_S * np.sum(size / loudest) + _HUM_REACH_S * whole)


def hum_of_recorder(account: Account, recorder_hum_dbfs: float | None) -> Flags:
    """Windows in which the mains lines together are within 6 dB of the recorder's own hum, or below it."""
    assert account.mains is not None
    level_fs = np.sqrt(np.sum(np.abs(account.mains.amplitude) ** 2, axis=1))
    if recorder_hum_dbfs is None:
        return np.zeros(len(level_fs), dtype=bool)
    return np.asarray(level_fs < 10.0 ** ((recorder_hum_dbfs + NEAR_DB) / 20.0))


def _sidebands(account: Account, limits: Limits) -> list[Candidate]:
    """Both sidebands together, as the lines of added hum count together."""
    sides = account.sidebands
    level_dbc = sides.level_dbc + _BOTH_DB if sides is not None else float("-inf")
    severity = severity_of(level_dbc, limits["mains-hum"])
    if sides is None or severity is None or account.tone is None:
        return []
    numbers = measured.Hum(
        mains_hz=sides.mains_hz,
        level_dbc=level_dbc,
        strongest_hz=sides.rate_hz,
        as_sidebands=True,
        in_silence=False,
    )
    part = account.id_of("mains-sidebands")
    time_s = account.frames.time_s
    rows = account.tone.rows & (time_s >= sides.start_s) & (time_s <= sides.end_s)
    return [candidate_of(account.frames, rows, "mains-hum", severity, numbers, variant="sidebands", part=part)]


def _runs(flags: Flags, bridge: int) -> list[tuple[int, int]]:
    """Runs [a, b) of flagged places; up to ``bridge`` places between two are bridged."""
    index = np.flatnonzero(flags)
    if not len(index):
        return []
    breaks = np.flatnonzero(np.diff(index) > bridge + 1)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [len(index) - 1]])
    return [(int(index[i]), int(index[j]) + 1) for i, j in zip(first, last, strict=True)]


def _segments(values: Floats, limit: float, known: Flags | None = None) -> list[Flags]:
    """Rows over a limit, segment by segment; rows where the value could not be measured do not part two."""
    measured_rows = np.arange(len(values)) if known is None else np.flatnonzero(known)
    over_limit = values[measured_rows] >= limit
    out = []
    for a, b in _runs(over_limit, _BRIDGE_ROWS):
        rows = np.zeros(len(values), dtype=bool)
        rows[measured_rows[a:b]] = over_limit[a:b]
        if np.count_nonzero(rows) >= _SHORTEST_ROWS:
            out.append(rows)
    return out


def _half_orders(account: Account, limits: Limits) -> list[Candidate]:
    """Subharmonic: alternate cycles differ."""
    row, frames = limits["subharmonic"], account.frames
    level = np.where(account.judged, account.half_orders.level_dbc, -np.inf)
    known = account.half_orders.seen | ~account.judged
    out = []
    for rows in _segments(level, row["attention"], known):
        worst = quantile(level[rows], 0.9)
        severity = severity_of(worst, row)
        if severity is not None:
            numbers = measured.HalfOrderLines(level_dbc=worst, onset_f0_hz=float(frames.f0_hz[rows].min()))
            part = account.id_of("half-orders")
            out.append(candidate_of(frames, rows, "subharmonic", severity, numbers, part=part))
    return out


def _parasitic(account: Account, limits: Limits) -> list[Candidate]:
    """Bursts synchronous with the cycle; without them, an inharmonic line."""
    row, frames = limits["parasitic-oscillation"], account.frames
    level = np.where(account.judged & ~account.cut, account.bursts.level_dbc, -np.inf)
    out = []
    for rows in _segments(level, row["attention"]):
        worst = quantile(level[rows], 0.9)
        severity = severity_of(worst, row)
        if severity is None:
            continue
        spur = np.where(np.isfinite(frames.spur_hz), frames.spur_hz, frames.high_hz)[rows]
        turn = np.mean(np.exp(2j * np.pi * account.bursts.cycle[rows]))
        cycle = float(np.angle(turn) / (2 * np.pi) % 1.0)
        half: Half | None = None
        if min(cycle, 1 - cycle) < _CREST:
            half = "positive"
        elif abs(cycle - 0.5) < _CREST:
            half = "negative"
        numbers = measured.Parasitic(
            burst_rms_dbc=worst,
            onset_f0_hz=float(frames.f0_hz[rows].min()),
            burst_hz=median_of_known(spur) if np.isfinite(spur).any() else None,
            burst_cycle=cycle,
        )
        more: dict[str, Any] = {"half": half, "variant": "crest" if half else "plain", "part": account.id_of("burst")}
        out.append(candidate_of(frames, rows, "parasitic-oscillation", severity, numbers, **more))
    return out or _lines(account, limits)


def _lines(account: Account, limits: Limits) -> list[Candidate]:
    """The strongest line that is fixed in hertz and not the recording's, or a line beside the tone."""
    row, frames = limits["parasitic-oscillation"], account.frames
    assert account.tone is not None
    whole = account.judged & ~account.cut
    for number, line in enumerate(account.fixed_lines, start=1):
        severity = severity_of(line.level_dbc, row)
        if severity is None or line.of_the_recording is True:
            continue
        with np.errstate(divide="ignore"):
            level = 10 * np.log10(line.power_over(frames, account.tone))
        rows = whole & (level >= row["attention"] - 3.0)
        if np.count_nonzero(rows) >= _SHORTEST_ROWS:
            numbers = measured.Parasitic(
                burst_rms_dbc=line.level_dbc,
                onset_f0_hz=float(frames.f0_hz[rows].min()),
                burst_hz=line.frequency_hz,
            )
            part = account.id_of(f"line-{number}")
            return [candidate_of(frames, rows, "parasitic-oscillation", severity, numbers, variant="line", part=part)]
    second_lines = [s for s in account.second_lines if not s.in_silence]
    there_s, rests_s = (sum(s.seconds for s in some) for some in ([s.segment for s in second_lines], account.segments))
    if not second_lines or there_s < min(NOTE_S, _HALF * rests_s):
        return []
    worst = max(second_lines, key=lambda s: s.depth)
    dbc = float(20 * np.log10(max(worst.depth, 1e-9)))
    severity = severity_of(dbc, row)
    rows = whole & (frames.time_s >= worst.segment.start_s) & (frames.time_s <= worst.segment.end_s)
    if severity is None or not rows.any():
        return []
    numbers = measured.Parasitic(burst_rms_dbc=dbc, onset_f0_hz=worst.segment.f0_hz, burst_hz=worst.line_hz)
    part = account.id_of("line-beside")
    return [candidate_of(frames, rows, "parasitic-oscillation", severity, numbers, variant="line", part=part)]


def _unexplained(account: Account, limits: Limits) -> list[Candidate]:
    """A line that sounds in the silence too, notes of music, and power that no part explains."""
    frames, whole = account.frames, account.judged & ~account.cut
    least, found = limits["unexplained"]["attention"], _of_the_recording(account, limits["unexplained"]["line_dbc"])
    with np.errstate(divide="ignore"):
        level = np.where(whole, 10 * np.log10(account.unexplained), -np.inf)
    rows = level >= least
    if np.count_nonzero(rows) < _SHORTEST_ROWS:
        return found
    worst = quantile(level[rows], 0.9)
    return [*found, candidate_of(frames, rows, "unexplained", "attention", measured.Unexplained(level_dbc=worst))]


def _of_the_recording(account: Account, least_dbc: float) -> list[Candidate]:
    """The strongest line that sounds in the silence too: at one frequency all through, else beside the tone."""
    frames, whole = account.frames, account.judged & ~account.cut
    for number, line in enumerate(account.fixed_lines, start=1):
        if line.of_the_recording is True and line.level_dbc >= least_dbc and whole.any():
            part = account.id_of(f"line-{number}")
            numbers = measured.Unexplained(level_dbc=line.level_dbc, line_hz=line.frequency_hz)
            variant = "notes" if line.is_note else "line"
            return [candidate_of(frames, whole, "unexplained", "attention", numbers, variant=variant, part=part)]
    heard = [s for s in account.second_lines if s.in_silence]
    if not heard:
        return []
    worst = max(heard, key=lambda s: s.depth)
    dbc = float(20 * np.log10(max(worst.depth, 1e-9)))
    rows = whole & (frames.time_s >= worst.segment.start_s) & (frames.time_s <= worst.segment.end_s)
    if dbc < least_dbc or not rows.any():
        return []
    numbers = measured.Unexplained(level_dbc=dbc, line_hz=worst.line_hz)
    part = account.id_of("line-beside")
    return [candidate_of(frames, rows, "unexplained", "attention", numbers, variant="line", part=part)]
