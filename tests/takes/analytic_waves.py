"""Triangles, sawtooths and pulses by Fourier series, with exact edges, as a recorder takes them.

Series of a triangle of rise share d, of a pulse of duty d and of a parabola: any handbook's (Bronshtein and
Semendyayev, table of Fourier expansions; from memory). A straight reset of t seconds multiplies H_k by sinc(k f t).
Everything that lasts a time, not a part of the cycle, is taken at each moment's own pitch.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

TOP = 0.49
_PITCHES = 96


@dataclass(frozen=True, kw_only=True)
class WaveTake:
    """One take: what the board makes, and what the recorder does to it.

    Times in seconds, heights over the wave's height, ``share`` the rise share or the duty.
    """

    wave: str = "triangle"
    share: float = 0.5
    low_hz: float = 220.0
    high_hz: float = 220.0
    seconds: float = 1.2
    rate_hz: int = 48000
    coupling_hz: float = 2.0
    level_fs: float = 0.35
    snr_db: float = 80.0
    falling: bool = False
    reset_s: float = 0.0
    corner_s: float = 0.0
    bow: float = 0.0
    cut: float = 0.0
    spike: float = 0.0
    spike_s: float = 0.0
    spike_at: float = 0.3
    comparator_delay_s: float = 0.0
    recorder_pole_hz: float = 0.0


def slope_lines(k: np.ndarray, rise: float) -> np.ndarray:
    """Height 1, foot at 0: odd about the middle of the rise, 2 sin(pi k d) / (pi^2 k^2 d (1 - d)) / 2."""
    rise = min(max(rise, 1e-9), 1 - 1e-9)
    b = np.sin(np.pi * k * rise) / (np.pi**2 * k**2 * rise * (1 - rise))
    return -1j * b * np.exp(-1j * np.pi * k * rise)


def single_tip(x: np.ndarray, rise: float) -> np.ndarray:
    """Twice the Fourier integral of one triangle of height 1 over 0 .. 1, by its changes of slope."""
    fall = 1 - rise
    changes = 1 / rise - (1 / rise + 1 / fall) * np.exp(-2j * np.pi * x * rise) + np.exp(-2j * np.pi * x) / fall
    return 2 * changes / (2j * np.pi * x) ** 2


def pulse_lines(k: np.ndarray, duty: float) -> np.ndarray:
    """Height 1, high from 0 to the duty: 2 sin(pi k d) / (pi k) about its middle."""
    return 2 * np.sin(np.pi * k * duty) / (np.pi * k) * np.exp(-1j * np.pi * k * duty)


def parabola_lines(k: np.ndarray, length: float) -> np.ndarray:
    """4 u (1 - u) over 0 .. length, by parts."""
    a = 2j * np.pi * k * length
    moment1 = (1 - np.exp(-a) * (1 + a)) / a**2
    moment2 = (2 - np.exp(-a) * (2 + 2 * a + a**2)) / a**3
    return 2 * length * 4 * (moment1 - moment2)


def spike_lines(k: np.ndarray, take: WaveTake, f0_hz: float) -> np.ndarray:
    """A spike that jumps up and decays: its area is height times time constant."""
    width = take.spike_s * f0_hz
    return 2 * take.spike * width / (1 + 2j * np.pi * k * width) * np.exp(-2j * np.pi * k * take.spike_at)


def board_lines(take: WaveTake, k: np.ndarray, f0_hz: float) -> np.ndarray:
    """Harmonics of the board's wave at a pitch, its height 1."""
    if take.wave in ("square", "pulse"):
        lines = pulse_lines(k, take.share)
    else:
        rise = take.share
        if take.wave == "sawtooth":
            rise = min(1.0 - take.reset_s * f0_hz, 1.0)
        lines = slope_lines(k, rise)
        if take.cut:
            tip = single_tip(k * take.cut, rise) * take.cut**2
            lines = lines - tip * np.exp(-2j * np.pi * k * rise * (1 - take.cut))
        if take.bow:
            lines = lines + take.bow * parabola_lines(k, rise)
            if take.wave == "triangle":
                lines = lines - take.bow * parabola_lines(k, 1 - rise) * np.exp(-2j * np.pi * k * rise)
    if take.comparator_delay_s and take.wave == "triangle":
        # slopes run on for the delay at both ends: a taller triangle of the same shape
        lines = lines * (1 + 4 * take.comparator_delay_s * f0_hz)
    if take.falling:
        lines = np.conj(lines)
    lines = lines / (1 + 2j * np.pi * k * f0_hz * take.corner_s)
    return lines + (spike_lines(k, take, f0_hz) if take.spike else 0.0)


def recorded_lines(take: WaveTake, k: np.ndarray, f0_hz: float) -> np.ndarray:
    lines = board_lines(take, k, f0_hz)
    if take.recorder_pole_hz:
        lines = lines / (1 + 1j * k * f0_hz / take.recorder_pole_hz)
    return lines


def turn(take: WaveTake) -> tuple[np.ndarray, np.ndarray]:
    """Pitch and phase in cycles of each sample: a rest, a smooth turn, a rest."""
    n = int(take.seconds * take.rate_hz)
    place = np.clip((np.arange(n) / n - 0.25) / 0.5, 0.0, 1.0)
    smooth = place - np.sin(2 * np.pi * place) / (2 * np.pi)
    f0_hz = take.low_hz * (take.high_hz / take.low_hz) ** smooth
    return f0_hz, np.concatenate([[0.0], np.cumsum(0.5 * (f0_hz[1:] + f0_hz[:-1]))]) / take.rate_hz


def samples(take: WaveTake, seed: int = 0, lines: Callable[..., np.ndarray] = recorded_lines) -> np.ndarray:
    """What the file holds, full scale 1."""
    rng = np.random.default_rng(seed)
    f0_hz, phase = turn(take)
    pitches = np.geomspace(take.low_hz, take.high_hz, _PITCHES if take.high_hz > take.low_hz else 1)
    orders = np.arange(1, int(TOP * take.rate_hz / take.low_hz) + 1)
    table = np.array([lines(take, orders.astype(float), float(f)) for f in pitches])
    one = np.exp(2j * np.pi * (phase + rng.uniform()))
    power, x = one.copy(), np.zeros(len(phase))
    place = np.interp(np.log(f0_hz), np.log(pitches), np.arange(float(len(pitches))))
    low = np.minimum(place.astype(int), max(len(pitches) - 2, 0))
    share = place - low
    for k in orders.tolist():
        column = table[:, k - 1]
        if len(column) > 1:
            gain = np.clip((TOP - k * f0_hz / take.rate_hz) / 0.02, 0.0, 1.0)
            if not gain.any():
                break
            x += gain * ((column[low] + share * (np.diff(column)[low])) * power).real
        else:
            x += (column[0] * power).real
        power *= one
    if take.coupling_hz:
        x = signal.lfilter(*signal.butter(1, take.coupling_hz, "high", fs=take.rate_hz), x)
        # the coupling has long settled when a take begins
        x = _settled(x, take)
    x *= take.level_fs / 0.5
    noise = np.sqrt(np.mean(x**2)) * 10 ** (-take.snr_db / 20)
    return x + noise * rng.standard_normal(len(x))


def _settled(x: np.ndarray, take: WaveTake) -> np.ndarray:
    """Take the transient of the coupling off: at rest the mean of whole cycles is nought."""
    per = take.rate_hz / take.low_hz
    count = max(1, int(0.2 * len(x) / per))
    span = round(count * per)
    first = x[:span].mean()
    decay = np.exp(-2 * np.pi * take.coupling_hz * np.arange(len(x)) / take.rate_hz)
    return x - first * decay / decay[:span].mean()
