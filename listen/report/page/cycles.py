"""The mean cycle at a few pitches of a take, against the sine that its fundamental is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.report.sound import part_fundamental
from listen.track.types import Frames

Floats = NDArray[np.float64]

POINTS = 96
"""A multiple of four: a quarter of the cycle is a whole number of points."""
MOST_PITCHES = 12
_SPAN_S = 0.06
_SPAN_CYCLES = 6.0
_MARGIN_S = 0.06
_MOST_HARMONICS = 48
_HIGHEST = 0.45


class SampleSource(Protocol):
    """What is read of a capture."""

    @property
    def true_rate_hz(self) -> float: ...  # noqa: D102
    @property
    def start_sample(self) -> int: ...  # noqa: D102
    @property
    def stop_sample(self) -> int: ...  # noqa: D102
    @property
    def ac_coupling_hz(self) -> float | None: ...  # noqa: D102
    def read(self, start: int, stop: int) -> Floats:
        """Return samples by number."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanCycle:
    """One mean cycle, from the fundamental's rise through zero on.

    Attributes
    ----------
    f0_hz : float
    time_s : float
        Where in the take.
    amplitude_fs : float
        Of the fundamental, peak.
    harmonics : int
        How many the cycle is rebuilt from.
    y : ndarray, shape (96,)
        Over the fundamental's amplitude, mean removed.
    """

    f0_hz: float
    time_s: float
    amplitude_fs: float
    harmonics: int
    y: Floats

    @property
    def residue(self) -> Floats:
        """Deviation of the cycle from the sine, relative to the fundamental's amplitude."""
        return self.y - ideal_sine()

    def transfer(self) -> tuple[Floats, Floats, Floats]:
        """Return the ideal sine's value, rising, and the output on the rising and on the falling half."""
        quarter = POINTS // 4
        rising = np.roll(self.y, quarter)[: 2 * quarter + 1]
        falling = np.roll(self.y, -quarter)[: 2 * quarter + 1][::-1]
        return -np.cos(np.pi * np.arange(2 * quarter + 1) / (2 * quarter)), rising, falling


def ideal_sine() -> Floats:
    """Return the sine that the fundamental is, of amplitude 1."""
    return np.sin(2.0 * np.pi * np.arange(POINTS) / POINTS)


def mean_cycles(capture: SampleSource, frames: Frames) -> tuple[MeanCycle, ...]:
    """Return mean cycles at up to a dozen pitches, lowest first.

    Parameters
    ----------
    capture : Capture
    frames : Frames

    Returns
    -------
    tuple of Cycle
    """
    found = (_cycle(capture, frames, row) for row in _rows(frames))
    return tuple(cycle for cycle in found if cycle is not None)


def cycle_near(capture: SampleSource, frames: Frames, f0_hz: float) -> MeanCycle | None:
    """Return the mean cycle nearest to a pitch, in its calmest place; None where none can be rebuilt.

    Parameters
    ----------
    capture : Capture
    frames : Frames
    f0_hz : float

    Returns
    -------
    Cycle or None
    """
    at, octaves = _usable(frames)
    return _cycle(capture, frames, _calmest(at, octaves, math.log2(f0_hz))) if len(at) else None


def _usable(frames: Frames) -> tuple[NDArray[np.int64], Floats]:
    """Rows with whole tone round them, and their pitch in octaves."""
    usable = frames.oscillating & np.isfinite(frames.thd_percent) & np.isfinite(frames.f0_hz)
    inside = usable.copy()
    for shift in (1, 2, 3):
        inside[shift:] &= frames.segment[shift:] == frames.segment[:-shift]
        inside[:-shift] &= frames.segment[:-shift] == frames.segment[shift:]
    at = np.flatnonzero(inside if inside.any() else usable)
    return at, np.log2(frames.f0_hz[at])


def _calmest(at: NDArray[np.int64], octaves: Floats, target: float) -> int:
    """Among the rows nearest to a pitch, the one with the steadiest pitch."""
    away = np.abs(octaves - target)
    near = np.flatnonzero(away <= away.min() + 0.02)
    moving = np.abs(np.gradient(octaves))[near] if len(octaves) > 1 else np.zeros(len(near))
    return int(at[near[int(np.argmin(moving))]])


def _rows(frames: Frames) -> list[int]:
    """One row a pitch, evenly spread on the scale of notes, in the calmest place of each."""
    at, octaves = _usable(frames)
    if len(at) == 0:
        return []
    count = min(MOST_PITCHES, 1 + int(3.0 * (octaves.max() - octaves.min())))
    rows = []
    for target in np.linspace(octaves.min(), octaves.max(), count):
        row = _calmest(at, octaves, float(target))
        if row not in rows:
            rows.append(row)
    return rows


def _cycle(capture: SampleSource, frames: Frames, row: int) -> MeanCycle | None:
    rate = capture.true_rate_hz
    f0_hz, middle_s = float(frames.f0_hz[row]), float(frames.time_s[row])
    half = round(0.5 * max(_SPAN_S, _SPAN_CYCLES / f0_hz) * rate)
    middle = round(middle_s * rate)
    a, b = max(capture.start_sample, middle - half), min(capture.stop_sample, middle + half)
    margin = round(_MARGIN_S * rate)
    low, high = max(capture.start_sample, a - margin), min(capture.stop_sample, b + margin)
    x = capture.read(low, high)
    turns = part_fundamental(x, low, rate, frames.envelope).turns[a - low : b - low]
    x, known = x[a - low : b - low], np.isfinite(turns)
    count = max(1, min(_MOST_HARMONICS, math.floor(_HIGHEST * rate / f0_hz)))
    if np.count_nonzero(known) < 4 * count + 8:
        return None
    lines = _harmonics(x[known], turns[known], count)
    if capture.ac_coupling_hz:
        lines[1:] *= 1.0 - 1j * capture.ac_coupling_hz / (f0_hz * np.arange(1, count + 1))
    if abs(lines[1]) <= 0.0:
        return None
    order = np.arange(1, count + 1)
    # Turned so that the fundamental is a sine that rises from zero.
    turned = lines[1:] * np.exp(-1j * order * (np.angle(lines[1]) + 0.5 * np.pi))
    angles = 2.0 * np.pi * np.outer(order, np.arange(POINTS)) / POINTS
    y = (turned[:, None] * np.exp(1j * angles)).real.sum(axis=0) / abs(lines[1])
    return MeanCycle(f0_hz=f0_hz, time_s=middle_s, amplitude_fs=float(abs(lines[1])), harmonics=count, y=y)


def _harmonics(x: Floats, turns: Floats, count: int) -> NDArray[np.complex128]:
    """Complex amplitudes of the mean and the harmonics: over whole cycles, raised cosine in phase, they are orthogonal.

    Plain sums: a product of matrices would wake the threads of a numeric library, which costs ten times as much.
    """
    whole = float(np.floor(turns[-1] - turns[0]))
    middle = 0.5 * (turns[0] + turns[-1])
    away = (turns - middle) / whole
    weight = np.where(np.abs(away) < 0.5, 0.5 + 0.5 * np.cos(2.0 * np.pi * away), 0.0) * np.gradient(turns)
    first = np.exp(-2j * np.pi * turns)
    powers = np.cumprod(np.broadcast_to(first[:, None], (len(x), count)), axis=1)
    total = float(weight.sum())
    mean = float(np.sum(weight * x)) / total
    lines = 2.0 * (powers * (weight * (x - mean))[:, None]).sum(axis=0) / total
    return np.concatenate([[mean], lines]).astype(np.complex128)
