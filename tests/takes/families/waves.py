"""Random takes of triangles, sawtooths and squares with something wrong, stated as such."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect, truth, waves
from listen.demo.take_specs import TakeSpec, WaveFunction
from tests.takes.families import added as families_added
from tests.takes.families import level as families_level
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator

ANY_SHAPE = (
    "asymmetric-clipping",
    "symmetric-clipping",
    "even-order-distortion",
    "odd-order-distortion",
    "slew-limiting",
)


def triangle_shape(rise: float = 0.5, low: float = -1.0, high: float = 1.0) -> WaveFunction:
    """Return a triangle, its fundamental near 1, that may lean and may be cut."""

    def shape(phase: Floats, _f0: Floats, _rate: float) -> Floats:
        return np.asarray(np.clip(waves.triangle(phase, rise), low, high) * np.pi**2 / 8.0)

    return shape


def not_the_shape(rng: Rng) -> TakeSpec:
    """A standard wave whose level, pitch, start or recording is at fault."""
    makers = [
        families_level.level_with_pitch,
        families_level.hunting,
        families_level.slow_start,
        families_level.dropout,
        families_level.wander,
        families_added.hum_added,
        families_added.gaps,
        families_added.alternate_cycles,
    ]
    base = makers[int(rng.integers(len(makers)))](rng)
    wave = str(rng.choice(["triangle", "triangle", "sawtooth", "square"]))
    return replace(
        base,
        family=f"{wave}-{base.family}",
        wave=wave,
        level_dbfs=min(base.level_dbfs, -9.0) - 3.0,
        # The hum keeps its distance from the tone.
        recorder=replace(
            base.recorder, hum_dbfs=base.recorder.hum_dbfs + min(base.level_dbfs, -9.0) - 3.0 - base.level_dbfs
        ),
        shape=triangle_shape() if wave == "triangle" else None,
        series_of=None if wave == "triangle" else (wave, 0.5),
        allowed={**base.allowed, "capture-bandwidth": "a matter of the recording"},
    )


def leaning_or_uneven(rng: Rng) -> TakeSpec:
    """A triangle that leans, or a square whose halves are not equal: even harmonics, a little or much."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0, top_share=1 / 40)
    wave = str(rng.choice(["triangle", "square"]))
    off = float(rng.choice([0.0, 0.001, 0.05, 0.08, 0.12])) * float(rng.choice([-1.0, 1.0]))

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        if abs(off) < 0.002:
            return []
        kind = "slope-asymmetry" if wave == "triangle" else "duty"
        whole = [[0.02, round(spec.control.end_s - 0.02, 3)]]
        return [expect.finding(kind, "fault", whole, also=ANY_SHAPE, evidence={"off": off})]

    return TakeSpec(
        family=f"{wave}-uneven" if abs(off) > 0.002 else f"healthy-{wave}-even",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-22.0, -10.0)),
        wave=wave,
        shape=triangle_shape(0.5 + off) if wave == "triangle" else None,
        series_of=None if wave == "triangle" else ("pulse", 0.5 + off),
        expect=judge,
        allowed=dict.fromkeys(ANY_SHAPE, "the shape is off") if abs(off) > 0.002 else {},
        values={"off": off},
    )


def cut_triangle(rng: Rng) -> TakeSpec:
    """A triangle with one tip, or both, cut off."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0, top_share=1 / 40)
    half = str(rng.choice(["positive", "negative", "both"]))
    at = float(rng.choice([0.6, 0.7, 0.8]))
    kind = "symmetric-clipping" if half == "both" else "asymmetric-clipping"

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        whole = [[0.02, round(spec.control.end_s - 0.02, 3)]]
        return [expect.finding(kind, "fault", whole, half=half, also=ANY_SHAPE, evidence={"cut_at": at})]

    return TakeSpec(
        family="triangle-cut",
        control=pick.any_control(rng, low, high, float(rng.uniform(3.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-22.0, -10.0)),
        wave="triangle",
        shape=triangle_shape(0.5, -at if half != "positive" else -1.0, at if half != "negative" else 1.0),
        expect=judge,
        allowed=dict.fromkeys(set(ANY_SHAPE) - {kind}, "the shape is off"),
        values={"half": half, "cut_at": at},
    )


def switched_off(rng: Rng) -> TakeSpec:
    """A clean tone that is switched off before the recording ends: whether that is a dropout is a matter of taste."""
    rec = pick.interface(rng)
    f0_hz = pick.log_uniform(rng, 90.0, 1500.0)
    length = float(rng.uniform(3.0, 5.0))
    off_s = length - float(rng.uniform(0.4, 1.2))
    return TakeSpec(
        family="healthy-switched-off",
        control=controls.rest(f0_hz, length),
        recorder=rec,
        level_dbfs=pick.level_dbfs(rng),
        envelope=lambda time_s, _f0: np.exp(-np.maximum(time_s - off_s, 0.0) / 0.02),
        allowed=dict.fromkeys(("oscillation-dropout", "level-drift", "amplitude-bounce"), "switched off"),
        values={"off_s": off_s},
    )


FAMILIES = [not_the_shape, not_the_shape, not_the_shape, leaning_or_uneven, cut_triangle, switched_off]
