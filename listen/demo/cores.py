"""Triangle, square and sawtooth cores solved event by event; a phase-shift ladder and two integrators in a ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OUTPUT_OVERSAMPLING = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """An integrator between two thresholds.

    Attributes
    ----------
    threshold_v : float
        Half the swing of a triangle, the whole swing of a sawtooth.
    rise_share : float
        Part of an ideal cycle for which a triangle rises; 0.5 is symmetrical.
    delay_s : float
        The comparator is late by so much: the wave overshoots and the pitch is flat at the top.
    reset_s : float
        A sawtooth falls in so much time.
    miss_share : float
        Every other threshold of a sawtooth is so much (of it) higher.
    """

    threshold_v: float = 5.0
    rise_share: float = 0.5
    delay_s: float = 0.0
    reset_s: float = 2e-6
    miss_share: float = 0.0


@njit(cache=True)
def _triangle(f0_hz: Floats, sample_s: float, numbers: Floats, triangle: Floats, square: Floats) -> None:
    """Integrate up and down; crossings are exact within a sample, the square is its mean over the sample."""
    peak, rise, delay = numbers[0], numbers[1], numbers[2]
    v = 0.0
    way = 1.0
    for n in range(len(triangle)):
        triangle[n] = v
        remaining_s = sample_s
        high = 0.0
        while remaining_s > 0.0:
            share = rise if way > 0.0 else 1.0 - rise
            slope = 2.0 * peak * f0_hz[n] / share
            goal = peak + slope * delay
            needed = (goal - way * v) / slope
            if needed > remaining_s:
                v += way * slope * remaining_s
                high += way * remaining_s
                remaining_s = 0.0
            else:
                v = way * goal
                high += way * needed
                remaining_s -= needed
                way = -way
        square[n] = high / sample_s


@njit(cache=True)
def _sawtooth(f0_hz: Floats, sample_s: float, numbers: Floats, out: Floats) -> None:
    """Ramp and reset; the output is its mean over the sample, so that the fast fall does not fold back."""
    swing, delay, reset, miss = numbers[0], numbers[1], numbers[2], numbers[3]
    v = 0.0
    falling = 0.0
    fall_slope = 0.0
    odd = False
    for n in range(len(out)):
        remaining_s = sample_s
        area = 0.0
        slope = swing * f0_hz[n]
        while remaining_s > 0.0:
            if falling > 0.0:
                step = min(remaining_s, falling)
                area += step * (v - 0.5 * fall_slope * step)
                v -= fall_slope * step
                falling -= step
                if falling <= 0.0:
                    v = 0.0
            else:
                top = swing * (1.0 + (miss if odd else 0.0)) + slope * delay
                step = (top - v) / slope
                if step > remaining_s:
                    step = remaining_s
                    area += step * (v + 0.5 * slope * step)
                    v += slope * step
                else:
                    area += step * (v + 0.5 * slope * step)
                    v = top
                    falling = reset
                    fall_slope = top / reset
                    odd = not odd
            remaining_s -= step
        out[n] = area / sample_s - 0.5 * swing


def triangle_core(f0_hz: Floats, output_rate_hz: float, core: Core) -> tuple[Floats, Floats]:
    """Return the triangle and the square (of the same core), in volts and in -1..1.

    Parameters
    ----------
    f0_hz : ndarray
        Pitch that the charging current stands for, one value an output sample; delays make the real one flat.
    output_rate_hz : float
    core : Core
    """
    triangle, square = np.empty_like(f0_hz), np.empty_like(f0_hz)
    _triangle(
        f0_hz, 1.0 / output_rate_hz, np.array([core.threshold_v, core.rise_share, core.delay_s]), triangle, square
    )
    return triangle, square


def sawtooth_core(f0_hz: Floats, output_rate_hz: float, core: Core) -> Floats:
    """Return the sawtooth, in volts about its middle; its pitch is 1 / (1/f0 + delay and reset)."""
    out = np.empty_like(f0_hz)
    numbers = np.array([core.threshold_v, core.delay_s, core.reset_s, core.miss_share])
    _sawtooth(f0_hz, 1.0 / output_rate_hz, numbers, out)
    return out


@njit(cache=True)
def _ladder_slopes(x: Floats, omega: float, numbers: Floats, out: Floats) -> None:
    """Three RC sections and an inverting amplifier whose output bends toward two limits."""
    gain, high, low, amp_rad_s, hardness = numbers[0], numbers[1], numbers[2], numbers[3], numbers[4]
    out[0] = omega * (x[3] - 2.0 * x[0] + x[1])
    out[1] = omega * (x[0] - 2.0 * x[1] + x[2])
    out[2] = omega * (x[1] - x[2])
    wanted = -gain * (x[2] + numbers[5])
    limit = high if wanted > 0.0 else low
    bent = wanted / (1.0 + abs(wanted / limit) ** hardness) ** (1.0 / hardness)
    out[3] = amp_rad_s * (bent - x[3])


@njit(cache=True)
def _integrator_slopes(x: Floats, omega: float, numbers: Floats, out: Floats) -> None:
    """Two integrators in a ring, a little regeneration, two diodes (through a resistor) against it."""
    growth, diode_share, saturation, emission = numbers[0], numbers[1], numbers[2], numbers[3]
    bent = saturation * np.sinh(min(max(x[1] / emission, -30.0), 30.0))
    out[0] = omega * x[1]
    out[1] = omega * (-x[0] + growth * x[1] - diode_share * bent + numbers[5] * 1e-3)


@njit(cache=True)
def _march(kind: int, omega: Floats, h: float, substeps: int, numbers: Floats, x: Floats, out: Floats) -> None:
    """Fourth-order Runge-Kutta through an autonomous loop."""
    size = len(x)
    k1, k2, k3, k4, there = np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size)
    h = h / substeps
    for n in range(len(out)):
        out[n] = x[3] if kind == 0 else x[0]
        for _ in range(substeps):
            for stage in range(4):
                target = k1 if stage == 0 else k2 if stage == 1 else k3 if stage == 2 else k4
                for i in range(size):
                    if stage == 0:
                        there[i] = x[i]
                    elif stage == 1:
                        there[i] = x[i] + 0.5 * h * k1[i]
                    elif stage == 2:
                        there[i] = x[i] + 0.5 * h * k2[i]
                    else:
                        there[i] = x[i] + h * k3[i]
                if kind == 0:
                    _ladder_slopes(there, omega[n], numbers, target)
                else:
                    _integrator_slopes(there, omega[n], numbers, target)
            for i in range(size):
                x[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i])


def phase_shift_ladder(
    f0_hz: Floats,
    output_rate_hz: float,
    *,
    gain: float = 29.6,
    high_v: float = 9.0,
    low_v: float = -9.0,
    hardness: float = 4.0,
    amp_hz: float = 150e3,
    kick_v: float = 1e-3,
) -> Floats:
    """Return the output of a phase-shift oscillator: three equal RC sections (low-pass, unbuffered), gain over 29.

    The pitch is sqrt(6)/(2 pi R C) with an ideal amplifier (Fundamentals of electronics texts; from memory).
    """
    omega = 2.0 * np.pi * f0_hz / np.sqrt(6.0)
    out = np.empty_like(f0_hz)
    numbers = np.array([gain, high_v, -low_v, 2.0 * np.pi * amp_hz, hardness, 2e-5])
    substeps = int(np.ceil(4.0 * amp_hz / output_rate_hz))
    _march(0, omega, 1.0 / output_rate_hz, substeps, numbers, np.array([0.0, 0.0, kick_v, 0.0]), out)
    return out


def two_integrators(
    f0_hz: Floats,
    output_rate_hz: float,
    *,
    growth: float = 0.03,
    diode_share: float = 1.0,
    saturation: float = 1e-9,
    emission_v: float = 0.25,
    kick_v: float = 1e-2,
) -> Floats:
    """Return one output of a quadrature oscillator: two integrators, regeneration, a diode limiter."""
    omega = 2.0 * np.pi * f0_hz
    out = np.empty_like(f0_hz)
    numbers = np.array([growth, diode_share, saturation, emission_v, 0.0, 0.02])
    _march(1, omega, 1.0 / output_rate_hz, 1, numbers, np.array([kick_v, 0.0]), out)
    return out
