"""What the damage scan finds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _freeze(owner: object, n: int | None, **arrays: NDArray[np.generic]) -> None:
    """Keep read-only copies of arrays of equal length."""
    for name, array in arrays.items():
        copy = np.array(array)
        if copy.ndim != 1 or (n is not None and len(copy) != n):
            raise ValueError(f"{name} has shape {copy.shape}, expected ({n},)")
        copy.flags.writeable = False
        object.__setattr__(owner, name, copy)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OverloadRuns:
    """Flat tops that the interface cut, in order of time.

    Attributes
    ----------
    start_sample, n_samples : ndarray of int, shape (n,)
        Sample numbers of the file.
    sign : ndarray of int, shape (n,)
        1 on the positive half, -1 on the negative one, as the circuit makes them.
    positive_level_fs, negative_level_fs : float or None
        The level at which each half is cut, full scale is 1; None where that half is whole.
    """

    start_sample: Ints
    n_samples: NDArray[np.int32]
    sign: NDArray[np.int8]
    positive_level_fs: float | None
    negative_level_fs: float | None

    def __post_init__(self) -> None:
        _freeze(self, len(self.start_sample), start_sample=self.start_sample, n_samples=self.n_samples, sign=self.sign)

    def __len__(self) -> int:
        return len(self.start_sample)

    @property
    def n_positive(self) -> int:
        """Number of cut tops of the positive half."""
        return int(np.count_nonzero(self.sign > 0))

    @property
    def n_negative(self) -> int:
        """Number of cut tops of the negative half."""
        return int(np.count_nonzero(self.sign < 0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LostRuns:
    """Samples that are not the circuit's, in order of time.

    Attributes
    ----------
    start_sample, n_samples : ndarray of int, shape (n,)
        Sample numbers of the file.
    kind : tuple of str
        ``not-finite``, ``zeros`` (a run of exact zeros cut into a tone) or ``repeated`` (a block that comes twice).
    """

    start_sample: Ints
    n_samples: Ints
    kind: tuple[str, ...]

    def __post_init__(self) -> None:
        _freeze(self, len(self.kind), start_sample=self.start_sample, n_samples=self.n_samples)

    def __len__(self) -> int:
        return len(self.kind)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Damage:
    """All that is wrong with a recording and can be seen without knowing the pitch.

    Attributes
    ----------
    n_scanned : int
        Samples looked at.
    overload : OverloadRuns
    lost_runs : LostRuns
    n_nonfinite : int
        Samples that are not numbers; they count as lost and are read as 0.
    peak_fs : float
        Largest absolute sample value.
    rms_fs : float
        R.m.s. about the mean, full scale is 1.
    dc_fs : float
        Mean.
    missing_at_end_samples : int
        How many samples the header promises and the file does not hold.
    """

    n_scanned: int
    overload: OverloadRuns
    lost_runs: LostRuns
    n_nonfinite: int
    peak_fs: float
    rms_fs: float
    dc_fs: float
    missing_at_end_samples: int

    @property
    def truncated(self) -> bool:
        """Whether the header promises more than the file holds."""
        return self.missing_at_end_samples > 0
