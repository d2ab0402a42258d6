"""The parts of an account, typed: what the recording consists of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import ClassVar


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part: its place in time and pitch, its parameters (units in their names) and what is known of their errors.

    Attributes
    ----------
    id : str
        Unique in an account.
    start_s, end_s : float
    f0_low_hz, f0_high_hz : float or None
        Pitches of the tone over which it was seen.
    sigma : mapping of str to float
        Standard deviations of parameters, where they are known.
    """

    part: ClassVar[str] = ""
    id: str
    start_s: float
    end_s: float
    f0_low_hz: float | None = None
    f0_high_hz: float | None = None
    sigma: Mapping[str, float] = field(default_factory=dict)

    def parameters(self) -> dict[str, float | str]:
        """Return the parameters by name, those that are known."""
        common = {f.name for f in fields(Part)}
        pairs = ((f.name, getattr(self, f.name)) for f in fields(self) if f.name not in common)
        return {name: value for name, value in pairs if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone(Part):
    """The board's tone, with the harmonics that it has at all pitches."""

    part: ClassVar[str] = "tone"
    level_dbfs: float
    h2_dbc: float | None = None
    h3_dbc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation(Part):
    """A level or a pitch that swings to and fro while the control rests."""

    part: ClassVar[str] = "amplitude-or-phase-modulation"
    rate_hz: float | None = None
    depth_percent: float | None = None
    pitch_cents: float | None = None
    sideband_dbc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsFamily(Part):
    """Mains lines added to the tone."""

    part: ClassVar[str] = "mains-family"
    mains_hz: float
    level_dbc: float
    strongest_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfOrderFamily(Part):
    """Lines at half orders: alternate cycles differ."""

    part: ClassVar[str] = "half-order-family"
    level_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordersTone(Part):
    """A line of the recording's own: it is there in silence too, or a note of music in the room."""

    part: ClassVar[str] = "recorders-own-tones"
    frequency_hz: float
    level_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOscillator(Part):
    """Another line beside the tone, fixed in hertz or not, that is no harmonic."""

    part: ClassVar[str] = "second-oscillator"
    frequency_hz: float
    level_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstInStep(Part):
    """A burst in step with the cycle."""

    part: ClassVar[str] = "burst-in-step-with-the-cycle"
    level_dbc: float
    cycle: float
    frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifiersCurve(Part):
    """One memoryless curve: knees, even and odd terms; inside the loop or behind it."""

    part: ClassVar[str] = "amplifiers-curve"
    place: str
    positive_level_fs: float | None = None
    negative_level_fs: float | None = None
    one_half_lost_percent: float | None = None
    both_halves_lost_percent: float | None = None
    knee_percent: float | None = None
    even_percent: float | None = None
    odd_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlewLimiting(Part):
    """One limited slope for the whole take."""

    part: ClassVar[str] = "slew-limiting"
    slope_fs_per_s: float
    onset_f0_hz: float | None
    slope_short_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadBandPart(Part):
    """A dead band round zero."""

    part: ClassVar[str] = "dead-band-reset-corner-duty"
    dead_band_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WavePart(Part):
    """Shares, corners, reset and spike of a wave of slopes and edges: medians along the pitch."""

    part: ClassVar[str] = "dead-band-reset-corner-duty"
    rise_percent: float | None = None
    duty_percent: float | None = None
    reset_us: float | None = None
    corner_us: float | None = None
    bow_percent: float | None = None
    spike_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLawPart(Part):
    """Level against pitch and time, what bends the wave taken off."""

    part: ClassVar[str] = "level-law"
    span_db: float
    time_span_db: float
    highest_at_hz: float
    lowest_at_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EventPart(Part):
    """Start, stop, dropout, retune with settling, room sound, exact zeros."""

    part: ClassVar[str] = "events"
    event: str
    rise_s: float | None = None
    depth_db: float | None = None
    deviation_db: float | None = None
    settle_s: float | None = None
    ring_hz: float | None = None
    decay_s: float | None = None
    level_dbc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderPart(Part):
    """What the recorder did: overload, lost samples, its high-pass."""

    part: ClassVar[str] = "recorder"
    what: str
    samples: float | None = None
    tops: float | None = None
    corner_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise(Part):
    """Steady noise."""

    part: ClassVar[str] = "noise"
    level_dbfs: float
