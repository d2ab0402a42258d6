"""Quantisation of a file format: the size of one code, and full scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_NO_SAMPLE_FS = 1e15
"""Nothing that was recorded is so many times full scale; its square is beyond single precision long before."""
_STEPS_FS = {"PCM_S8": 2.0**-7, "PCM_U8": 2.0**-7, "PCM_16": 2.0**-15, "ULAW": 2.0**-5, "ALAW": 2.0**-5}
_FINE = ("PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAC_24", "ALAC_32")


def no_samples(samples: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which numbers of a file of floats are no samples: not finite, or beyond all measure."""
    with np.errstate(invalid="ignore"):
        return ~(np.abs(samples) < _NO_SAMPLE_FS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Codes:
    """The codes of a file format.

    Attributes
    ----------
    step_fs : float
        One code near full scale. 24 bits at the finest: no converter gives more.
    tolerance_fs : float
        Samples that lie this near together count as one code: dither after a cut moves it by a code or two.
    """

    step_fs: float
    tolerance_fs: float

    @property
    def tolerance_codes(self) -> float:
        """Tolerance in codes."""
        return self.tolerance_fs / self.step_fs

    def is_full_scale(self, level_fs: float) -> bool:
        """Whether a level is the largest that the converter gives (16 bits may be kept in more)."""
        return abs(abs(level_fs) - 1.0) <= max(2.5 * self.step_fs, 2.0**-14)


def codes_of(subtype: str) -> Codes:
    """Return the codes of a sample format, by libsndfile's name for it."""
    step = 2.0**-23 if subtype in _FINE else _STEPS_FS.get(subtype, 2.0**-11)
    codes = 2.0 if step <= 2.0**-15 else 0.0
    return Codes(step_fs=step, tolerance_fs=codes * step)
