"""One made-up finding for each sentence of each kind, for tests that walk through all kinds."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

from listen.findings import Finding
from listen.findings import measured as m
from listen.findings.candidate import Candidate
from listen.findings.kinds import kind_of
from listen.findings.measured import Measured
from listen.findings.types import Half, Severity

_SHAPE: dict[str, float] = {"onset_f0_hz": 245.2, "thd_worst_percent": 5.83}
_HUM = m.Hum(mains_hz=50.0, level_dbc=-41.3, strongest_hz=100.0, as_sidebands=False, in_silence=False)
_FLAT = m.Flattened(crest_loss_percent=9.33, flat_over_sine=2.07, other_crest_over_sine=1.01, **_SHAPE)
_EVEN = m.EvenOrder(even_percent=2.1, crest_loss_percent=3.0, **_SHAPE)
_SPIKE = m.Spike(glitch_percent=9.1, glitch_area_percent_us=52.0, glitch_cycle=0.98, onset_f0_hz=245.2)
_ODD = m.OddOrder(odd_percent=2.2, crest_loss_percent=1.0, **_SHAPE)
_LEVEL = m.LevelSpan(span_db=2.2, highest_at_hz=2160.4, lowest_at_hz=162.1, highest_dbfs=-9.6, lowest_dbfs=-11.8)
_BURST = m.Parasitic(burst_rms_dbc=-38.5, onset_f0_hz=245.2, burst_hz=13_100.0, burst_cycle=0.02)
_DROP = m.Dropped(depth_db=34.2, seconds=0.31, comes_back=True, decay_per_s=12.0)
_GAP = m.LostSamples(lost_samples=33, lost_s=33 / 48_000, places=2, phase_jumps=1, kinds="zeros, skipped")
_TOPS = m.Overload(tops=412, positive_tops=400, negative_tops=12, ceiling_fs=0.7312)
_RISE = m.Rise(rise_s=0.83, cycles=365.2, t90_s=1.9, growth_per_s=5.4, excess_gain=0.0039)
_WAVER = m.PitchScatter(rms_cents=6.31, drift_cents_per_min=-12.4, rate_hz=5.02)
_HUNT = m.Hunting(
    depth_percent=4.2, rate_hz=7.31, worst_at_hz=440.0, rests=2, follows_pitch=0.1, rests_seen=3
)  # fmt: skip
_BOUNCE = m.Bounce(
    deviation_db=2.31, settle_s=0.42, overshoot_db=1.9, worst_at_s=3.02, retunes=1, retunes_seen=2
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Example:
    """A finding of a kind, by one of its sentences; ``always``: numbers that this sentence never lacks."""

    kind: str
    variant: str
    measured: Measured
    half: Half | None = None
    half_certain: bool = True
    pitched: bool = True
    always: tuple[str, ...] = ()

    def with_unknown(self) -> Measured:
        """The same numbers without those that may be unknown."""
        optional = {f.name: None for f in fields(self.measured) if "None" in str(f.type) and f.name not in self.always}
        return replace(self.measured, **optional)

    def candidate(self, severity: Severity | None = None, **changes: Any) -> Candidate:
        low, high = (245.2, 2160.4) if self.pitched else (None, None)
        made = Candidate(
            kind=self.kind,
            severity=severity or self.severity,
            measured=self.measured,
            start_s=0.41,
            end_s=0.83,
            f0_low_hz=low,
            f0_high_hz=high,
            half=self.half,
            half_certain=self.half_certain,
            variant=self.variant,
        )
        return replace(made, **changes)

    def finding(self, severity: Severity | None = None, **changes: Any) -> Finding:
        """As a consumer gets it, with a sentence of its own."""
        made = self.candidate(severity)
        own = {f.name: getattr(made, f.name) for f in fields(Finding) if f.name not in ("sentence", "half_known")}
        return Finding(**({**own, "sentence": f"What is said of {self.kind}, {self.variant}."} | changes))

    @property
    def severity(self) -> Severity:
        """One that findings of this kind have."""
        limits = kind_of(self.kind).limits
        if "attention" in limits:
            return "attention"
        if "fault" in limits or self.kind == "oscillation-absent":
            return "fault"
        return "attention" if self.kind in ALWAYS_ATTENTION else "note"


ALWAYS_ATTENTION = {"two-tones", "not-an-oscillator", "wrong-channel", "wrong-wave"}


def _of(kind: str, variant: str, measured: Measured, **more: Any) -> Example:
    return Example(kind=kind, variant=variant, measured=measured, **more)


EXAMPLES: tuple[Example, ...] = (
    _of("amplitude-bounce", "plain", _BOUNCE),
    _of("amplitude-hunting", "plain", _HUNT),
    _of("asymmetric-clipping", "plain", _FLAT, half="positive"),
    _of("asymmetric-clipping", "probably", _FLAT, half="negative", half_certain=False),
    _of("asymmetric-clipping", "tip", _FLAT, half="negative"),
    _of("asymmetric-clipping", "tip_probably", _FLAT, half="positive", half_certain=False),
    _of("capture-bandwidth", "plain", m.Band(sample_rate_hz=44_100.0, third_harmonic_to_hz=6615.0)),
    _of("capture-gap", "plain", _GAP),
    _of("capture-gap", "short", replace(_GAP, kinds="cut short")),
    _of("capture-gap", "gate", replace(_GAP, kinds="zeros", phase_jumps=0)),
    _of("capture-offset", "plain", m.Offset(dc_fs=-0.0612), pitched=False),
    _of("capture-overload", "plain", _TOPS, half="both"),
    _of("capture-overload", "below", _TOPS, half="negative"),
    _of("capture-quiet", "plain", m.Quiet(level_dbfs=-57.3)),
    _of("corner-rounding", "plain", m.RoundCorner(corner_us=26.1, onset_f0_hz=245.2)),
    _of("crossover-distortion", "plain", m.DeadBand(dead_band_percent=2.4, **_SHAPE)),
    _of("duty", "plain", m.DutyShare(off_percent=1.3, duty_percent=51.3, onset_f0_hz=245.2)),
    _of("even-order-distortion", "plain", _EVEN, half="positive"),
    _of("even-order-distortion", "leaning", _EVEN),
    _of("level-drift", "plain", _LEVEL),
    _of("level-drift", "time", _LEVEL),
    _of("level-drift", "passes", _LEVEL),
    _of("mains-hum", "plain", _HUM),
    _of("mains-hum", "silence", replace(_HUM, in_silence=True), pitched=False),
    _of("mains-hum", "sidebands", replace(_HUM, as_sidebands=True)),
    _of("not-an-oscillator", "plain", m.OtherSounds(clean_percent=31.2, residual_dbc=-4.0), pitched=False),
    _of("not-an-oscillator", "played", m.OtherSounds(clean_percent=95.0, residual_dbc=-26.0), pitched=False),
    _of("not-an-oscillator", "no_sine", m.OtherSounds(clean_percent=99.0, residual_dbc=-59.0), pitched=False),
    _of("not-an-oscillator", "one_tone", m.OtherSounds(clean_percent=97.0, residual_dbc=-54.0), pitched=False),
    _of("odd-order-distortion", "rounded", _ODD),
    _of("odd-order-distortion", "peaked", _ODD),
    _of("oscillation-absent", "plain", m.Nothing(), pitched=False),
    _of("oscillation-dropout", "part", _DROP),
    _of("oscillation-dropout", "good", replace(_DROP, comes_back=False)),
    _of("parasitic-oscillation", "plain", _BURST),
    _of("parasitic-oscillation", "crest", _BURST, half="positive"),
    _of("parasitic-oscillation", "line", replace(_BURST, burst_cycle=None)),
    _of("pitch-instability", "plain", replace(_WAVER, rate_hz=None)),
    _of("pitch-instability", "rate", _WAVER, always=("rate_hz",)),
    _of("ramp-bow", "plain", m.BentSlope(bow_percent=3.4, bends="out", onset_f0_hz=245.2)),
    _of("reset-glitch", "plain", _SPIKE),
    _of("reset-slow", "plain", m.SlowReset(reset_percent=1.31, reset_us=12.3, onset_f0_hz=245.2)),
    _of("room-sound", "before", m.RoomSound(seconds=0.42, places=1), pitched=False),
    _of("room-sound", "after", m.RoomSound(seconds=0.42, places=1), pitched=False),
    _of("room-sound", "around", m.RoomSound(seconds=1.42, places=3), pitched=False),
    _of(
        "room-sound",
        "under",
        m.RoomSound(seconds=0.42, places=3, level_dbc=-34.0),
        pitched=False,
        always=("level_dbc",),
    ),
    _of("slew-limiting", "plain", m.HeldSlope(slope_short_percent=12.1, slope_v_per_us=0.311, **_SHAPE)),
    _of("slope-asymmetry", "plain", m.SlopeShare(off_percent=1.2, rise_percent=48.8, onset_f0_hz=245.2)),
    _of("slow-start", "plain", replace(_RISE, growth_per_s=None, excess_gain=None)),
    _of("slow-start", "gain", _RISE, always=("growth_per_s", "excess_gain")),
    _of("subharmonic", "plain", m.HalfOrderLines(level_dbc=-39.4, onset_f0_hz=245.2)),
    _of("switched-off", "off", m.Ended(start_s=7.31), pitched=False),
    _of("switched-off", "fade", m.Ended(start_s=7.31), pitched=False),
    _of("symmetric-clipping", "plain", _FLAT, half="both"),
    _of("symmetric-clipping", "tips", _FLAT, half="both"),
    _of("two-tones", "plain", m.TwoTones(low_hz=331.2, high_hz=502.1, level_dbc=-3.2), pitched=False),
    _of("unexplained", "plain", m.Unexplained(level_dbc=-33.1)),
    _of("unexplained", "line", m.Unexplained(level_dbc=-33.1, line_hz=2488.0)),
    _of("unexplained", "notes", m.Unexplained(level_dbc=-33.1, line_hz=248.0)),
    _of("wrong-channel", "plain", m.OtherChannel(channel=2, level_dbfs=-9.8), pitched=False),
    _of("wrong-wave", "plain", m.OtherWave(wave="triangle", stated="sine"), pitched=False),
)
NAMES = [f"{example.kind}.{example.variant}" for example in EXAMPLES]


def of_kind(kind: str) -> Example:
    """The first example of a kind."""
    return next(example for example in EXAMPLES if example.kind == kind)
