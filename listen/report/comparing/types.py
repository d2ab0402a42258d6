"""What a comparison says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Document = Mapping[str, Any]
"""A document of the schema ``listen.check/1``."""
FindingStatus = Literal["gone", "new", "unchanged", "milder", "worse", "swapped", "not-shown-after", "not-shown-before"]
FixVerdict = Literal["mended", "better", "unchanged", "mixed", "worse", "open", "healthy"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedRow:
    """A third of an octave that both takes pass through. None: not measurable in that take.

    Attributes
    ----------
    f0_low_hz, f0_high_hz : float
    before, after : mapping of str to float or None
        level_dbfs, thd_percent, even_dbc, odd_dbc, crest_positive, crest_negative.
    thd_change_db : float or None
        Negative: less distortion.
    level_change_db : float or None
        Beyond what the whole take is louder or quieter by.
    """

    f0_low_hz: float
    f0_high_hz: float
    before: Mapping[str, float | None]
    after: Mapping[str, float | None]
    thd_change_db: float | None
    level_change_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedFinding:
    """One finding with its status.

    Attributes
    ----------
    kind : str
    fate : str
        ``gone``, ``new``, ``unchanged``, ``milder``, ``worse``, ``swapped`` (the other half now), or that one of
        the takes could not have shown it.
    severity_before, severity_after, half_before, half_after : str or None
    half_known_before, half_known_after : bool or None
        Whether the half is the circuit's; else it is that of the recording. None where the finding was not there.
    measure : str or None
        The key of the evidence that is compared.
    before, after : float or None
    sentence : str
    """

    kind: str
    fate: FindingStatus
    severity_before: str | None
    severity_after: str | None
    half_before: str | None
    half_after: str | None
    measure: str | None
    before: float | None
    after: float | None
    sentence: str
    half_known_before: bool | None = None
    half_known_after: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedFigure:
    """A figure of the circuit that both takes hold.

    Attributes
    ----------
    key : str
        Its place in the document's ``circuit``.
    before, after : float
    sigma : float
        Standard deviation of the difference.
    changed : bool
        By more than two of them.
    sentence : str
    """

    key: str
    before: float
    after: float
    sigma: float
    changed: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two checks side by side.

    Attributes
    ----------
    before, after : mapping
        Documents of the schema ``listen.check/1``.
    verdict : str
        ``mended`` (nothing is left of what was found), ``better``, ``unchanged``, ``mixed``, ``worse``, ``open`` (the
        second take does not show what would have to be seen) or ``healthy`` (nothing was found in either).
    headline : str
        What was mended, in decibels or per cent at a pitch.
    advice : str
        The verdict on the fix, in a sentence.
    rows : tuple of ComparedRow
    findings : tuple of ComparedFinding
    level_offset_db : float or None
        By how much the second take is louder throughout; taken out of the rows' change of level.
    shared_low_hz, shared_high_hz : float or None
    remarks : tuple of str
        What must be known to read the rest.
    circuit : tuple of ComparedFigure
    """

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    verdict: FixVerdict
    headline: str
    advice: str
    rows: tuple[ComparedRow, ...]
    findings: tuple[ComparedFinding, ...]
    level_offset_db: float | None
    shared_low_hz: float | None
    shared_high_hz: float | None
    remarks: tuple[str, ...]
    circuit: tuple[ComparedFigure, ...] = ()
