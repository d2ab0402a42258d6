"""Is what a check reports what the take's truth expects?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

TURNS_THE_VERDICT = ("attention", "fault")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """One finding of a check."""

    kind: str
    severity: str
    half: str | None
    start_s: float | None
    end_s: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """The score of one take.

    Attributes
    ----------
    right : bool
        Every expected finding is there, nothing else at attention or fault, and the notes that are asked for.
    right_without_notes : bool
    missed, false : tuple of str
        Expected kinds that were not reported; reported kinds that were not expected.
    wrong_severity : tuple of str
        Found, but at another severity than the truth is certain of; does not count against the take.
    """

    right: bool
    right_without_notes: bool
    missed: tuple[str, ...]
    false: tuple[str, ...]
    wrong_severity: tuple[str, ...]


def _names(item: dict[str, Any]) -> list[str]:
    return [item["kind"], *item["also_accepted"]]


def _half_fits(item: dict[str, Any], finding: Reported) -> bool:
    wanted = item["half"]
    if wanted in (None, "both") or finding.kind != item["kind"]:
        return True
    return finding.half in (None, wanted)


def _fits(item: dict[str, Any], kind: str, findings: Sequence[Reported]) -> bool:
    mine = [f for f in findings if f.kind == kind]
    if not mine or not all(_half_fits(item, f) for f in mine):
        return False
    if item.get("first") and findings[0].kind != kind:
        return False
    wanted = item.get("sentence_has")
    return wanted is None or kind != item["kind"] or any(wanted in f.sentence for f in mine)


def score(truth: dict[str, Any], findings: Sequence[Reported]) -> Score:
    """Compare the findings of a check with a truth.

    Each expected finding is matched by its own kind, or by another name that is accepted for it; two expected findings
    are not matched by one name. Of all ways to match, the one that leaves least missed and false counts.
    """
    turning = [f for f in findings if f.severity in TURNS_THE_VERDICT]
    reported = {f.kind for f in turning}
    allowed = {item["kind"] for item in truth["allowed"]}
    best: tuple[int, list[str], list[str]] | None = None
    for choice in product(*([*_names(item), None] for item in truth["expected"])):
        named = [kind for kind in choice if kind is not None]
        if len(set(named)) < len(named):
            continue
        if not all(k is None or _fits(i, k, turning) for i, k in zip(truth["expected"], choice, strict=True)):
            continue
        missed = [i["kind"] for i, k in zip(truth["expected"], choice, strict=True) if k is None]
        false = sorted(reported - set(named) - allowed)
        cost = len(missed) + len(false)
        if best is None or cost < best[0]:
            best = (cost, missed, false)
    assert best is not None
    _cost, missed, false = best
    notes = [kind for kind in truth["notes"] if kind not in {f.kind for f in findings}]
    severities = [
        f"{item['kind']} is {item['severity']}"
        for item in truth["expected"]
        if item["severity"] is not None
        and item["kind"] in reported
        and item["severity"] not in {f.severity for f in turning if f.kind == item["kind"]}
    ]
    return Score(
        right=not missed and not false and not notes,
        right_without_notes=not missed and not false,
        missed=tuple(missed + [f"note {kind}" for kind in notes]),
        false=tuple(false),
        wrong_severity=tuple(severities),
    )
