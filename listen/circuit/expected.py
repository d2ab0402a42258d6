"""The range that the stated parts should give, against the one that was recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.bench import BuildSettings
from listen.circuit.network import PITCH_OF_SECTIONS, WienArms, wien_arms
from listen.circuit.types import Bound, ExpectedPitch, PitchEnd, Quantity, Where, unknown
from listen.sorting import median
from listen.track import Frames

_DEFAULT_TOLERANCE_PERCENT = (20.0, 5.0)
"""Where none is stated: a pot sets the bottom, a fixed resistor and the capacitors the top (common practice, no
source)."""
_WHOLE_TURN = 0.75
"""Part of the range, in octaves, from which a take is held to show both ends of the control."""
_CLOCK_CENTS = 0.05
"""A sound card's clock is off by 30 parts in a million (common practice, no source)."""
_AT_REST_CENTS = 3.0
_SIDES: tuple[Bound, Bound] = ("at-most", "at-least")
"""An end of the range that the take may not hold is a bound."""
_EDGE_S = 0.3
"""Rows nearer than this to an end of the tone are the last ones that are read there: the turn goes on behind them."""
_END_ROWS = 3
_ENDS_AGREE_PERCENT = 1.5
_CENT_PERCENT = 100 * math.log(2) / 1200
_LEAST_BANDWIDTH, _MOST_BANDWIDTH, _HALVINGS = 2.0, 1e9, 60
"""Of the top of the range: a third of the pitch is left, or it pulls by a hundred thousandth of a cent; halved in the
logarithm to double precision."""
_NARROW = "the range is too narrow: one amplifier pulls both ends of it nearly alike"
_MODEL_CENTS, _BANDWIDTH_SHARE = 0.5, 0.02
"""A limiter pulls both ends nearly alike; the gain at the top is not quite the network's own."""
_PARTS_OFF_CENTS = 100.0
"""Parts that were read by a meter are off by less: capacitors to 5 %, 84 cents."""
_MODEL_PERCENT, PULLED_PERCENT = 0.4, 0.01
"""Limiters pull the pitch of a Wien bridge by some tenths of a per cent; where the amplifier's curve tells by how much,
what is left."""
_KNOWN_LAG, _UNSTATED_LAG_S = 0.1, 0.3e-6
"""Of a stated bandwidth a tenth; else 0.6 to 10 MHz, with a gain of 3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeEnd:
    """Pitch at one end of the range, its deviation, and by how much the control may have gone on from there."""

    f0_hz: float
    own_cents: float
    hidden_cents: float

    @property
    def sigma_cents(self) -> float:
        """Standard deviation as the control's own end."""
        return math.hypot(self.own_cents, self.hidden_cents)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulled:
    """By how much the amplifier moves the pitch.

    Attributes
    ----------
    ratio : tuple of float
        Pitch over the network's own at the lowest and at the highest note.
    lag_sigma_s : float
        Uncertainty of the time constant of the amplifier's pole, which the ratio holds.
    percent : float
        Uncertainty of the ratio beside it.
    by_lag : float
        Part of itself by which a pole of time constant t lowers the pitch, over w t: 1.5 in a Wien bridge of equal
        arms, 9 f0 / 2 ft.
    """

    ratio: tuple[float, float]
    lag_sigma_s: float
    percent: float
    by_lag: float = 1.5


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
        if key not in PITCH_OF_SECTIONS:
            return None
        factor = PITCH_OF_SECTIONS[key]
    elif topology not in ("wien-bridge", "quadrature", "twin-t"):
        return None
    return factor / _turns(parts, 1), factor / _turns(parts, 0)


def _turns(parts: Mapping[str, tuple[float, float]], end: int) -> float:
    """2 pi times the time constant at one end: the second of a pair is like the first where it is not stated."""
    r1, c1 = parts["r1_ohm"], parts["c1_f"]
    r2, c2 = parts.get("r2_ohm", r1), parts.get("c2_f", c1)
    return 2 * math.pi * math.sqrt(r1[end] * r2[end] * c1[end] * c2[end])


def measured_ends(account: Account) -> tuple[RangeEnd, RangeEnd] | None:
    """Lowest and highest pitch of the tone: medians of the outermost rows, and how sure they are of the turn's end."""
    frames = account.frames
    heard = np.flatnonzero(np.isfinite(frames.f0_hz))
    rows = heard[account.judged[heard]]
    if len(rows) < 2 * _END_ROWS:
        return None
    ordered = rows[np.argsort(frames.f0_hz[rows], kind="stable")]
    first_s, last_s = float(frames.time_s[heard[0]]), float(frames.time_s[heard[-1]])
    low, high = (
        _range_end(frames, rows, part, (first_s, last_s)) for part in (ordered[:_END_ROWS], ordered[-_END_ROWS:])
    )
    return low, high


def _range_end(
    frames: Frames, rows: NDArray[np.int64], outermost: NDArray[np.int64], tone_s: tuple[float, float]
) -> RangeEnd:
    """Pitch of the outermost rows; where the control still moves there, the turn goes on to the end of the tone."""
    f0_hz, time_s = frames.f0_hz[outermost], frames.time_s[outermost]
    middle_s = median(time_s)
    near = rows[np.argsort(np.abs(frames.time_s[rows] - middle_s), kind="stable")[: 2 * _END_ROWS]]
    slope = float(np.polyfit(frames.time_s[near] - middle_s, 1200 * np.log2(frames.f0_hz[near]), 1)[0])
    hidden_s = min(middle_s - tone_s[0], tone_s[1] - middle_s) + 2.0 * median(frames.frame_s[outermost])
    hidden_s = hidden_s if hidden_s < _EDGE_S else 0.0
    scatter = float(np.std(1200 * np.log2(f0_hz)))
    return RangeEnd(
        f0_hz=median(f0_hz), own_cents=math.hypot(_CLOCK_CENTS, scatter), hidden_cents=abs(slope * hidden_s)
    )


def expected_pitch(
    account: Account,
    topology: str | None,
    build: BuildSettings | None,
    slews: bool,
    pulled: Pulled | None = None,
) -> ExpectedPitch | None:
    """Compare the recorded range with the parts; None where they are not stated.

    Parameters
    ----------
    account : Account
    topology : str or None
    build : BuildSettings or None
    slews : bool
        The top of the range is pulled down by a limited slope.
    pulled : Pulled or None
        By how much the amplifier moves the pitch, where its curve tells it.
    """
    nominal = nominal_hz(topology, build) if build else None
    found = measured_ends(account)
    if build is None or nominal is None or found is None:
        return None
    ends = found[0].f0_hz, found[1].f0_hz
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
        low, high = (
            # where the control still moves, the range goes on
            Quantity(
                value=c, sigma=end.sigma_cents, where=where, bound=None if end.sigma_cents < _AT_REST_CENTS else side
            )
            for c, end, side in zip(cents, found, _SIDES, strict=True)
        )
        product = _product(found, nominal, pulled or _lags(nominal, topology, build), slews, where)
    return ExpectedPitch(
        low_hz=pitch_ends[0], high_hz=pitch_ends[1], low_cents=low, high_cents=high, rc_product_off_percent=product
    )


def _lags(nominal: tuple[float, float], topology: str | None, build: BuildSettings) -> Pulled:
    """By how much the stated bandwidth lowers the pitch at both ends."""
    bandwidth = build.opamp.gain_bandwidth_hz
    if topology != "wien-bridge":
        return Pulled(ratio=(1.0, 1.0), lag_sigma_s=0.0, percent=_MODEL_PERCENT)
    if bandwidth is None:
        return Pulled(ratio=(1.0, 1.0), lag_sigma_s=_UNSTATED_LAG_S, percent=_MODEL_PERCENT)
    arms = wien_arms(build)
    lags = wien_lag(nominal[0], bandwidth, arms), wien_lag(nominal[1], bandwidth, arms)
    lag_sigma_s = _KNOWN_LAG * arms.gain_needed / (2 * math.pi * bandwidth)
    return Pulled(ratio=lags, lag_sigma_s=lag_sigma_s, percent=_MODEL_PERCENT, by_lag=arms.growth_per_excess)


def _product(
    ends: tuple[RangeEnd, RangeEnd], nominal: tuple[float, float], pulled: Pulled, slews: bool, where: Where
) -> Quantity:
    """How far the product of R and C is off: both ends, weighted, what limiter and bandwidth take given back.

    Where the control still moves the range goes on, outward: evenly likely up to what is hidden.
    """
    found = [end.f0_hz * 2.0 ** (side * 0.5 * end.hidden_cents / 1200) for end, side in zip(ends, (-1, 1), strict=True)]
    off = [100 * (n * pull / f - 1) for f, n, pull in zip(found, nominal, pulled.ratio, strict=True)]
    own = [
        math.hypot(
            _CENT_PERCENT * end.own_cents,
            _CENT_PERCENT * end.hidden_cents / math.sqrt(12.0),
            100 * pulled.by_lag * 2 * math.pi * end.f0_hz * pulled.lag_sigma_s,
        )
        for end in ends
    ]
    if slews:
        return Quantity(value=off[0], sigma=math.hypot(pulled.percent, own[0]), where=where)
    if abs(off[1] - off[0]) > _ENDS_AGREE_PERCENT + 2.0 * math.hypot(*own):
        return unknown("the two ends are off by different amounts: no one product of R and C explains both")
    weight = [1.0 / (s * s + pulled.percent**2) for s in own]
    value = (off[0] * weight[0] + off[1] * weight[1]) / sum(weight)
    # gangs that part move the ends by different amounts, too
    explained = pulled.percent < _MODEL_PERCENT and abs(off[1] - off[0]) < 2.0 * math.hypot(*own)
    apart = 0.0 if explained else 0.5 * (off[1] - off[0])
    return Quantity(value=value, sigma=math.hypot(1.0 / math.sqrt(sum(weight)), apart), where=where)


def wien_lag(f0_hz: float, gain_bandwidth_hz: float, arms: WienArms | None = None) -> float:
    """Pitch of a Wien bridge whose amplifier has one pole, over the ideal one; the gain is what the loop then needs.

    Notes
    -----
    With x the pitch and u = 1 - x^2, both parts of the loop's characteristic equation give ft / f0 = u + 9 (1 - u) / u;
    a gain of just 3 would give 1 / sqrt(1 + 9 f0 / ft). Of unequal arms, of gain N and with q^2 = R1 C2 / (R2 C1), it
    is q u + N^2 (1 - u) / (q u).

    Examples
    --------
    >>> round(100 * (wien_lag(1.0, 1000.0) - 1), 3)
    -0.447
    """
    arms = arms or WienArms()
    squared, q = arms.gain_needed**2, arms.times_ratio
    linear = squared / q + gain_bandwidth_hz / f0_hz
    u = 2.0 * squared / q / (linear + math.sqrt(linear**2 - 4.0 * squared))
    return math.sqrt(1.0 - u)


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
    if low.bound or high.bound:
        return unknown("the control still moves at an end of the take: let it rest at both ends of its turn")
    tolerance = build.tolerance_percent or (1.0, 1.0)
    # R alone, the capacitors are the same: of a reading within its tolerance 1 / sqrt(3) is the standard deviation,
    # two resistors make the pitch by the square root of their product
    own = math.hypot(low.sigma or 0.0, high.sigma or 0.0, _MODEL_CENTS)
    sigma_cents = math.hypot(1200 / math.log(2) * math.hypot(*tolerance) / 100 / math.sqrt(6.0), own)
    ends, arms = (expected.low_hz.nominal, expected.high_hz.nominal), wien_arms(build)
    fallen = low.value - high.value
    only_bound = fallen < 3 * sigma_cents
    value = _bandwidth(ends, max(fallen, 0.0) + 2 * sigma_cents if only_bound else fallen, arms)
    if value is None:
        return unknown(_NARROW)
    pulled = 0.0 if only_bound else 1200 * math.log2(wien_lag(ends[0], value, arms))
    if abs(low.value - pulled) > _PARTS_OFF_CENTS:
        return unknown("the bottom of the range is off by more than a meter's error: the parts are not as stated")
    if only_bound:
        return Quantity(value=value, sigma=None, bound="at-least", where=high.where)
    around = [_bandwidth(ends, fallen + side * sigma_cents, arms) for side in (-1, 1)]
    if around[0] is None or around[1] is None:
        return unknown(_NARROW)
    spread = 0.5 * abs(around[0] - around[1])
    return Quantity(value=value, sigma=math.hypot(spread, _BANDWIDTH_SHARE * value), where=high.where)


def _bandwidth(ends_hz: tuple[float, float], fallen_cents: float, arms: WienArms) -> float | None:
    """Gain-bandwidth that pulls the top of the range down by so much more than the bottom; None where none does."""

    def pulls_less(bandwidth_hz: float) -> bool:
        bottom, top = (wien_lag(f, bandwidth_hz, arms) for f in ends_hz)
        return 1200 * math.log2(bottom / top) < fallen_cents

    low, high = _LEAST_BANDWIDTH * ends_hz[1], _MOST_BANDWIDTH * ends_hz[1]
    if pulls_less(low) or not pulls_less(high):
        return None
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if pulls_less(middle) else (middle, high)
    return math.sqrt(low * high)
