"""From the causes that were built in to what a check should say: expected, allowed, or nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.takes.board import FRAME_HOP_S, Board, Reading, Rendered

Floats = NDArray[np.float64]

LIMITS: dict[str, tuple[float, float]] = {
    "asymmetric-clipping": (2.0, 8.0),
    "symmetric-clipping": (2.0, 8.0),
    "even-order-distortion": (1.0, 3.0),
    "odd-order-distortion": (1.0, 3.0),
    "crossover-distortion": (1.0, 4.0),
    "slew-limiting": (8.0, 15.0),
    "slow-start": (0.5, 2.0),
    "level-drift": (1.0, 3.0),
    "amplitude-hunting": (1.0, 5.0),
    "amplitude-bounce": (1.0, 3.0),
    "pitch-instability": (3.0, 15.0),
    "parasitic-oscillation": (-50.0, -30.0),
    "subharmonic": (-50.0, -30.0),
    "mains-hum": (-50.0, -30.0),
}
"""Attention and fault where no gain control is stated: common practice, no source."""

STATED: dict[str, dict[str, tuple[float, float]]] = {
    "diodes": {
        "odd-order-distortion": (2.5, 6.0),
        "even-order-distortion": (2.5, 6.0),
        "symmetric-clipping": (4.0, 12.0),
        "level-drift": (3.0, 8.0),
    },
    "lamp": {"odd-order-distortion": (0.3, 1.0), "even-order-distortion": (0.3, 1.0)},
}
"""What is normal for a stated gain control; a lamp's bounce also has limits of its own."""

LAMP_BOUNCE_DB, LAMP_SETTLING_S = 2.0, 3.0

NEAR_RATIO, NEAR_DB = 0.15, 1.5
"""Within so much of a limit either answer is right."""

HELD_S = 0.5
"""A measure counts as reached where it is reached for so long."""


def limits_of(kind: str, gain_control: str | None) -> tuple[float, float]:
    """Return attention and fault."""
    return STATED.get(gain_control or "", {}).get(kind, LIMITS[kind])


@dataclass(kw_only=True)
class Truth:
    """What a take should give.

    Attributes
    ----------
    expected : list of dict
        kind, severity (null: not scored), half, start_s, end_s, also_accepted; ``sentence_has`` where a sentence must
        name a remedy, ``first`` where it must stand first.
    allowed : list of dict
        kind and why: may be reported, need not.
    notes : list of str
        Kinds that the contract asks for as a note.
    """

    wave: str = "sine"
    options: dict[str, Any] = field(default_factory=dict)
    expected: list[dict[str, Any]] = field(default_factory=list)
    allowed: list[dict[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    parts: dict[str, Any] = field(default_factory=dict)

    def expect(
        self,
        kind: str,
        start_s: float,
        end_s: float,
        *,
        severity: str | None = None,
        half: str | None = None,
        also_accepted: tuple[str, ...] = (),
        **more: Any,
    ) -> None:
        """Add a finding that must be reported."""
        self.expected.append(
            {
                "kind": kind,
                "severity": severity,
                "half": half,
                "start_s": round(start_s, 3),
                "end_s": round(end_s, 3),
                "also_accepted": list(also_accepted),
                **more,
            }
        )

    def allow(self, kind: str, why: str) -> None:
        """Add a kind that may be reported."""
        self.allowed.append({"kind": kind, "why": why})


def reached(values: Floats, *, hop_s: float = FRAME_HOP_S) -> float:
    """Return what a measure reaches for half a second in all."""
    good = np.sort(values[np.isfinite(values)])[::-1]
    if len(good) == 0:
        return float("-inf")
    return float(good[min(int(HELD_S / hop_s), len(good) - 1)])


def over_db(reading: Reading) -> float:
    """How far a value stands over its limit: decibels of the ratio, or the difference."""
    if reading.scale == "db":
        return reading.value - reading.limit
    return float(20.0 * np.log10(max(reading.value, 1e-9) / reading.limit))


def place(reading: Reading) -> str:
    """Return ``over``, ``near`` or ``under``."""
    if reading.scale == "db":
        away = reading.value - reading.limit
        left = away if reading.combined is None else reading.combined - reading.limit
        return "under" if away <= -NEAR_DB else "over" if min(away, left) >= NEAR_DB else "near"
    share = reading.value / reading.limit
    if share < 1.0 - NEAR_RATIO:
        return "under"
    left = share if reading.combined is None else reading.combined / reading.limit
    return "over" if share >= 1.0 + NEAR_RATIO and left >= 1.0 else "near"


def severity(reading: Reading) -> str | None:
    """Return the severity where it is certain."""
    if reading.fault is None:
        return None
    least = reading.value if reading.combined is None else min(reading.value, reading.combined)
    most = reading.value if reading.combined is None else max(reading.value, reading.combined)
    if reading.scale == "db":
        return "fault" if least >= reading.fault + NEAR_DB else "attention" if most <= reading.fault - NEAR_DB else None
    if least >= (1.0 + NEAR_RATIO) * reading.fault:
        return "fault"
    return "attention" if most <= (1.0 - NEAR_RATIO) * reading.fault else None


def truth_of(take: Rendered) -> Truth:
    """Judge every claim of a board by the limits."""
    board = take.board
    options: dict[str, Any] = {}
    if board.gain_control is not None:
        options["gain_control"] = board.gain_control
    if board.bench:
        options["bench"] = board.bench
    truth = Truth(wave=board.wave, options=options, parts=_plain(board))
    for claim in board.claims:
        reading = claim.read(take)
        truth.parts[f"{claim.kind}_size"] = round(reading.value, 4)
        if reading.combined is not None:
            truth.parts[f"{claim.kind}_size_in_company"] = round(reading.combined, 4)
        where = place(reading)
        if where == "over":
            truth.expect(
                claim.kind,
                reading.start_s,
                reading.end_s,
                severity=severity(reading),
                half=reading.half,
                also_accepted=reading.also_accepted,
            )
        elif where == "near":
            for kind in (claim.kind, *reading.also_accepted):
                truth.allow(kind, f"{reading.value:.3g} of {reading.limit:.3g}, near")
    return truth


def _plain(board: Board) -> dict[str, Any]:
    stages = [{"kind": s.kind, "half": s.half, **s.values} for s in board.stages]
    recorder = board.recorder
    return {
        "rate_hz": board.rate_hz,
        "low_hz": round(board.play.low_hz, 3),
        "high_hz": round(board.play.high_hz, 3),
        "power_s": round(board.play.power_s, 3),
        "rise_s": round(board.rise_s, 4),
        "level_dbfs": round(board.level_dbfs, 2),
        "noise_dbfs": round(recorder.noise_dbfs, 1),
        "ac_coupling_hz": round(recorder.ac_coupling_hz, 2),
        "subtype": recorder.subtype,
        "stages": stages,
        **board.values,
    }
