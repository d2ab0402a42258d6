"""A calibration's table as the drift reads it: one curve of pitch against the control for each direction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.logbook.types import Entry

Floats = NDArray[np.float64]

_SAME_CONTROL = 0.1
"""Settings nearer than this part of the mean step are repeats of one setting: a meter does not read the same twice."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableCurve:
    """Pitch against the control, in one direction.

    Attributes
    ----------
    control : ndarray, shape (n,)
        Volts, or places of a dial; strictly rising.
    octaves : ndarray, shape (n,)
        log2 of the pitch in Hz; repeats are averaged.
    sigma_cents : ndarray, shape (n,)
        As stated in the table; NaN where it was not.
    """

    control: Floats
    octaves: Floats
    sigma_cents: Floats

    def __post_init__(self) -> None:
        for field in fields(self):
            copy = np.array(getattr(self, field.name), dtype=np.float64)
            copy.flags.writeable = False
            object.__setattr__(self, field.name, copy)

    @property
    def mean_step(self) -> float:
        """The mean distance of neighbouring settings."""
        return float(self.control[-1] - self.control[0]) / max(1, len(self.control) - 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CalibrationTable:
    """What is compared of one calibration.

    Attributes
    ----------
    axis : str
        ``volts`` or ``positions``: tables of different kinds cannot be compared.
    curves : mapping of str to Curve
        One for each direction (``up``, ``down``).
    left_out : int
        Steps that were missing, silent, still moving or did not fit the others.
    """

    axis: str
    curves: Mapping[str, TableCurve]
    left_out: int


def table_of(entry: Entry) -> CalibrationTable:
    """Read the table of a calibration.

    Parameters
    ----------
    entry : Entry
        Of kind ``calibration``.

    Returns
    -------
    Table
        Without curves where no step can be used.
    """
    document = entry.document
    steps = [step for step in document.get("steps", ()) if isinstance(step, dict)]
    usable = [step for step in steps if _usable(step)]
    directions = sorted({str(step.get("direction") or "up") for step in usable})
    curves = {
        direction: _curve([step for step in usable if str(step.get("direction") or "up") == direction])
        for direction in directions
    }
    axis = (document.get("settings") or {}).get("axis") or "volts"
    return CalibrationTable(axis=str(axis), curves=curves, left_out=len(steps) - len(usable))


def _usable(step: Mapping[str, Any]) -> bool:
    f0_hz, control = step.get("f0_hz"), step.get("cv_v")
    known = all(isinstance(v, (int, float)) and np.isfinite(v) for v in (f0_hz, control))
    bad = any(step.get(trouble) for trouble in ("missing", "unsettled", "doubtful"))
    return known and f0_hz > 0.0 and not bad  # type: ignore[operator]


def _curve(steps: Sequence[Mapping[str, Any]]) -> TableCurve:
    control = np.array([step["cv_v"] for step in steps], dtype=np.float64)
    octaves = np.log2([step["f0_hz"] for step in steps])
    sigma = np.array([_number(step.get("f0_sigma_cents")) for step in steps])
    order = np.argsort(control, kind="stable")
    control, octaves, sigma = control[order], octaves[order], sigma[order]
    least = _SAME_CONTROL * (control[-1] - control[0]) / max(1, len(control) - 1)
    # A new group begins where the control has moved on by more than a repeat does.
    group = np.concatenate([[0], np.cumsum(np.diff(control) > least)])
    count = np.bincount(group)
    return TableCurve(
        control=np.bincount(group, control) / count,
        octaves=np.bincount(group, octaves) / count,
        sigma_cents=np.sqrt(np.bincount(group, sigma**2)) / count,
    )


def _number(value: object) -> float:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value) and value > 0.0
    return float(value) if good else float("nan")  # type: ignore[arg-type]
