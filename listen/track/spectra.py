"""All harmonics of some rows: what the shape of a triangle, a sawtooth or a pulse is read from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.track.types import ROW_EVERY_S, Floats, Ints

_MOST_ROWS = 1500
"""Rows kept of a take at the most: 24 MB where each has 2000 harmonics."""


class _Rows(Protocol):
    """What is needed of the rows of a part."""

    @property
    def row(self) -> Ints: ...

    @property
    def spectra(self) -> list[NDArray[np.complex64] | None]: ...


def spectra_of_rows(
    amplitude: NDArray[np.complex128], limits: Ints, row: Ints, every: int
) -> list[NDArray[np.complex64] | None]:
    """Return the harmonics of rows whose number is a multiple of ``every``, None of the others.

    Parameters
    ----------
    amplitude : ndarray of complex, shape (n, harmonics + 1)
        A_0 .. A_K, peak amplitudes, full scale is 1.
    limits : ndarray of int, shape (n,)
        Entries of each row that count, A_0 among them.
    row : ndarray of int, shape (n,)
    every : int
        0 keeps none.
    """
    spectra: list[NDArray[np.complex64] | None] = [None] * len(row)
    if every > 0:
        for i in np.flatnonzero(row % every == 0).tolist():
            spectra[i] = amplitude[i, : limits[i]].astype(np.complex64)
    return spectra


class SpectraStore:
    """Gathers the harmonics of some rows while the tracker works.

    Attributes
    ----------
    time_s : ndarray, shape (m,)
        Centre of each row kept, rising; those of ``Frames.time_s``.
    lines : list of ndarray of complex
        A_0 .. A_K of each: peak amplitudes, full scale is 1, cosine phases at one and the same, arbitrary place of the
        cycle; a known AC coupling is undone. K is the highest harmonic below ``BAND`` of the sample rate.
    """

    def __init__(self, most_rows: int = _MOST_ROWS) -> None:
        self._most_rows = most_rows
        self._found: dict[int, NDArray[np.complex64]] = {}

    def every_for(self, first: int, last: int, rate_hz: float) -> int:
        """One in how many rows is kept of the samples first .. last."""
        return max(1, int(np.ceil((last - first) / (ROW_EVERY_S * rate_hz) / self._most_rows)))

    def clear(self) -> None:
        """Forget all rows: the take is tracked again."""
        self._found.clear()

    def add(self, chunks: Sequence[_Rows]) -> None:
        """Keep the rows of one part."""
        for rows in chunks:
            for number, lines in zip(rows.row.tolist(), rows.spectra, strict=True):
                if lines is not None:
                    self._found[number] = lines

    @property
    def time_s(self) -> Floats:
        """Centres of the rows kept."""
        return np.array(sorted(self._found), dtype=float) * ROW_EVERY_S

    @property
    def lines(self) -> list[NDArray[np.complex64]]:
        """Harmonics of the rows kept."""
        return [self._found[number] for number in sorted(self._found)]
