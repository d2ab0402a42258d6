"""The mean cycle of a frame from its harmonics: crests, flat spans, slopes; and the interface's AC coupling undone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.track import shape_kernels
from listen.track.types import Floats

POINTS = 1024
_SINE_FLAT = float(np.arccos(0.98) / np.pi)
_JUMP = 0.25
"""Harmonics that fall as 1/k with this part of the fundamental are those of a jump (a sawtooth's have 1)."""
_ABOVE_NOISE = 9.0
"""A harmonic enters the shape if its power is this many times what noise alone gives."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """Shape of the mean cycle, as in ``Frames``."""

    crest_positive: Floats
    crest_negative: Floats
    flat_positive: Floats
    flat_negative: Floats
    slope_over_sine: Floats


def undo_coupling(
    amplitude: list[NDArray[np.complex128]], f0_hz: Floats, corner_hz: float | None
) -> list[NDArray[np.complex128]]:
    """Divide the harmonics by the response of a first-order high-pass.

    Parameters
    ----------
    amplitude : list of ndarray of complex
        A_0 .. A_K of each frame.
    f0_hz : ndarray
    corner_hz : float or None
        None: nothing is undone.
    """
    if not corner_hz:
        return amplitude
    out = []
    for a, f0 in zip(amplitude, f0_hz, strict=True):
        k = np.arange(len(a))
        undone = a.copy()
        undone[1:] = a[1:] * (1.0 - 1j * corner_hz / (k[1:] * f0))
        out.append(undone)
    return out


def measure_shape(amplitude: list[NDArray[np.complex128]], line_noise: Floats) -> Shape:
    """Crests, flat spans and steepest slope of each frame's mean cycle.

    Parameters
    ----------
    amplitude : list of ndarray of complex
    line_noise : ndarray, shape (n,)
        Mean square amplitude that noise alone gives a line.

    Returns
    -------
    Shape
        The slope is tapered (Lanczos), relative to the fundamental's tapered alike, lest the finite sum's ringing
        steepens it: C. Lanczos, Applied Analysis, 1956, sect. IV (from memory).
    """
    n = len(amplitude)
    table = np.zeros((n, POINTS // 2 + 1), dtype=complex)
    slope = np.zeros_like(table)
    level = np.empty(n)
    for i, a in enumerate(amplitude):
        kept = a[: POINTS // 2].copy()
        kept[0] = 0.0
        power = kept.real**2 + kept.imag**2
        quiet = power < _ABOVE_NOISE * (line_noise[i] if np.isfinite(line_noise[i]) else 0.0)
        quiet[:2] = False
        kept[quiet] = 0.0
        level[i] = abs(a[1])
        k = np.arange(len(kept))
        taper = np.sinc(k / len(kept))
        # a wave that jumps rings where its sum is cut off: taper it before its crests are read
        tail = kept[3 * len(kept) // 4 :]
        jumps = len(kept) > 8 and np.sqrt(np.mean(np.abs(tail) ** 2)) * len(kept) > _JUMP * level[i]
        table[i, : len(kept)] = kept * taper if jumps else kept
        slope[i, : len(kept)] = 2j * np.pi * k * kept * (taper / taper[1] if len(kept) > 1 else 1.0)
    cycle = np.fft.irfft(table, POINTS, axis=1) * (POINTS / 2)
    steep = np.fft.irfft(slope, POINTS, axis=1) * (POINTS / 2)
    out = np.empty((n, 8))
    shape_kernels.cycle_shape(cycle, steep, out)
    with np.errstate(invalid="ignore", divide="ignore"):
        return Shape(
            crest_positive=out[:, 0] / level,
            crest_negative=-out[:, 1] / level,
            flat_positive=out[:, 2] / _SINE_FLAT,
            flat_negative=out[:, 3] / _SINE_FLAT,
            slope_over_sine=np.maximum(out[:, 4], -out[:, 5]) / (2 * np.pi * level),
        )


def residual_tables(amplitude: list[NDArray[np.complex128]]) -> Floats:
    """One cycle of each frame's harmonics without the mean, phase zero first: shape (n, points)."""
    longest = max((len(a) for a in amplitude), default=2)
    points = 1024 if longest < 96 else (4096 if longest < 512 else 16384)
    table = np.zeros((len(amplitude), points // 2 + 1), dtype=complex)
    for i, a in enumerate(amplitude):
        table[i, 1 : len(a)] = a[1 : points // 2 + 1]
    return np.fft.irfft(table, points, axis=1) * (points / 2)
