"""How a hand plays a whole take: rests, slow turns, quick moves of a few notes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.demo.controls import Control, Stroke, StrokeShape

Floats = NDArray[np.float64]
Rng = np.random.Generator

LATTICE_HZ = 2000.0
"""Laws of pitch and level are worked out so often a second; a cubic carries them to the file's rate."""

MAINS_MARGIN_HZ = 9.0
"""A note that rests nearer to a multiple of the mains beats with its hum slowly enough to be heard as a swing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A quick move of the control: when, and over how many octaves."""

    start_s: float
    end_s: float
    octaves: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Play:
    """What the hand does in one take.

    Attributes
    ----------
    control : Control
        Pitch against time, from the file's first sample; silence and start are not part of it.
    power_s : float
        The supply is switched on.
    rests_s : tuple of (start_s, end_s)
        The control is left alone, the tone settled.
    moves : tuple of Move
    low_hz, high_hz : float
    """

    control: Control
    power_s: float
    rests_s: tuple[tuple[float, float], ...]
    moves: tuple[Move, ...]
    low_hz: float
    high_hz: float

    @property
    def end_s(self) -> float:
        """Length of the take."""
        return self.control.end_s

    def lattice_s(self) -> Floats:
        """Times of the lattice, a little past the end."""
        return np.arange(int(self.end_s * LATTICE_HZ) + 4) / LATTICE_HZ


@dataclass(slots=True)
class Score:
    """Strokes one after the other, with a clock."""

    now_s: float
    pitch_hz: float
    strokes: list[Stroke]
    rests_s: list[tuple[float, float]]
    moves: list[Move]

    def rest(self, seconds: float, *, settled_after_s: float = 0.1) -> None:
        """Leave the control alone."""
        end_s = self.now_s + seconds
        self.strokes.append(
            Stroke(start_s=self.now_s, end_s=end_s, from_hz=self.pitch_hz, to_hz=self.pitch_hz, shape="rest")
        )
        if seconds > settled_after_s + 0.2:
            self.rests_s.append((self.now_s + settled_after_s, end_s - 0.05))
        self.now_s = end_s

    def turn(self, to_hz: float, seconds: float, shape: StrokeShape) -> None:
        """Turn to another pitch."""
        end_s = self.now_s + seconds
        self.strokes.append(Stroke(start_s=self.now_s, end_s=end_s, from_hz=self.pitch_hz, to_hz=to_hz, shape=shape))
        if seconds < 0.3:
            self.moves.append(Move(start_s=self.now_s, end_s=end_s, octaves=float(np.log2(to_hz / self.pitch_hz))))
        self.now_s, self.pitch_hz = end_s, to_hz

    def play(self, power_s: float) -> Play:
        """Finish."""
        pitches = [p for s in self.strokes for p in (s.from_hz, s.to_hz)]
        return Play(
            control=Control(strokes=tuple(self.strokes)),
            power_s=power_s,
            rests_s=tuple(self.rests_s),
            moves=tuple(self.moves),
            low_hz=min(pitches),
            high_hz=max(pitches),
        )


def begin(f0_hz: float) -> Score:
    """Return an empty score that starts at a pitch."""
    return Score(0.0, f0_hz, [], [], [])


def clear_of_mains(f0_hz: float, *, margin_hz: float = MAINS_MARGIN_HZ, top_hz: float = 560.0) -> float:
    """Return the nearest pitch that stands clear of every low multiple of 50 and of 60 Hz."""
    if f0_hz > top_hz:
        return f0_hz
    lines = np.concatenate((50.0 * np.arange(1, 13), 60.0 * np.arange(1, 11)))
    tries = f0_hz + np.concatenate(([0.0], np.stack((np.arange(1, 120), -np.arange(1, 120)), 1).ravel() * 0.5))
    for one in tries:
        if one > 20.0 and np.min(np.abs(lines - one)) >= margin_hz:
            return float(one)
    return f0_hz


def whole_take(rng: Rng, low_hz: float, high_hz: float, *, first_rest_s: float = 0.0, mains_clear: bool = True) -> Play:
    """Silence, power on, rest, up, rest, quick moves with rests, down, rest: the recipe of a good take.

    Parameters
    ----------
    rng : numpy.random.Generator
    low_hz, high_hz : float
    first_rest_s : float
        Time that the start needs beside the usual rest.
    mains_clear : bool
        Notes that rest stand clear of the mains' multiples.
    """

    def note(f0_hz: float) -> float:
        return clear_of_mains(f0_hz) if mains_clear else f0_hz

    shape: StrokeShape = "resistance" if rng.random() < 0.7 else "smooth"
    low_hz, high_hz = note(low_hz), note(high_hz)
    power_s = float(rng.uniform(0.8, 1.6))
    score = begin(low_hz)
    settled_s = power_s + first_rest_s + float(rng.uniform(1.8, 2.6))
    score.rest(settled_s)
    score.rests_s[-1] = (power_s + first_rest_s + 0.7, settled_s - 0.05)
    score.turn(high_hz, float(rng.uniform(3.5, 6.0)), shape)
    score.rest(float(rng.uniform(1.6, 2.4)))
    at_semitones = 0.0
    for index in range(int(rng.integers(2, 4))):
        step = float(rng.integers(2, 6))
        at_semitones += step if (index % 2 == 1 and at_semitones + step <= 0.0) else -step
        score.turn(note(high_hz * 2.0 ** (at_semitones / 12.0)), float(rng.uniform(0.04, 0.15)), "smooth")
        score.rest(float(rng.uniform(1.4, 2.0)), settled_after_s=0.3)
    score.turn(low_hz, float(rng.uniform(3.0, 5.0)), shape)
    score.rest(float(rng.uniform(1.2, 1.8)))
    return score.play(power_s)
