"""All harmonics of some rows, from which triangle, sawtooth and pulse waves are measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.track.types import ROW_EVERY_S, Floats, Ints

_MOST_ROWS = 1500
"""Most rows stored of a take: 24 MB where each has 2000 harmonics."""


class _Rows(Protocol):
    """Rows of a chunk, as far as they are needed here."""

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
    """Collects the harmonics of some rows during tracking.

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
        """Decimation of the rows of samples first .. last: every n-th is stored."""
        return max(1, int(np.ceil((last - first) / (ROW_EVERY_S * rate_hz) / self._most_rows)))

    def clear(self) -> None:
        """Drop all rows before the take is tracked again."""
        self._found.clear()

    def add(self, chunks: Sequence[_Rows]) -> None:
        """Store the rows of one chunk."""
        for rows in chunks:
            for number, lines in zip(rows.row.tolist(), rows.spectra, strict=True):
                if lines is not None:
                    self._found[number] = lines

    @property
    def time_s(self) -> Floats:
        """Centres of the stored rows."""
        return np.array(sorted(self._found), dtype=float) * ROW_EVERY_S

    @property
    def lines(self) -> list[NDArray[np.complex64]]:
        """Harmonics of the stored rows."""
        return [self._found[number] for number in sorted(self._found)]
