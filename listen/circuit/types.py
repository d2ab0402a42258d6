"""What a recording says of the circuit: figures with their uncertainty, never a verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Bound = Literal["at-least", "at-most"]
Standing = Literal["shown", "likely", "possible", "excluded"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Place in the take that a quantity was read from.

    Attributes
    ----------
    start_s, end_s : float
    f0_low_hz, f0_high_hz : float
    """

    start_s: float
    end_s: float
    f0_low_hz: float
    f0_high_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity of the circuit.

    Attributes
    ----------
    value : float or None
        None where the recording cannot tell.
    sigma : float or None
        One standard deviation, systematic errors in it.
    bound : {'at-least', 'at-most'} or None
        The true value lies on that side of `value`.
    where : Where or None
    source : str or None
        What it was read from: an id of the account's parts, ``curve``, ``start`` ..
    why : str or None
        Why it is not known.
    """

    value: float | None = None
    sigma: float | None = None
    bound: Bound | None = None
    where: Where | None = None
    source: str | None = None
    why: str | None = None


def unknown(why: str) -> Quantity:
    """Return a quantity that the recording cannot tell, with the reason."""
    return Quantity(why=why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """One segment in which the tone grows or decays exponentially.

    Attributes
    ----------
    kind : {'start', 'restart', 'after-step', 'decay'}
    start_s, end_s : float
        Of what was fitted.
    f0_hz : float
        Pitch while it grows.
    rate_per_s, sigma_per_s : float
        Slope of the logarithm of the amplitude.
    per_radian : float
        The same a radian of the complex frequency: rate / hypot(2 pi f0, rate).
    cycles, span_db : float
        Length, and how much the level changes, over what was fitted.
    gain_percent, gain_sigma_percent : float or None
        Gain over what the loop needs, less one, that makes it; after a step that of the moment, which the control of
        the level then takes back. None where the topology does not tell it.
    """

    kind: Literal["start", "restart", "after-step", "decay"]
    start_s: float
    end_s: float
    f0_hz: float
    rate_per_s: float
    sigma_per_s: float
    per_radian: float
    cycles: float
    span_db: float
    gain_percent: float | None = None
    gain_sigma_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GainPoint:
    """Gain in hand at one place: 100 (A / A0 - 1) per cent.

    Attributes
    ----------
    time_s, f0_hz : float
    percent, sigma : float
    source : {'start', 'restart', 'decay', 'curve'}
    """

    time_s: float
    f0_hz: float
    percent: float
    sigma: float
    source: Literal["start", "restart", "decay", "curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifierCurve:
    """Output of the amplifier against the other node of the loop.

    Attributes
    ----------
    input, output : tuple of float
        In volts or of full scale; `input` as the network hands it back.
    unit : {'V', 'fs'}
    needed_gain : tuple of float
        Least, median and largest gain that the loop needs along the take.
    residual_percent : float
        R.m.s. of what the curve leaves of the harmonics, against their own.
    """

    input: tuple[float, ...]
    output: tuple[float, ...]
    unit: Literal["V", "fs"]
    needed_gain: tuple[float, ...]
    residual_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLoop:
    """The loop that holds the level, as a second-order system.

    Attributes
    ----------
    natural_hz, damping : Quantity
    state : {'damped', 'hunting'} or None
    """

    natural_hz: Quantity
    damping: Quantity
    state: Literal["damped", "hunting"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GangPoint:
    """Mismatch of the gangs at one place, about the take's median.

    Attributes
    ----------
    time_s, f0_hz : float
    percent, sigma : float
        100 (R1 / R2 - 1), R1 the series arm.
    ohm : float or None
        The same in ohms of one gang; None where c1_f is not stated.
    """

    time_s: float
    f0_hz: float
    percent: float
    sigma: float
    ohm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GangMismatch:
    """Mismatch of the two gangs.

    Attributes
    ----------
    spread_percent : Quantity
        Most less least of `along`.
    constant_percent : Quantity
        Always unknown: it is the same recording as another gain setting.
    along : tuple of GangPoint
    """

    spread_percent: Quantity
    constant_percent: Quantity
    along: tuple[GangPoint, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchEnd:
    """Pitch that the parts give at one end of the control: nominal, and with their tolerances."""

    nominal: float
    least: float
    most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedPitch:
    """The range that the parts should give, against the one that was recorded.

    Attributes
    ----------
    low_hz, high_hz : PitchEnd
    low_cents, high_cents : Quantity
        Measured less nominal.
    rc_product_off_percent : Quantity
        Positive where the product of R and C is too large.
    """

    low_hz: PitchEnd
    high_hz: PitchEnd
    low_cents: Quantity
    high_cents: Quantity
    rc_product_off_percent: Quantity

    def outside(self) -> bool:
        """Whether one end lies beyond what the parts' tolerances allow."""
        ends = ((self.low_hz, self.low_cents.value), (self.high_hz, self.high_cents.value))
        return any(
            cents is not None and not end.least <= end.nominal * 2 ** (cents / 1200) <= end.most for end, cents in ends
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One observation for or against a cause."""

    key: str
    value: float | str | None
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseCheck:
    """What to do on the bench, and what each outcome means."""

    do: str
    if_so: str
    if_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause with its evidence.

    Attributes
    ----------
    id : str
    weight : float
        Relative, the causes of one finding add up to 1.
    standing : {'shown', 'likely', 'possible', 'excluded'}
    in_favour, against : tuple of Evidence
    missing : tuple of str
        What would have to be known to judge it further.
    check : CauseCheck
    """

    id: str
    weight: float
    standing: Standing
    in_favour: tuple[Evidence, ...]
    against: tuple[Evidence, ...]
    missing: tuple[str, ...]
    check: CauseCheck


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedCauses:
    """Causes of one finding, likeliest first.

    Attributes
    ----------
    finding : str or None
        Kind of the finding, ``pitch`` for the range against the parts.
    start_s, end_s : float
    ranked : tuple of Cause
    undecided : tuple of (str, str)
        Pairs that this recording cannot tell apart.
    take : str or None
        The take that would.
    """

    finding: str | None
    start_s: float
    end_s: float
    ranked: tuple[Cause, ...]
    undecided: tuple[tuple[str, str], ...] = ()
    take: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Change this part from one value to another.

    Attributes
    ----------
    part : str
        Key of the bench file.
    from_value, to_value : float
    predicts : mapping of str to (before, after)
    """

    part: str
    from_value: float
    to_value: float
    predicts: dict[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairPoint:
    """Another channel's fundamental against the checked one's at one place.

    Attributes
    ----------
    time_s, f0_hz : float
    phase_deg, sigma_deg : float
        Positive where the other channel leads.
    level_db : float
    """

    time_s: float
    f0_hz: float
    phase_deg: float
    level_db: float
    sigma_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPair:
    """Two outputs of one oscillator: the other channel against the one that was checked.

    Attributes
    ----------
    channel : int
        The other one.
    phase_deg, level_db : Quantity
        Medians along the take; a phase is positive where the other channel leads.
    phase_spread_deg, level_spread_db : float
        Most less least of `along`.
    along : tuple of PairPoint
    """

    channel: int
    phase_deg: Quantity
    level_db: Quantity
    phase_spread_deg: float
    level_spread_db: float
    along: tuple[PairPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """What a recording says of the circuit. Halves are the circuit's own.

    Attributes
    ----------
    growth : tuple of Growth
    loop_gain_in_hand : Quantity
        Per cent, 100 (A / A0 - 1), at the start, else the take's median.
    loop_gain_along : tuple of GainPoint
    amplifier_curve : AmplifierCurve or None
    level_loop : LevelLoop
    gang_mismatch : GangMismatch
    slew_rate_v_per_us, slew_rising, slew_falling : Quantity
    gain_bandwidth_hz, dead_band_v : Quantity
    clip_negative_v, clip_positive_v : Quantity
    supply_v, headroom_v : tuple of float or None
    expected_pitch : ExpectedPitch or None
    causes : tuple of RankedCauses
    advice : tuple of Advice
    shape : WaveFigures or None
        Of waves other than a sine, and of a shaper's sine.
    channel_pair : ChannelPair or None
        Where another channel holds the same oscillator.
    """

    growth: tuple[Growth, ...]
    loop_gain_in_hand: Quantity
    loop_gain_along: tuple[GainPoint, ...]
    amplifier_curve: AmplifierCurve | None
    level_loop: LevelLoop
    gang_mismatch: GangMismatch
    slew_rate_v_per_us: Quantity
    slew_rising: Quantity
    slew_falling: Quantity
    gain_bandwidth_hz: Quantity
    dead_band_v: Quantity
    clip_negative_v: Quantity
    clip_positive_v: Quantity
    supply_v: tuple[float, float] | None = None
    headroom_v: tuple[float | None, float | None] | None = None
    expected_pitch: ExpectedPitch | None = None
    causes: tuple[RankedCauses, ...] = ()
    advice: tuple[Advice, ...] = ()
    shape: Any = None
    channel_pair: ChannelPair | None = None
