"""How a line of the mains is told beside the tone: out of what lies next to it, on both sides of the tone."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.track import MAINS_HZ

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

RATES_HZ = {multiple * mains: mains for mains in MAINS_HZ for multiple in (1, 2)}
"""Ripple of what is fed by the mains itself and by a full-wave rectifier, and the mains that it is of."""
WINDOW_S = 1.0
"""Parts 50 from 60 Hz (Hann: 10 Hz off, 68 dB down) and lets a second of it be found. Chosen."""
_SKIRT_HZ = 1.25
"""Inside the window's main lobe of 2 Hz: stronger there, it is the skirt of another rate."""
_NEIGHBOURS_HZ = (-7.0, -5.0, -3.5, 3.5, 5.0, 7.0)
"""Where the floor is read: outside the main lobe, the line itself 42 dB down (Hann), and nearer than the other mains'
10 Hz."""
OFFSETS_HZ = np.array([0.0, -_SKIRT_HZ, _SKIRT_HZ, *_NEIGHBOURS_HZ])
"""From a rate: where `stands_out` looks."""
_OVER_FLOOR = 3.2
"""Modulation moves on one frequency while the control turns: only what stands 10 dB out beside it counts."""
_ONE_SIDED = 0.35
"""Modulation has two sidebands, within 9 dB of each other unless level and pitch swing nearly alike; a line beside the
tone has one."""


def stands_out(size: Floats) -> Flags:
    """Whether a line stands out of its neighbours and is no skirt of one; ``size`` at `OFFSETS_HZ`, shape (w, 9)."""
    return np.asarray(size[:, 0] > np.maximum(_OVER_FLOOR * np.median(size[:, 3:], axis=1), size[:, 1:3].max(axis=1)))


def is_two_sided(upper: Floats, lower: Floats) -> Flags:
    """Whether there is a sideband on both sides of the tone."""
    return np.asarray(np.minimum(upper, lower) > _ONE_SIDED * np.maximum(upper, lower))
