"""A slewing stage, stepped: what closed forms of a slew-limited sine are held to."""

from __future__ import annotations

import numpy as np


def followed_sine(ratio: float, points: int) -> np.ndarray:
    """Harmonics 0 .. of a follower that is stepped through a unit sine, whose slope is ``ratio`` times its limit.

    The second of two cycles; peak amplitudes, complex.
    """
    value = np.sin(2 * np.pi * np.arange(points) / points).tolist()
    most = 2 * np.pi / points / ratio
    y, out = 0.0, np.empty(points)
    for _ in range(2):
        for i, wanted in enumerate(value):
            y += min(max(wanted - y, -most), most)
            out[i] = y
    return np.asarray(np.fft.rfft(out) * 2 / points)
