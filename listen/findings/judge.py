"""The judge: each family of findings in turn, one cause said once."""

from __future__ import annotations

import numpy as np

from listen.capture import Capture, Damage
from listen.findings import between, hold, level, recording, shape_sine, shape_waves, sweep, wording
from listen.findings.draft import Draft
from listen.findings.limits import Limits
from listen.findings.rows import Flags, Span, resting, without
from listen.findings.types import Finding, Judgement, Verdict
from listen.sorting import median_of_known
from listen.track import HUM_LINES_HZ, Frames

_RANK = {"fault": 0, "attention": 1, "note": 2}
_LEAD_S = 0.25
_BEATS_FROM = 0.35
"""A tone that beats with a mains line swings in pitch as much as in level; a hunting level hardly does."""
_LINES_OWN = 1.2
_DEEP_PERCENT = 5.0
_HUM_ORDERS = 3
_RESOLVED_HZ = 1.0
_NEAR_HZ = 125.0
"""Lines further off are smoothed out by the envelope's short frames of 8 ms."""
_LOW_NOTES_HZ = 250.0
"""Above it no harmonic but the first lies among the mains lines that matter."""


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
            key=lambda f: (_RANK[f.severity], f.start_s),
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
    drafts = [
        *recording.overload(frames, damage, limits),
        *recording.gap(frames, damage, capture, limits),
        *recording.quiet(frames, limits),
        *recording.bandwidth(frames),
        *recording.offset(frames, damage, limits),
    ]
    died, near = level.dropouts(frames, start, limits, lost)
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
    if hunts_found and hums:
        if _at_mains_distance(hunts_found[0], hums[0]):
            if _beats(hunts_found[0], hums[0]):
                hunts_found, hunts = [], []
            else:
                hums = []
        elif _of_the_hunting(hums[0], hunts_found[0]):
            hums = []
    died = [d for d in died if not any(h.start_s < d.start_s and h.end_s > d.end_s for h in hunts)]
    drafts += died
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
    drafts += hold.instability(frames, rests, hunts, limits, lambda f0_hz: _explained_cents(frames, hums, f0_hz))

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
    bursts = [b for b in bursts if not _is_recordings(b, hums, capture, frames)]
    halves = [d for d in halves if not _is_sideband(d, hunts_found)]
    if wave == "sine":
        halves = [d for d in halves if not _is_burst(d, bursts)]
    shapes = [d for d in _without_bursts(shapes, bursts) if not _is_hums(d, hums)]
    slewed = _rows_of(shapes, "slew-limiting", frames)
    width = 9
    if hunts_found:
        width = max(width, int(1.5 / float(hunts_found[0].evidence["rate_hz"]) / frames.row_every_s) | 1)
    drifted = level.level_drift(frames, steady & ~lost & ~slewed, limits, width, known)
    return [*drafts, *shapes, *bursts, *halves, *drifted], steady, spans, moved


def _dilated(flags: Flags, rows: int) -> Flags:
    return np.convolve(flags, np.ones(2 * rows + 1), mode="same") > 0


def _at_mains_distance(hunt: Draft, hum: Draft) -> bool:
    """Whether the level swings at the distance of the tone from a mains line, or at the mains' own rate."""
    mains = float(hum.evidence["mains_hz"])
    off = abs(float(hunt.evidence["worst_at_hz"]) % mains)
    rate = float(hunt.evidence["rate_hz"])
    beats = (off, mains - off, mains)
    return any(abs(rate - beat) < 1.5 for beat in beats)


def _beats(hunt: Draft, hum: Draft) -> bool:
    """Whether a mains line beside the tone makes it swing: as much in pitch as in level, or no more than the line is.

    A level that hunts has two sidebands, each half as large as its swing.
    """
    line_percent = 100 * 10 ** (float(hum.evidence["level_dbc"]) / 20)
    return (
        float(hunt.evidence["follows_pitch"]) > _BEATS_FROM
        or float(hunt.evidence["depth_percent"]) < _LINES_OWN * line_percent
    )


def _of_the_hunting(hum: Draft, hunt: Draft) -> bool:
    """Deep hunting leaves lines all over the low notes, and sidebands at multiples of its rate.

    Hum is strongest in its first three lines, and is there in silence too.
    """
    if float(hunt.evidence["depth_percent"]) < _DEEP_PERCENT or hum.evidence["in_silence"]:
        return False
    strongest, rate = float(hum.evidence["strongest_hz"]), float(hunt.evidence["rate_hz"])
    if hum.evidence["as_sidebands"]:
        return abs(strongest - rate * round(strongest / rate)) < _RESOLVED_HZ
    return round(strongest / float(hum.evidence["mains_hz"])) > _HUM_ORDERS


def _is_hums(shape: Draft, hums: list[Draft]) -> bool:
    """Whether the harmonics of a low note are mains lines that lie at them."""
    if not hums or shape.kind not in ("even-order-distortion", "odd-order-distortion"):
        return False
    percent = max(float(shape.evidence.get(key, 0.0)) for key in ("even_percent", "odd_percent"))
    line_percent = 100 * 10 ** (float(hums[0].evidence["level_dbc"]) / 20)
    return (shape.f0_high_hz or 0.0) < _LOW_NOTES_HZ and percent < 0.5 * line_percent


_WORD_NOISE_DBFS = {"PCM_U8": -49.9, "PCM_S8": -49.9, "ULAW": -42.0, "ALAW": -42.0}
"""Rounding noise under a full-scale sine: 6.02 n + 1.76 dB for n bits; companded words from memory."""


def _is_recordings(burst: Draft, hums: list[Draft], capture: Capture, frames: Frames) -> bool:
    """What hum leaves beside the tone, or the rounding of short words, is no burst of the circuit's."""
    if hums and float(burst.evidence.get("burst_hz", 1e6)) < 700.0:
        return True
    floor = _WORD_NOISE_DBFS.get(capture.subtype)
    level = float(burst.evidence["burst_rms_dbc"]) + median_of_known(frames.fundamental_dbfs)
    return floor is not None and level < floor + 6.0


def _is_burst(half: Draft, bursts: list[Draft]) -> bool:
    """A burst that falls between the harmonics may fall on a half order: said once."""
    return any(
        b.start_s < half.end_s
        and b.end_s > half.start_s
        and float(b.evidence["burst_rms_dbc"]) > float(half.evidence["level_dbc"]) + 2.0
        for b in bursts
    )


def _is_sideband(half: Draft, hunts: list[Draft]) -> bool:
    """In frames of few cycles the sidebands of a hunting level reach the half orders."""
    if not hunts:
        return False
    sideband_dbc = 20 * np.log10(max(float(hunts[0].evidence["depth_percent"]), 1e-6) / 200)
    return (half.f0_low_hz or 0.0) < 20.0 * float(hunts[0].evidence["rate_hz"]) and (
        float(half.evidence["level_dbc"]) < sideband_dbc
    )


def _touches(flags: Flags, frames: Frames, start_s: float, end_s: float) -> bool:
    part = (frames.time_s >= start_s) & (frames.time_s <= end_s)
    return bool(part.any() and flags[part].mean() > 0.05)


def _explained_cents(frames: Frames, hums: list[Draft], f0_hz: float) -> float:
    """R.m.s. cents by which the mains moves a pitch: from its sidebands' level, or from the lines beside the tone.

    A line d Hz from the tone and r times as large turns its phase by r at d Hz: its pitch by r d.
    """
    if not hums:
        return 0.0
    if hums[0].evidence["as_sidebands"]:
        lines = np.array([10 ** (float(hums[0].evidence["level_dbc"]) / 20) * 2])
        away = np.array([float(hums[0].evidence["strongest_hz"])])
    else:
        level = median_of_known(frames.fundamental_dbfs)
        lines = 10 ** ((between.line_levels(frames) - level) / 20)
        away = np.abs(HUM_LINES_HZ - f0_hz)
    near = away < _NEAR_HZ
    return float(1200 / np.log(2) * np.sqrt(np.sum((lines[near] * away[near]) ** 2) / 2) / max(f0_hz, 1.0))


def _rows_of(drafts: list[Draft], kind: str, frames: Frames) -> Flags:
    rows = np.zeros(len(frames), dtype=bool)
    for draft in drafts:
        if draft.kind == kind:
            rows[draft.rows] = True
    return rows


def _without_bursts(shapes: list[Draft], bursts: list[Draft]) -> list[Draft]:
    """A burst that rides on the crest is no flattening: shape that a burst of like size explains is not said twice."""
    kept = []
    for draft in shapes:
        crest = draft.kind in ("asymmetric-clipping", "symmetric-clipping", "crossover-distortion")
        size = max(
            float(draft.evidence.get(key, 0.0))
            for key in ("crest_loss_percent", "even_percent", "odd_percent", "dead_band_percent")
        )
        covered = any(
            b.start_s <= draft.end_s
            and b.end_s >= draft.start_s
            and 100 * 10 ** (float(b.evidence["burst_rms_dbc"]) / 20) * (4.0 if crest else 0.7) > size
            for b in bursts
        )
        if not covered:
            kept.append(draft)
    return kept
