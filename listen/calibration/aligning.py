"""Alignment of steps with stated times to the recording."""

from __future__ import annotations

import numpy as np

from listen.calibration.matching import smooth_law_rms_cents
from listen.calibration.plateaus import Plateau, Trace
from listen.calibration.types import Floats
from listen.calibration.voltage_input import VoltageInput
from listen.errors import CaptureError

_NEAR_S = 0.04
_SAID_FROM_S = 0.05
_LEAST_SHARE = 0.5
_MOST_OFFSETS = 4000


def offset_s(
    voltages: VoltageInput,
    ways: list[list[Plateau]],
    quiet: list[Plateau],
    trace: Trace,
    span_s: tuple[float, float],
    name: str,
) -> float:
    """Return the delay of the recorded steps relative to their file.

    Parameters
    ----------
    voltages : Given
        With times.
    ways : list of list of Plateau
    quiet : list of Plateau
    trace : Trace
    span_s : tuple of float
        The span looked at.
    name : str

    Returns
    -------
    float
        Seconds; 0 where the times fit as they are.

    Raises
    ------
    CaptureError
        The changes of the pitch are at other times than any shift of the file's.
    """
    times = voltages.times_s
    if times is None:
        raise ValueError("steps without times")
    edges = np.array([times[i][0] for i in range(1, len(times)) if voltages.values[i] != voltages.values[i - 1]])
    changes = _changes(ways, quiet)
    if not len(edges) or not len(changes):
        return 0.0
    shifts = np.unique(np.round(np.concatenate([[0.0], (changes[:, None] - edges[None, :]).ravel()]), 3))
    if len(shifts) > _MOST_OFFSETS:
        shifts = shifts[np.argsort(np.abs(shifts), kind="stable")[:_MOST_OFFSETS]]
    score = np.array([_agreement(edges + shift, changes) for shift in shifts])
    here = _agreement(edges, changes)
    if here >= 0.8 * float(score.max()) and here >= _LEAST_SHARE * len(edges):
        return _fine(edges, changes, 0.0)
    # Even steps fit themselves one step later too, all but one of them: then the pitches decide.
    good = [float(shift) for shift, found in zip(shifts, score, strict=True) if found >= 0.7 * score.max()]
    best = min(
        good, key=lambda shift: _cost(voltages, trace, shift, span_s, _agreement(edges + shift, changes), len(edges))
    )
    if _agreement(edges + best, changes) < _LEAST_SHARE * len(edges):
        raise CaptureError(
            f"{name}: the pitch does not change when {voltages.source} says that the voltage does",
            "check start_s and end_s, or give cv_v alone: then the steps are found in the pitch",
        )
    return _fine(edges, changes, best)


def offset_note(shift_s: float) -> tuple[str, ...]:
    """Describe a shift that is worth reporting."""
    if abs(shift_s) < _SAID_FROM_S:
        return ()
    way = "before" if shift_s > 0 else "after"
    return (
        f"The recording begins {abs(shift_s):.2f} s {way} the times of the steps; they were moved to fit the pitch.",
    )


def _changes(ways: list[list[Plateau]], quiet: list[Plateau]) -> Floats:
    starts = [p.start_s for p in ways[0][1:]] if ways else []
    return np.unique(np.array(starts + [q.start_s for q in quiet] + [q.end_s for q in quiet]))


def _agreement(edges: Floats, changes: Floats) -> float:
    place = np.clip(np.searchsorted(changes, edges), 1, max(1, len(changes) - 1))
    before, after = changes[np.maximum(place - 1, 0)], changes[np.minimum(place, len(changes) - 1)]
    off = np.minimum(np.abs(edges - before), np.abs(after - edges))
    return float(np.sum(np.exp(-0.5 * (off / _NEAR_S) ** 2)))


def _fine(edges: Floats, changes: Floats, shift: float) -> float:
    """Return the shift by the median of what each edge says."""
    off = np.array([changes[np.argmin(np.abs(changes - edge - shift))] - edge - shift for edge in edges])
    near = off[np.abs(off) < 2.0 * _NEAR_S]
    fine = shift + (float(np.median(near)) if len(near) else 0.0)
    return 0.0 if abs(fine) < 0.015 else fine


def _cost(
    voltages: VoltageInput, trace: Trace, shift: float, span_s: tuple[float, float], agreement: float, edges: int
) -> float:
    """Cost of a shift: a smooth law's residual, plus penalties for steps outside the take and missed edges."""
    values, cents, outside = [], [], 0
    for value, (start, end) in zip(voltages.values, voltages.times_s or (), strict=True):
        late = start + shift + 2.0 * (end - start) / 3.0
        inside = (trace.time_s >= late) & (trace.time_s <= end + shift - 0.02)
        outside += late < span_s[0] - 0.05 or end + shift > span_s[1] + 0.15 * (end - start) + 0.05
        if inside.any():
            values.append(value)
            cents.append(float(np.median(trace.value[inside])))
    if len(values) < 2:
        return np.inf
    step = float(np.median(np.abs(np.diff(cents)))) or 1.0
    rms_steps = smooth_law_rms_cents(np.array(values), np.array(cents)) / step
    return rms_steps + 0.5 * outside + 0.5 * (edges - agreement) / edges + 1e-4 * abs(shift)
