"""Waveforms against phase: what clipping, curvature, dead bands and slewing make of a sine, and the standard waves."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Half = Literal["positive", "negative", "both"]


def clip(wave: Floats, limit: Floats | float, half: Half) -> Floats:
    """Cut one half, or both, at ``limit`` (of the peak)."""
    if half == "positive":
        return np.asarray(np.minimum(wave, limit))
    if half == "negative":
        return np.asarray(np.maximum(wave, -np.asarray(limit)))
    return np.asarray(np.minimum(np.maximum(wave, -np.asarray(limit)), limit))


def soft_clip(wave: Floats, limit: Floats | float, half: Half, knee: float) -> Floats:
    """Cut like ``clip`` with a corner rounded over about ``knee`` (a rail takes over within 0.1 V or so)."""

    def soft_minimum(values: Floats, ceiling: Floats | float) -> Floats:
        return -knee * np.logaddexp(-values / knee, -np.asarray(ceiling) / knee)

    if half in ("positive", "both"):
        wave = soft_minimum(wave, limit)
    if half in ("negative", "both"):
        wave = -soft_minimum(-wave, limit)
    return wave


def dead_band(wave: Floats, width: Floats | float) -> Floats:
    """Return a crossover gap: nothing within ``width`` of zero, the rest moved in."""
    return np.sign(wave) * np.maximum(np.abs(wave) - width, 0.0)


def triangle(phase: Floats, rise: float = 0.5) -> Floats:
    """Return a triangle of peak 1 that rises for the part ``rise`` of the cycle, its crest at phase 0."""
    place = np.mod(phase / (2.0 * np.pi), 1.0)
    falling = 1.0 - 2.0 * place / (1.0 - rise)
    rising = 1.0 - 2.0 * (1.0 - place) / rise
    return np.where(place < 1.0 - rise, falling, rising)


def series(wave: str, count: int, duty: float = 0.5) -> tuple[Floats, Floats]:
    """Return cosine and sine coefficients 1..count of a wave with jumps, fundamental's amplitude 1.

    ``square`` is a pulse of duty 0.5 centred on phase 0, ``pulse`` one of any duty, ``sawtooth`` rises through
    phase -pi..pi and falls at pi. Any handbook's Fourier series.
    """
    k = np.arange(1, count + 1, dtype=np.float64)
    if wave == "sawtooth":
        return np.zeros(count), 2.0 / (np.pi * k) * np.where(k % 2 == 1, 1.0, -1.0) * (np.pi / 2.0)
    if wave not in ("square", "pulse"):
        raise ValueError(f"no series for a {wave}")
    share = 0.5 if wave == "square" else duty
    coefficients = 2.0 * np.sin(np.pi * k * share) / (np.pi * k)
    return coefficients / coefficients[0], np.zeros(count)


@njit(cache=True)
def sum_series(
    phase: Floats, f0_hz: Floats, sample_rate_hz: float, cosines: Floats, sines: Floats, out: Floats
) -> None:
    """Add up a series sample by sample; the recorder's low-pass (0.45 to 0.5 of the rate) is part of the sum."""
    for n in range(len(phase)):
        top = min(len(cosines), int(0.5 * sample_rate_hz / f0_hz[n]))
        c1 = np.cos(phase[n])
        s1 = np.sin(phase[n])
        c, s = 1.0, 0.0
        total = 0.0
        for k in range(1, top + 1):
            c, s = c * c1 - s * s1, s * c1 + c * s1
            place = k * f0_hz[n] / sample_rate_hz
            gain = 1.0
            if place > 0.45:
                gain = 0.5 + 0.5 * np.cos(np.pi * (place - 0.45) / 0.05)
            total += gain * (cosines[k - 1] * c + sines[k - 1] * s)
        out[n] = total


@njit(cache=True)
def slew(wave: Floats, step_up: float, step_down: float, out: Floats) -> None:
    """Follow the wave with at most ``step_up`` and ``step_down`` a sample."""
    held = wave[0]
    for n in range(len(wave)):
        change = wave[n] - held
        if change > step_up:
            change = step_up
        elif change < -step_down:
            change = -step_down
        held += change
        out[n] = held
