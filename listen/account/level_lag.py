"""A level that lags behind the control: while the pitch moves it is off by as much as the pitch moves in a second.

A loop that integrates its error settles to nothing at rest, and needs an error that is in proportion to what it has to
follow (a type-one loop's ramp error: textbooks of control, from memory). The same loop bounces after a quick retune.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.tone import BoardTone

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_OVER_S = (0.1, 0.2, 0.4)
"""The speed is that over so long before: loops that bounced for 0.3 to 0.6 s were described best by 0.2."""
_LEAVES = 0.85
"""Deviation from the law, against that without the lag: solved loops left 0.14 to 0.8, other reasons 0.9 and more."""


def speed_octaves_per_s(tone: BoardTone, time_s: Floats, over_s: float) -> Floats:
    """How fast the pitch moved in the time before.

    Parameters
    ----------
    tone : BoardTone
    time_s : ndarray, shape (n,)
    over_s : float

    Returns
    -------
    ndarray, shape (n,)
        Upward is positive.
    """
    width = max(1, round(over_s / tone.grid_s))
    octaves = np.log2(tone.f0_hz)
    before = np.concatenate([np.full(width, octaves[0]), octaves[:-width]])
    return np.asarray(np.interp(time_s, tone.time_s, (octaves - before) / over_s))


def lag_db(
    tone: BoardTone,
    time_s: Floats,
    level_db: Floats,
    law: Callable[[Floats], Floats | None],
    responses: Sequence[Floats] = (),
) -> Floats:
    """Level that the lag takes, place by place; zero where it explains little.

    Parameters
    ----------
    tone : BoardTone
    time_s, level_db : ndarray, shape (n,)
        Places at which the level is the board's own.
    law : callable
        What a law along the pitch that is fitted to such values is at those places; None where none can be.
    responses : sequence of ndarray, shape (n,)
        What the loop may make of the speed, beside that over some time before.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    What the law leaves of the level is fitted by what it leaves of the speed: as a fit of both at once (Frisch and
    Waugh, Econometrica 1, 1933: from memory); nearly, for the weights of a robust law depend on what it is fitted to.
    """
    best: Floats = np.zeros(len(time_s))
    plain = law(level_db)
    if plain is None:
        return best
    remaining = level_db - plain
    least = _LEAVES * float(np.std(remaining))
    for speed in [*(speed_octaves_per_s(tone, time_s, over_s) for over_s in _OVER_S), *responses]:
        along = law(speed)
        own = speed - along if along is not None else np.zeros(len(speed))
        power = float(own @ own)
        lag = speed * (float(own @ remaining) / power if power > 0.0 else 0.0)
        at = law(level_db - lag)
        if at is not None and float(np.std(level_db - lag - at)) < least:
            least, best = float(np.std(level_db - lag - at)), lag
    return best
