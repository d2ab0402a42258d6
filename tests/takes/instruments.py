"""Sounds that are no oscillator: plucked strings, voices, bells, drums, tunes."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.takes.extras import coloured
from tests.takes.families.pick import log_uniform

Floats = NDArray[np.float64]
Rng = np.random.Generator


@njit(cache=True)
def _string(excitation: Floats, period: float, keep: float, out: Floats) -> None:
    """A string as a delay line with a low-pass in its loop; the fractional delay is linear."""
    whole = int(period)
    part = period - whole
    for n in range(len(out)):
        value = excitation[n] if n < len(excitation) else 0.0
        if n > whole + 1:
            a, b, c = out[n - whole], out[n - whole - 1], out[n - whole - 2]
            late = (1.0 - part) * a + part * b
            later = (1.0 - part) * b + part * c
            value += keep * (0.5 * late + 0.5 * later)
        out[n] = value


def pluck(rng: Rng, f0_hz: float, seconds: float, rate_hz: int) -> Floats:
    """Return one plucked string."""
    period = rate_hz / f0_hz - 0.5
    out = np.zeros(int(seconds * rate_hz))
    burst = rng.uniform(-1.0, 1.0, max(int(period), 4))
    _string(np.convolve(burst, np.ones(3) / 3.0, "same"), period, float(rng.uniform(0.992, 0.9985)), out)
    return out - np.mean(out)


def bell(rng: Rng, f0_hz: float, seconds: float, rate_hz: int) -> Floats:
    """Return a bell: partials in no whole ratio, each with its own decay."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    wave = np.zeros_like(time_s)
    for ratio in (0.5, 1.0, 1.19, 1.5, 2.0, 2.51, 2.66, 3.01, 4.1):
        ratio *= float(rng.uniform(0.99, 1.01))
        fall_s = float(rng.uniform(0.4, 2.5)) / ratio**0.7
        wave += rng.uniform(0.2, 1.0) * np.exp(-time_s / fall_s) * np.sin(2.0 * np.pi * f0_hz * ratio * time_s)
    return wave


def voice(rng: Rng, f0_hz: float, seconds: float, rate_hz: int) -> Floats:
    """Return a sung vowel: vibrato, formants, a slow swell."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    cents = float(rng.uniform(20.0, 60.0)) * np.sin(
        2.0 * np.pi * float(rng.uniform(4.5, 6.5)) * time_s + rng.uniform(0, 6)
    )
    phase = 2.0 * np.pi * np.cumsum(f0_hz * np.exp2(cents / 1200.0)) / rate_hz
    formants = ((rng.uniform(350.0, 800.0), 90.0), (rng.uniform(900.0, 2000.0), 130.0), (2700.0, 200.0))
    wave = np.zeros_like(time_s)
    for k in range(1, min(30, int(0.4 * rate_hz / f0_hz))):
        size = sum(1.0 / (1.0 + ((k * f0_hz - hz) / width) ** 2) for hz, width in formants) + 0.02
        wave += size / k**0.5 * np.sin(k * phase + rng.uniform(0.0, 6.28))
    swell = np.sin(np.pi * np.clip(time_s / seconds, 0.0, 1.0)) ** 0.4
    return wave * swell


def drum(rng: Rng, seconds: float, rate_hz: int) -> Floats:
    """Return one stroke of a drum."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    low_hz = float(rng.uniform(55.0, 180.0))
    body = np.exp(-time_s / 0.12) * np.sin(2.0 * np.pi * low_hz * (time_s + 0.01 * (1.0 - np.exp(-time_s / 0.02))))
    skin = np.exp(-time_s / float(rng.uniform(0.02, 0.08))) * coloured(rng, len(time_s), rate_hz, 1.5)
    return body + 0.4 * skin


def _lay(total: Floats, wave: Floats, at: int) -> None:
    last = min(at + len(wave), len(total))
    if last > at:
        total[at:last] += wave[: last - at]


SCALE = (0, 2, 3, 5, 7, 8, 10, 12)


def tune(rng: Rng, make: str, seconds: float, rate_hz: int, voices: int = 1) -> Floats:
    """Return a tune or a row of chords of one instrument."""
    total = np.zeros(int(seconds * rate_hz))
    base_hz = log_uniform(rng, 90.0, 260.0)
    at_s = float(rng.uniform(0.2, 0.6))
    while at_s < seconds - 0.3:
        length_s = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
        for _ in range(voices):
            note_hz = base_hz * 2.0 ** (float(rng.choice(SCALE)) / 12.0) * float(rng.choice([1.0, 1.0, 2.0]))
            if make == "pluck":
                wave = pluck(rng, note_hz, min(2.5, seconds - at_s), rate_hz)
            elif make == "bell":
                wave = bell(rng, 2.0 * note_hz, min(3.0, seconds - at_s), rate_hz)
            elif make == "voice":
                wave = voice(rng, note_hz, length_s * 1.1, rate_hz)
            else:
                wave = drum(rng, 0.6, rate_hz)
            _lay(total, float(rng.uniform(0.5, 1.0)) * wave / np.max(np.abs(wave)), int(at_s * rate_hz))
        at_s += length_s if make != "drum" else length_s / 2.0
    return total


def several_notes(rng: Rng, seconds: float, rate_hz: int) -> Floats:
    """Return three to five steady notes with harmonics at once, as a keyboard holds a chord."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    base_hz = log_uniform(rng, 120.0, 300.0)
    wave = np.zeros_like(time_s)
    for semitones in rng.choice([0, 3, 4, 7, 10, 12, 14, 17], int(rng.integers(3, 6)), replace=False):
        f0_hz = base_hz * 2.0 ** (float(semitones) / 12.0) * float(rng.uniform(0.9985, 1.0015))
        for k in range(1, 8):
            wave += 0.8 / k**1.3 * np.sin(2.0 * np.pi * k * f0_hz * time_s + rng.uniform(0.0, 6.28))
    edge = np.clip(np.minimum(time_s, seconds - time_s) / 0.03, 0.0, 1.0)
    return wave * edge
