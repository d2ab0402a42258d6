"""Interfaces in closed form: what one does to what it is given, and the table that its own loop gives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Interface:
    """A weak curve, a first-order coupling and a low-pass, noise, hum and polarity.

    Attributes
    ----------
    second, third : float
        Coefficients of x^2 and x^3: of a tone of amplitude a, H2 is a second / 2, H3 a^2 third / 4 (power-reduction
        formulas of the cosine; any handbook).
    corner_hz, low_pass_hz : float
        0: none.
    floor_dbfs, hum_dbfs : float
    inverts : bool
    gain : float
    """

    second: float = 0.0
    third: float = 0.0
    corner_hz: float = 0.0
    low_pass_hz: float = 0.0
    floor_dbfs: float = -100.0
    hum_dbfs: float = -200.0
    inverts: bool = False
    gain: float = 1.0

    def record(self, x: Floats, rate_hz: float, seed: int = 1) -> Floats:
        """Return what the file holds."""
        y = self.gain * x
        if self.corner_hz:
            y = signal.lfilter(*signal.butter(1, self.corner_hz, "high", fs=rate_hz), y)
        y = y + self.second * y**2 + self.third * y**3
        if self.low_pass_hz:
            y = signal.lfilter(*signal.butter(1, self.low_pass_hz, fs=rate_hz), y)
        if self.inverts:
            y = -y
        rng = np.random.default_rng(seed)
        hum = 10.0 ** (self.hum_dbfs / 20.0) * np.sin(2.0 * np.pi * 50.01 * np.arange(len(y)) / rate_hz + 1.0)
        noise = 10.0 ** (self.floor_dbfs / 20.0) / np.sqrt(2.0) * rng.standard_normal(len(y))
        return np.clip(y + hum + noise, -1.0, 1.0 - 2.0**-23)

    def take(self, path: Path, x: Floats, rate_hz: int, seed: int = 1, **options: Any) -> Path:
        """Write what the file holds."""
        soundfile.write(path, self.record(x, rate_hz, seed), rate_hz, subtype=options.get("subtype", "PCM_24"))
        return path
