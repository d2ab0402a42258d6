"""Rows at one pitch whose wave is not the same all the time: a trimmer turned, a fault that sets in."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median, quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.int64]

_ORDERS = 6
"""H2 to H7 tell the states of a wave apart."""
_REST_OCTAVES = 0.01
"""Rows within this of one pitch: what changes among them does not change with the pitch."""
_FEWEST_ROWS = 24
"""Half a second of rest: fewer rows are no state of their own."""
_STATES, _SHORTEST = 4, 8
"""States at most, and rows of one: a sixth of a second."""
_LEAST = 0.006
"""Harmonics move by this much of the fundamental: less than a third of any limit."""
_OVER_SCATTER, _OVER_DISTORTION = 12.0, 0.25
_LASTS = 0.7
"""Part of the rows whose neighbours a tenth of a second away are in the same state: a swing's are not."""


def states_of(frames: Frames, rows: Ints) -> list[Ints]:
    """Divide the rows of one bin by the state of their wave.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of int
        Rows of one bin of pitch.

    Returns
    -------
    list of ndarray of int
        One array where the wave stays the same, or where the pitch moves.
    """
    rows = np.sort(rows)
    log = np.log2(frames.f0_hz[rows])
    rest = rows[np.abs(log - median(log)) < _REST_OCTAVES]
    if len(rest) < _FEWEST_ROWS:
        return [rows]
    lines = _lines(frames, rest)
    lines = lines[:, np.isfinite(lines).all(axis=0)]
    if not lines.shape[1]:
        return [rows]
    centred = lines - np.median(lines, axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    place = centred @ axes[0]
    spread = quantile(place, 0.97) - quantile(place, 0.03)
    scatter = median(np.abs(place[2:] - place[:-2]))
    distortion = float(np.sqrt(np.max(np.sum(lines**2, axis=1))))
    if spread < max(_LEAST, _OVER_SCATTER * scatter, _OVER_DISTORTION * distortion):
        return [rows]
    edges = np.quantile(place, 0.03) + spread * np.arange(1, _STATES) / _STATES
    state = np.searchsorted(edges, place)
    near = 5
    if float(np.mean(state[near:] == state[:-near])) < _LASTS:
        return [rows]
    own = [rest[state == i] for i in range(_STATES)]
    return [part for part in own if len(part) >= _SHORTEST] if sum(len(p) >= _SHORTEST for p in own) > 1 else [rows]


def _lines(frames: Frames, rows: Ints) -> Floats:
    """Real and imaginary parts of H2 to H7 over the fundamental."""
    size = 10.0 ** (frames.harmonics_dbc[rows, :_ORDERS] / 20.0)
    phase = frames.harmonic_phase_rad[rows, :_ORDERS]
    return np.asarray(np.concatenate([size * np.cos(phase), size * np.sin(phase)], axis=1), dtype=float)
