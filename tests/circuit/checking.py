"""What takes by number have in common: their stated figures against the truth."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

import listen
from listen.bench import Bench
from listen.circuit.types import Circuit, Quantity

Rng = np.random.Generator
Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One stated figure; value NaN where the take should have told it and did not."""

    name: str
    value: float
    truth: float
    sigma: float


def figure(name: str, quantity: Quantity, truth: float) -> Iterator[Figure]:
    """A quantity against its truth; a bound is no figure."""
    if quantity.bound is None:
        value = np.nan if quantity.value is None else quantity.value
        yield Figure(name=name, value=value, truth=truth, sigma=quantity.sigma or np.nan)


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Draw a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def decimated(x: Floats, over: int) -> Floats:
    """Samples as a converter takes them: flat to 1e-5 up to 0.45 of the rate (Kaiser's window)."""
    taps = signal.firwin(64 * over + 1, 1.0 / over, window=("kaiser", 10.06))
    return np.asarray(signal.resample_poly(x, 1, over, window=taps))


def told(x: Floats, rate_hz: int, bench: Bench) -> Circuit:
    """Circuit of samples, checked as a 24-bit recording."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, x, rate_hz, subtype="PCM_24")
        circuit = listen.check(path, bench=bench, wave=bench.build.wave or "sine", threads=1).circuit
    assert circuit is not None
    return circuit
