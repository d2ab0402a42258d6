"""What a check says: findings, the sweep in thirds of an octave, and what the take does not show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from listen.findings.measured import Measured

if TYPE_CHECKING:
    from listen.account import Account

Severity = Literal["note", "attention", "fault"]
Half = Literal["positive", "negative", "both"]
Verdict = Literal["pass", "attention", "fault"]
Question = Literal["pitch", "start", "hold", "clean"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One cause, said once.

    Attributes
    ----------
    kind : str
        As in the table of limits, for example ``asymmetric-clipping``.
    severity : {'note', 'attention', 'fault'}
        A note is information and never turns the verdict.
    start_s, end_s : float
        The interval, in seconds from the file's first sample.
    f0_low_hz, f0_high_hz : float or None
        The range of pitch it covers.
    half : {'positive', 'negative', 'both'} or None
    half_certain : bool
        False where the sentence must say "probably".
    half_known : bool
        The recorder's polarity is stated: the half is the circuit's; else it is that of the recording.
    measured : Measured
        The numbers, typed; each kind has its own.
    sentence : str
        One plain sentence.
    part : str or None
        Id of the part of the account that it stands on.
    """

    kind: str
    severity: Severity
    start_s: float
    end_s: float
    f0_low_hz: float | None
    f0_high_hz: float | None
    half: Half | None
    half_certain: bool
    measured: Measured
    sentence: str
    part: str | None = None
    half_known: bool = False

    @property
    def evidence(self) -> Mapping[str, float | int | str | bool]:
        """The numbers by name, the unit in the name."""
        return self.measured.evidence()


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRow:
    """Medians of a third of an octave (ISO 266 centre, exact base-ten edges). None: not measurable."""

    f0_low_hz: float
    f0_high_hz: float
    seconds: float
    level_dbfs: float | None
    thd_percent: float | None
    even_dbc: float | None
    odd_dbc: float | None
    crest_positive: float | None
    crest_negative: float | None
    noise_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotShown:
    """A question that this take cannot answer, why, and what to record instead."""

    question: Question
    why: str
    mend: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judgement:
    """All that the judge says of one take.

    Attributes
    ----------
    verdict : {'pass', 'attention', 'fault'}
    findings : tuple of Finding
        Worst first.
    sweep : tuple of SweepRow
    not_shown : tuple of NotShown
    summary : mapping of str to float or None
        f0_low_hz, f0_high_hz, level_dbfs, level_span_db, thd_median_percent, thd_worst_percent,
        thd_worst_f0_hz, thd_harmonics, start_s, noise_dbfs, oscillating_s.
    answers : mapping of question to str
        One sentence for each of pitch, start, hold, clean.
    headline : str
        One sentence a builder would say.
    limits : mapping of kind to mapping
        The limits used.
    account : Account or None
        What the recording consists of.
    """

    verdict: Verdict
    findings: tuple[Finding, ...]
    sweep: tuple[SweepRow, ...]
    not_shown: tuple[NotShown, ...]
    summary: Mapping[str, float | None]
    answers: Mapping[str, str]
    headline: str
    limits: Mapping[str, Mapping[str, float]]
    account: Account | None = None
