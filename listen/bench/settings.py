"""The bench file's tables, as frozen settings: every key optional."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

TOPOLOGIES = (
    "wien-bridge",
    "phase-shift",
    "twin-t",
    "bridged-t",
    "quadrature",
    "triangle-core",
    "sawtooth-core",
    "other",
)
GAIN_CONTROLS = ("jfet", "diodes", "lamp", "ldr", "none", "other")
WAVES = ("sine", "triangle", "sawtooth", "square", "pulse", "any")
SHAPERS = ("pair", "diodes", "other")

PHASE_SHIFT_SECTIONS = ("buffered", "ladder")
PHASE_SHIFT_ORDERS = ("high-pass", "low-pass")


@dataclass(frozen=True, slots=True, kw_only=True)
class GainSettings:
    """The resistors that set the amplifier's gain, 1 + rf / rg.

    Attributes
    ----------
    rf_ohm, rg_ohm : float or None
        From the output to the inverting input, and from there to ground.
    """

    rf_ohm: float | None = None
    rg_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpampSettings:
    """The amplifier, from its data sheet.

    Attributes
    ----------
    gain_bandwidth_hz, slew_v_per_us : float or None
    headroom_v : tuple of float or None
        By how much its output stays short of the lower and of the upper rail.
    """

    gain_bandwidth_hz: float | None = None
    slew_v_per_us: float | None = None
    headroom_v: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """The circuit.

    Attributes
    ----------
    name : str or None
    topology : str or None
        One of `TOPOLOGIES`.
    gain_control : str or None
        One of `GAIN_CONTROLS`.
    wave : str or None
        The intended wave, one of `WAVES`.
    duty_percent : float or None
        Part of the cycle that a square or a pulse is meant to be high, or a triangle to rise; half where it is not
        stated, but of a pulse nothing is then expected.
    shaper : str or None
        What makes a sine of a triangle core's triangle, one of `SHAPERS`.
    supply_v : tuple of float or None
        Lower and upper supply rail.
    parts : mapping of str to tuple of float
        What sets the pitch, ``r1_ohm`` ... ``c4_f``: the smallest and the largest value that the control gives
        (twice the same where it is fixed).
    tolerance_percent : tuple of float or None
        Of the parts that set the pitch, at the lowest and at the highest note: a pot sets the bottom, a fixed
        resistor the top.
    measured : bool
        The values of the parts were read by a meter.
    phase_shift_sections : str or None
        One of `PHASE_SHIFT_SECTIONS`.
    phase_shift_order : str or None
        One of `PHASE_SHIFT_ORDERS`.
    gain : GainSettings
    opamp : OpampSettings
    """

    name: str | None = None
    topology: str | None = None
    gain_control: str | None = None
    wave: str | None = None
    duty_percent: float | None = None
    shaper: str | None = None
    supply_v: tuple[float, float] | None = None
    parts: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    tolerance_percent: tuple[float, float] | None = None
    measured: bool = False
    phase_shift_sections: str | None = None
    phase_shift_order: str | None = None
    gain: GainSettings = field(default_factory=GainSettings)
    opamp: OpampSettings = field(default_factory=OpampSettings)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderSettings:
    """What the recorder does by itself, measured in a loop of its output and its input.

    Attributes
    ----------
    level_dbfs : tuple of float
        Levels of the test tone as recorded, lowest first.
    harmonics_dbc : mapping of int to tuple of float
        Of some orders from 2 to 10: the recorder's own harmonic at each level.
    floor_dbfs : float or None
    hum_hz, hum_dbfs : float or None
    corner_hz : float or None
        High-pass corner of output and input together.
    response_hz, response_db : tuple of float
        The rest of the response, against that at 997 Hz.
    loop_inverted : bool or None
        Output and input together invert the wave: whether the input does, a cell shows.
    """

    level_dbfs: tuple[float, ...] = ()
    harmonics_dbc: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    floor_dbfs: float | None = None
    hum_hz: float | None = None
    hum_dbfs: float | None = None
    corner_hz: float | None = None
    response_hz: tuple[float, ...] = ()
    response_db: tuple[float, ...] = ()
    loop_inverted: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSettings:
    """The recording chain.

    Attributes
    ----------
    channel : int or None
        Counted from 1.
    volts_per_full_scale : float or None
        Peak volts at the jack at sample value 1.0.
    inverted : bool or None
        The interface turns the wave over; None where it is not stated, so that halves are the recording's.
    clock_error_ppm : float
        How much faster than nominal the interface's clock runs.
    ac_coupling_hz : float or None
        The interface's high-pass corner; 0 is DC-coupled. Where it is not stated, the recorder's own corner.
    response_hz : float or None
        Corner of the interface's first-order low-pass, where it was measured.
    recorder : RecorderSettings or None
        The table ``[recorder]``.
    """

    channel: int | None = None
    volts_per_full_scale: float | None = None
    inverted: bool | None = None
    clock_error_ppm: float = 0.0
    ac_coupling_hz: float | None = None
    response_hz: float | None = None
    recorder: RecorderSettings | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CvSettings:
    """The recorded control voltage.

    Attributes
    ----------
    channel : int or None
        Counted from 1.
    volts_per_full_scale : float or None
        Volts at sample value 1.0.
    offset_v : float
        Volts at sample value 0.
    """

    channel: int | None = None
    volts_per_full_scale: float | None = None
    offset_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench file.

    Attributes
    ----------
    path : str or None
        Where it was read from.
    build : BuildSettings
    capture : CaptureSettings
    cv : CvSettings
    """

    path: str | None = None
    build: BuildSettings = field(default_factory=BuildSettings)
    capture: CaptureSettings = field(default_factory=CaptureSettings)
    cv: CvSettings = field(default_factory=CvSettings)
