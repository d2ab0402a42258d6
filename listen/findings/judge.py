"""The judge: each family of findings in turn, one cause said once."""

from __future__ import annotations

import numpy as np

from listen.capture import Capture, Damage
from listen.account.build import Parts, find_parts, level_law_of
from listen.account.shape import find_shape
from listen.findings import recording, shape_waves, sweep, wording
from listen.findings.parts_drafts import between_drafts, drift_drafts, hold_drafts, start_drafts
from listen.findings.draft import Draft
from listen.findings.limits import Limits, in_steps, times_over
from listen.findings.rows import Flags, short_median
from listen.findings.shape_drafts import shape_drafts
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
    drafts, steady, parts = _tone(frames, damage, capture, wave, limits, topology)
    start, rests, moved = parts.start, parts.segments, parts.settlings
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
    topology: str | None,
) -> tuple[list[Draft], Flags, Parts]:
    known = capture.ac_coupling_hz is not None
    parts = find_parts(capture, frames, damage)
    recorded = _of_the_recording(frames, damage, capture, limits)
    if parts.heard.source != "oscillator":
        kind = parts.heard.source if parts.heard.source != "absent" else "oscillation-absent"
        end = float(frames.time_s[-1]) if len(frames) else 0.0
        severity = "fault" if kind == "oscillation-absent" else "attention"
        return [*recorded, Draft(kind=kind, severity=severity, start_s=0.0, end_s=end)], frames.oscillating, parts
    own = parts.frames
    cut = recording.overloaded_rows(own, damage)
    drafts = [*recorded, *start_drafts(parts, limits), *hold_drafts(parts, limits)]
    drafts += between_drafts(parts, ~cut, limits)
    steady = parts.judged
    shape_rows = steady & ~cut
    level = own.level_dbfs
    drift_rows = steady & ~cut
    shapes: list[Draft] = []
    if wave == "sine":
        shape = find_shape(own, shape_rows, wien=topology == "wien-bridge")
        if shape is not None:
            shapes = shape_drafts(own, shape, limits, known)
            sizes = shape.sizes
            if shape.choice.best.stages.inside:
                drift_rows = drift_rows & ~(sizes.at(sizes.steep, own.f0_hz) > 1.0)
            else:
                level = level - 20 * np.log10(sizes.at(sizes.gain, own.f0_hz))
                drift_rows = drift_rows & ~(sizes.at(sizes.steep, own.f0_hz) > 1.75)
    else:
        shapes = shape_waves.wave_drafts(own, shape_rows & (own.residual_dbc < -14.0), wave, limits, known, False)
    level = short_median(np.where(drift_rows, level, np.nan), own.stretch, 9)
    law = level_law_of(parts, level, drift_rows, known)
    return [*drafts, *shapes, *drift_drafts(parts, law, limits)], steady, parts


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
