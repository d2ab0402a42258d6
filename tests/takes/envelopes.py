"""How the level moves in time: growth, death and growth again, hunting, settling; and how a pitch wanders."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import signal

from tests.takes.strokes import LATTICE_HZ

Floats = NDArray[np.float64]
Rng = np.random.Generator

RISE_TIME_CONSTANTS = float(np.log(100.0) + np.log(0.9 / np.sqrt(1.0 - 0.81)))
"""1 % to 90 % of a level that grows exponentially into a soft limiter: 5.33 time constants."""


@njit(cache=True)
def grow(rate_per_s: Floats, powered: NDArray[np.bool_], kick: float, noise: float, out: Floats) -> None:
    """Solve da/dt = s a (1 - a^2) where s > 0 and da/dt = s a where s < 0; the loop's noise is the least level.

    The limiter of a self-limiting loop, averaged over the cycle (van der Pol); exact from point to point.
    """
    step_s = 1.0 / LATTICE_HZ
    level = 0.0
    for n in range(len(out)):
        if not powered[n]:
            level = 0.0
        else:
            if level == 0.0:
                level = kick
            s = rate_per_s[n]
            if s > 0.0:
                up = np.exp(2.0 * s * step_s)
                power = level * level
                level = np.sqrt(power * up / (1.0 + power * (up - 1.0)))
            else:
                level *= np.exp(s * step_s)
            level = max(level, noise)
        out[n] = level


def growth_rate(rise_s: float) -> float:
    """Return the growth in 1/s for a time from 1 % to 90 %."""
    return RISE_TIME_CONSTANTS / rise_s


def settling_ring(octaves: Floats, damping: float, natural_rad_s: float) -> Floats:
    """Return the response of a second-order level loop to the pitch's moves: a step of one octave starts at 1.

    s^2/(s^2 + 2 z w s + w^2) on the lattice (bilinear); slow turns hardly excite it.
    """
    b, a = signal.bilinear([1.0, 0.0, 0.0], [1.0, 2.0 * damping * natural_rad_s, natural_rad_s**2], LATTICE_HZ)
    return np.asarray(signal.lfilter(b, a, octaves - octaves[0]))


def swing(time_s: Floats, rate_hz: float, shape: str, start_rad: float) -> Floats:
    """Return a periodic swing of peak 1: a sine, or a relaxation that falls slowly and recovers quickly."""
    if shape == "sine":
        return np.sin(2.0 * np.pi * rate_hz * time_s + start_rad)
    place = np.mod(rate_hz * time_s + start_rad / (2.0 * np.pi), 1.0)
    rise = 0.18
    up = 0.5 - 0.5 * np.cos(np.pi * np.clip(place / rise, 0.0, 1.0))
    down = np.exp(-2.2 * (place - rise) / (1.0 - rise))
    least = np.exp(-2.2)
    slow = (down - least) / (1.0 - least)
    return np.where(place < rise, 2.0 * up - 1.0, 2.0 * slow - 1.0)


def band_noise(rng: Rng, length_s: float, top_hz: float, *, rate_hz: float = LATTICE_HZ, low_hz: float = 0.0) -> Floats:
    """Return noise of r.m.s. 1 between two frequencies, on the lattice."""
    count = int(length_s * rate_hz) + 8
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    spectrum[(hz > top_hz) | (hz < low_hz)] = 0.0
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.std(noise))


def gate(time_s: Floats, start_s: float, end_s: float, edge_s: float) -> Floats:
    """Return 1 inside an interval, 0 outside, with raised-cosine edges inside it."""
    into = np.clip((time_s - start_s) / edge_s, 0.0, 1.0)
    out_of = np.clip((end_s - time_s) / edge_s, 0.0, 1.0)
    edge = np.minimum(into, out_of)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * edge))


def decay(time_s: Floats, start_s: float, time_constant_s: float) -> Floats:
    """Return 1 until ``start_s``, then an exponential fall: the supply is switched off."""
    return np.exp(-np.maximum(time_s - start_s, 0.0) / time_constant_s)
