"""Crests, flat tops and slopes of the mean cycle from its harmonics, corrected for the interface's AC coupling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track.types import Floats, Ints

POINTS = 1024
_FEW = 20
"""A cycle without harmonics above this one is synthesised with half as many points."""
SINE_FLAT = float(np.arccos(0.98) / np.pi)
"""Part of the cycle in which a sine is above 98 % of its crest: 0.064."""
_JUMP = 0.25
"""Harmonics that fall as 1/k with this part of the fundamental are those of a jump (a sawtooth's have 1)."""
_ABOVE_NOISE = 9.0
"""A harmonic is used if its power is this many times that expected of noise."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleShape:
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


def least_power(line_noise: Floats) -> Floats:
    """Least squared amplitude of a line that is used, from its expectation for noise alone."""
    least: Floats = _ABOVE_NOISE * np.where(np.isfinite(line_noise), line_noise, 0.0)
    return least


def measure_cycles(amplitude: NDArray[np.complex128], limits: Ints, least: Floats) -> Floats:
    """Synthesise each frame's mean cycle and measure it, as the kernel ``cycle_shapes`` does.

    Parameters
    ----------
    amplitude : ndarray of complex, shape (n, harmonics + 1)
    limits : ndarray of int, shape (n,)
        Entries of each row that count, A_0 among them; at least 2.
    least : ndarray, shape (n,)
        Of ``least_power``.

    Returns
    -------
    ndarray, shape (n, 8)
        For ``settle_shape``.
    """
    n, columns = amplitude.shape
    parts = np.ascontiguousarray(amplitude).view(np.float64).reshape(n, columns, 2)
    orders = np.empty(n, dtype=np.int64)
    kernels.loud_orders(parts, limits, least, orders)
    fine = orders > _FEW
    many = int(np.count_nonzero(fine))
    if many in {0, n}:
        return _measured(parts, np.arange(n), limits, least, POINTS if many else POINTS // 2)
    out = np.empty((n, 8))
    for points, rows in ((POINTS // 2, np.flatnonzero(~fine)), (POINTS, np.flatnonzero(fine))):
        out[rows] = _measured(parts, rows, limits, least, points)
    return out


def _measured(parts: Floats, rows: Ints, limits: Ints, least: Floats, points: int) -> Floats:
    measured = np.empty((len(rows), 8))
    kernels.cycle_shapes(parts, rows, limits, least, _JUMP, points, measured)
    return measured


def settle_shape(measured: Floats, level: Floats) -> CycleShape:
    """Crests, flat tops and maximum slope relative to a sine, from ``measure_cycles`` and the fundamental's amplitude.

    The slope is tapered (Lanczos), relative to the fundamental's tapered alike, lest the finite sum's ringing
    steepens it: C. Lanczos, Applied Analysis, 1956, sect. IV (from memory).
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        return CycleShape(
            crest_positive=measured[:, 0] / level,
            crest_negative=-measured[:, 1] / level,
            flat_positive=measured[:, 2] / SINE_FLAT,
            flat_negative=measured[:, 3] / SINE_FLAT,
            slope_over_sine=np.maximum(measured[:, 4], -measured[:, 5]) / (2 * np.pi * level),
        )
