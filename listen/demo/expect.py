"""What a check should say of a take, from the truth's own frames and the limits in common use."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import truth
from listen.units import db_from_ratio

Floats = NDArray[np.float64]

NEAR = 0.15
"""Within this part of a limit either answer is right."""

SHORT_S = 0.25
BRIDGE_S = 0.12


def intervals(time_s: Floats, over_limit: NDArray[np.bool_]) -> list[list[float]]:
    """Segments of time in which frames are over a limit; small gaps are bridged, splinters dropped."""
    pieces: list[list[float]] = []
    for time in time_s[over_limit]:
        if pieces and time - pieces[-1][1] < BRIDGE_S:
            pieces[-1][1] = float(time)
        else:
            pieces.append([float(time), float(time)])
    half = 0.5 * truth.HOP_S
    return [[round(a - half, 3), round(b + half, 3)] for a, b in pieces if b - a > 0.08]


def finding(
    kind: str,
    severity: str,
    pieces: list[list[float]],
    *,
    half: str | None = None,
    also: tuple[str, ...] = (),
    evidence: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return one expected finding."""
    result: dict[str, Any] = {
        "kind": kind,
        "severity": severity,
        "also_accepted": list(also),
        "start_s": pieces[0][0],
        "end_s": pieces[-1][1],
        "intervals": pieces,
    }
    if half is not None:
        result["half"] = half
    result["evidence"] = {key: _plain(value) for key, value in (evidence or {}).items()}
    return result


def _plain(value: Any) -> Any:
    return round(float(value), 4) if isinstance(value, (float, np.floating)) else value


def allowed(kind: str, why: str) -> dict[str, Any]:
    """Return a kind that may or may not be reported."""
    return {"kind": kind, "severity": "allowed", "why": why}


def over_limit(
    kind: str,
    values: Floats,
    measured: truth.Measured,
    limits: tuple[float, float],
    *,
    half: str | None = None,
    also: tuple[str, ...] = (),
    evidence: dict[str, Any] | None = None,
    value_name: str = "value",
) -> list[dict[str, Any]]:
    """Judge a column against its limits: expected, allowed when near or short, or nothing.

    Parameters
    ----------
    values : ndarray, shape of ``measured.time_s``
    limits : (attention, fault)
    """
    good = measured.oscillating & np.isfinite(values)
    if not np.any(good):
        return []
    filled = np.where(good, values, -np.inf)
    worst = float(np.quantile(filled[good], 0.98))
    if worst < (1.0 - NEAR) * limits[0]:
        return []
    pieces = intervals(measured.time_s, filled >= limits[0])
    seconds = sum(end - start for start, end in pieces)
    if worst < (1.0 + NEAR) * limits[0] or seconds < SHORT_S:
        return [allowed(kind, f"{value_name} {worst:.3g}, {seconds:.2f} s over the limit")]
    onset = measured.f0_hz[filled >= limits[0]]
    facts = {value_name: worst, "onset_f0_hz": float(np.min(onset)), **(evidence or {})}
    severity = "fault" if worst >= limits[1] else "attention"
    return [finding(kind, severity, pieces, half=half, also=also, evidence=facts)]


def level_follows(measured: truth.Measured) -> list[dict[str, Any]]:
    """Allow a drift of the level that a bent wave brings with it: what is cut off is missing in the fundamental."""
    if not np.any(measured.oscillating):
        return []
    amplitude = measured.amplitude_fs[measured.oscillating]
    span_db = db_from_ratio(float(np.max(amplitude) / np.min(amplitude)))
    return [allowed("level-drift", f"span {span_db:.2f} dB, with the shape")] if span_db > 0.7 else []


def crest_loss_percent(measured: truth.Measured, half: str) -> Floats:
    """Loss of one half against the other, or of both against a sine."""
    if half == "both":
        return 100.0 * (1.0 - np.maximum(measured.crest_positive, measured.crest_negative))
    mine, other = measured.crest_positive, measured.crest_negative
    if half == "negative":
        mine, other = other, mine
    return 100.0 * (1.0 - mine / other)


def rest_rms_cents(time_s: Floats, cents: Floats, held: list[tuple[float, float]]) -> float:
    """R.m.s. of the pitch in the rests, the straight drift of each removed; the worst rest."""
    worst = 0.0
    for start, end in held:
        inside = (time_s >= start) & (time_s <= end) & np.isfinite(cents)
        if np.count_nonzero(inside) < 10:
            continue
        t, c = time_s[inside], cents[inside]
        worst = max(worst, float(np.std(c - np.polyval(np.polyfit(t, c, 1), t))))
    return worst
