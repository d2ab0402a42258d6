"""Frames, tones and accounts made by hand: a healthy board's, of which a test changes what it is about."""

from __future__ import annotations

from typing import Any

import numpy as np

from listen.account import Account, Start
from listen.account.accounting import Share, Shares
from listen.account.bursts import Bursts
from listen.account.half_orders import HalfOrders
from listen.account.lost_samples import LostSamples
from listen.account.mains_sidebands import MainsSidebands
from listen.account.oscillator import SourceClass
from listen.account.parts import AmplifiersCurve, EventPart, LevelLawPart, Modulation, Noise, Tone
from listen.account.steady import SteadySegment
from listen.account.stops import Silences
from listen.account.tone import BoardTone
from listen.capture import Damage
from listen.capture.types import LostRuns, OverloadRuns
from listen.track.types import HARMONIC_COLUMNS, Envelope, Frames

Floats = np.ndarray
RATE_HZ = 48_000.0
ROW_S = 0.02
NOWHERE = -200.0
"""Decibels of what is not there."""


def plain_frames(
    n: int = 100, *, f0_hz: Any = 440.0, level_dbfs: Any = -12.0, rate_hz: float = RATE_HZ, **columns: Any
) -> Frames:
    """Frames of a healthy sine, a row every 20 ms; a column may be a number, or an array of n."""
    time_s = ROW_S * (1 + np.arange(n))
    pitch = np.broadcast_to(np.asarray(f0_hz, dtype=float), n)
    level = np.broadcast_to(np.asarray(level_dbfs, dtype=float), n)
    usual: dict[str, Any] = {
        "f0_sigma_cents": 0.01,
        "oscillating": np.ones(n, dtype=bool),
        "fundamental_dbfs": level,
        "level_dbfs": level,
        "thd_percent": 0.05,
        "even_dbc": -75.0,
        "odd_dbc": -70.0,
        "harmonic_count": np.minimum(np.floor(0.45 * rate_hz / pitch), 10.0).astype(np.int64),
        "harmonics_dbc": np.full((n, HARMONIC_COLUMNS - 1), -90.0),
        "harmonic_phase_rad": np.zeros((n, HARMONIC_COLUMNS - 1)),
        "noise_dbfs": -95.0,
        "crest_positive": 1.0,
        "crest_negative": 1.0,
        "flat_positive": 1.0,
        "flat_negative": 1.0,
        "slope_over_sine": 1.0,
        "dead_band": 0.0,
        "dc_fs": 0.0,
        "subharmonic_dbc": -95.0,
        "half_orders_fs": np.zeros((n, 3), dtype=np.complex64),
        "residual_dbc": -80.0,
        "residual_peak_dbc": -75.0,
        "residual_peak_cycle": 0.0,
        "residual_fold": np.ones((n, 2, 16)),
        "spur_dbc": NOWHERE,
        "spur_hz": np.nan,
        "high_dbc": NOWHERE,
        "high_hz": np.nan,
        "frame_s": 0.04,
        "segment": np.zeros(n, dtype=np.int64),
        "hum_time_s": np.empty(0),
        "hum_dbfs": np.empty((0, 12)),
        "hum_floor_dbfs": np.empty((0, 12)),
        "phase_steps": (),
    }
    values = usual | columns
    for name, value in values.items():
        if np.ndim(value) == 0 and not isinstance(value, tuple):
            values[name] = np.full(n, value)
    envelope = values.pop("envelope", None) or envelope_of(time_s, pitch, 10 ** (level / 20))
    return Frames(sample_rate_hz=rate_hz, time_s=time_s, f0_hz=pitch, envelope=envelope, **values)


def envelope_of(time_s: Floats, f0_hz: Floats, amplitude_fs: Floats) -> Envelope:
    """Short frames between rows: level and pitch run straight."""
    if not len(time_s):
        empty = np.empty(0)
        return Envelope(
            time_s=empty, amplitude_fs=empty, rms_amplitude_fs=empty, f0_hz=empty, oscillating=np.zeros(0, dtype=bool)
        )
    fine = np.arange(float(time_s[0]) - 0.5 * ROW_S, float(time_s[-1]) + 0.5 * ROW_S, 0.002)
    level = np.interp(fine, time_s, amplitude_fs)
    return Envelope(
        time_s=fine,
        amplitude_fs=level,
        rms_amplitude_fs=level,
        f0_hz=np.interp(fine, time_s, f0_hz),
        oscillating=np.ones(len(fine), dtype=bool),
    )


def tone_on_grid(time_s: Floats, f0_hz: Any, log_level: Any, **changes: Any) -> BoardTone:
    """A tone on an even grid of its own."""
    n = len(time_s)
    level = np.broadcast_to(np.asarray(log_level, dtype=float), n)
    values: dict[str, Any] = {
        "time_s": time_s,
        "log_level": level,
        "f0_hz": np.broadcast_to(np.asarray(f0_hz, dtype=float), n),
        "tracked": np.ones(n, dtype=bool),
        "strong": np.ones(n, dtype=bool),
        "settled_log": float(np.median(level)),
        "rows": np.zeros(0, dtype=bool),
        "room": (),
        "grid_s": float(time_s[1] - time_s[0]),
    }
    return BoardTone(**(values | changes))


def tone_of(frames: Frames, **changes: Any) -> BoardTone:
    """The tone that some frames hold, on a grid of 5 ms."""
    time_s = np.arange(float(frames.time_s[0]) - 0.5 * ROW_S, float(frames.time_s[-1]) + 0.5 * ROW_S, 0.005)
    log = np.interp(time_s, frames.time_s, frames.level_dbfs) * np.log(10.0) / 20.0
    f0_hz = np.interp(time_s, frames.time_s, frames.f0_hz)
    return tone_on_grid(time_s, f0_hz, log, rows=frames.oscillating.copy(), **changes)


def mains_sidebands(level_dbc: float, rate_hz: float = 120.0, mains_hz: float = 60.0) -> MainsSidebands:
    """The same in two windows."""
    amplitude = np.full(2, 10 ** (level_dbc / 20))
    return MainsSidebands(
        mains_hz=mains_hz,
        rate_hz=rate_hz,
        level_dbc=level_dbc,
        start_s=0.0,
        end_s=1e6,
        time_s=np.array([1.0, 2.0]),
        amplitude=amplitude,
    )


def segment(start_s: float = 0.2, end_s: float = 1.8, f0_hz: float = 440.0, **changes: Any) -> SteadySegment:
    """One rest of the control, on a grid of 5 ms from 10 ms on."""
    values: dict[str, Any] = {"first": round((start_s - 0.01) / 0.005), "stop": round((end_s - 0.01) / 0.005) + 1}
    values |= {"start_s": start_s, "end_s": end_s, "f0_hz": f0_hz, "retune_s": None}
    return SteadySegment(**(values | changes))


def lost_samples(**changes: Any) -> LostSamples:
    """None lost, but for what is changed."""
    values: dict[str, Any] = {"places": (), "samples": 0.0, "phase_jumps": 0, "kinds": (), "zeros": ()}
    return LostSamples(**(values | {"missing_at_end": 0} | changes))


def account_of(frames: Frames | None = None, **changes: Any) -> Account:
    """The account of a healthy board's frames, with no part but its tone."""
    frames = frames if frames is not None else plain_frames()
    n = len(frames)
    none = np.full(n, -np.inf)
    values: dict[str, Any] = {
        "recorded": frames,
        "frames": frames,
        "tone": tone_of(frames) if n > 1 else None,
        "heard": SourceClass(source="oscillator", clean_share=1.0, residual_dbc=-80.0),
        "other_channel": None,
        "other_wave": None,
        "mains": None,
        "sidebands": None,
        "start": Start(shown=False),
        "silences": Silences(dropouts=(), stop=None),
        "lost_samples": lost_samples(),
        "cut": np.zeros(n, dtype=bool),
        "resting": np.ones(n, dtype=bool),
        "segments": (),
        "swings": (),
        "settlings": (),
        "waverings": (),
        "half_orders": HalfOrders(level_dbc=none, seen=np.ones(n, dtype=bool)),
        "bursts": Bursts(level_dbc=none, cycle=np.zeros(n)),
        "fixed_lines": (),
        "unexplained": np.zeros(n),
        "events": (),
        "judged": np.ones(n, dtype=bool),
        "ids": {"tone": "tone"},
    }
    return Account(**(values | changes))


def whole_damage(**changes: Any) -> Damage:
    """A damage scan that found nothing."""
    no_ints = np.zeros(0, dtype=np.int64)
    values: dict[str, Any] = {
        "overload": OverloadRuns(
            start_sample=no_ints,
            n_samples=no_ints.astype(np.int32),
            sign=no_ints.astype(np.int8),
            positive_level_fs=None,
            negative_level_fs=None,
        ),
        "lost_runs": LostRuns(start_sample=no_ints, n_samples=no_ints, kind=()),
        "n_scanned": 96_000,
        "peak_fs": 0.3,
        "rms_fs": 0.2,
        "dc_fs": 0.0,
        "n_nonfinite": 0,
        "missing_at_end_samples": 0,
    }
    return Damage(**(values | changes))


def described_account(**changes: Any) -> Account:
    """An account with parts and shares, as the report reads them."""
    where = {"start_s": 0.01, "end_s": 2.01, "f0_low_hz": 162.1, "f0_high_hz": 2160.4}
    parts = (
        Tone(id="tone", level_dbfs=-11.2, h2_dbc=-61.0, **where),
        Noise(id="noise", level_dbfs=-92.0, **where),
        AmplifiersCurve(
            id="curve",
            place="behind",
            positive_level_fs=0.31,
            one_half_lost_percent=9.33,
            sigma={"positive_level_fs": 0.0004},
            **where,
        ),
        LevelLawPart(id="level", span_db=2.2, time_span_db=0.1, highest_at_hz=2160.4, lowest_at_hz=162.1, **where),
        EventPart(id="start", event="start", start_s=0.3, end_s=0.5, rise_s=0.2),
        Modulation(id="wavering", start_s=0.6, end_s=1.9, rate_hz=5.0, pitch_cents=0.8),
    )
    shares = Shares(
        thd=(Share(part="curve", value=5.6), Share(part="tone", value=1.2), Share(part=None, value=0.4)),
        level_span=(Share(part="level", value=2.2), Share(part="curve", value=0.6)),
        pitch_scatter=(Share(part="wavering", value=0.8),),
        between_harmonics=(Share(part="noise", value=-81.0), Share(part=None, value=-95.0)),
    )
    ids = {"law": "level"} | {part.id: part.id for part in parts if part.id != "level"}
    return account_of(**({"parts": parts, "shares": shares, "ids": ids} | changes))
