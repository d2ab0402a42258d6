"""How a hand, a switch or a voltage turns the pitch: laws of pitch against time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
StrokeShape = Literal["rest", "smooth", "resistance", "exponential"]

JUMP_HALF_WIDTH_S = 0.02
"""Around a step of the control no pitch is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One movement of the control, or a rest.

    Attributes
    ----------
    start_s, end_s : float
    from_hz, to_hz : float
    shape : {'rest', 'smooth', 'resistance', 'exponential'}
        ``smooth`` starts and ends without a jerk in log pitch, ``resistance`` in the resistance
        (pitch goes as one over it), ``exponential`` is an even number of octaves a second.
    """

    start_s: float
    end_s: float
    from_hz: float
    to_hz: float
    shape: StrokeShape

    def f0_hz(self, time_s: Floats) -> Floats:
        """Pitch at the given times, held before the start and after the end."""
        share = np.clip((time_s - self.start_s) / (self.end_s - self.start_s), 0.0, 1.0)
        if self.shape != "exponential":
            share = share**3 * (10.0 + share * (6.0 * share - 15.0))
        if self.shape == "resistance":
            return 1.0 / (1.0 / self.from_hz + share * (1.0 / self.to_hz - 1.0 / self.from_hz))
        octaves = np.log2(self.to_hz / self.from_hz)
        return np.asarray(self.from_hz * np.exp2(octaves * share))


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """A whole take's tuning, stroke after stroke."""

    strokes: tuple[Stroke, ...]

    def __post_init__(self) -> None:
        for before, after in pairwise(self.strokes):
            if not np.isclose(before.end_s, after.start_s):
                raise ValueError(f"a stroke ends at {before.end_s} s, the next starts at {after.start_s} s")

    @property
    def end_s(self) -> float:
        """End of the last stroke."""
        return self.strokes[-1].end_s

    def f0_hz(self, time_s: Floats) -> Floats:
        """Pitch at the given times; the first and the last pitch are held outside the take."""
        time_s = np.asarray(time_s, dtype=np.float64)
        starts = np.array([stroke.start_s for stroke in self.strokes])
        which = np.clip(np.searchsorted(starts, time_s, side="right") - 1, 0, len(self.strokes) - 1)
        f0_hz = np.empty_like(time_s)
        for index, stroke in enumerate(self.strokes):
            here = which == index
            f0_hz[here] = stroke.f0_hz(time_s[here])
        return f0_hz

    def retunes_s(self) -> list[float]:
        """Times at which the pitch steps."""
        return [
            after.start_s for before, after in pairwise(self.strokes) if not np.isclose(before.to_hz, after.from_hz)
        ]

    def held_s(self) -> list[tuple[float, float]]:
        """Rests of the control, a little shorter than they are."""
        rests = [
            (s.start_s + JUMP_HALF_WIDTH_S, s.end_s - JUMP_HALF_WIDTH_S) for s in self.strokes if s.shape == "rest"
        ]
        return [(start, end) for start, end in rests if end - start > 0.05]


def rest(f0_hz: float, duration_s: float) -> Control:
    """Return a control that is left alone."""
    return Control(strokes=(Stroke(start_s=0.0, end_s=duration_s, from_hz=f0_hz, to_hz=f0_hz, shape="rest"),))


def turn(turns_hz: Sequence[float], seconds: Sequence[float], *, shape: StrokeShape = "smooth") -> Control:
    """Return rests and strokes in turn: rest at the first pitch, stroke to the second, rest, ...

    Parameters
    ----------
    turns_hz : sequence of float
        The pitches at which the control rests.
    seconds : sequence of float
        Durations of rest, stroke, rest, ...; one less than twice the pitches. A rest may last 0 s.
    shape : str
        Law of the strokes.
    """
    if len(seconds) != 2 * len(turns_hz) - 1:
        raise ValueError(f"{len(turns_hz)} pitches need {2 * len(turns_hz) - 1} durations, not {len(seconds)}")
    strokes: list[Stroke] = []
    now_s = 0.0
    for index, length_s in enumerate(seconds):
        if length_s <= 0.0:
            continue
        here_hz = turns_hz[index // 2]
        moving = index % 2 == 1
        there_hz = turns_hz[index // 2 + 1] if moving else here_hz
        strokes.append(
            Stroke(
                start_s=now_s,
                end_s=now_s + length_s,
                from_hz=here_hz,
                to_hz=there_hz,
                shape=shape if moving else "rest",
            )
        )
        now_s += length_s
    return Control(strokes=tuple(strokes))


def stairs(steps_hz: Sequence[float], hold_s: float) -> Control:
    """Return steps of pitch, each held."""
    strokes = [
        Stroke(start_s=i * hold_s, end_s=(i + 1) * hold_s, from_hz=f0_hz, to_hz=f0_hz, shape="rest")
        for i, f0_hz in enumerate(steps_hz)
    ]
    return Control(strokes=tuple(strokes))


def phase_rad(f0_hz: Floats, rate_hz: float, *, start_rad: float = 0.0) -> Floats:
    """Return the integral of the pitch: the trapezoid rule, so that no half sample is lost."""
    phase = np.empty_like(f0_hz)
    phase[0] = 0.0
    np.cumsum(0.5 * (f0_hz[1:] + f0_hz[:-1]), out=phase[1:])
    phase *= 2.0 * np.pi / rate_hz
    phase += start_rad
    return phase
