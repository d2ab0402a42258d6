"""The range that the stated parts should give, against the one that was recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from listen.account import Account
from listen.bench import BuildSettings
from listen.circuit.types import ExpectedPitch, PitchEnd, Quantity, Where, unknown
from listen.sorting import median

_DEFAULT_TOLERANCE_PERCENT = (20.0, 5.0)
"""Where none is stated: a pot sets the bottom, a fixed resistor and the capacitors the top (common practice, no
source)."""
_WHOLE_TURN = 0.75
"""Part of the range, in octaves, from which a take is held to show both ends of the control."""
_PITCH_SIGMA_CENTS = 0.5
"""A turn that ends without a rest."""
_END_ROWS = 3
_ENDS_AGREE_PERCENT = 1.5
_PARTS_OFF_CENTS = 100.0
"""Parts that were read by a meter are off by less: capacitors to 5 %, 84 cents."""
_MODEL_PERCENT = 0.4
"""Limiters pull the pitch of a Wien bridge by some tenths of a per cent."""
_PHASE_SHIFT = {
    ("buffered", "low-pass"): math.sqrt(3.0),
    ("buffered", "high-pass"): 1.0 / math.sqrt(3.0),
    ("ladder", "low-pass"): math.sqrt(6.0),
    ("ladder", "high-pass"): 1.0 / math.sqrt(6.0),
}
"""Pitch over 1 / (2 pi R C) (handbook formulas; worked examples in Fundamentals of Electronics, book 4)."""


def nominal_hz(topology: str | None, build: BuildSettings) -> tuple[float, float] | None:
    """Pitch at both ends of the control by the handbook's formula, an ideal amplifier.

    Examples
    --------
    >>> parts = {"r1_ohm": (1e3, 1e5), "c1_f": (1e-8, 1e-8)}
    >>> [round(f, 3) for f in nominal_hz("wien-bridge", BuildSettings(parts=parts))]
    [159.155, 15915.494]
    """
    parts = build.parts
    if "r1_ohm" not in parts or "c1_f" not in parts:
        return None
    factor = 1.0
    if topology == "phase-shift":
        key = (build.phase_shift_sections or "", build.phase_shift_order or "")
        if key not in _PHASE_SHIFT:
            return None
        factor = _PHASE_SHIFT[key]
    elif topology not in ("wien-bridge", "quadrature", "twin-t"):
        return None
    return factor / _turns(parts, 1), factor / _turns(parts, 0)


def _turns(parts: Mapping[str, tuple[float, float]], end: int) -> float:
    """2 pi times the time constant at one end: the second of a pair is like the first where it is not stated."""
    r1, c1 = parts["r1_ohm"], parts["c1_f"]
    r2, c2 = parts.get("r2_ohm", r1), parts.get("c2_f", c1)
    return 2 * math.pi * math.sqrt(r1[end] * r2[end] * c1[end] * c2[end])


def measured_hz(account: Account) -> tuple[float, float] | None:
    """Lowest and highest pitch of the tone: medians of the outermost rows."""
    f0 = account.frames.f0_hz[account.judged & np.isfinite(account.frames.f0_hz)]
    if len(f0) < 2 * _END_ROWS:
        return None
    ordered = np.sort(f0)
    return median(ordered[:_END_ROWS]), median(ordered[-_END_ROWS:])


def expected_pitch(
    account: Account,
    topology: str | None,
    build: BuildSettings | None,
    slews: bool,
    pulled: tuple[float, float] | None = None,
) -> ExpectedPitch | None:
    """Compare the recorded range with the parts; None where they are not stated.

    Parameters
    ----------
    account : Account
    topology : str or None
    build : BuildSettings or None
    slews : bool
        The top of the range is pulled down by a limited slope.
    pulled : tuple of float or None
        Pitch over the network's own at both ends, where the amplifier's curve tells it.
    """
    nominal = nominal_hz(topology, build) if build else None
    ends = measured_hz(account)
    if build is None or nominal is None or ends is None:
        return None
    tolerance = build.tolerance_percent or _DEFAULT_TOLERANCE_PERCENT
    pitch_ends = [
        PitchEnd(nominal=f, least=f * (1 - percent / 100), most=f * (1 + percent / 100))
        for f, percent in zip(nominal, tolerance, strict=True)
    ]
    span, wanted = math.log2(ends[1] / ends[0]), math.log2(nominal[1] / nominal[0])
    where = Where(
        start_s=float(account.frames.time_s[0]),
        end_s=float(account.frames.time_s[-1]),
        f0_low_hz=ends[0],
        f0_high_hz=ends[1],
    )
    if span < _WHOLE_TURN * wanted:
        why = unknown("the take does not turn the control from end to end")
        low = high = product = why
    else:
        cents = [1200 * math.log2(f / n) for f, n in zip(ends, nominal, strict=True)]
        low, high = (Quantity(value=c, sigma=_PITCH_SIGMA_CENTS, where=where) for c in cents)
        product = _product(ends, nominal, pulled or _lags(nominal, topology, build), slews, where)
    return ExpectedPitch(
        low_hz=pitch_ends[0], high_hz=pitch_ends[1], low_cents=low, high_cents=high, rc_product_off_percent=product
    )


def _lags(nominal: tuple[float, float], topology: str | None, build: BuildSettings) -> tuple[float, float]:
    """By how much the stated bandwidth lowers the pitch at both ends."""
    bandwidth = build.opamp.gain_bandwidth_hz
    if bandwidth is None or topology != "wien-bridge":
        return 1.0, 1.0
    return wien_lag(nominal[0], bandwidth), wien_lag(nominal[1], bandwidth)


def _product(
    ends: tuple[float, float], nominal: tuple[float, float], pulled: tuple[float, float], slews: bool, where: Where
) -> Quantity:
    """How far the product of R and C is off at both ends, what limiter and bandwidth take given back."""
    off = [100 * (n * pull / f - 1) for f, n, pull in zip(ends, nominal, pulled, strict=True)]
    if slews:
        return Quantity(value=off[0], sigma=_MODEL_PERCENT, where=where)
    if abs(off[1] - off[0]) > _ENDS_AGREE_PERCENT:
        return unknown("the two ends are off by different amounts: no one product of R and C explains both")
    return Quantity(
        value=0.5 * (off[0] + off[1]), sigma=math.hypot(_MODEL_PERCENT, 0.5 * (off[1] - off[0])), where=where
    )


def wien_lag(f0_hz: float, gain_bandwidth_hz: float) -> float:
    """Pitch of a Wien bridge whose amplifier of gain 3 has one pole, over the ideal one.

    Notes
    -----
    1 / sqrt(1 + 9 f0 / ft), from the loop's characteristic equation.

    Examples
    --------
    >>> round(100 * (wien_lag(1.0, 1000.0) - 1), 3)
    -0.447
    """
    return 1.0 / math.sqrt(1.0 + 9.0 * f0_hz / gain_bandwidth_hz)


def gain_bandwidth(
    expected: ExpectedPitch | None, topology: str | None, build: BuildSettings | None, slews: bool
) -> Quantity:
    """Gain-bandwidth from how far the top falls behind the bottom, where the parts were measured."""
    if topology != "wien-bridge" or build is None or expected is None:
        return unknown("pitch tells the bandwidth of a Wien bridge whose parts are stated")
    if not build.measured:
        return unknown("the resistors would have to be known at both ends: measure them and say measured = true")
    if slews:
        return unknown("slewing pulls the top of the range down further than any bandwidth")
    low, high = expected.low_cents, expected.high_cents
    if low.value is None or high.value is None:
        return unknown(low.why or "both ends of the control are needed")
    tolerance = build.tolerance_percent or (1.0, 1.0)
    # of one meter at both ends, R alone: the capacitors are the same; parts stated as exact leave the pitch's own
    sigma_cents = max(1200 / math.log(2) * math.hypot(*tolerance) / 100 * 0.5, _PITCH_SIGMA_CENTS)
    if abs(low.value) > _PARTS_OFF_CENTS:
        return unknown("the bottom of the range is off by more than a meter's error: the parts are not as stated")
    fallen = low.value - high.value
    top = expected.high_hz.nominal
    if fallen < 3 * sigma_cents:
        most = max(fallen, 0.0) + 2 * sigma_cents
        return Quantity(value=_bandwidth(top, most), sigma=None, bound="at-least", where=high.where)
    value = _bandwidth(top, fallen)
    spread = 0.5 * abs(_bandwidth(top, fallen - sigma_cents) - _bandwidth(top, fallen + sigma_cents))
    return Quantity(value=value, sigma=math.hypot(spread, 0.05 * value), where=high.where)


def _bandwidth(f0_hz: float, fallen_cents: float) -> float:
    return 9.0 * f0_hz / math.expm1(2.0 * math.log(2.0) * fallen_cents / 1200)
