"""What is added to the wave: bursts, half orders, hum, thumps, noise of any colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator


def from_db(db: float) -> float:
    """Ratio of amplitudes."""
    return float(10.0 ** (db / 20.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """An amplifier that oscillates by itself on a part of the cycle, or all the time.

    Attributes
    ----------
    hz : float
    centre_turns, width_turns : float
        Place of its peak in the cycle (0 is the positive crest) and half of its length; a width of 0: always.
    starts : str
        ``own``: an oscillation that runs on, only let through; ``again``: it grows anew in every cycle, from noise.
    """

    hz: float
    centre_turns: float
    width_turns: float
    starts: str


def burst_wave(burst: Burst, phase: Floats, time_s: Floats, rng: Rng) -> Floats:
    """Return the burst with r.m.s. 1 over whole cycles."""
    own = np.sqrt(2.0) * np.sin(2.0 * np.pi * burst.hz * time_s + rng.uniform(0.0, 6.28))
    if burst.width_turns == 0.0:
        return own
    turns = phase / (2.0 * np.pi) - burst.centre_turns
    number = np.rint(turns)
    away = turns - number
    window = np.where(np.abs(away) < burst.width_turns, np.cos(0.5 * np.pi * away / burst.width_turns) ** 2, 0.0)
    if burst.starts == "again":
        begins = rng.uniform(0.0, 2.0 * np.pi, 4096)[number.astype(np.int64) % 4096]
        own = np.sqrt(2.0) * np.sin(2.0 * np.pi * burst.hz * time_s + begins)
    # The mean of cos^4 over its window is 3/8, and the window is two widths of the cycle.
    return np.asarray(window * own / np.sqrt(0.75 * burst.width_turns))


def half_order_wave(phase: Floats, shares: Floats, turns: Floats) -> Floats:
    """Return lines at 1/2, 3/2, 5/2 of the pitch, r.s.s. of their amplitudes 1."""
    shares = shares / np.sqrt(np.sum(shares**2))
    wave = np.zeros_like(phase)
    for index, (share, turn) in enumerate(zip(shares, turns, strict=True)):
        if share > 0.0:
            wave += share * np.cos((index + 0.5) * phase + turn)
    return wave


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hum:
    """A family of mains lines: r.s.s. of their amplitudes is 1.

    Attributes
    ----------
    mains_hz : float
    shares, turns : ndarray
        Amplitude and phase of the multiples 1, 2, ...
    breath_hz, breath_depth : float
        The level swells slowly, as cables and loads move.
    """

    mains_hz: float
    shares: Floats
    turns: Floats
    breath_hz: float = 0.0
    breath_depth: float = 0.0


def draw_hum(rng: Rng, mains_hz: float, *, breathing: bool = False) -> Hum:
    """Return hum as cables pick it up: the first multiples, odd or even ones ahead, falling."""
    count = int(rng.integers(3, 9))
    shares = rng.uniform(0.3, 1.0, count) * np.arange(1, count + 1) ** -float(rng.uniform(0.5, 1.3))
    kind = rng.random()
    if kind < 0.4:
        shares[1::2] *= 0.15
    elif kind < 0.6:
        shares[0::2] *= 0.15
    return Hum(
        mains_hz=mains_hz * (1.0 + float(rng.uniform(-4e-4, 4e-4))),
        shares=shares / np.sqrt(np.sum(shares**2)),
        turns=rng.uniform(0.0, 2.0 * np.pi, count),
        breath_hz=float(rng.uniform(0.05, 0.3)) if breathing else 0.0,
        breath_depth=float(rng.uniform(0.05, 0.15)) if breathing else 0.0,
    )


@njit(cache=True)
def _lines(step_rad: float, shares: Floats, turns: Floats, out: Floats) -> None:
    for n in range(len(out)):
        c1, s1 = np.cos(step_rad * n), np.sin(step_rad * n)
        c, s = 1.0, 0.0
        total = 0.0
        for k in range(len(shares)):
            c, s = c * c1 - s * s1, s * c1 + c * s1
            total += shares[k] * (c * np.cos(turns[k]) - s * np.sin(turns[k]))
        out[n] = total


def hum_wave(hum: Hum, count: int, rate_hz: float) -> Floats:
    """Return the hum from the file's first sample, r.s.s. of amplitudes 1."""
    out = np.empty(count)
    _lines(2.0 * np.pi * hum.mains_hz / rate_hz, hum.shares, hum.turns, out)
    if hum.breath_depth > 0.0:
        out *= 1.0 + hum.breath_depth * np.sin(2.0 * np.pi * hum.breath_hz * np.arange(count) / rate_hz + hum.turns[0])
    return out


def coloured(rng: Rng, count: int, rate_hz: float, slope_db_per_octave: float, *, low_hz: float = 8.0) -> Floats:
    """Return noise of r.m.s. 1 whose spectrum falls by so many dB an octave (0 white, 3 pink, 6 brown)."""
    length = 1 << int(np.ceil(np.log2(max(count, 2))))
    spectrum = np.fft.rfft(rng.standard_normal(length))
    hz = np.fft.rfftfreq(length, 1.0 / rate_hz)
    spectrum *= np.maximum(hz, low_hz) ** (-slope_db_per_octave / 6.0206)
    spectrum[hz < 0.5 * low_hz] = 0.0
    noise = np.fft.irfft(spectrum, length)[:count]
    return np.asarray(noise / np.std(noise))


def thump(time_s: Floats, at_s: float, settle_s: float) -> Floats:
    """Return a step that a coupling capacitor lets settle: power or a plug."""
    after = np.maximum(time_s - at_s, 0.0)
    return np.where(time_s >= at_s, np.exp(-after / settle_s), 0.0)


def knock(
    rng: Rng, count: int, rate_hz: float, at_s: float, *, low_hz: float = 60.0, high_hz: float = 1800.0
) -> Floats:
    """Return a knock on the table: a few damped modes of wood, loudest 10 ms of r.m.s. 1."""
    time_s = np.arange(count) / rate_hz - at_s
    first = max(int(at_s * rate_hz), 0)
    last = min(first + int(0.6 * rate_hz), count)
    wave = np.zeros(count)
    here = time_s[first:last]
    for _ in range(int(rng.integers(4, 9))):
        hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(high_hz))))
        fall_s = float(rng.uniform(1.5, 9.0)) / hz + 0.002
        wave[first:last] += rng.uniform(0.2, 1.0) * np.exp(-here / fall_s) * np.sin(2.0 * np.pi * hz * here)
    short = max(int(0.01 * rate_hz), 1)
    loud = np.sqrt(np.max(np.convolve(wave[first : first + 8 * short] ** 2, np.ones(short) / short, "valid")))
    return np.asarray(wave / loud)


def click(count: int, rate_hz: float, at_s: float, length_s: float, rng: Rng) -> Floats:
    """Return a contact's click: a few hundred microseconds of bounces, peak 1."""
    wave = np.zeros(count)
    first = int(at_s * rate_hz)
    length = max(int(length_s * rate_hz), 4)
    noise = rng.standard_normal(length) * np.exp(-np.arange(length) / (0.25 * length))
    last = min(first + length, count)
    wave[first:last] = (noise / np.max(np.abs(noise)))[: last - first]
    return wave
