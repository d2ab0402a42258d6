"""Change this resistor from x to y: what the gain resistors should be, and what that does."""

from __future__ import annotations

import math

from listen.circuit.known import KnownBuild
from listen.circuit.types import Advice, Circuit

_TARGET_PERCENT = 2.0
"""Gain in hand that starts a Wien bridge surely and leaves 1 % of third harmonic (common practice, no source)."""
_ROOM = 1.5
"""What the dial takes, with room: gangs part further with age."""
_FAR = 1.5
"""Gain in hand this many times the target, or the target over it, is worth a change."""
_START_SOFT = 5.3
"""1 to 90 % of the level with a soft limiter takes 5.3 / (pi f0 (A - 3)); with hard rails 4.5 (solved circuits)."""
_START_HARD = 4.5
_RESISTOR_DIGITS = 3


def advise(circuit: Circuit, known: KnownBuild) -> tuple[Advice, ...]:
    """Advise a gain resistor for a Wien bridge whose gain in hand was read.

    Parameters
    ----------
    circuit : Circuit
    known : KnownBuild

    Returns
    -------
    tuple of Advice
        Empty where the gain is right, or not known.
    """
    in_hand, build = circuit.loop_gain_in_hand, known.settings
    if known.topology != "wien-bridge" or build is None or in_hand.value is None or in_hand.where is None:
        return ()
    rf, rg = build.gain.rf_ohm, build.gain.rg_ohm
    if rf is None or rg is None:
        return ()
    curve = [p.percent for p in circuit.loop_gain_along if p.source == "curve"]
    taken = max(curve) - min(curve) if curve else 0.0
    target = _TARGET_PERCENT + _ROOM * taken
    now = max(curve) if curve and in_hand.source == "curve" else in_hand.value
    if target / _FAR < now < target * _FAR:
        return ()
    gain, wanted = 3 * (1 + now / 100), 3 * (1 + target / 100)
    if gain <= 1:  # it dies quicker than any positive gain lets it: it was switched off
        return ()
    # the ratio that was measured counts: the stated one has its parts' tolerances
    to = rf * (wanted - 1) / (gain - 1)
    f0 = in_hand.where.f0_low_hz
    predicts = {
        "gain_in_hand_percent": (now, target),
        "mismatch_survived_percent": (100 * (gain - 3), 100 * (wanted - 3)),
        "h3_percent": (100 * max(gain - 3, 0.0) / 6, 100 * (wanted - 3) / 6),
    }
    if gain > 3:
        share = _START_HARD if known.gain_control == "none" else _START_SOFT
        predicts["start_s"] = (share / (math.pi * f0 * (gain - 3)), share / (math.pi * f0 * (wanted - 3)))
    return (Advice(part="rf_ohm", from_value=rf, to_value=_rounded(to), predicts=predicts),)


def _rounded(ohm: float) -> float:
    digits = _RESISTOR_DIGITS - 1 - math.floor(math.log10(ohm))
    return round(ohm, digits)
