"""Takes that cannot show the board: overloaded, too quiet, silent, or of something else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from listen.findings import all_kinds
from listen.report.comparing.types import ComparedFinding

Blindness = Literal["overloaded", "quiet", "silent", "foreign"]

_BLINDED_BY: Mapping[str, Blindness] = {
    "oscillation-absent": "silent",
    "not-an-oscillator": "foreign",
    "two-tones": "foreign",
    "wrong-channel": "foreign",
    "wrong-wave": "foreign",
    "capture-quiet": "quiet",
    "capture-overload": "overloaded",
}
"""What blinds most comes first."""

_SEEN_WHEN_OVERLOADED = ("pitch", "start")
"""Questions that an overloaded take answers: cut tops leave the zero crossings, and so the pitch, where they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTakes:
    """Why each of two takes cannot show the board; None where it can."""

    before: Blindness | None = None
    after: Blindness | None = None


def blind_takes(before: Mapping[str, Any], after: Mapping[str, Any]) -> BlindTakes:
    """Return what keeps each of two checks from showing the board.

    Parameters
    ----------
    before, after : mapping
        Documents of the schema ``listen.check/1``.

    Returns
    -------
    BlindTakes
    """
    return BlindTakes(before=_blindness(before), after=_blindness(after))


def _blindness(document: Mapping[str, Any]) -> Blindness | None:
    found = {finding["kind"] for finding in document["findings"] if finding["severity"] != "note"}
    return next((why for kind, why in _BLINDED_BY.items() if kind in found), None)


def hides(blindness: Blindness | None, kind: str) -> bool:
    """Say whether such a take says nothing of a kind of finding, neither that it is there nor that it is not."""
    record = all_kinds().get(kind)
    if blindness is None or is_of_the_take(kind):
        return False
    if blindness != "overloaded":
        return True
    return kind != "oscillation-dropout" and (record is None or record.question not in _SEEN_WHEN_OVERLOADED)


def is_of_the_take(kind: str) -> bool:
    """Say whether a kind is about the recording, so that it makes a build neither better nor worse."""
    record = all_kinds().get(kind)
    return kind in _BLINDED_BY or (record is not None and record.of_the_recording)


def came_to_life(finding: ComparedFinding) -> bool:
    """Say whether a board that was silent oscillates now: that is seen in the second take, whatever the first was."""
    return finding.kind == "oscillation-absent" and finding.fate == "gone"
