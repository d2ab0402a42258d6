"""Facts about the take and the build that the table of evidence tests, by name; None where one is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from listen.account import Account
from listen.circuit.known import KnownBuild
from listen.circuit.types import Circuit, Quantity
from listen.findings.types import Finding

Fact = float | str | None

_CENTS_A_PERCENT = 1200 * math.log2(1.01)


def facts_of(
    circuit: Circuit,
    account: Account,
    finding: Finding | None,
    known: KnownBuild,
) -> Mapping[str, Fact]:
    """Collect the facts for one finding.

    Parameters
    ----------
    circuit : Circuit
    account : Account
    finding : Finding or None
        None: the range against the parts.
    known : KnownBuild
    """
    spread = circuit.gang_mismatch.spread_percent
    in_hand = circuit.loop_gain_in_hand.value
    slew = circuit.slew_rate_v_per_us
    slews = slew.value is not None and slew.bound is None
    stated = known.settings.opamp.slew_v_per_us if known.settings else None
    return {
        "topology": known.topology,
        "gain_control": known.gain_control,
        "gain_in_hand_percent": in_hand,
        "decay_percent": in_hand if in_hand is not None and in_hand < 0 else None,
        "gang_spread_sigmas": _sigmas(spread),
        "gang_spread_percent": spread.value,
        "loop_damping": circuit.level_loop.damping.value,
        "dead_band_v": circuit.dead_band_v.value,
        "slew_v_per_us": slew.value if slews else "none" if slew.value is not None else None,
        "slew_over_stated": slew.value / stated if slews and slew.value is not None and stated else None,
        **_clipping(circuit, account, finding),
        **_pitch(circuit),
        "off_beyond_parts": _beyond_parts(circuit, known),
        **_dropout(account, finding),
        **_shape(circuit),
        "lowest_level_at": _lowest(finding),
    }


def _sigmas(quantity: Quantity) -> float | None:
    """A value over its standard deviation."""
    if quantity.value is None or not quantity.sigma:
        return None
    return quantity.value / quantity.sigma


def _clipping(circuit: Circuit, account: Account, finding: Finding | None) -> dict[str, Fact]:
    low, high = circuit.clip_negative_v.value, circuit.clip_positive_v.value
    halves: Fact = None
    if low is not None or high is not None:
        halves = "both" if low is not None and high is not None else "one"
    asymmetry = 100 * abs(high + low) / max(high, -low) if low is not None and high is not None else None
    half = finding.half if finding is not None else None
    level = {"positive": high, "negative": low}.get(half or "")
    rail = None
    if circuit.supply_v is not None:
        rail = {"positive": circuit.supply_v[1], "negative": circuit.supply_v[0]}.get(half or "")
    place: Fact = None
    if account.shape is not None and account.shape.choice is not None:
        place = "inside" if account.shape.inside else "behind"
    return {
        "clipped_halves": halves,
        "clip_asymmetry_percent": asymmetry,
        "short_of_rail_v": abs(rail) - abs(level) if rail is not None and level is not None else None,
        "clip_place": place,
    }


def _pitch(circuit: Circuit) -> dict[str, Fact]:
    expected = circuit.expected_pitch
    if expected is None or expected.low_cents.value is None or expected.high_cents.value is None:
        return {"rc_off_percent": None, "cents_apart": None}
    apart = expected.high_cents.value - expected.low_cents.value
    return {
        "rc_off_percent": "both" if expected.rc_product_off_percent.value is not None else "ends-differ",
        "cents_apart": apart,
    }


def _beyond_parts(circuit: Circuit, known: KnownBuild) -> Fact:
    """Where an end is off by more than measured parts allow: the top alone and too low, as by a pole, or else.

    A pole lowers the pitch in proportion to it: of what the top is off little is left at the bottom.
    """
    build, expected = known.settings, circuit.expected_pitch
    if build is None or not build.measured or expected is None:
        return None
    low, high = expected.low_cents.value, expected.high_cents.value
    if low is None or high is None:
        return None
    # resistor and capacitor, each within its tolerance
    allowed = [_CENTS_A_PERCENT * 2.0 * tolerance for tolerance in build.tolerance_percent or (0.0, 0.0)]
    if abs(low) > allowed[0]:
        return "one-end" if abs(high) <= allowed[1] else None
    if abs(high) <= allowed[1]:
        return "none"
    return "in-proportion" if high < 0.0 else "one-end"


def _shape(circuit: Circuit) -> dict[str, Fact]:
    shape = circuit.shape
    if shape is None:
        return {"rise_off_points": None, "shaper_offset_sigmas": None, "shaped": "no"}
    rise, offset = shape.rise_percent.value, shape.shaper_offset_percent
    sigmas = _sigmas(offset)
    return {
        "rise_off_points": abs(rise - 50.0) if rise is not None else None,
        "shaper_offset_sigmas": abs(sigmas) if sigmas is not None else None,
        "shaped": "yes" if offset.value is not None else "no",
    }


def _dropout(account: Account, finding: Finding | None) -> dict[str, Fact]:
    if finding is None:
        return {"comes_back": None, "pitch_jump_percent": None}
    near = [d for d in account.silences.dropouts if d.start_s <= finding.end_s and d.end_s >= finding.start_s]
    if not near:
        return {"comes_back": None, "pitch_jump_percent": None}
    gone = near[0]
    decay = next((g.f0_low_hz for g in near), None)
    before = [s.f0_hz for s in account.segments if s.end_s <= gone.start_s]
    jump = 100 * abs(before[-1] / decay - 1) if before and decay else None
    return {"comes_back": "yes" if gone.comes_back else "no", "pitch_jump_percent": jump}


def _lowest(finding: Finding | None) -> Fact:
    """At which end of the range the level is lowest."""
    measured: Any = finding.measured if finding is not None else None
    low, high = getattr(measured, "lowest_at_hz", None), getattr(measured, "highest_at_hz", None)
    if low is None or high is None:
        return None
    return "bottom" if low < high else "top"
