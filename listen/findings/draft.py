"""A finding before it is put into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from listen.findings.types import Half, Severity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draft:
    """One cause with its place and its numbers.

    Attributes
    ----------
    kind, severity, half, half_certain, evidence
        As in ``Finding``.
    start_s, end_s : float
    f0_low_hz, f0_high_hz : float or None
    rows : ndarray of int, shape (m,)
        Rows that it explains; none for what is not tied to rows.
    words : mapping
        What the sentence says beyond the evidence.
    variant : str
        Which of the kind's sentences is meant.
    """

    kind: str
    severity: Severity
    start_s: float
    end_s: float
    f0_low_hz: float | None = None
    f0_high_hz: float | None = None
    half: Half | None = None
    half_certain: bool = True
    evidence: Mapping[str, float | int | str | bool] = field(default_factory=dict)
    rows: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    words: Mapping[str, str] = field(default_factory=dict)
    variant: str = "plain"
