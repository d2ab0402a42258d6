"""Test signals in closed form, and files of them. Random parts come from a seeded generator."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE_HZ = 48_000


def sine(f0_hz: float, seconds: float, *, peak: float = 0.5, rate_hz: int = RATE_HZ, phase: float = 0.3) -> Floats:
    return peak * np.sin(2.0 * np.pi * f0_hz * np.arange(round(seconds * rate_hz)) / rate_hz + phase)


def noise(n: int, rms: float, seed: int = 1) -> Floats:
    return rms * np.random.default_rng(seed).standard_normal(n)


def dither(x: Floats, bits: int, seed: int = 2) -> Floats:
    """Add triangular dither of one code either way."""
    rng = np.random.default_rng(seed)
    return x + 2.0 ** (1 - bits) * (rng.random(len(x)) - rng.random(len(x)))


def write(path: Path, x: Floats, *, subtype: str = "PCM_24", rate_hz: int = RATE_HZ, fmt: str | None = None) -> Path:
    soundfile.write(path, x, rate_hz, subtype=subtype, format=fmt)
    return path
