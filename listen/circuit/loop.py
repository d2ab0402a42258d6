"""The amplifier's input node derived from the output: in a Wien bridge V_k = Y_k / (A0 (1 + j (k - 1/k) / 3))."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

ORDERS = 10
POINTS = 128


def feedback_lines(lines: Complexes, f0_hz: Floats, lag_s: float) -> tuple[Complexes, Complexes, Floats]:
    """Harmonics at both ends of a memoryless amplifier with one pole behind its curve.

    Parameters
    ----------
    lines : ndarray of complex, shape (n, 10)
        H1 .. H10 of the output; H1 real.
    f0_hz : ndarray, shape (n,)
    lag_s : float
        Time constant of the amplifier with its feedback: A / (2 pi gain-bandwidth).

    Returns
    -------
    node : ndarray of complex, shape (n, 10)
        What the network hands back, times the gain that the loop needs: its fundamental is the output's own.
    curve_lines : ndarray of complex, shape (n, 10)
        What the curve itself puts out, before the pole.
    pitch : ndarray, shape (n,)
        Pitch over the network's own: limiters and the pole pull it.

    Notes
    -----
    A curve without memory encloses no area: the sum of k Im(Y_k conj(V_k)) is zero, which gives the pitch against the
    network's own.
    """
    k = np.arange(1, ORDERS + 1)
    pole = 1.0 + 2j * np.pi * lag_s * f0_hz[:, None] * k
    curve_lines = lines * pole
    x = np.ones(len(lines))
    for _ in range(3):
        b = (k * x[:, None] - 1.0 / (k * x[:, None])) / 3.0
        area = k * np.imag(curve_lines * np.conj(lines / (1.0 + 1j * b)))
        power = np.abs(lines[:, 0]) ** 2
        # the area of the fundamental is its power times b_1, to first order in b_1
        wanted = b[:, 0] - np.sum(area, axis=1) / power
        x = 1.5 * wanted + np.sqrt(1.0 + (1.5 * wanted) ** 2)
    b = (k * x[:, None] - 1.0 / (k * x[:, None])) / 3.0
    return lines / (1.0 + 1j * b), curve_lines, x


def cycles(lines: Complexes, points: int = POINTS) -> Floats:
    """One cycle from H1 .. H10, the mean zero: shape (n, points)."""
    padded = np.zeros((len(lines), points // 2 + 1), dtype=complex)
    padded[:, 1 : ORDERS + 1] = lines * (points / 2)
    return np.fft.irfft(padded, points, axis=1)


def harmonics(wave: Floats) -> Complexes:
    """H1 .. H10 of cycles, shape (n, 10)."""
    return np.asarray(np.fft.rfft(wave, axis=1)[:, 1 : ORDERS + 1] * (2.0 / wave.shape[1]))
