"""What may come in while one watches: hiss, silence, speech, a clipped interface, hum and a tone, and their states."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.watch.streams import RATE_HZ

Maker = Callable[[float, np.random.Generator, float], np.ndarray]


def _times(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _noise(seconds: float, level: float, rng: np.random.Generator) -> np.ndarray:
    return level * rng.standard_normal(round(seconds * RATE_HZ))


def hiss(seconds: float, rng: np.random.Generator, _f0_hz: float) -> np.ndarray:
    """White noise as of an open input, -50 to -20 dBFS."""
    return _noise(seconds, 10 ** (rng.uniform(-50, -20) / 20), rng)


def silence(seconds: float, rng: np.random.Generator, _f0_hz: float) -> np.ndarray:
    """A quiet input, or digital zeros."""
    return _noise(seconds, float(rng.choice([0.0, 1e-5])), rng)


def hum(seconds: float, rng: np.random.Generator, _f0_hz: float) -> np.ndarray:
    """Mains and its odd harmonics, a board that is off behind a long cable."""
    t = _times(seconds)
    mains_hz = float(rng.choice([50.0, 60.0])) * (1 + 2e-4 * rng.standard_normal())
    level, phases = 10 ** (rng.uniform(-55, -38) / 20), rng.uniform(0, 2 * np.pi, 3)
    lines = [np.sin(2 * np.pi * k * mains_hz * t + p) / k for k, p in zip((1, 3, 5), phases, strict=True)]
    return level * np.sum(lines, axis=0) + _noise(seconds, 1e-4, rng)


def speech(seconds: float, rng: np.random.Generator, _f0_hz: float) -> np.ndarray:
    """Syllables: voiced pieces whose pitch slides, hissing ones, and short rests."""
    parts: list[np.ndarray] = []
    filled = 0
    voice_hz, level = rng.uniform(90, 220), 10 ** (rng.uniform(-30, -18) / 20)
    while filled < round(seconds * RATE_HZ):
        t = _times(rng.uniform(0.12, 0.25))
        slide = rng.uniform(-0.25, 0.25) * t / t[-1] + 0.02 * np.sin(2 * np.pi * rng.uniform(3, 7) * t)
        phase = 2 * np.pi * np.cumsum(voice_hz * (1 + rng.uniform(-0.15, 0.15) + slide)) / RATE_HZ
        formant = rng.uniform(3, 8)
        weights = [1 / (1 + ((k - formant) / 3) ** 2) / k**0.5 for k in range(1, 25)]
        voiced = np.sum([w * np.sin(k * phase) for k, w in zip(range(1, 25), weights, strict=True)], axis=0)
        hissing = _noise(rng.uniform(0.04, 0.1), 0.2 * level, rng)
        parts += [level * voiced * np.hanning(len(t)) ** 0.5, hissing * np.hanning(len(hissing))]
        filled += len(parts[-1]) + len(parts[-2])
    x = np.concatenate(parts)[: round(seconds * RATE_HZ)]
    return x + _noise(seconds, 1e-4, rng)


def clipped(seconds: float, rng: np.random.Generator, f0_hz: float) -> np.ndarray:
    """A tone over full scale by 1.5 to 6 dB."""
    over = 10 ** (rng.uniform(1.5, 6) / 20)
    tone = over * np.sin(2 * np.pi * f0_hz * _times(seconds) + rng.uniform(0, 6))
    return np.clip(tone + _noise(seconds, 1e-4, rng), -1.0, 1.0 - 2**-15)


def tone(seconds: float, rng: np.random.Generator, f0_hz: float) -> np.ndarray:
    """An oscillator at rest, -12 to -6 dBFS, with a little of the second and third harmonic."""
    t = _times(seconds)
    level, phases = 10 ** (rng.uniform(-12, -6) / 20), rng.uniform(0, 6, 3)
    x = np.sin(2 * np.pi * f0_hz * t + phases[0])
    x += 0.005 * np.sin(4 * np.pi * f0_hz * t + phases[1])
    if 3 * f0_hz < 0.45 * RATE_HZ:
        x += 0.01 * np.sin(6 * np.pi * f0_hz * t + phases[2])
    return level * x + _noise(seconds, 1e-4, rng)


@dataclass(frozen=True)
class Source:
    """How to make it, and the states that are right for it."""

    make: Maker
    states: frozenset[str]


SOURCES = {
    "hiss": Source(hiss, frozenset({"silent"})),
    "silence": Source(silence, frozenset({"silent"})),
    "speech": Source(speech, frozenset({"silent", "settling", "moving"})),
    "clipped": Source(clipped, frozenset({"over"})),
    "hum": Source(hum, frozenset({"silent"})),
    "tone": Source(tone, frozenset({"steady"})),
}


def every_change(rng: np.random.Generator) -> list[str]:
    """Order the sources so that each follows each other one once: a walk over all 30 changes."""
    left = {name: [str(n) for n in rng.permutation([other for other in SOURCES if other != name])] for name in SOURCES}
    walk, path = [next(iter(SOURCES))], []
    while walk:
        if left[walk[-1]]:
            walk.append(left[walk[-1]].pop())
        else:
            path.append(walk.pop())
    return path[::-1]
