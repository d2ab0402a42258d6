"""A level that knees hold, as it is heard behind the stage after them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.wave import Values, without_dead

Floats = NDArray[np.floating[Any]]


def behind_knees(values: Values, level: Floats, amplitude: Floats) -> Floats:
    """What dead band and curve of a second stage make of a level that the first one holds; shape (n,)."""
    if not values.second_stage:
        return level
    y = without_dead(level[:, None], values.dead, amplitude[:, None])[:, 0] / amplitude
    return np.asarray(
        amplitude * (y + values.even.real * (2.0 * y * y - 1.0) + values.odd.real * y * (4.0 * y * y - 3.0))
    )
