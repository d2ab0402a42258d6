"""The judge: each family of findings in turn, one cause said once."""

from __future__ import annotations

import numpy as np

from listen.capture import Capture, Damage
from listen.findings import alike, between, hold, level, recording, shape_sine, shape_waves, sweep, wording
from listen.findings.draft import Draft
from listen.findings.limits import Limits, in_steps, times_over
from listen.findings.rows import Flags, Span, resting, without
from listen.findings.types import Finding, Judgement, Verdict
from listen.track import Frames

_RANK = {"fault": 0, "attention": 1, "note": 2}
_LEAD_S = 0.25


def judge(
    frames: Frames,
    damage: Damage,
    *,
    capture: Capture,
    wave: str,
    limits: Limits,
    gain_control: str | None = None,
    topology: str | None = None,
) -> Judgement:
    """Judge the frames of one capture.

    Parameters
    ----------
    frames : Frames
    damage : Damage
    capture : Capture
    wave : {'sine', 'triangle', 'sawtooth', 'square', 'any'}
        The intended wave. Of a triangle the tips and slopes are judged, of a square its two halves; the shape of a
        sawtooth, and of any wave, is not.
    limits : mapping
        From ``load_limits``.
    gain_control, topology : str or None
        In a Wien bridge the phase of H2 is turned by the loop.

    Returns
    -------
    Judgement
    """
    start = level.find_start(frames)
    no_rests: list[Span] = []
    no_retunes: list[tuple[float, Span]] = []
    if level.absent(frames):
        drafts, steady, rests, moved = _nothing(frames), frames.oscillating, no_rests, no_retunes
        start = level.Start(shown=False)
    else:
        drafts, steady, rests, moved = _tone(frames, damage, capture, wave, limits, start, topology)
    findings = tuple(
        sorted(
            (wording.finding_of(d, capture.volts_per_full_scale, gain_control) for d in drafts),
            key=lambda f: (_RANK[f.severity], -in_steps(times_over(f, limits)), f.start_s),
        )
    )
    figures = sweep.summary(frames, start, steady)
    verdict = _verdict(findings)
    return Judgement(
        verdict=verdict,
        findings=findings,
        sweep=sweep.sweep_rows(frames),
        not_shown=sweep.not_shown(
            frames, start, rests, len(moved), frames.sample_rate_hz, wording.words()["not_shown"]
        ),
        summary=figures,
        answers=wording.answers(figures, findings, wave, start.shown),
        headline=wording.headline(findings, figures, wave),
        limits=limits,
    )


def _verdict(findings: tuple[Finding, ...]) -> Verdict:
    severities = {f.severity for f in findings}
    if "fault" in severities:
        return "fault"
    return "attention" if "attention" in severities else "pass"


def _nothing(frames: Frames) -> list[Draft]:
    end = float(frames.time_s[-1]) if len(frames) else 0.0
    begin = float(frames.time_s[0]) if len(frames) else 0.0
    return [Draft(kind="oscillation-absent", severity="fault", start_s=begin, end_s=end)]


def _tone(
    frames: Frames,
    damage: Damage,
    capture: Capture,
    wave: str,
    limits: Limits,
    start: level.Start,
    topology: str | None,
) -> tuple[list[Draft], Flags, list[Span], list[tuple[float, Span]]]:
    known = capture.ac_coupling_hz is not None
    cut, lost = recording.overloaded_rows(frames, damage), recording.lost_rows(frames, damage)
    drafts = _of_the_recording(frames, damage, capture, limits)
    died, dips, near = level.dropouts(frames, start, limits, lost)
    drafts += level.slow_start(start, limits)

    spans = resting(frames)
    rests = hold.rests_of(
        frames,
        without(spans, near | _dilated(lost | cut, 3), 20),
        _LEAD_S,
        start.settled_s + 0.3 if start.shown else 0.0,
    )
    hums = between.hum(frames, limits)
    hunts_found, hunts = hold.hunting(rests, limits)
    hunts_found, hums = alike.hunting_or_hum(hunts_found, hums)
    hunts = hunts if hunts_found else []
    died = [d for d in died if not any(h.start_s < d.start_s and h.end_s > d.end_s for h in hunts)]
    died, hunts_found = alike.dying_or_hunting(died, dips, hunts_found, limits)
    drafts = [*(d for d in drafts if not alike.is_of_the_swing(d, hunts_found)), *died]
    moved = hold.retunes(frames, spans)
    moved = [
        (at, s)
        for at, s in moved
        if not _touches(near, frames, at - 0.05, frames.time_s[s.last])
        and not lost[(frames.time_s > at - 0.3) & (frames.time_s < frames.time_s[s.last])].any()
    ]
    settled = hold.settlings(frames, moved, hunts)
    bounced = hold.bounce(settled, limits)
    drafts += [*hunts_found, *bounced, *hums]
    drafts += hold.instability(frames, rests, hunts, limits, lambda f0_hz: alike.explained_cents(frames, hums, f0_hz))

    settling = [(s.retune_s, s.retune_s + max(0.1, s.settle_s)) for s in settled]
    steady = level.steady_rows(frames, start, near, settling)
    shape_rows = steady & ~lost & ~cut & (frames.residual_dbc < -14.0)
    shapes: list[Draft] = []
    if wave == "sine":
        shape = shape_sine.read_shape(frames, shape_rows, known, topology)
        shapes = shape_sine.shape_drafts(frames, shape, limits, known)
    else:
        shapes = shape_waves.wave_drafts(frames, shape_rows, wave, limits, known, bool(hums))
    whole = steady & ~_dilated(lost | cut, 6)
    bursts = between.parasitic(frames, whole, limits, locked=wave == "sine")
    halves = between.subharmonic(frames, whole, limits, humming=bool(hums))
    bursts = [b for b in bursts if not alike.is_recordings(b, hums, capture, frames)]
    halves = [d for d in halves if not alike.is_sideband(d, hunts_found)]
    if wave == "sine":
        halves = [d for d in halves if not alike.is_burst(d, bursts)]
    shapes = alike.own_shapes(shapes, bursts, hums, halves)
    slewed = _rows_of(shapes, "slew-limiting", frames)
    width = 9
    if hunts_found:
        width = max(width, int(1.5 / float(hunts_found[0].evidence["rate_hz"]) / frames.row_every_s) | 1)
    drifted = level.level_drift(frames, steady & ~lost & ~slewed, limits, width, known)
    return [*drafts, *shapes, *bursts, *halves, *drifted], steady, spans, moved


def _of_the_recording(frames: Frames, damage: Damage, capture: Capture, limits: Limits) -> list[Draft]:
    return [
        *recording.overload(frames, damage, limits),
        *recording.gap(frames, damage, capture, limits),
        *recording.quiet(frames, limits),
        *recording.bandwidth(frames),
        *recording.offset(frames, damage, limits),
    ]


def _dilated(flags: Flags, rows: int) -> Flags:
    # not convolve's own "same": of a take of fewer rows than the window it gives as many as the window has
    return np.convolve(flags, np.ones(2 * rows + 1))[rows : rows + len(flags)] > 0


def _touches(flags: Flags, frames: Frames, start_s: float, end_s: float) -> bool:
    part = (frames.time_s >= start_s) & (frames.time_s <= end_s)
    return bool(part.any() and flags[part].mean() > 0.05)


def _rows_of(drafts: list[Draft], kind: str, frames: Frames) -> Flags:
    rows = np.zeros(len(frames), dtype=bool)
    for draft in drafts:
        if draft.kind == kind:
            rows[draft.rows] = True
    return rows
