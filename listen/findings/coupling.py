"""The input's AC coupling where nobody stated it: it turns low notes' harmonics and moves their crests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.findings.rows import Floats
from listen.track import Frames

LOW_HZ = 200.0
"""Ten times the highest ordinary corner: above it the coupling moves no crest by half a per cent."""
HIGHEST_CORNER_HZ = 22.0
_CORNERS_HZ = np.array([0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.5, 8.0, 10.0, 12.0, 14.5, 17.0, 19.5, 22.0])
_POINTS = 256
_SINE_FLAT = float(np.arccos(0.98) / np.pi)


def relative_harmonics(frames: Frames, rows: NDArray[np.int64]) -> NDArray[np.complex128]:
    """H1 .. H10 over the fundamental, phases psi_k: shape (len(rows), 10); what does not fit is 0."""
    amplitude = 10.0 ** (frames.harmonics_dbc[rows] / 20.0)
    psi = frames.harmonic_phase_rad[rows]
    out = np.ones((len(rows), 10), dtype=np.complex128)
    out.real[:, 1:] = np.nan_to_num(amplitude * np.cos(psi))
    out.imag[:, 1:] = np.nan_to_num(amplitude * np.sin(psi))
    return out


def undone(harmonics: NDArray[np.complex128], f0_hz: Floats, corner_hz: float) -> NDArray[np.complex128]:
    """Harmonics before a first-order high-pass, again over the fundamental with phases psi_k."""
    k = np.arange(1, harmonics.shape[1] + 1)
    gain = 1.0 - 1j * corner_hz / (k * f0_hz[:, None])
    before = harmonics * gain
    first = before[:, :1]
    relative = before / np.abs(first) * np.exp(-1j * k * np.angle(first))
    return np.asarray(relative, dtype=np.complex128)


def crests(harmonics: NDArray[np.complex128]) -> tuple[Floats, Floats, Floats, Floats]:
    """Crest up, crest down, flat span up, flat span down of ten-harmonic sums, as in the frames table."""
    spectrum = np.zeros((len(harmonics), _POINTS // 2 + 1), dtype=complex)
    spectrum[:, 1 : harmonics.shape[1] + 1] = harmonics * (_POINTS / 2)
    cycle = np.fft.irfft(spectrum, _POINTS, axis=1)
    up, down = cycle.max(axis=1), -cycle.min(axis=1)
    flat_up = np.mean(cycle >= 0.98 * up[:, None], axis=1) / _SINE_FLAT
    flat_down = np.mean(-cycle >= 0.98 * down[:, None], axis=1) / _SINE_FLAT
    return up, down, flat_up, flat_down


def estimate_corner(frames: Frames) -> float | None:
    """Corner of the input's high-pass, from the flat tops of low notes that it tilts.

    Parameters
    ----------
    frames : Frames

    Returns
    -------
    float or None
        Hz; None where no wave of the take shows it.

    Notes
    -----
    A flattened top is flattest with the coupling undone by its own corner. A wave without flat tops says nothing.
    """
    low = np.flatnonzero(frames.oscillating & (frames.f0_hz < LOW_HZ) & (frames.thd_percent > 0.8))
    if len(low) < 5:
        return None
    rows = low[:: max(1, len(low) // 60)]
    harmonics = relative_harmonics(frames, rows)
    f0 = frames.f0_hz[rows]
    flat = np.empty((len(_CORNERS_HZ), len(rows)))
    for i, corner in enumerate(_CORNERS_HZ):
        _, _, up, down = crests(undone(harmonics, f0, float(corner)))
        flat[i] = np.maximum(up, down)
    score = flat.mean(axis=1)
    best = int(np.argmax(score))
    if score[best] < 1.35 or score[best] < 1.04 * score[0]:
        return None
    return float(_CORNERS_HZ[best])
