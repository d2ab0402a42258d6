"""The judge: parts of the account compared with the limits, as sentences, the worst first."""

from __future__ import annotations

import numpy as np

from listen.account import Account
from listen.bench import RecorderSettings
from listen.capture import Capture, Damage
from listen.findings import recorder_limits, sweep, words
from listen.findings.candidate import Candidate
from listen.findings.kinds import kind_of
from listen.findings.limits import Limits, in_steps, times_over
from listen.findings.rules_hold import hold_candidates, start_candidates
from listen.findings.rules_level import level_candidates
from listen.findings.rules_lines import line_candidates
from listen.findings.rules_recording import recording_candidates
from listen.findings.rules_shape import shape_candidates
from listen.findings.rules_source import source_candidates
from listen.findings.rules_wave_shape import rows_of_known_tips, wave_shape_candidates
from listen.findings.rules_waves import wave_candidates
from listen.findings.types import Finding, Judgement, NotShown, Verdict

_RANK = {"fault": 0, "attention": 1, "note": 2}
"""Findings are listed by severity, the worst first."""
_ALONE = frozenset({"oscillation-absent", "wrong-channel"})
"""Where nothing oscillates there is nothing else to say; nor of a channel that is not the board's."""
_RESTED_S, _PIECE_S = 2.0, 1.0
"""Whoever rested for so long meant to show whether the level holds; in a piece of a second three turns of 3 Hz fit, as
many as hunting must have."""


def judge(
    account: Account,
    damage: Damage,
    *,
    capture: Capture,
    wave: str,
    limits: Limits,
    gain_control: str | None = None,
    duty_percent: float | None = None,
) -> Judgement:
    """Judge the account of one capture.

    Parameters
    ----------
    account : Account
    damage : Damage
    capture : Capture
    wave : {'sine', 'triangle', 'sawtooth', 'square', 'pulse', 'any'}
        The intended wave; the shape of any wave is not judged.
    limits : mapping
        From ``load_limits``.
    gain_control : str or None
    duty_percent : float or None
        Part of the cycle that the wave is meant to rise or to be high.

    Returns
    -------
    Judgement
    """
    candidates = candidates_of(account, damage, capture, wave, limits, duty_percent)
    figures = sweep.summary(account)
    highest_hz = figures["f0_high_hz"]
    findings = tuple(
        sorted(
            (words.finding_of(candidate, gain_control, capture.polarity_known, highest_hz) for candidate in candidates),
            key=lambda f: (_RANK[f.severity], f.kind != "wrong-wave", -in_steps(times_over(f, limits)), f.start_s),
        )
    )
    return Judgement(
        verdict=_verdict(findings),
        findings=findings,
        sweep=sweep.sweep_rows(account) if _is_board(account) else (),
        not_shown=_not_shown(account, _half_unknown(findings, capture), capture.recorder),
        summary=figures,
        answers=words.answers(figures, findings, wave, account),
        headline=words.headline(findings, figures, wave, account),
        limits=limits,
        account=account,
    )


def _is_board(account: Account) -> bool:
    """Whether it is an oscillator, or nothing sounds: of other sounds no table and no open questions help."""
    return account.heard.source in ("oscillator", "absent")


def _half_unknown(findings: tuple[Finding, ...], capture: Capture) -> bool:
    """Whether a finding of the circuit names a half, and nobody said whether the recorder inverts."""
    halves = any(f.half in ("positive", "negative") and not kind_of(f.kind).of_the_recording for f in findings)
    return halves and not capture.polarity_known


def _not_shown(account: Account, half_unknown: bool, recorder: RecorderSettings | None) -> tuple[NotShown, ...]:
    if not _is_board(account):
        return ()
    said = words.words()["not_shown"]
    return recorder_limits.not_shown(account, recorder, said) + sweep.not_shown(
        account.frames,
        account.start,
        len(account.segments),
        len(account.settlings),
        account.frames.sample_rate_hz,
        said,
        half_unknown=half_unknown,
        disturbed=_disturbed(account),
    )


def _disturbed(account: Account) -> bool:
    """Whether other sounds leave no piece of the rests in which hunting would be seen."""
    rested_s = float(np.count_nonzero(account.resting)) * account.frames.row_every_s
    return rested_s > _RESTED_S and max((s.seconds for s in account.segments), default=0.0) < _PIECE_S


def candidates_of(
    account: Account, damage: Damage, capture: Capture, wave: str, limits: Limits, duty_percent: float | None = None
) -> list[Candidate]:
    """All candidates over a limit, and the notes."""
    source = source_candidates(account, wave)
    if source and source[0].kind in _ALONE:
        return source
    recording = recording_candidates(account, damage, limits)
    if not account.is_oscillator:
        return [*source, *recording]
    known = capture.ac_coupling_hz is not None
    out = [*source, *recording, *start_candidates(account, limits), *hold_candidates(account, limits)]
    out += line_candidates(account, limits, capture.recorder.hum_dbfs if capture.recorder else None)
    if account.other_wave is None:
        if wave == "sine":
            out += shape_candidates(
                account, limits, coupling_known=known, volts_per_full_scale=capture.volts_per_full_scale
            )
        elif account.shape is not None:
            rows, shape = account.shape.rows, account.wave_shape
            tips = rows if shape is None else rows & ~rows_of_known_tips(shape, account.frames)
            out += wave_candidates(account.frames, tips, wave, limits, known)
            if shape is not None:
                out += wave_shape_candidates(account, shape, rows, limits, duty_percent)
    return out + level_candidates(account, limits)


def _verdict(findings: tuple[Finding, ...]) -> Verdict:
    severities = {f.severity for f in findings}
    if "fault" in severities:
        return "fault"
    return "attention" if "attention" in severities else "pass"
