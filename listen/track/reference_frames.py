"""The kernel that lays frames once more in plain numpy, as in ``reference.py``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def lay_frames(
    samples: Floats,
    slopes: Floats,
    calm: Floats,
    centres: Floats,
    middle: Floats,
    slope: Floats,
    cycles: Floats,
    bent: float,
    low: float,
    high: float,
    out: Floats,
) -> None:
    """Cycles halved up to three times where the pitch bends; then no more than fit; centre moved; least slope."""
    wanted = cycles.astype(float)
    here = np.interp(centres, samples, calm)
    for _ in range(3):
        half = 0.5 * wanted / slope
        ahead, behind, *near = (np.interp(centres + f * half, samples, calm) for f in (1.0, -1.0, 0.5, -0.5))
        nearer = np.maximum(*near)
        off = np.maximum(np.abs(ahead + behind - 2 * here), np.abs(nearer - here) - np.abs(ahead - behind))
        halved = np.maximum(2.0 * np.floor(0.25 * wanted), 2.0)
        wanted = np.where((off > bent * slope) & (wanted > 2), halved, wanted)
    room = np.minimum(middle - low, high - middle)
    wanted = np.minimum(wanted, np.maximum(2.0 * np.floor(room), 2.0))
    half = 0.5 * wanted / slope
    out[0] = wanted
    out[1] = np.minimum(np.maximum(middle, low + 0.5 * wanted), high - 0.5 * wanted)
    out[2] = np.min([slope, *(np.interp(centres + f * half, samples, slopes) for f in (-1.0, -0.5, 0.5, 1.0))], axis=0)
