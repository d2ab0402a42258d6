"""What was measured of each kind of finding: typed, the unit in each name.

Fields are the keys of the JSON document's ``evidence``; one that is None is left out there.
"""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Numbers of one finding."""

    def evidence(self) -> dict[str, float | int | str | bool]:
        """Return the numbers by name, those that are known."""
        pairs = ((f.name, getattr(self, f.name)) for f in fields(self))
        return {name: value for name, value in pairs if value is not None}


def names_of(numbers: Measured) -> tuple[str, ...]:
    """Names of all numbers that such a finding may have."""
    return tuple(f.name for f in fields(numbers))


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing(Measured):
    """Nothing oscillates."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flattened(Measured):
    """One half or both flattened: crest loss, flat span over a sine's, the other half's crest over a sine's."""

    crest_loss_percent: float
    flat_over_sine: float
    onset_f0_hz: float
    thd_worst_percent: float
    other_crest_over_sine: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EvenOrder(Measured):
    """Even harmonics against the fundamental."""

    even_percent: float
    onset_f0_hz: float
    thd_worst_percent: float
    crest_loss_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OddOrder(Measured):
    """Odd harmonics against the fundamental."""

    odd_percent: float
    onset_f0_hz: float
    thd_worst_percent: float
    crest_loss_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeShare(Measured):
    """Part of the cycle that a triangle rises, and how far off the intended one (in points)."""

    off_percent: float
    rise_percent: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyShare(Measured):
    """Part of the cycle that a square or a pulse is high, and how far off the intended one (in points)."""

    off_percent: float
    duty_percent: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowReset(Measured):
    """A sawtooth's way back, end to end: part of the cycle, and time."""

    reset_percent: float
    reset_us: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundCorner(Measured):
    """Time constant of the first-order low-pass that rounds corners or edges."""

    corner_us: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BentSlope(Measured):
    """Largest distance of a slope from its chord over the height; out: it is steep first."""

    bow_percent: float
    bends: str
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spike(Measured):
    """A spike: its height over the wave's (of one too short for a height, as if it lasted 5 us), area and place."""

    glitch_percent: float
    glitch_area_percent_us: float
    glitch_cycle: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadBand(Measured):
    """Half the width of a dead band over the peak that drives it."""

    dead_band_percent: float
    onset_f0_hz: float
    thd_worst_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSlope(Measured):
    """Slope missing at the steepest place, and the limited slope where volts are known."""

    slope_short_percent: float
    onset_f0_hz: float
    thd_worst_percent: float
    slope_v_per_us: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise(Measured):
    """Growth from 1 % to 90 % of the settled level."""

    rise_s: float
    cycles: float
    t90_s: float
    growth_per_s: float | None = None
    excess_gain: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped(Measured):
    """A dropout."""

    depth_db: float
    seconds: float
    comes_back: bool
    decay_per_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSpan(Measured):
    """Span of the level, and where it is highest and lowest."""

    span_db: float
    highest_at_hz: float
    lowest_at_hz: float
    highest_dbfs: float
    lowest_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hunting(Measured):
    """A level that swings: depth is (max - min) / (max + min)."""

    depth_percent: float
    rate_hz: float
    worst_at_hz: float
    rests: int
    follows_pitch: float
    rests_seen: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce(Measured):
    """The level after retunes."""

    deviation_db: float
    settle_s: float
    overshoot_db: float
    worst_at_s: float
    retunes: int
    retunes_seen: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchScatter(Measured):
    """Pitch at rest, a straight drift left out."""

    rms_cents: float
    drift_cents_per_min: float
    rate_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Parasitic(Measured):
    """A burst in the cycle, or a line that is no harmonic: r.m.s. over the whole cycle."""

    burst_rms_dbc: float
    onset_f0_hz: float
    burst_hz: float | None = None
    burst_cycle: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfOrderLines(Measured):
    """Lines at half orders, r.s.s."""

    level_dbc: float
    onset_f0_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum(Measured):
    """Mains lines, r.s.s."""

    mains_hz: float
    level_dbc: float
    strongest_hz: float
    as_sidebands: bool
    in_silence: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained(Measured):
    """What no part explains."""

    level_dbc: float
    line_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSounds(Measured):
    """No single oscillator."""

    clean_percent: float
    residual_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoTones(Measured):
    """Two tones at once."""

    low_hz: float
    high_hz: float
    level_dbc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherChannel(Measured):
    """A tone on another channel."""

    channel: int
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherWave(Measured):
    """Another wave than was stated."""

    wave: str
    stated: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSound(Measured):
    """Sounds of the room, how long in all and at how many places; the level is against the tone."""

    seconds: float
    places: int
    level_dbc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended(Measured):
    """The tone's end."""

    start_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Overload(Measured):
    """Tops that the interface cut."""

    tops: int
    positive_tops: int
    negative_tops: int
    ceiling_fs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LostSamples(Measured):
    """Samples missing or repeated, and how long that is."""

    lost_samples: int
    lost_s: float
    places: int
    phase_jumps: int
    kinds: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet(Measured):
    """Level of the tone."""

    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Band(Measured):
    """Up to which pitch the third harmonic is in the file."""

    sample_rate_hz: float
    third_harmonic_to_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset(Measured):
    """Mean of the samples."""

    dc_fs: float
