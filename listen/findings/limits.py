"""The limits: shipped with the kinds, changed by what the gain control and the wave are, and by a user's file."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from listen.bench import read_toml
from listen.errors import LimitsError, suggestion
from listen.findings.kinds import all_kinds, kind_of
from listen.findings.types import Finding, Severity

Limits = Mapping[str, Mapping[str, float]]


def load_limits(path: str | os.PathLike[str] | None, *, gain_control: str | None, wave: str | None = None) -> Limits:
    """Return the limits in force.

    Parameters
    ----------
    path : path or None
        A user's TOML file: a table a kind, keys as in the shipped records (``attention``, ``fault`` ..).
    gain_control : str or None
        As stated by the user; changes what is normal.
    wave : str or None
        The intended one; so does it.

    Returns
    -------
    mapping of kind to mapping of key to float

    Raises
    ------
    LimitsError
        The file cannot be read, names a kind or key that does not exist, or its values make no sense.
    """
    table: dict[str, dict[str, float]] = {}
    for key, kind in all_kinds().items():
        table[key] = dict(kind.limits)
        for what, stated in (("gain_control", gain_control), ("wave", wave)):
            row = kind.limits_of.get(what, {}).get(stated or "", {})
            table[key].update({name: float(value) for name, value in row.items()})
    if path is not None:
        for key, row in _users(Path(path), table).items():
            table[key].update(row)
            _ordered(path, key, table[key])
    return table


def _users(path: Path, known: Limits) -> dict[str, dict[str, float]]:
    name = str(path)
    document = read_toml(path, LimitsError, "limits file")
    return {kind: _checked_limits(name, kind, row, known) for kind, row in document.items()}


def _checked_limits(name: str, kind: str, row: Any, known: Limits) -> dict[str, float]:
    kinds = [k for k in known if known[k]]
    if kind not in kinds:
        raise LimitsError(f'{name}: there are no limits for "{kind}"', suggestion(kind, kinds))
    if not isinstance(row, dict):
        raise LimitsError(f"{name}: {kind} is {row!r}, expected a table", f"write [{kind}] and its keys below")
    out = {}
    for key, value in row.items():
        if key not in known[kind]:
            raise LimitsError(f'{name}: {kind} has no limit "{key}"', suggestion(key, known[kind]))
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not math.isfinite(value):
            raise LimitsError(f"{name}: {kind}.{key} is {value!r}, expected a number", "write a plain number")
        if known[kind][key] > 0 and value < 0:
            raise LimitsError(f"{name}: {kind}.{key} is {value:g}, expected 0 or more", "write a positive number")
        out[key] = float(value)
    return out


def _ordered(path: str | os.PathLike[str], kind: str, row: Mapping[str, float]) -> None:
    for low, high in (("attention", "fault"), ("attention_settling_s", "fault_settling_s")):
        if low not in row or high not in row:
            continue
        lower, upper = (row[high], row[low]) if kind_of(kind).falling else (row[low], row[high])
        if lower > upper:
            raise LimitsError(
                f"{os.fspath(path)}: {kind}: {high} {row[high]:g} comes before {low} {row[low]:g}",
                "give both, attention the milder",
            )


def severity_of(value: float, row: Mapping[str, float], suffix: str = "") -> Severity | None:
    """Say which limit a value passes: 'fault', 'attention' or None."""
    if value >= row.get("fault" + suffix, math.inf):
        return "fault"
    return "attention" if value >= row.get("attention" + suffix, math.inf) else None


_STEP = math.log2(1.2)
"""A fifth: sizes are measured to some per cent, and what differs by less is equally bad to a reader."""


def times_over(finding: Finding, limits: Limits) -> float:
    """How many times over its severity's limit a finding is; the recording's own come before all.

    Levels in dBc count as the amplitudes that they are.
    """
    kind = kind_of(finding.kind)
    if kind.of_the_recording:
        return math.inf
    limit = limits.get(finding.kind, {}).get(finding.severity)
    value = getattr(finding.measured, kind.measure, None) if kind.measure else None
    if value is None or not limit:
        return 1.0
    return float(10 ** ((value - limit) / 20)) if kind.measure and kind.measure.endswith("_dbc") else value / limit


def in_steps(times: float) -> float:
    """Return it in steps of a fifth: what differs by less comes in order of time."""
    return round(math.log2(times) / _STEP) if 0.0 < times < math.inf else times
