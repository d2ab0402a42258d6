"""Random controls and recorders, as different hands and interfaces would give."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls
from listen.demo.recorder import Recorder

Floats = NDArray[np.float64]
Rng = np.random.Generator


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Return a number whose logarithm is evenly spread."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def interface(rng: Rng, **fixed: Any) -> Recorder:
    """Return an ordinary interface: clean, AC-coupled at a few hertz."""
    settings: dict[str, Any] = {
        "sample_rate_hz": int(rng.choice([44100, 44100, 48000, 48000, 48000, 48000, 96000, 22050, 32000, 88200])),
        "dc_fs": float(rng.choice([0.0, 0.0, 0.0, rng.uniform(-0.03, 0.03)])),
        "ac_coupling_hz": log_uniform(rng, 1.0, 6.0),
        "noise_dbfs": float(rng.uniform(-100.0, -84.0)),
        "hum_hz": float(rng.choice([50.0, 60.0])),
        "hum_dbfs": float(rng.uniform(-112.0, -97.0)),
        "subtype": str(rng.choice(["PCM_24", "PCM_24", "PCM_16"])),
    }
    return Recorder(**(settings | fixed))


def plain_interface(rng: Rng) -> Recorder:
    """Return an interface at 44.1 or 48 kHz."""
    return interface(rng, sample_rate_hz=int(rng.choice([44100, 48000, 48000])))


def level_dbfs(rng: Rng) -> float:
    """Return a recording level as builders set it."""
    return float(rng.uniform(-22.0, -3.5))


def hand(rng: Rng, low_hz: float, high_hz: float, duration_s: float) -> controls.Control:
    """Return rests and smooth strokes that visit both ends of the range."""
    middle = log_uniform(rng, low_hz * 1.2, high_hz / 1.2)
    tours = [
        [low_hz, high_hz],
        [low_hz, middle, high_hz],
        [low_hz, high_hz, low_hz],
        [low_hz, high_hz, middle],
        [high_hz, low_hz, middle],
    ]
    tour = tours[int(rng.integers(len(tours)))]
    weights = rng.uniform(0.6, 1.4, 2 * len(tour) - 1)
    weights[0::2] *= 0.7
    seconds = weights / weights.sum() * duration_s
    shape = "resistance" if rng.random() < 0.4 else "smooth"
    return controls.turn(tour, list(seconds), shape=shape)  # type: ignore[arg-type]


def sweep(rng: Rng, low_hz: float, high_hz: float, duration_s: float) -> controls.Control:
    """Return an exponential sweep, up, down, or up and down."""
    way = int(rng.integers(3))
    if way == 2:
        return controls.turn(
            [low_hz, high_hz, low_hz], [0.0, duration_s / 2, 0.0, duration_s / 2, 0.0], shape="exponential"
        )
    ends = [low_hz, high_hz] if way == 0 else [high_hz, low_hz]
    return controls.turn(ends, [0.3, duration_s - 0.6, 0.3], shape="exponential")


def steps(
    rng: Rng, low_hz: float, high_hz: float, duration_s: float, *, hold_s: float | None = None
) -> controls.Control:
    """Return a staircase, up or up and down, each step held evenly."""
    hold = hold_s or float(rng.uniform(0.5, 1.2))
    count = max(2, round(duration_s / hold))
    updown = bool(rng.random() < 0.4) and count >= 5
    up = count if not updown else (count + 1) // 2
    pitches = list(np.geomspace(low_hz, high_hz, up))
    if updown:
        pitches += pitches[-2::-1]
    elif rng.random() < 0.3:
        pitches = pitches[::-1]
    return controls.stairs([float(p) for p in pitches], hold)


def any_control(rng: Rng, low_hz: float, high_hz: float, duration_s: float) -> controls.Control:
    """Return a hand's turn, a sweep or a staircase."""
    kind = rng.random()
    if kind < 0.55:
        return hand(rng, low_hz, high_hz, duration_s)
    if kind < 0.75:
        return sweep(rng, low_hz, high_hz, duration_s)
    return steps(rng, low_hz, high_hz, duration_s)


def pitch_range(rng: Rng, rate_hz: float, *, lowest_hz: float = 50.0, top_share: float = 1 / 14) -> tuple[float, float]:
    """Return the ends of a tuning range of two to four octaves."""
    octaves = float(rng.uniform(1.8, 4.0))
    high_limit = min(4500.0, rate_hz * top_share)
    low = log_uniform(rng, lowest_hz, max(lowest_hz * 1.2, high_limit / 2.0**octaves))
    return low, min(high_limit, low * 2.0**octaves)


def where(rng: Rng, low_hz: float, high_hz: float) -> tuple[Callable[[Floats], Floats], str]:
    """Return a law 0..1 of the pitch (where a fault bites) and its description."""
    octaves = np.log2(high_hz / low_hz)
    kind = rng.random()
    if kind < 0.25:
        return (lambda f0_hz: np.ones_like(f0_hz)), "everywhere"
    onset = low_hz * 2.0 ** (octaves * float(rng.uniform(0.2, 0.65)))
    width = float(rng.uniform(0.1, 0.6)) * octaves * 0.5
    if kind < 0.75:
        return (lambda f0_hz: np.clip(np.log2(f0_hz / onset) / width, 0.0, 1.0)), f"above {onset:.1f} Hz"
    if kind < 0.9:
        return (lambda f0_hz: np.clip(np.log2(onset / f0_hz) / width, 0.0, 1.0)), f"below {onset:.1f} Hz"
    top = high_hz * 2.0 ** (-0.15 * octaves)
    return (
        lambda f0_hz: np.clip(np.minimum(np.log2(f0_hz / onset), np.log2(top / f0_hz)) / (0.15 * octaves), 0.0, 1.0)
    ), f"from {onset:.1f} to {top:.1f} Hz"


def depth(rng: Rng, attention: float, fault: float, *, heavy: float) -> float:
    """Return a strength: below attention (x0.7), just above (x1.3), between, about the fault limit, heavy."""
    choice = int(rng.integers(6))
    return float(
        [attention * 0.7, attention * 1.35, np.sqrt(attention * fault) * 1.1, fault * 1.3, heavy, heavy * 0.6][choice]
    )
