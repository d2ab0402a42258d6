"""Two takes compared by their circuit: the figures that both hold."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from listen.findings import half_name
from listen.report.circuit_lines import number
from listen.report.comparing.polarity import polarity_known
from listen.report.comparing.types import ComparedFigure

_FIGURES = (
    ("loop_gain_in_hand", "gain in hand", "%"),
    ("gang_mismatch.spread_percent", "gangs apart along the dial", "%"),
    ("clip_levels_v.positive", "clip level of the {positive}", "V"),
    ("clip_levels_v.negative", "clip level of the {negative}", "V"),
    ("dead_band_v", "dead band", "V"),
    ("slew_rate_v_per_us", "slope limit", "V/us"),
    ("gain_bandwidth_hz", "gain-bandwidth", "Hz"),
    ("level_loop.natural_hz", "natural frequency of the level loop", "Hz"),
    ("level_loop.damping", "damping of the level loop", ""),
    ("expected_pitch.rc_product_off_percent", "RC product off", "%"),
)
_SURE_SIGMAS = 2.0
"""A change of less than two standard deviations is within what the takes can tell: 19 of 20."""


def compared_figures(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[ComparedFigure, ...]:
    """Compare the figures of the circuit that both documents hold.

    Parameters
    ----------
    before, after : mapping
        Documents of the schema ``listen.check/1``; older ones have no circuit.
    """
    known = polarity_known(before) and polarity_known(after)
    halves = {half: half_name(half, known) for half in ("positive", "negative")}
    out = []
    for key, name, unit in _FIGURES:
        a, b = _figure(before.get("circuit"), key), _figure(after.get("circuit"), key)
        if a is None or b is None:
            continue
        sigma = math.hypot(a[1], b[1])
        changed = abs(b[0] - a[0]) > _SURE_SIGMAS * sigma
        said = f"{name.format_map(halves)} {_with_unit(a, unit)} -> {_with_unit(b, unit)}"
        out.append(
            ComparedFigure(
                key=key,
                before=a[0],
                after=b[0],
                sigma=sigma,
                changed=changed,
                sentence=said if changed else f"{said}: no change that the takes could tell",
            )
        )
    return tuple(out)


def _figure(circuit: Any, key: str) -> tuple[float, float] | None:
    """Value and standard deviation of a figure; None where it is not known, or is a bound."""
    found = circuit
    for part in key.split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    if not isinstance(found, Mapping) or found.get("value") is None or found.get("bound") is not None:
        return None
    return float(found["value"]), float(found.get("sigma") or 0.0)


def _with_unit(figure: tuple[float, float], unit: str) -> str:
    return f"{number(*figure)} {unit}".rstrip()
