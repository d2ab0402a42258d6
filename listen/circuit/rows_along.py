"""Rows along the take for the needed gain: harmonics of a few adjacent rows averaged, so that no row is left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.circuit import loop
from listen.circuit.smoothing import GAP, SHARED
from listen.sorting import median
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_MOST = 150
"""Places along the take: each is solved by itself."""
_MOST_TOGETHER = 5
"""A tenth of a second: in less no hand turns a control, and back."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowsAlong:
    """Means of adjacent rows.

    Attributes
    ----------
    time_s, f0_hz : ndarray, shape (n,)
    y : ndarray of complex, shape (n, 10)
        Harmonics, of full scale; H1 real.
    present : ndarray of bool, shape (n, 10)
        Harmonics that fit in the file.
    shared : float
        Correlation of the noise of neighbours.
    """

    time_s: Floats
    f0_hz: Floats
    y: Complexes
    present: NDArray[np.bool_]
    shared: float


def rows_along(frames: Frames, rows: NDArray[np.int64]) -> RowsAlong:
    """Average the harmonics of adjacent rows.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of int, shape (m,)
        Those with a wave at rest, in order.

    Notes
    -----
    Of means of n rows whose neighbours agree in 0.4 of their noise, neighbours agree in 0.4 / (n + 0.8 (n - 1)).
    """
    together = min(-(-len(rows) // _MOST), _MOST_TOGETHER)
    first = _first_of_groups(np.asarray(frames.time_s[rows]), together)
    count = np.diff(np.append(first, len(rows)))
    # of more than so many groups some are left out
    use = np.arange(0, len(first), max(1, len(first) // _MOST))

    def mean(values: Any) -> Any:
        return (np.add.reduceat(values, first, axis=0).T / count).T[use]

    size = 10.0 ** (np.nan_to_num(frames.harmonics_dbc[rows], nan=-300.0) / 20.0)
    r = mean(size * np.exp(1j * np.nan_to_num(frames.harmonic_phase_rad[rows])))
    present = mean(np.isfinite(frames.harmonics_dbc[rows]).astype(float)) == 1.0
    level = np.exp(mean(np.log(10.0) / 20.0 * np.asarray(frames.fundamental_dbfs[rows])))
    y: Complexes = np.zeros((len(use), loop.ORDERS), dtype=complex)
    y[:, 0], y[:, 1:] = level, np.where(present, r, 0.0) * level[:, None]
    apart = max(1, len(first) // _MOST) > 1
    return RowsAlong(
        time_s=mean(np.asarray(frames.time_s[rows])),
        f0_hz=np.exp(mean(np.log(np.asarray(frames.f0_hz[rows])))),
        y=y,
        present=np.concatenate([np.ones((len(use), 1), dtype=bool), present], axis=1),
        shared=0.0 if apart else SHARED / (together + 2 * SHARED * (together - 1)),
    )


def _first_of_groups(time_s: Floats, together: int) -> NDArray[np.int64]:
    """First row of each group: of so many rows at the most, none across a gap."""
    if len(time_s) < 2:
        return np.zeros(len(time_s), dtype=np.int64)
    apart = np.diff(time_s)
    begins = np.flatnonzero(np.append(True, apart > GAP * median(apart)))
    since = np.arange(len(time_s)) - np.repeat(begins, np.diff(np.append(begins, len(time_s))))
    return np.flatnonzero(since % together == 0)
