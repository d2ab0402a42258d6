"""The circuit in at most six lines, only what was measured; and what to change."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from listen.findings import if_upright
from listen.units import format_hz

if TYPE_CHECKING:
    from listen.circuit import Circuit
    from listen.circuit.types import Advice, Quantity

MOST_LINES = 6
_SHOWN_SPREAD_SIGMAS = 3.0
_SHOWN_CENTS = 5.0
"""The ear's threshold for a change of pitch (common practice, no source): less is not worth a line."""


def circuit_lines(circuit: Circuit | None, polarity_known: bool) -> tuple[str, ...]:
    """Return what was measured of the circuit, a line each; none where nothing was.

    Parameters
    ----------
    circuit : Circuit or None
    polarity_known : bool
        Else what tells the supplies apart says that it assumes an upright recorder.
    """
    if circuit is None:
        return ()
    lines = (
        *(_gain(circuit), _swing(circuit, polarity_known), _slew(circuit)),
        *(_gangs(circuit), _pair(circuit), _range(circuit), _loop(circuit)),
    )
    return tuple(line for line in lines if line)[:MOST_LINES]


def advice_in_words(advice: Advice) -> str:
    """Say which resistor to change, and what that does.

    Parameters
    ----------
    advice : Advice

    Examples
    --------
    >>> from listen.circuit.types import Advice
    >>> advice_in_words(Advice(part="rf_ohm", from_value=22e3, to_value=20.6e3, predicts={"h3_percent": (3.3, 1.0)}))
    'change rf_ohm from 22000 to 20600: H3 3.3 to 1.0 %'
    """
    forms = (
        ("gain_in_hand_percent", "gain in hand", ".1f", " %"),
        ("h3_percent", "H3", ".1f", " %"),
        ("mismatch_survived_percent", "mismatch survived", ".1f", " %"),
        ("start_s", "start", ".2f", " s"),
    )
    does = [
        f"{word} {advice.predicts[name][0]:{form}} to {advice.predicts[name][1]:{form}}{unit}"
        for name, word, form, unit in forms
        if name in advice.predicts
    ]
    return f"change {advice.part} from {advice.from_value:g} to {advice.to_value:g}: {', '.join(does)}"


def number(value: float, sigma: float | None = None, digits: int = 3) -> str:
    """Format a value to its significant digits by its uncertainty, at most three."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    top = math.floor(math.log10(abs(value)))
    decimals = digits - 1 - top
    if sigma and sigma > 0:
        decimals = min(decimals, -math.floor(math.log10(sigma)))
    return f"{value:.{max(decimals, 0)}f}"


def _gain(circuit: Circuit) -> str | None:
    quantity = circuit.loop_gain_in_hand
    if quantity.value is None:
        return None
    if quantity.value < 0:
        return f"gain: {number(-quantity.value, quantity.sigma)} % too little where it dies{_at_pitch(quantity)}"
    curve = [p for p in circuit.loop_gain_along if p.source == "curve"]
    head = f"gain: {number(quantity.value, quantity.sigma)} % in hand"
    if quantity.source != "curve":
        head += f" at the {quantity.source}{_at_pitch(quantity)}"
    if len(curve) < 2:
        return head
    most, least = max(curve, key=lambda p: p.percent), min(curve, key=lambda p: p.percent)
    taken = most.percent - least.percent
    if taken < _SHOWN_SPREAD_SIGMAS * least.sigma:
        return head
    return f"{head}, {number(least.percent, least.sigma)} % left at {format_hz(least.f0_hz)}"


def _swing(circuit: Circuit, polarity_known: bool) -> str | None:
    out, sided = [], if_upright(polarity_known)
    clips = [q for q in (circuit.clip_positive_v, circuit.clip_negative_v) if q.value is not None]
    if clips:
        out.append("clips at " + " and ".join(f"{q.value:+z.2f} V" for q in clips if q.value is not None) + sided)
    head = circuit.headroom_v
    if head is not None and all(h is not None and h > 0.1 for h in head) and not clips:
        low, high = head
        out.append(f"{number(high or 0.0, None, 2)} V free above, {number(low or 0.0, None, 2)} V below{sided}")
    if circuit.dead_band_v.value is not None:
        out.append(f"dead band {number(circuit.dead_band_v.value, circuit.dead_band_v.sigma)} V each way")
    return "swing: " + "; ".join(out) if out else None


def _slew(circuit: Circuit) -> str | None:
    out = []
    slew, bandwidth = circuit.slew_rate_v_per_us, circuit.gain_bandwidth_hz
    if slew.value is not None and slew.bound is None:
        out.append(f"slews at {number(slew.value, slew.sigma)} V/us{_from_pitch_upward(slew)}")
    if bandwidth.value is not None:
        least = "at least " if bandwidth.bound == "at-least" else ""
        out.append(f"GBW {least}{number(bandwidth.value / 1e6, (bandwidth.sigma or 0.0) / 1e6, 2)} MHz")
    return "speed: " + "; ".join(out) if out else None


def _gangs(circuit: Circuit) -> str | None:
    spread, along = circuit.gang_mismatch.spread_percent, circuit.gang_mismatch.along
    if spread.value is None or not along or spread.value < _SHOWN_SPREAD_SIGMAS * (spread.sigma or 0.0):
        return None
    worst = max(along, key=lambda p: abs(p.percent))
    ohm = f" ({abs(worst.ohm):.0f} ohm)" if worst.ohm is not None else ""
    return (
        f"gangs: {number(spread.value, spread.sigma)} % apart along the dial, "
        f"{worst.percent:+z.1f} % at {format_hz(worst.f0_hz)}{ohm}"
    )


def _pair(circuit: Circuit) -> str | None:
    pair = circuit.channel_pair
    if pair is None or pair.phase_deg.value is None or pair.level_db.value is None:
        return None
    phase, level = pair.phase_deg.value, pair.level_db.value
    turned = f"{abs(phase):.1f} degrees {'ahead' if phase >= 0 else 'behind'}" if round(phase, 1) else "in phase"
    line = f"outputs: channel {pair.channel} {turned}, {level:+z.2f} dB"
    wanders = pair.phase_spread_deg > _SHOWN_SPREAD_SIGMAS * (pair.phase_deg.sigma or 0.0)
    return (
        f"{line}; {pair.phase_spread_deg:.1f} degrees and {pair.level_spread_db:.2f} dB along the dial"
        if wanders
        else line
    )


def _range(circuit: Circuit) -> str | None:
    expected = circuit.expected_pitch
    if expected is None or expected.low_cents.value is None or expected.high_cents.value is None:
        return None
    low, high = expected.low_cents.value, expected.high_cents.value
    if max(abs(low), abs(high)) < _SHOWN_CENTS or not expected.outside():
        return None
    line = f"range: {low:+z.0f} cents at bottom, {high:+z.0f} at top"
    product = expected.rc_product_off_percent
    if product.value is not None and abs(product.value) > _SHOWN_SPREAD_SIGMAS * (product.sigma or 0.0):
        side = "large" if product.value > 0 else "small"
        line += f"; RC {number(abs(product.value), product.sigma)} % too {side}"
    return line


def _loop(circuit: Circuit) -> str | None:
    loop = circuit.level_loop
    natural, damping = loop.natural_hz, loop.damping
    if natural.value is None:
        return None
    if loop.state == "hunting":
        return f"loop: level hunts at {number(natural.value, natural.sigma)} Hz{_at_pitch(natural)}"
    if damping.value is None:
        return None
    return (
        f"loop: level at {number(natural.value, natural.sigma)} Hz, damping {number(damping.value, damping.sigma)}"
        f"{_at_pitch(natural)}"
    )


def _at_pitch(quantity: Quantity) -> str:
    return f", at {format_hz(quantity.where.f0_low_hz)}" if quantity.where is not None else ""


def _from_pitch_upward(quantity: Quantity) -> str:
    return f" from {format_hz(quantity.where.f0_low_hz)} upward" if quantity.where is not None else ""
