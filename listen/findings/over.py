"""Stretches of rows in which the shape of the wave is over a limit, and the draft that each becomes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from listen.findings.draft import Draft
from listen.findings.rows import Flags, Floats, Span, pitch_range, spans, times
from listen.findings.types import Severity
from listen.sorting import quantile, quantile_of_known
from listen.track import Frames

_BRIDGE_S = 0.3
_SHORTEST_S = 0.1


def stretches_over(
    frames: Frames, values: Floats, left: Flags, limit: float, seen: Flags | None = None
) -> Iterator[tuple[Span, Flags]]:
    """Stretches over a limit; they join across rows where it could not be seen."""
    flags = left & (values >= limit)
    known = left if seen is None else left & seen
    for span in spans(flags, known, frames.time_s, _BRIDGE_S, _SHORTEST_S):
        yield span, _only(flags, span)


def _only(flags: Flags, span: Span) -> Flags:
    out = np.zeros_like(flags)
    out[span.first : span.last + 1] = flags[span.first : span.last + 1]
    return out


def worst_of(values: Floats, rows: Flags) -> float:
    """Return what 95 of 100 rows stay below."""
    return quantile(values[rows], 0.95)


def draft_of(
    frames: Frames,
    span: Span,
    rows: Flags,
    kind: str,
    severity: Severity,
    evidence: Mapping[str, float | int | str | bool],
    **more: object,
) -> Draft:
    """Draft a finding of some rows of a stretch, with the pitch from which it shows."""
    start, end = times(frames, span)
    low, high = pitch_range(frames, span, rows)
    f0 = frames.f0_hz[rows]
    thd = frames.thd_percent[rows]
    facts = {**evidence, "onset_f0_hz": float(f0.min()), "thd_worst_percent": quantile_of_known(thd, 0.98)}
    return Draft(
        kind=kind,
        severity=severity,
        start_s=start,
        end_s=end,
        f0_low_hz=low,
        f0_high_hz=high,
        rows=np.flatnonzero(rows),
        evidence=facts,
        **more,  # type: ignore[arg-type]
    )
