"""Made-up results for the tests of what is written and shown."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from listen.circuit import Diagnosis, diagnose
from listen.findings import measured
from listen.findings.types import Finding, Judgement, NotShown, SweepRow
from listen.track.types import HARMONIC_COLUMNS, Envelope, Frames
from tests.accounts import described_account


@dataclass(frozen=True, kw_only=True)
class PlainCapture:
    """What the report reads of a capture."""

    path: str = "north shelf, third board.wav"
    sample_rate_hz: float = 48000.0
    channels: int = 2
    channel: int = 1
    n_samples: int = 576000
    start_sample: int = 0
    stop_sample: int = 576000
    duration_s: float = 12.0
    subtype: str = "PCM_24"
    format: str = "WAV"
    volts_per_full_scale: float | None = None
    inverted: bool = False
    polarity_known: bool = True

    def sha256(self) -> str:
        return "0f" * 32


@dataclass(frozen=True, kw_only=True)
class PlainResult:
    """What the report reads of a check."""

    capture: Any = field(default_factory=PlainCapture)
    bench: Any = None
    bench_path: str | None = None
    wave: str = "sine"
    gain_control: str | None = None
    topology: str | None = None
    frames: Any = None
    damage: Any = None
    judgement: Any = None
    diagnoses: tuple[Diagnosis, ...] = ()
    circuit: Any = None
    channel_pair: Any = None


def make_frames(n: int = 50, *, seed: int = 1, silent: int = 0) -> Frames:
    """Return n frames of a sweep, the first `silent` of them without a tone."""
    rng = np.random.default_rng(seed)
    time_s = 0.02 + 0.02 * np.arange(n)
    empty = np.arange(n) < silent

    def column(low: float, high: float) -> np.ndarray:
        values = rng.uniform(low, high, n)
        values[empty] = np.nan
        return values

    def table(low: float, high: float) -> np.ndarray:
        values = rng.uniform(low, high, (n, HARMONIC_COLUMNS - 1))
        values[empty] = np.nan
        return values

    f0_hz = np.where(empty, np.nan, np.geomspace(160.0, 2200.0, n)) if n else np.empty(0)
    envelope_values = {name.name: np.ones(n) for name in fields(Envelope)}
    envelope = Envelope(**{**envelope_values, "time_s": time_s, "f0_hz": f0_hz, "oscillating": ~empty})
    values: dict[str, Any] = dict(
        sample_rate_hz=48000.0,
        time_s=time_s,
        f0_hz=f0_hz,
        f0_sigma_cents=column(0.001, 0.1),
        oscillating=~empty,
        fundamental_dbfs=column(-13, -9),
        level_dbfs=np.where(empty, -98.0, column(-13, -9)),
        thd_percent=column(0.2, 6.0),
        even_dbc=column(-60, -30),
        odd_dbc=column(-60, -30),
        harmonic_count=np.where(empty, 0, 10),
        harmonics_dbc=table(-90, -30),
        harmonic_phase_rad=table(-3.1, 3.1),
        noise_dbfs=column(-99, -90),
        crest_positive=column(0.9, 1.0),
        crest_negative=column(0.99, 1.0),
        flat_positive=column(1.0, 2.0),
        flat_negative=column(0.99, 1.01),
        slope_over_sine=column(0.99, 1.01),
        dead_band=column(0.0, 0.01),
        dc_fs=np.full(n, 1e-4),
        subharmonic_dbc=column(-99, -80),
        residual_dbc=column(-80, -70),
        residual_peak_dbc=column(-70, -60),
        residual_peak_cycle=column(0, 1),
        residual_fold=np.zeros((n, 2, 16)),
        spur_dbc=column(-99, -80),
        spur_hz=column(100, 200),
        frame_s=np.full(n, 0.04),
        segment=np.where(empty, -1, 0),
        hum_time_s=np.empty(0),
        hum_dbfs=np.empty((0, 12)),
        hum_floor_dbfs=np.empty((0, 12)),
        envelope=envelope,
        phase_steps=(),
    )
    # Columns that the report only hands on are empty here.
    for column_field in fields(Frames):
        values.setdefault(column_field.name, np.full(n, np.nan))
    return Frames(**values)


def make_finding(kind: str = "asymmetric-clipping", **changes: Any) -> Finding:
    """Return a finding of a board on unequal supplies."""
    finding = Finding(
        kind=kind,
        severity="fault",
        start_s=5.12,
        end_s=9.8,
        f0_low_hz=245.16,
        f0_high_hz=2160.4,
        half="positive",
        half_certain=True,
        measured=measured.Flattened(
            crest_loss_percent=9.33, flat_over_sine=2.07, onset_f0_hz=245.16, thd_worst_percent=5.83
        ),
        half_known=True,
        sentence="The positive half is held down from 245 Hz (B3) upward; the negative runs free, 10 % taller.",
    )
    return replace(finding, **changes)


def make_sweep() -> tuple[SweepRow, ...]:
    """Return a sweep of a dozen thirds of an octave, one of them hardly measurable."""
    rows = []
    for n in range(-8, 4):
        centre = 1000 * 10 ** (n / 10)
        rows.append(
            SweepRow(
                f0_low_hz=centre * 10**-0.05,
                f0_high_hz=centre * 10**0.05,
                seconds=0.4,
                level_dbfs=-12.0 + 0.2 * (n + 8),
                thd_percent=None if n == 3 else 0.4 + 0.45 * (n + 8),
                even_dbc=-40.0,
                odd_dbc=-42.0,
                crest_positive=1.0 - 0.008 * (n + 8),
                crest_negative=1.0,
                noise_dbfs=-92.0,
            )
        )
    return tuple(rows)


def make_judgement(**changes: Any) -> Judgement:
    """Return a judgement with one fault, one attention, one note and one thing not shown."""
    findings = (
        make_finding(),
        make_finding(
            "level-drift",
            severity="attention",
            half=None,
            measured=measured.LevelSpan(
                span_db=2.2, highest_at_hz=2160.4, lowest_at_hz=162.1, highest_dbfs=-9.6, lowest_dbfs=-11.8
            ),
            sentence="The level moves by 2.2 dB along the turn, highest at 2.16 kHz.",
        ),
        make_finding(
            "capture-bandwidth",
            severity="note",
            half=None,
            measured=measured.Band(sample_rate_hz=48000.0, third_harmonic_to_hz=7200.0),
            sentence="At 48 kHz nothing of the third harmonic is in the file above 7.2 kHz.",
        ),
    )
    judgement = Judgement(
        verdict="fault",
        findings=findings,
        sweep=make_sweep(),
        not_shown=(
            NotShown(
                question="start",
                why="the take begins in full swing",
                mend="start recording a second before the supply is switched on",
            ),
        ),
        summary={
            "f0_low_hz": 162.1,
            "f0_high_hz": 2160.4,
            "level_dbfs": -11.2,
            "level_span_db": 2.2,
            "thd_median_percent": 1.7,
            "thd_worst_percent": 5.83,
            "thd_worst_f0_hz": 2160.4,
            "thd_harmonics": 10,
            "start_s": None,
            "noise_dbfs": -92.0,
            "oscillating_s": 11.2,
        },
        answers={
            "pitch": "It sings 162 Hz (E3) to 2.16 kHz (C7), 3.7 octaves.",
            "start": "Not shown: the take begins in full swing.",
            "hold": "The level moves by 2.2 dB along the turn; nothing hunts or dies.",
            "clean": "The positive half flattens from 245 Hz (B3) upward; THD up to 5.8 %.",
        },
        headline="The positive half flattens from 245 Hz (B3) upward: 9.3 % of its crest is lost.",
        limits={"asymmetric-clipping": {"attention": 2.0, "fault": 8.0}, "oscillation-absent": {}},
        account=described_account(),
    )
    return replace(judgement, **changes)


def make_result(judgement: Judgement | None = None, **changes: Any) -> PlainResult:
    """Return a whole made-up result; every finding has its diagnosis."""
    judgement = judgement or make_judgement()
    diagnoses = tuple(
        diagnose(finding.kind, half=finding.half, half_known=finding.half_known, measured=finding.measured)
        for finding in judgement.findings
    )
    result = PlainResult(frames=make_frames(), judgement=judgement, diagnoses=diagnoses)
    return replace(result, **changes)
