"""How the mains' phase wanders off its mean frequency: a network moves by a tenth of a hertz in some seconds.

Over half a second the eighth multiple then turns by more than its own phase is steady to, and a line that a harmonic of
the tone hides for a second comes out of it elsewhere than it went in. The strongest line tells it for all.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Flags = NDArray[np.bool_]

OFF_ITS_MEAN = 1e-3
"""Part by which a network is off, at a place, what it is in the mean: 0.05 Hz of 50 (common practice, no source)."""
_SMOOTHED = 9
"""Windows: as many as one of them overlaps, 0.8 s."""
_FEWEST = 2 * _SMOOTHED
"""Windows in which the strongest line must be known."""
_OVER_NOISE = 3.0
"""What is told must be so much more than what the mean takes off: else it is the line's own noise, by which a high
multiple would be turned several times."""
_MOST_NOISE = 0.5
"""Radians: of more the phase is not known to whole turns."""


def wander_rad(turned: Complexes, counted: Flags) -> Floats:
    """Phase of the mains' first multiple against a steady turn, window by window.

    Parameters
    ----------
    turned : ndarray of complex, shape (w, k)
        Amplitudes of the first multiples, referred to time zero by the mean frequency.
    counted : ndarray of bool, shape (w, k)
        The line is there.

    Returns
    -------
    ndarray, shape (w,)
        Zero all through where the strongest line does not tell it.
    """
    nothing = np.zeros(len(turned))
    strongest = int(np.argmax(np.sum(np.where(counted, np.abs(turned) ** 2, 0.0), axis=0)))
    known = np.flatnonzero(counted[:, strongest])
    if len(known) < _FEWEST:
        return nothing
    phase = np.unwrap(np.angle(turned[known, strongest]))
    side = _SMOOTHED // 2
    padded = np.concatenate([np.full(side, phase[:_SMOOTHED].mean()), phase, np.full(side, phase[-_SMOOTHED:].mean())])
    smooth = np.convolve(padded, np.full(_SMOOTHED, 1.0 / _SMOOTHED), mode="valid")
    noise = float(np.std(phase - smooth))
    if noise > _MOST_NOISE or float(np.std(smooth)) < _OVER_NOISE * noise:
        return nothing
    return np.asarray(np.interp(np.arange(len(turned)), known, smooth) / (strongest + 1))


def unturned(amplitude: Complexes, wander: Floats) -> Complexes:
    """Amplitudes of the first multiples as they would be at a steady frequency."""
    orders = np.arange(1, amplitude.shape[1] + 1)
    return np.asarray(amplitude * np.exp(-1j * wander[:, None] * orders))
