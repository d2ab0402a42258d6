"""The shape of a wave of slopes and edges as a part of the account."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.parts import WavePart
from listen.account.waves.read import WaveShape

Floats = NDArray[np.floating[Any]]


def wave_part(shape: WaveShape, **place: Any) -> WavePart:
    """Return the part of the account that a wave's shape is.

    Parameters
    ----------
    shape : WaveShape
    **place
        Its time and pitch.
    """
    name = "duty_percent" if shape.wave in ("square", "pulse") else "rise_percent"
    values: dict[str, Any] = {
        name: _median(100 * shape.share),
        "reset_us": _median(1e6 * shape.reset_s),
        "corner_us": _median(1e6 * shape.corner_s),
        "bow_percent": _median(100 * shape.bow),
        "spike_percent": _median(100 * shape.spike) or None,
    }
    sigma = {name: 100 * float(np.min(shape.share_sigma))}
    return WavePart(id="wave", sigma=sigma, **values, **place)


def _median(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None
