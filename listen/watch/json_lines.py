"""Events as JSON, one a line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from listen.watch.types import (
    SCHEMA,
    Arisen,
    Cleared,
    Event,
    IntervalReading,
    LostTime,
    Reading,
    SourceChanged,
    Start,
    Summary,
)

_TYPES: dict[type[Any], str] = {
    Start: "start",
    Reading: "reading",
    IntervalReading: "interval",
    Arisen: "finding",
    Cleared: "cleared",
    LostTime: "lost",
    SourceChanged: "source",
    Summary: "summary",
}
_FOR_THE_SCREEN = ("f0_sigma_cents", "peak_fs", "sentence")
_DIGITS = {
    "f0_hz": 9,
    "low_hz": 9,
    "high_hz": 9,
}
"""Significant digits; all else has six decimals, more than is measurable."""


def line_of(event: Event) -> str:
    """Return the line of an event, its newline with it.

    Parameters
    ----------
    event : Event

    Returns
    -------
    str
        ASCII; what was not measurable is ``null``.
    """
    if isinstance(event, Summary):
        values = _summary(event)
    else:
        values = {name: value for name, value in asdict(event).items() if name not in _FOR_THE_SCREEN}
        if isinstance(event, SourceChanged):
            values["sentence"] = event.sentence
        elif isinstance(event, Start):
            values = {"schema": SCHEMA, **values}
    return json.dumps({"type": _TYPES[type(event)], **_rounded(values)}, allow_nan=False) + "\n"


def _summary(event: Summary) -> dict[str, Any]:
    result = event.result
    found = [] if result is None else result.findings
    return {
        "reason": event.reason,
        "heard_s": event.heard_s,
        "lost_s": event.lost_s,
        "verdict": None if result is None else result.verdict,
        "headline": event.problem if result is None else result.headline,
        "findings": [
            {
                "kind": finding.kind,
                "severity": finding.severity,
                "half": finding.half,
                "half_known": finding.half_known,
                "start_s": finding.start_s,
                "end_s": finding.end_s,
                "sentence": finding.sentence,
            }
            for finding in found
        ],
    }


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, float):
            out[name] = float(f"{value:.{_DIGITS[name]}g}") if name in _DIGITS else round(value, 6)
        else:
            out[name] = value
    return out


class JsonLines:
    """Writes events as they come.

    Parameters
    ----------
    put : callable
        Takes a text, and brings it out at once.
    """

    def __init__(self, put: Callable[[str], None]) -> None:
        self._put = put

    def __call__(self, event: Event) -> None:
        """Write one event."""
        self._put(line_of(event))
