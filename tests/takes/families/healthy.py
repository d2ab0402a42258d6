"""Random takes of builds that are in order, in forms that may mislead a check: nothing is to be said of them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect, truth, waves
from listen.demo.take_specs import TakeSpec
from listen.units import db_from_power_ratio, ratio_from_db
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator


def harmonic_shape(sizes: Floats, phases: Floats) -> Any:
    """Return a shape: a sine with harmonics 2.. of the given sizes and cosine phases."""

    def shape(phase: Floats, _f0: Floats, _rate: float) -> Floats:
        wave = np.cos(phase)
        for index, (size, turn) in enumerate(zip(sizes, phases, strict=True)):
            wave += size * np.cos((index + 2) * phase + turn)
        return wave

    return shape


def near_limits(m: truth.Measured, thd_limit_percent: float = 1.0) -> list[dict[str, Any]]:
    """Allow what comes within reach of a limit by chance; expect nothing."""
    found = []
    loss = max(float(np.nanmax(expect.crest_loss_percent(m, half))) for half in ("positive", "negative"))
    if loss > 1.6:
        found.append(expect.allowed("asymmetric-clipping", f"crest loss {loss:.2f} %"))
    for kind, part in (("even-order-distortion", m.even), ("odd-order-distortion", m.odd)):
        if float(np.nanmax(part)) * 100.0 > 0.85 * thd_limit_percent:
            found.append(expect.allowed(kind, f"{100.0 * float(np.nanmax(part)):.2f} %"))
    return found


def low_distortion(rng: Rng, total_percent: float) -> Any:
    """Return a shape with falling harmonics that sum to the given THD, random phases."""
    sizes = 10.0 ** (-rng.uniform(0.3, 1.0) * np.arange(5)) * rng.uniform(0.2, 1.0, 5)
    sizes *= total_percent / 100.0 / np.sqrt(np.sum(sizes**2))
    return harmonic_shape(sizes, rng.uniform(0.0, 2.0 * np.pi, 5))


def clean_sine(rng: Rng) -> TakeSpec:
    """A sine of THD 0.001 to 0.8 %, turned in any way."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=35.0)
    thd = pick.log_uniform(rng, 0.001, 0.8)
    return TakeSpec(
        family="healthy-sine",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 8.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, thd),
        expect=lambda m, _spec: near_limits(m),
        values={"thd_percent": thd},
    )


def any_rate(rng: Rng) -> TakeSpec:
    """The same at rates from 8 to 192 kHz."""
    rate = int(rng.choice([8000, 11025, 16000, 22050, 32000, 88200, 176400, 192000]))
    rec = pick.interface(rng, sample_rate_hz=rate)
    low, high = pick.pitch_range(rng, rate, lowest_hz=60.0, top_share=1 / 10)
    return TakeSpec(
        family="healthy-rate",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 5.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, pick.log_uniform(rng, 0.005, 0.6)),
        oversample=8 if rate < 80000 else 4,
        expect=lambda m, _spec: near_limits(m),
    )


def standard_wave(rng: Rng) -> TakeSpec:
    """A triangle, sawtooth, square or pulse, stated as such."""
    wave = str(rng.choice(["triangle", "triangle", "sawtooth", "square", "pulse"]))
    rec = pick.interface(rng, sample_rate_hz=int(rng.choice([44100, 48000, 96000])))
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0, top_share=1 / 40)
    duty = float(rng.uniform(0.12, 0.45))
    stated = "any" if wave == "pulse" or rng.random() < 0.15 else wave

    def shape(phase: Floats, _f0: Floats, _rate: float) -> Floats:
        return waves.triangle(phase) * np.pi**2 / 8.0

    return TakeSpec(
        family=f"healthy-{wave}",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-24.0, -10.0)),
        wave=stated,
        shape=shape if wave == "triangle" else None,
        series_of=None if wave == "triangle" else (wave, duty),
        values={"duty": duty},
    )


def mains_tone(rng: Rng) -> TakeSpec:
    """A tone exactly on the mains frequency or a multiple of it: no hum."""
    f0_hz = float(rng.choice([50.0, 60.0, 100.0, 120.0, 150.0, 180.0]))
    rec = pick.interface(rng, hum_dbfs=-110.0)
    length = float(rng.uniform(3.0, 5.0))
    control = controls.rest(f0_hz, length)
    if rng.random() < 0.3:
        control = controls.stairs([f0_hz, f0_hz * 2.0, f0_hz * 4.0], length / 3.0)
    return TakeSpec(
        family="healthy-mains-tone",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, pick.log_uniform(rng, 0.005, 0.5)),
        expect=lambda m, _spec: near_limits(m),
    )


def low_level(rng: Rng) -> TakeSpec:
    """Recorded low, at -36 to -44 dBFS."""
    rec = pick.interface(rng, noise_dbfs=float(rng.uniform(-106.0, -98.0)), hum_dbfs=-120.0, subtype="PCM_24")
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    return TakeSpec(
        family="healthy-low-level",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-44.0, -36.0)),
        shape=low_distortion(rng, 0.05),
    )


def low_notes(rng: Rng) -> TakeSpec:
    """Tones from 25 Hz through an input coupled at 8 to 20 Hz, which tilts and turns them by its own doing."""
    rec = pick.interface(rng, ac_coupling_hz=float(rng.uniform(8.0, 20.0)), hum_dbfs=-110.0)
    low = float(rng.uniform(25.0, 50.0))
    high = low * float(rng.uniform(2.5, 8.0))
    loss_db = db_from_power_ratio(1.0 + (rec.ac_coupling_hz / low) ** 2)
    return TakeSpec(
        family="healthy-low-notes",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, pick.log_uniform(rng, 0.01, 0.5)),
        expect=lambda m, _spec: near_limits(m),
        allowed={"level-drift": "the input's coupling loses level"} if loss_db > 0.6 else {},
        values={"loss_db": loss_db},
    )


def fast_sweep(rng: Rng) -> TakeSpec:
    """Three to six octaves in two to four seconds."""
    rec = pick.interface(rng)
    low = pick.log_uniform(rng, 40.0, 150.0)
    high = min(low * 2.0 ** float(rng.uniform(3.0, 6.0)), 5000.0)
    return TakeSpec(
        family="healthy-fast-sweep",
        control=pick.sweep(rng, low, high, float(rng.uniform(2.5, 4.5))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, pick.log_uniform(rng, 0.005, 0.6)),
        expect=lambda m, _spec: near_limits(m),
    )


def big_steps(rng: Rng) -> TakeSpec:
    """Steps of one to three octaves, up and down."""
    rec = pick.interface(rng)
    base = pick.log_uniform(rng, 80.0, 300.0)
    octaves = rng.choice([0.0, 1.0, 2.0, 3.0], size=int(rng.integers(4, 8)))
    return TakeSpec(
        family="healthy-big-steps",
        control=controls.stairs([float(base * 2.0**o) for o in octaves], float(rng.uniform(0.4, 1.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, pick.log_uniform(rng, 0.005, 0.6)),
        expect=lambda m, _spec: near_limits(m),
    )


def stated_diodes(rng: Rng) -> TakeSpec:
    """A diode limiter, stated: 1 to 2 % of third harmonic and 2 dB along the tuning are normal for it."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    third = float(rng.uniform(0.008, 0.021))
    span_db = float(rng.uniform(0.0, 2.3))
    turn = float(rng.uniform(130.0, 136.0)) * np.pi / 180.0

    def law(_time_s: Floats, f0_hz: Floats) -> Floats:
        return np.asarray(ratio_from_db(-span_db * np.log2(f0_hz / low) / np.log2(high / low)))

    return TakeSpec(
        family="healthy-diodes-stated",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0))),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        gain_control="diodes",
        shape=harmonic_shape(np.array([0.0, third, 0.0, third * 0.08]), np.array([0.0, turn, 0.0, 0.0])),
        envelope=law,
        expect=lambda m, _spec: (
            [expect.allowed("symmetric-clipping", "part of both crests is lost")]
            if float(np.nanmax(expect.crest_loss_percent(m, "both"))) > 1.6
            else []
        ),
        values={"third": third, "span_db": span_db},
    )


def two_channels(rng: Rng) -> TakeSpec:
    """A second channel beside the tone, or samples in floating point."""
    rec = pick.interface(rng, subtype=str(rng.choice(["FLOAT", "PCM_24"])))
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    control = pick.steps(rng, low, high, float(rng.uniform(4.0, 6.0)))

    def volts(time_s: Floats) -> Floats:
        return np.asarray(np.log2(control.f0_hz(time_s) / low) / 10.0)

    return TakeSpec(
        family="healthy-two-channels",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        shape=low_distortion(rng, 0.1),
        second_channel=volts,
    )


def noisy(rng: Rng) -> TakeSpec:
    """A clean tone in a noisy room: 55 to 62 dB above the noise."""
    level = float(rng.uniform(-15.0, -4.0))
    rec = pick.interface(rng, noise_dbfs=level - float(rng.uniform(55.0, 62.0)))
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    return TakeSpec(
        family="healthy-noisy",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0))),
        recorder=rec,
        level_dbfs=level,
        shape=low_distortion(rng, 0.2),
    )


def scratchy(rng: Rng) -> TakeSpec:
    """A worn track: pitch and level tremble while the control moves, and only then."""
    rec = pick.interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz)
    length = float(rng.uniform(5.0, 7.0))
    control = controls.turn([low, high, low], [length * s for s in (0.25, 0.15, 0.25, 0.15, 0.2)])
    grid_s = np.arange(-2.0, length + 2.0, 0.004)
    tremble, flicker = rng.standard_normal((2, len(grid_s)))
    held = control.held_s()
    moving = np.array([not any(a - 0.03 <= t <= b + 0.03 for a, b in held) for t in grid_s]) & (grid_s > 0.0)
    cents = float(rng.uniform(3.0, 12.0)) * tremble * moving
    decibels = float(rng.uniform(0.03, 0.15)) * flicker * moving

    return TakeSpec(
        family="healthy-scratchy",
        control=control,
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        wander_cents=lambda time_s, _f0: np.interp(time_s, grid_s, cents),
        envelope=lambda time_s, _f0: ratio_from_db(np.interp(time_s, grid_s, decibels)),
        allowed={"parasitic-oscillation": "the track crackles", "capture-gap": "the track crackles"},
    )


FAMILIES = [
    scratchy,
    clean_sine,
    clean_sine,
    any_rate,
    standard_wave,
    standard_wave,
    mains_tone,
    low_level,
    low_notes,
    fast_sweep,
    big_steps,
    stated_diodes,
    two_channels,
    noisy,
]
