"""Samples that the recording lost or repeated, and exact zeros of a gate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.tone import BoardTone
from listen.capture import Damage
from listen.track import Frames, PhaseStep

Floats = NDArray[np.floating[Any]]

_DYING_DB = 6.0
"""A step of the phase at which the level breaks, by half within five rows, is a tone that dies or starts, not lost
samples."""
_APART_S, _SIDE_S = 0.02, 0.08
"""On both sides of a step the pitch is read as a straight line from so near to so far: short frames that hold the step
are left out, two cycles at 100 Hz, and a hand's stroke is still straight."""
_MOVE_S = 0.01
"""Where the two lines do not meet, the control moved: that bends the phase by what it moved, for so long. Where they
meet at an angle, the move begins or ends: the phase bends by what the pitch changes within half of it."""
_FRAME_CYCLES, _FRAME_BENDS = 4.0, 2.0
"""The frames that a step is read from hold four cycles; a pitch that bends in them, as at the end of a quick move of a
low note, bends the phase by up to that times their length. Twice as much is allowed, for it is read through them."""
GATE_S = 0.05
"""Exact zeros of this length or more are a gate's or a gap; shorter ones are buffers that a recorder lost (1024 samples
at 48 kHz: 21 ms)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LostSamples:
    """Places where samples are missing, repeated or zero.

    Attributes
    ----------
    places : tuple of (start_s, end_s)
    samples : float
        How many, about.
    phase_jumps : int
    kinds : tuple of str
    zeros : tuple of (start_s, end_s)
        Those of exact zeros, 50 ms or longer.
    missing_at_end : int
    """

    places: tuple[tuple[float, float], ...]
    samples: float
    phase_jumps: int
    kinds: tuple[str, ...]
    zeros: tuple[tuple[float, float], ...]
    missing_at_end: int


def find_lost_samples(
    frames: Frames, damage: Damage, end_s: float, tone: BoardTone | None, *, one_tone: bool = True
) -> LostSamples:
    """Combine the results of the damage scan and the tracker.

    Parameters
    ----------
    frames : Frames
    damage : Damage
    end_s : float
        End of the take.
    tone : BoardTone or None
    one_tone : bool
        One oscillator is heard: of other sounds a step of the phase tells nothing.
    """
    rate = frames.sample_rate_hz
    places: list[tuple[float, float]] = []
    zeros: list[tuple[float, float]] = []
    n_samples = 0.0
    kinds = dict.fromkeys(damage.lost_runs.kind)
    for start, n, kind in zip(
        damage.lost_runs.start_sample, damage.lost_runs.n_samples, damage.lost_runs.kind, strict=True
    ):
        places.append((float(start / rate), float((start + n) / rate)))
        n_samples += float(n)
        if kind == "zeros" and n >= GATE_S * rate:
            zeros.append(places[-1])
    jumps = 0
    for step in missing_sample_steps(frames, tone) if one_tone else []:
        if any(a - 0.05 <= step.time_s <= b + 0.05 for a, b in places):
            continue
        places.append((step.time_s, step.time_s + 1 / rate))
        jumps += 1
        n_samples += max(1.0, abs(step.missing_samples))
    promised = damage.missing_at_end_samples
    if promised > 0:
        places.append((end_s, end_s))
        n_samples += promised
    names = [name for name in ("not-finite", "zeros", "repeated") if name in kinds]
    return LostSamples(
        places=tuple(sorted(places)),
        samples=n_samples,
        phase_jumps=jumps,
        kinds=(*names, *(["skipped"] if jumps else []), *(["cut short"] if promised else [])),
        zeros=tuple(zeros),
        missing_at_end=promised,
    )


def _is_quick_move(step: PhaseStep, tone: BoardTone, rate_hz: float) -> bool:
    """Whether a quick move of the control explains a step of the phase."""
    from_s, lines = tone.time_s - step.time_s, []
    for side in (-1.0, 1.0):
        near = (side * from_s >= _APART_S) & (side * from_s <= _SIDE_S) & tone.tracked
        if np.count_nonzero(near) < 4:
            return False
        lines.append(np.polyfit(from_s[near], tone.f0_hz[near], 1))
    (slope_before, before_hz), (slope_after, after_hz) = lines
    turns = abs(step.missing_samples) / rate_hz * before_hz
    bend = 0.5 * abs(slope_after - slope_before) * (0.5 * _MOVE_S) ** 2
    held = np.abs(from_s) <= 0.5 * _FRAME_CYCLES / before_hz
    within = np.flatnonzero(held & tone.tracked)
    if len(within) > 2:
        f0_hz = tone.f0_hz[within]
        straight = np.interp(from_s[within], from_s[within[[0, -1]]], f0_hz[[0, -1]])
        bend = max(bend, _FRAME_BENDS * float(np.abs(f0_hz - straight).max()) * _FRAME_CYCLES / before_hz)
    return bool(turns < abs(after_hz - before_hz) * _MOVE_S + bend)


def missing_sample_steps(frames: Frames, tone: BoardTone | None) -> list[PhaseStep]:
    """Phase discontinuities due to missing samples: of the tone, and none at a decay, an onset or a quick move."""
    missing = []
    for step in frames.phase_steps:
        if tone is not None and _is_quick_move(step, tone, frames.sample_rate_hz):
            continue
        near = np.flatnonzero(np.abs(frames.time_s - step.time_s) <= 2.5 * frames.row_every_s)
        if tone is not None and not tone.rows[near].any():
            continue
        level = frames.level_dbfs[near]
        if len(near) < 2 or abs(level[-1] - level[0]) <= _DYING_DB:
            missing.append(step)
    return missing
