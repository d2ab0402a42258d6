"""What a calibration is: steps, a law, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Direction = Literal["up", "down"]
LawKind = Literal["volt-per-octave", "hertz-per-volt", "free"]
StepAxis = Literal["volts", "positions"]

LAWS = ("volt-per-octave", "hertz-per-volt", "free", "auto")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One held voltage.

    Attributes
    ----------
    cv_v : float
        Volts, or the place of a dial where the table has no volts.
    nominal_v : float or None
        What was meant, where the volts were measured too.
    f0_hz : float or None
        Geometric mean over the last third of the hold; None where nothing oscillates.
    f0_sigma_cents : float or None
        Its standard deviation.
    error_cents : float or None
        Against the law.
    settling_s : float or None
        From the start of the hold until the pitch stays within 3 cents of ``f0_hz``.
    moving_cents : float or None
        Change of pitch over the last third of the hold.
    unsettled : bool
        Still moving at the end of its hold.
    missing : bool
        Not in the take.
    direction : {'up', 'down'}
        Which way the voltage came.
    start_s, end_s : float or None
        The hold, seconds from the file's first sample.
    capture : int
        Which of the captures, counted from 0.
    entry : int or None
        Which voltage of the list it has, counted from 0: takes may share a list. None where it was recorded.
    sigma_v : float or None
        Standard deviation of ``cv_v`` by the digits that were given; None where it was recorded.
    doubtful : bool
        The voltage does not fit the others; the law was fitted without it.
    fits_v : float or None
        The voltage that would fit, of a doubtful one.
    """

    cv_v: float
    nominal_v: float | None = None
    f0_hz: float | None
    f0_sigma_cents: float | None = None
    error_cents: float | None = None
    settling_s: float | None = None
    moving_cents: float | None = None
    unsettled: bool = False
    missing: bool = False
    direction: Direction = "up"
    start_s: float | None
    end_s: float | None
    capture: int = 0
    entry: int | None = None
    sigma_v: float | None = None
    doubtful: bool = False
    fits_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """How the pitch follows the voltage.

    Attributes
    ----------
    kind : {'volt-per-octave', 'hertz-per-volt', 'free'}
    chosen_because : str
        Why this kind, in one sentence.
    octaves_per_volt, octaves_per_volt_sigma : float
        Slope of the straight part.
    volts_per_octave : float
    f0_at_zero_v_hz : float
    hertz_per_volt, hertz_per_volt_sigma : float or None
        Of the law hertz per volt.
    exponent, exponent_sigma, exponent_from_v : float or None
        Of ``f = A (V - V0)^exponent``, where the law is free.
    straight_v : tuple of float
        Lowest and highest voltage of the straight part.
    errors_against : str
        What a step's error is measured against: ``law``, or of a free law the simple curve that describes it best:
        ``power``, ``parabola``, ``cubic``, ``octave line``, ``hertz line``.
    rms_error_cents, worst_error_cents, worst_at_v : float
        Of all steps that are not doubtful against the law; NaN where the law goes through all of them by its making.
    range_v, range_hz : tuple of float
    """

    kind: LawKind
    chosen_because: str
    octaves_per_volt: float
    octaves_per_volt_sigma: float
    volts_per_octave: float
    f0_at_zero_v_hz: float
    hertz_per_volt: float | None = None
    hertz_per_volt_sigma: float | None = None
    exponent: float | None = None
    exponent_sigma: float | None = None
    exponent_from_v: float | None = None
    octaves_per_nominal_volt: float | None = None
    straight_v: tuple[float, float]
    errors_against: str = "law"
    rms_error_cents: float
    worst_error_cents: float
    worst_at_v: float
    range_v: tuple[float, float]
    range_hz: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A spread in cents: its middle, its worst, and where that is.

    Attributes
    ----------
    median, worst, worst_at_v : float
        Hysteresis: down minus up. Repeatability: deviation from the mean of the repeats, ``median`` of the sizes.
    pairs : int
        How many voltages it was seen at.
    """

    median: float
    worst: float
    worst_at_v: float
    pairs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One term of the error split, or why it is refused.

    Attributes
    ----------
    name : {'offset', 'scale', 'proportional', 'inverse'}
    value, sigma : float or None
        offset: cents against the nearest note; scale: cents per volt; proportional: cents per kHz; inverse: cents
        times Hz.
    refused : str or None
    """

    name: str
    value: float | None
    sigma: float | None
    refused: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorSplit:
    """Pitch as ``a + b V + c f + d / f``: which part of the error is of which kind.

    Attributes
    ----------
    terms : tuple of Term
    fitted : tuple of str
        Names of the terms that were fitted, in the order of ``covariance``.
    covariance : ndarray, shape (k, k)
    rms_cents : float
        What the split leaves.
    """

    terms: tuple[Term, ...]
    fitted: tuple[str, ...]
    covariance: Floats
    rms_cents: float

    def __post_init__(self) -> None:
        _freeze(self)

    def term(self, name: str) -> Term:
        """Return one of the four terms."""
        return next(term for term in self.terms if term.name == name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """One octave of the control voltage: how wide it sounds."""

    from_v: float
    to_v: float
    from_hz: float
    to_hz: float
    width_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InverseRow:
    """The voltage to give for a note."""

    note: str
    f0_hz: float
    cv_v: float
    sigma_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """What the turn of a trimmer between two tables did.

    Attributes
    ----------
    turned : float
        Turns, clockwise positive.
    pivot_v : float or None
        Where the trimmer does not move the pitch; None where it moves every note alike.
    pivot_sigma_v : float or None
    cents_per_octave_per_turn : float
    turns_left : float or None
        Until the scale is right; clockwise positive; None where the turn changed nothing that can be measured.
    trim_at_v, reads_hz, should_read_hz : float or None
        A note to watch while trimming, and what it should read before the tune knob is touched.
    """

    turned: float
    pivot_v: float | None
    pivot_sigma_v: float | None
    cents_per_octave_per_turn: float
    turns_left: float | None
    trim_at_v: float | None
    reads_hz: float | None
    should_read_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """A table of pitch against control voltage, and what follows from it.

    Attributes
    ----------
    axis : {'volts', 'positions'}
    steps : tuple of Step
        In the order of the take, captures one after the other.
    law : Law or None
        None for a dial without volts.
    split : ErrorSplit or None
    hysteresis, repeatability : Gap or None
        None where nothing was measured twice.
    intervals : tuple of Interval
    inverse : tuple of InverseRow
    trim : Trim or None
    advice : tuple of str
    notes : tuple of str
        What was found about the take: an offset, a missing or doubled step, a short hold.
    doubts : tuple of str
        Voltages that do not fit the others, and a scale that is none.
    left_out : int
        So many plateaus belong to no voltage.
    """

    axis: StepAxis
    steps: tuple[Step, ...]
    law: Law | None
    split: ErrorSplit | None
    hysteresis: Gap | None
    repeatability: Gap | None
    intervals: tuple[Interval, ...]
    inverse: tuple[InverseRow, ...]
    trim: Trim | None
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    left_out: int = 0

    @property
    def whole(self) -> bool:
        """Whether every step oscillates, has settled and fits, and no plateau is without a voltage."""
        bad = any(step.f0_hz is None or step.unsettled or step.doubtful for step in self.steps)
        return not (bad or self.doubts or self.left_out)


def _freeze(owner: object) -> None:
    """Keep read-only copies of all arrays."""
    for field in fields(owner):  # type: ignore[arg-type]
        value = getattr(owner, field.name)
        if isinstance(value, np.ndarray):
            copy = np.array(value)
            copy.flags.writeable = False
            object.__setattr__(owner, field.name, copy)
