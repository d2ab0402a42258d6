"""Status of each finding between two takes: gone, new, milder, worse, on the other half, or not visible in a take."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from listen.findings import all_kinds, half_name, name_of
from listen.report.comparing.blind_takes import BlindTakes, blind_takes, hides
from listen.report.comparing.types import ComparedFinding, Document, FindingStatus
from listen.units import format_db, format_percent, format_seconds

SAME_WITHIN = 0.2
"""A size that moves by less than a fifth (2 dB where it is in decibels of a line) is as it was."""
_SAME_WITHIN_DB = 2.0
_SEEN_PART = 0.5
_RANK = {"note": 0, "attention": 1, "fault": 2}
_ONE_HALF = "asymmetric-clipping"


@cache
def words() -> dict[str, Any]:
    """Return the words of a comparison."""
    return tomllib.loads((Path(__file__).parent / "words.toml").read_text("utf-8"))


def finding_statuses(before: Document, after: Document) -> tuple[ComparedFinding, ...]:
    """Pair the findings of two checks by kind, the worst first, with the status of each.

    Parameters
    ----------
    before, after : mapping
        Documents of the schema ``listen.check/1``.

    Returns
    -------
    tuple of ComparedFinding
        Those of the first take in its order, then what is new.
    """
    old, new = _by_kind(before["findings"]), _by_kind(after["findings"])
    blind = blind_takes(before, after)
    kinds = [*old, *(kind for kind in new if kind not in old)]
    return tuple(_compared_finding(kind, old.get(kind), new.get(kind), before, after, blind) for kind in kinds)


def _by_kind(findings: Sequence[Document]) -> dict[str, Document]:
    """One finding a kind: the first, as they come worst first."""
    out: dict[str, Document] = {}
    for finding in findings:
        out.setdefault(finding["kind"], finding)
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """A finding of one kind in both takes, and its size in each; None: not there, not measured."""

    kind: str
    unit: str
    old: Document | None
    new: Document | None
    was: float | None
    now: float | None


def _compared_finding(
    kind: str, old: Document | None, new: Document | None, before: Document, after: Document, blind: BlindTakes
) -> ComparedFinding:
    record = all_kinds().get(kind)
    measure, unit = (record.measure, record.compared_in or "") if record is not None else (None, "")
    pair = _Pair(kind=kind, unit=unit, old=old, new=new, was=_number(old, measure), now=_number(new, measure))
    hidden = hides(blind.before, kind) or hides(blind.after, kind)
    status: FindingStatus
    if hidden:
        status = "not-shown-after" if hides(blind.after, kind) else "not-shown-before"
    else:
        status = _status(pair, before, after)
    return ComparedFinding(
        kind=kind,
        fate=status,
        severity_before=old["severity"] if old else None,
        severity_after=new["severity"] if new else None,
        half_before=old["half"] if old else None,
        half_after=new["half"] if new else None,
        half_known_before=_half_known(old),
        half_known_after=_half_known(new),
        measure=measure,
        before=pair.was,
        after=pair.now,
        sentence=_sentence(pair, f"{status}-hidden" if hidden else status),
    )


def _status(pair: _Pair, before: Document, after: Document) -> FindingStatus:
    kind, old, new, was, now = pair.kind, pair.old, pair.new, pair.was, pair.now
    if new is None:
        return "gone" if old is None or _could_show(kind, old, after) else "not-shown-after"
    if old is None:
        return "new" if _could_show(kind, new, before) else "not-shown-before"
    if kind == _ONE_HALF and {old["half"], new["half"]} == {"positive", "negative"}:
        return "swapped"
    rank = _RANK[new["severity"]] - _RANK[old["severity"]]
    if was is None or now is None:
        return "worse" if rank > 0 else "milder" if rank < 0 else "unchanged"
    if pair.unit == "dBc":
        moved = now - was
        return "worse" if moved > _SAME_WITHIN_DB else "milder" if moved < -_SAME_WITHIN_DB else "unchanged"
    if abs(now - was) <= SAME_WITHIN * max(abs(was), abs(now)):
        return "unchanged"
    return "worse" if now > was else "milder"


def _could_show(kind: str, finding: Document, other: Document) -> bool:
    """Whether the other take would have shown a finding: it answers that question, and passes through that pitch."""
    record = all_kinds().get(kind)
    asks = record.asks if record is not None else None
    if any(item["question"] == asks for item in other["not_shown"]):
        return False
    low, high = finding["f0_low_hz"], finding["f0_high_hz"]
    seen_low, seen_high = other["summary"]["f0_low_hz"], other["summary"]["f0_high_hz"]
    anywhere = kind.startswith("oscillation-") or (record is not None and record.of_the_recording)
    if anywhere or low is None or high is None:
        return True
    if seen_low is None or seen_high is None:
        return False
    # A tenth of an octave of room: a hand does not return to the same note.
    reach = math.log2(min(high, seen_high * 1.08) / max(low, seen_low / 1.08))
    return reach >= _SEEN_PART * max(math.log2(high / low), 0.1)


def _half_known(finding: Document | None) -> bool | None:
    """Whether the half is the circuit's; documents of older versions do not say."""
    return None if finding is None else bool(finding.get("half_known", False))


def _half_name(finding: Document | None) -> str:
    return "" if finding is None else half_name(finding["half"], bool(_half_known(finding)))


def _number(finding: Document | None, measure: str | None) -> float | None:
    value = finding["evidence"].get(measure) if finding and measure else None
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def written(value: float, unit: str) -> str:
    """Write the size of a finding."""
    if unit == "%":
        return format_percent(value)
    if unit == "s":
        return format_seconds(value)
    return format_db(value, unit) if unit in ("dB", "dBc") else f"{value:.1f} {unit}"


def _sentence(pair: _Pair, key: str) -> str:
    said = words()["fate"]
    old, new, was, now, unit = pair.old, pair.new, pair.was, pair.now, pair.unit
    if was is not None and now is not None:
        measured = said["both"].format(before=written(was, unit), after=written(now, unit))
    elif was is not None:
        measured = said["only_before"].format(before=written(was, unit))
    elif now is not None:
        measured = said["only_after"].format(after=written(now, unit))
    else:
        measured = ""
    half = _half_name(old or new)
    name = name_of(pair.kind)
    if pair.kind == _ONE_HALF and half:
        name = f"{name} ({half})"
    text = said[key].format(
        name=name,
        measured=f" ({measured})" if measured else "",
        half_before=_half_name(old),
        half_after=_half_name(new),
    )
    return f"{text[:1].upper()}{text[1:]}."
