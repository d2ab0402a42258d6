"""Stretches of rows in which the shape of the wave is over a limit, and the draft that each becomes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from listen.findings.draft import Draft
from listen.findings.rows import Flags, Floats, Span, pitch_range, short_median, spans, times
from listen.findings.types import Severity
from listen.sorting import quantile, quantile_of_known
from listen.track import BAND, Frames

_LEAST_CYCLES = 3.5
_BRIDGE_S = 0.3
_SHORTEST_S = 0.1


def whole_frames(frames: Frames) -> Flags:
    """Rows whose frames hold enough cycles to show a shape."""
    return frames.oscillating & (frames.frame_s * frames.f0_hz > _LEAST_CYCLES)


def orders_of(frames: Frames) -> NDArray[np.int64]:
    """How many harmonics fit at each row, 0 where nothing oscillates."""
    fits = np.floor(BAND * frames.sample_rate_hz / frames.f0_hz)
    return np.where(frames.oscillating, fits, 0.0).astype(np.int64)


def line_over(frames: Frames, order: int) -> Floats:
    """A harmonic's amplitude over the fundamental's, the median of a few rows."""
    return short_median(10 ** (frames.harmonics_dbc[:, order - 2] / 20), frames.stretch)


def around(draft: Draft, frames: Frames) -> slice:
    """Rows of a draft's time and of the twentieth of a second on both sides of it."""
    a = np.searchsorted(frames.time_s, draft.start_s - 0.05, side="left")
    return slice(int(a), int(np.searchsorted(frames.time_s, draft.end_s + 0.05, side="right")))


def flattest_rows(share: Floats, values: Floats, rows: Flags) -> Flags:
    """Of some rows those with the greatest loss, where it is known how flat they are."""
    return rows & (values >= 0.6 * worst_of(values, rows)) & np.isfinite(share)


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
