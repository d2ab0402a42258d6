"""A finding before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from listen.findings.measured import Measured
from listen.findings.types import Half, Severity

LEAST_SHARE = 0.1
"""A part is named as a cause of a number of which it makes so much (of the square): a third of its size."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One cause with its place and its numbers.

    Attributes
    ----------
    kind, severity, half, half_certain, measured, part
        As in ``Finding``.
    start_s, end_s : float
    f0_low_hz, f0_high_hz : float or None
    rows : ndarray of int, shape (m,)
        Rows that it explains; none for what is not tied to rows.
    variant : str
        Which of the kind's sentences is meant.
    thd_percent : float or None
        The worst THD of its rows, where the part makes enough of it to be named as its cause.
    """

    kind: str
    severity: Severity
    measured: Measured
    start_s: float
    end_s: float
    f0_low_hz: float | None = None
    f0_high_hz: float | None = None
    half: Half | None = None
    half_certain: bool = True
    rows: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    variant: str = "plain"
    part: str | None = None
    thd_percent: float | None = None
