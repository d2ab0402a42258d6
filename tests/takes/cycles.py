"""One cycle of the board's wave at each pitch and level: what bends it, what the file keeps of it, its measures.

A wave that is bent by stages with no memory beyond a cycle is known once its cycle is known at each pitch and level.
The cycle is worked out at 4096 points, its harmonics are cut where the file's rate cuts them, and the take is read
from that table along the phase: no sample folds back, and no stage turns at whole samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Bent = Callable[[Floats, Floats, Floats], Floats]

POINTS = 4096
HARMONICS = 10
PHASE = 2.0 * np.pi * np.arange(POINTS) / POINTS
ROWS_PER_OCTAVE, KEEN_ROWS_PER_OCTAVE = 16, 48
"""Rows of the table; more where the shape turns quickly with the pitch, as slewing does past its onset."""

COARSE_STEP, COARSE_STEPS, FINE_STEP = 0.1, 5, 0.01
"""Levels of the table: coarse below half of the settled drive, fine above."""

SINE_FLAT_SHARE = float(np.arccos(0.98) / np.pi)


@dataclass(frozen=True, kw_only=True)
class Stage:
    """Something that bends the wave.

    Attributes
    ----------
    kind : str
        The finding that it is a cause of; empty for what is normal.
    bend : callable (cycles (b, POINTS), f0_hz (b, 1), level (b, 1)) -> cycles
        The drive's amplitude is ``level``; 1 is the settled level.
    linear : bool
        Its output grows in proportion to the level.
    keen : bool
        Its shape turns quickly with the pitch.
    half : str or None
    values : mapping
        What was drawn, for the reader of the truth.
    """

    kind: str
    bend: Bent
    linear: bool = False
    keen: bool = False
    half: str | None = None
    values: dict[str, float | str] = field(default_factory=dict)


def run(stages: Sequence[Stage], f0_hz: Floats, level: Floats) -> Floats:
    """Return the cycles, shape (b, POINTS), at pitches and levels of shape (b,)."""
    f0, drive = f0_hz[:, None], level[:, None]
    cycles = drive * np.cos(PHASE)[None, :]
    for stage in stages:
        cycles = stage.bend(cycles, f0, drive)
    return cycles


@njit(cache=True)
def slewed_cycles(cycles: Floats, f0_hz: Floats, slope_per_s: float, out: Floats) -> None:
    """Follow each cycle with at most so steep a slope, in 4096 steps a turn, until a turn ends where it began."""
    points = cycles.shape[1]
    for b in range(cycles.shape[0]):
        most = slope_per_s / (f0_hz[b] * points)
        held = 0.0
        for _ in range(60):
            began = held
            for n in range(points):
                held += min(max(cycles[b, n] - held, -most), most)
                out[b, n] = held
            if abs(held - began) < 1e-9:
                break


@dataclass(frozen=True, kw_only=True, eq=False)
class Measures:
    """Rows measured on whole cycles, shape (b,); harmonics (b, 9) are H2..H10 over H1, complex, phases against H1's."""

    amplitude: Floats
    harmonics: Complexes
    even_percent: Floats
    odd_percent: Floats
    crest_positive: Floats
    crest_negative: Floats
    flat_positive: Floats
    flat_negative: Floats
    slope_over_sine: Floats

    def crest_loss_percent(self, half: str) -> Floats:
        """Loss of one half against the other, or of both against a sine."""
        if half == "both":
            return 100.0 * (1.0 - np.maximum(self.crest_positive, self.crest_negative))
        mine, other = self.crest_positive, self.crest_negative
        if half == "negative":
            mine, other = other, mine
        return 100.0 * (1.0 - mine / other)


def measure(cycles: Floats, f0_hz: Floats, rate_hz: float) -> Measures:
    """Measure cycles of shape (b, POINTS); harmonics above 0.45 of the file's rate count for nothing."""
    spectrum = fft.rfft(cycles, axis=1)[:, : HARMONICS + 1] * (2.0 / cycles.shape[1])
    amplitude = np.maximum(np.abs(spectrum[:, 1]), 1e-12)
    turn = np.exp(-1j * np.angle(spectrum[:, 1]))
    order = np.arange(2, HARMONICS + 1)
    harmonics = spectrum[:, 2:] / amplitude[:, None] * turn[:, None] ** order[None, :]
    fits = order[None, :] * f0_hz[:, None] < 0.45 * rate_hz
    power = np.where(fits, np.abs(harmonics) ** 2, 0.0)
    centred = cycles - 0.5 * spectrum[:, :1].real
    high, low = centred.max(axis=1), -centred.min(axis=1)
    slope = np.max(np.abs(np.roll(cycles, -1, axis=1) - np.roll(cycles, 1, axis=1)), axis=1)
    return Measures(
        amplitude=amplitude,
        harmonics=harmonics,
        even_percent=100.0 * np.sqrt(power[:, 0::2].sum(axis=1)),
        odd_percent=100.0 * np.sqrt(power[:, 1::2].sum(axis=1)),
        crest_positive=high / amplitude,
        crest_negative=low / amplitude,
        flat_positive=np.mean(centred > 0.98 * high[:, None], axis=1) / SINE_FLAT_SHARE,
        flat_negative=np.mean(centred < -0.98 * low[:, None], axis=1) / SINE_FLAT_SHARE,
        slope_over_sine=slope * cycles.shape[1] / (4.0 * np.pi) / amplitude,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """Cycles as the file's rate keeps them: pitch rows, levels, points; the last point is the first again."""

    lowest_hz: float
    rows_per_octave: int
    linear: bool
    cycles: NDArray[np.float32]


def kept_share(place: Floats) -> Floats:
    """Return what the recorder's low-pass keeps at a place (frequency over rate): all to 0.45, nothing from 0.5."""
    return np.where(
        place < 0.45, 1.0, np.where(place < 0.5, np.cos(np.pi * np.clip(place - 0.45, 0, 0.05) / 0.1) ** 2, 0.0)
    )


def tabulate(stages: Sequence[Stage], low_hz: float, high_hz: float, top_level: float, rate_hz: float) -> Table:
    """Work out the table for a range of pitch and levels up to ``top_level``."""
    low_hz, high_hz = low_hz * 2.0**-0.1, high_hz * 2.0**0.1
    dense = KEEN_ROWS_PER_OCTAVE if any(stage.keen for stage in stages) else ROWS_PER_OCTAVE
    rows = int(np.ceil(np.log2(high_hz / low_hz) * dense)) + 2
    f0_hz = low_hz * 2.0 ** (np.arange(rows) / dense)
    linear = all(stage.linear for stage in stages)
    if linear:
        levels = np.array([0.0, 1.0])
    else:
        fine = int(np.ceil((top_level - COARSE_STEP * COARSE_STEPS) / FINE_STEP)) + 2
        levels = np.concatenate(
            (COARSE_STEP * np.arange(COARSE_STEPS), COARSE_STEP * COARSE_STEPS + FINE_STEP * np.arange(max(fine, 2)))
        )
    points = 2048 if rate_hz / (2.0 * low_hz) <= 300.0 else POINTS
    table = np.zeros((rows, len(levels), points + 3), dtype=np.float32)
    for row in range(rows):
        cycles = run(stages, np.full(len(levels), f0_hz[row]), levels)
        spectrum = fft.rfft(cycles, axis=1)
        spectrum *= kept_share(np.arange(spectrum.shape[1]) * f0_hz[row] / rate_hz)[None, :]
        spectrum[:, 0] = 0.0
        table[row, :, 1 : points + 1] = fft.irfft(spectrum[:, : points // 2 + 1], points, axis=1) * (points / POINTS)
    table[:, :, 0] = table[:, :, points]
    table[:, :, points + 1 :] = table[:, :, 1:3]
    return Table(lowest_hz=low_hz, rows_per_octave=dense, linear=linear, cycles=table)


@njit(cache=True)
def expand(lattice: Floats, samples_each: float, out: Floats) -> None:
    """Carry a law from its lattice to the file's rate (Catmull-Rom cubic)."""
    last = len(lattice) - 3
    for n in range(len(out)):
        place = n / samples_each
        i = min(max(int(place), 1), last)
        u = place - i
        y0, y1, y2, y3 = lattice[i - 1], lattice[i], lattice[i + 1], lattice[i + 2]
        c1 = 0.5 * (y2 - y0)
        c2 = y0 - 2.5 * y1 + 2.0 * y2 - 0.5 * y3
        c3 = 0.5 * (y3 - y0) + 1.5 * (y1 - y2)
        out[n] = y1 + u * (c1 + u * (c2 + u * c3))


@njit(cache=True)
def _cubic(row: NDArray[np.float32], i: int, u: float) -> float:
    y0, y1, y2, y3 = row[i], row[i + 1], row[i + 2], row[i + 3]
    c1 = 0.5 * (y2 - y0)
    c2 = y0 - 2.5 * y1 + 2.0 * y2 - 0.5 * y3
    c3 = 0.5 * (y3 - y0) + 1.5 * (y1 - y2)
    return y1 + u * (c1 + u * (c2 + u * c3))


@njit(cache=True)
def read_table(
    cycles: NDArray[np.float32],
    lowest_hz: float,
    rows_per_octave: int,
    linear: bool,
    phase: Floats,
    f0_hz: Floats,
    level: Floats,
    out: Floats,
) -> None:
    """Read the wave along the phase: linear between pitches and levels, cubic between points of the cycle."""
    rows, levels, width = cycles.shape
    points = width - 3
    for n in range(len(out)):
        x = np.log2(f0_hz[n] / lowest_hz) * rows_per_octave
        x = min(max(x, 0.0), rows - 1.001)
        i = int(x)
        x -= i
        if linear:
            j, y = 0, level[n]
        else:
            y = level[n] / COARSE_STEP
            if y > COARSE_STEPS:
                y = COARSE_STEPS + (level[n] - COARSE_STEP * COARSE_STEPS) / FINE_STEP
            y = min(max(y, 0.0), levels - 1.001)
            j = int(y)
            y -= j
        turns = phase[n] / (2.0 * np.pi)
        place = (turns - np.floor(turns)) * points
        k = min(int(place), points - 1)
        u = place - k
        below = (1.0 - x) * _cubic(cycles[i, j], k, u) + x * _cubic(cycles[i + 1, j], k, u)
        above = (1.0 - x) * _cubic(cycles[i, j + 1], k, u) + x * _cubic(cycles[i + 1, j + 1], k, u)
        out[n] = (1.0 - y) * below + y * above
