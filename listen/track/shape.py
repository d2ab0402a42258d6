"""The mean cycle of a frame from its harmonics: crests, flat spans, slopes; and the interface's AC coupling undone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.track import shape_kernels
from listen.track.types import Floats, Ints

POINTS = 1024
_FEW = 96
"""A cycle of fewer points than this is drawn with half as many."""
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


def undo_coupling(amplitude: NDArray[np.complex128], f0_hz: Floats, corner_hz: float | None) -> NDArray[np.complex128]:
    """Divide the harmonics by the response of a first-order high-pass.

    Parameters
    ----------
    amplitude : ndarray of complex, shape (n, harmonics + 1)
        A_0 .. A_K of each frame.
    f0_hz : ndarray, shape (n,)
    corner_hz : float or None
        None: nothing is undone.
    """
    if not corner_hz:
        return amplitude
    undone = amplitude.copy()
    undone[:, 1:] *= 1.0 - 1j * (corner_hz / f0_hz)[:, None] / np.arange(1, amplitude.shape[1])
    return undone


def measure_shape(amplitude: NDArray[np.complex128], limits: Ints, line_noise: Floats) -> Shape:
    """Crests, flat spans and steepest slope of each frame's mean cycle.

    Parameters
    ----------
    amplitude : ndarray of complex, shape (n, harmonics + 1)
    limits : ndarray of int, shape (n,)
        Entries of each row that count, A_0 among them; at least 2.
    line_noise : ndarray, shape (n,)
        Mean square amplitude that noise alone gives a line.

    Returns
    -------
    Shape
        The slope is tapered (Lanczos), relative to the fundamental's tapered alike, lest the finite sum's ringing
        steepens it: C. Lanczos, Applied Analysis, 1956, sect. IV (from memory).
    """
    n = len(amplitude)
    points = POINTS if limits.max(initial=0) > _FEW // 2 else POINTS // 2
    columns = min(points // 2, int(limits.max(initial=2)))
    drawn = np.zeros((2, n, points // 2 + 1), dtype=np.complex64)
    level = np.abs(amplitude[:, 1])
    k = np.arange(columns)
    lengths = np.minimum(limits, columns)[:, None]
    power = amplitude[:, :columns].real ** 2 + amplitude[:, :columns].imag ** 2
    loud = power >= _ABOVE_NOISE * np.nan_to_num(line_noise)[:, None]
    loud[:, 1] = True
    loud &= (k < lengths) & (k > 0)
    kept = np.where(loud, amplitude[:, :columns], 0.0)
    # a wave that jumps rings where its sum is cut off: taper it before its crests are read
    tail = (k >= 3 * lengths // 4) & loud
    rest = np.sum(np.where(tail, power, 0.0), axis=1) / (lengths - 3 * lengths // 4)[:, 0]
    jumps = (lengths[:, 0] > 8) & (np.sqrt(rest) * lengths[:, 0] > _JUMP * level)
    taper = _taper(lengths, columns)
    drawn[0, :, :columns] = kept
    if jumps.any():
        drawn[0, jumps, :columns] = kept[jumps] * taper[jumps]
    drawn[1, :, :columns] = kept * (2j * np.pi * k * (taper / taper[:, 1:2]))
    cycle, steep = np.fft.irfft(drawn, points, axis=2) * np.float32(points / 2)
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


def _taper(lengths: Ints, columns: int) -> Floats:
    """Lanczos' factors of rows of some lengths."""
    different, which = np.unique(lengths[:, 0], return_inverse=True)
    rows: Floats = np.sinc(np.minimum(np.arange(columns) / different[:, None], 1.0))
    return rows[which]
