"""Test tones in closed form, and takes that live in memory. Random parts come from a seeded generator."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

import listen
from listen.track import Frames, track

Floats = NDArray[np.float64]

RATE_HZ = 48_000.0
BAND = 0.45
"""Test waves hold the harmonics below this part of the sample rate."""
OVERSAMPLING = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Take:
    """What the tracker needs of a capture, in memory."""

    samples: Floats
    true_rate_hz: float = RATE_HZ
    ac_coupling_hz: float | None = None
    start_sample: int = 0

    @property
    def stop_sample(self) -> int:
        return len(self.samples)

    def read(self, start: int, stop: int) -> Floats:
        return np.array(self.samples[start:stop])


def frames_of(x: Floats, rate_hz: float = RATE_HZ, ac_coupling_hz: float | None = None, **options: Any) -> Frames:
    """Track samples in memory."""
    return track(Take(samples=x, true_rate_hz=rate_hz, ac_coupling_hz=ac_coupling_hz), **options)


def check_of(x: Floats, rate_hz: float = RATE_HZ, *, subtype: str = "PCM_24", **options: Any) -> listen.CheckResult:
    """Check samples as a file would be checked."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, x, int(rate_hz), subtype=subtype)
        return listen.check(path, **options)


def times(seconds: float, rate_hz: float = RATE_HZ) -> Floats:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def steady(f0_hz: float, seconds: float, rate_hz: float = RATE_HZ, start: float = 0.123) -> Floats:
    """Phase of a steady pitch, cycles."""
    return start + f0_hz * times(seconds, rate_hz)


def exponential(low_hz: float, high_hz: float, seconds: float, rate_hz: float = RATE_HZ) -> Floats:
    """Phase of f(t) = low (high / low)^(t / T), the integral in closed form."""
    octave = np.log(high_hz / low_hz) / seconds
    return 0.123 + low_hz / octave * np.expm1(octave * times(seconds, rate_hz))


def smooth_turn(
    low_hz: float, high_hz: float, seconds: float, rate_hz: float = RATE_HZ, rest_s: float = 1.0
) -> tuple[Floats, Floats]:
    """A hand's turn: rest, an exponential sweep, rest. Returns phase (cycles) and pitch (Hz)."""
    t = times(seconds + 2.0 * rest_s, rate_hz)
    octave = np.log(high_hz / low_hz) / seconds
    inside = np.clip(t - rest_s, 0.0, seconds)
    phase = low_hz * np.minimum(t, rest_s) + low_hz / octave * np.expm1(octave * inside)
    phase += high_hz * np.maximum(t - rest_s - seconds, 0.0)
    return 0.123 + phase, low_hz * np.exp(octave * inside)


def white(n: int, dbfs: float, seed: int = 1) -> Floats:
    """White noise of a level (a full-scale sine is 0 dBFS)."""
    return 10 ** (dbfs / 20) / np.sqrt(2.0) * np.random.default_rng(seed).standard_normal(n)


def sum_of(
    phase: Floats, lines: Sequence[complex], f0_hz: Floats | float, rate_hz: float = RATE_HZ, *, mean: float = 0.0
) -> Floats:
    """Sum of Re(A_k exp(2 pi j k phi)), k = 1 .., of the lines below 0.45 of the rate (faded out in a sweep)."""
    out = np.full(len(phase), mean)
    place = np.asarray(f0_hz) / rate_hz
    for k, line in enumerate(lines, start=1):
        share = np.clip((BAND + 0.03 - k * place) / 0.03, 0.0, 1.0)
        if line != 0 and np.any(share > 0.0):
            turned = 2 * np.pi * k * phase
            out += share * (np.real(line) * np.cos(turned) - np.imag(line) * np.sin(turned))
    return out


def bent(shape: Callable[[Floats], Floats], phase: Callable[[float], Floats], rate_hz: float = RATE_HZ) -> Floats:
    """A bent sine, shape(cos phi), made at eight times the rate and brought down with a linear-phase low-pass.

    ``phase`` returns the phase at a sample rate. The pass band is flat within 1e-5 up to 0.45 of the rate.
    """
    wave = shape(np.cos(2 * np.pi * phase(OVERSAMPLING * rate_hz)))
    return decimated(wave)


@lru_cache(maxsize=1)
def _taps() -> Floats:
    count, beta = signal.kaiserord(100.0, 2.0 * 0.05 / OVERSAMPLING)
    return signal.firwin(count | 1, 2.0 * 0.475 / OVERSAMPLING, window=("kaiser", beta), fs=2.0)


def decimated(wave: Floats) -> Floats:
    """Every eighth sample after a low-pass; sample 0 stays sample 0."""
    taps = _taps()
    half = len(taps) // 2
    padded = np.concatenate([np.repeat(wave[:1], half), wave, np.repeat(wave[-1:], half)])
    lead = -2 * half % OVERSAMPLING
    out = signal.upfirdn(np.concatenate([np.zeros(lead), taps]), padded, down=OVERSAMPLING)
    first = (lead + 2 * half) // OVERSAMPLING
    return out[first : first + -(-len(wave) // OVERSAMPLING)]


def coupled(x: Floats, corner_hz: float, rate_hz: float = RATE_HZ) -> Floats:
    """After one RC high-pass, settled."""
    b, a = signal.butter(1, corner_hz, "high", fs=rate_hz)
    return signal.lfilter(b, a, x, zi=signal.lfilter_zi(b, a) * x[0])[0]


def middle(frames: Frames, margin_s: float = 0.15) -> NDArray[np.bool_]:
    """Rows that oscillate, away from both ends of the take."""
    inside = (frames.time_s > frames.time_s[0] + margin_s) & (frames.time_s < frames.time_s[-1] - margin_s)
    return frames.oscillating & inside


def cents(f_hz: Floats | float, ref_hz: Floats | float) -> Floats:
    return 1200.0 * np.log2(np.asarray(f_hz) / np.asarray(ref_hz))


def kinds(result: listen.CheckResult) -> set[str]:
    """Kinds of the findings that turn the verdict."""
    return {finding.kind for finding in result.findings if finding.severity != "note"}
