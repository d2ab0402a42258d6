"""The mean cycle of a frame from its harmonics: crests, flat spans, slopes; and the interface's AC coupling undone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.track import fourier, shape_kernels
from listen.track.types import Floats, Ints

POINTS = 1024
_FEW = 20
"""A cycle with no harmonic above this one is drawn with half as many points."""
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
    n, columns = amplitude.shape
    parts = np.ascontiguousarray(amplitude).view(np.float64).reshape(n, columns, 2)
    least = _ABOVE_NOISE * np.where(np.isfinite(line_noise), line_noise, 0.0)
    orders = np.empty(n, dtype=np.int64)
    shape_kernels.loud_orders(parts, limits, least, orders)
    level = np.abs(amplitude[:, 1])
    out = np.empty((n, 8))
    fine = orders > _FEW
    for points, rows in ((POINTS // 2, np.flatnonzero(~fine)), (POINTS, np.flatnonzero(fine))):
        if len(rows):
            drawn = np.zeros((2, len(rows), points // 2 + 1, 2), dtype=np.float32)
            taper = np.empty(points // 2 + 1)
            shape_kernels.draw_cycles(parts, rows, limits, least, _JUMP, 0.5 * points, taper, drawn)
            cycle, steep = fourier.rows_of(drawn.view(np.complex64)[..., 0], points)
            measured = np.empty((len(rows), 8))
            shape_kernels.cycle_shape(cycle, steep, measured)
            out[rows] = measured
    with np.errstate(invalid="ignore", divide="ignore"):
        return Shape(
            crest_positive=out[:, 0] / level,
            crest_negative=-out[:, 1] / level,
            flat_positive=out[:, 2] / _SINE_FLAT,
            flat_negative=out[:, 3] / _SINE_FLAT,
            slope_over_sine=np.maximum(out[:, 4], -out[:, 5]) / (2 * np.pi * level),
        )
