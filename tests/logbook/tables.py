"""Made-up documents for the tests of the logbook."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from listen.logbook import Entry

DAY = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)


def table(
    pitch: Callable[[float], float],
    controls: Iterable[float] = range(8),
    *,
    direction: str = "up",
    sigma_cents: float | None = 0.05,
    scatter_cents: float = 0.0,
    seed: int = 0,
    axis: str = "volts",
) -> dict[str, Any]:
    """Return the document of a calibration: a pitch in Hz for each setting, with a scatter."""
    rng = np.random.default_rng(seed)
    steps = [
        {
            "cv_v": float(control),
            "f0_hz": float(pitch(float(control)) * 2.0 ** (rng.normal(0.0, scatter_cents) / 1200.0)),
            "f0_sigma_cents": sigma_cents,
            "direction": direction,
        }
        for control in controls
    ]
    return {"schema": "listen.calibration/1", "settings": {"axis": axis}, "steps": steps}


def both_ways(up: dict[str, Any], down: dict[str, Any]) -> dict[str, Any]:
    """Return a table that goes up and back."""
    return {**up, "steps": [*up["steps"], *down["steps"]]}


def octave_a_volt(
    offset_cents: float = 0.0, span_cents: float = 0.0, base_hz: float = 55.0
) -> Callable[[float], float]:
    """Return a law of an octave a volt that is off by so much at 0 V, and by so much in each octave."""
    return lambda v: base_hz * 2.0 ** (v + (offset_cents + span_cents * v) / 1200.0)


def entry(document: dict[str, Any] | None, number: int = 1, *, days: float = 0.0, **changes: Any) -> Entry:
    """Return an entry with a document, measured so many days after the first."""
    values: dict[str, Any] = dict(
        number=number,
        build="north shelf",
        kind="calibration" if document else "note",
        state=None,
        measured=DAY + timedelta(days=days),
        stored=DAY + timedelta(days=days),
        note=None,
        temperature_c=None,
        warm_up_min=None,
        document_text=None if document is None else json.dumps(document),
    )
    return Entry(**{**values, **changes})
