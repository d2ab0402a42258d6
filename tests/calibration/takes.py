"""Stepped takes for the tests: a voltage, a law, a wave, a recorder; with what must be found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RATE_HZ = 48000


@dataclass(frozen=True, kw_only=True)
class Stepped:
    """One take.

    `pitch` takes volts to hertz. The oscillator follows its voltage with a time constant, and remembers where it came
    from: the voltage that it acts on is pulled toward earlier ones by `memory_v` a volt.
    """

    volts: tuple[float, ...]
    hold_s: tuple[float, ...]
    pitch: Callable[[Floats], Floats]
    wave: str = "sine"
    glide_s: float = 0.0
    tau_s: float = 0.0
    memory: float = 0.0
    lead_s: float = 0.0
    level: float = 0.3
    noise: float = 1e-5
    jitter_cents: float = 0.0
    seed: int = 1
    silent: tuple[int, ...] = field(default_factory=tuple)

    @property
    def edges_s(self) -> Floats:
        """Start of each step, and the end of the last."""
        return self.lead_s + np.concatenate([[0.0], np.cumsum(self.hold_s)])


def control(take: Stepped) -> Floats:
    """The voltage at every sample."""
    time_s = np.arange(round(take.edges_s[-1] * RATE_HZ)) / RATE_HZ
    index = np.clip(np.searchsorted(take.edges_s, time_s, side="right") - 1, 0, len(take.volts) - 1)
    volts = np.asarray(take.volts)[index]
    if take.glide_s:
        for i in range(1, len(take.volts)):
            start = take.edges_s[i]
            inside = (time_s >= start) & (time_s < start + take.glide_s)
            share = (time_s[inside] - start) / take.glide_s
            share = share * share * (3 - 2 * share)
            volts[inside] = take.volts[i - 1] + share * (take.volts[i] - take.volts[i - 1])
    return volts


def followed(volts: Floats, tau_s: float) -> Floats:
    """First-order lag of a voltage that moves in steps."""
    if tau_s <= 0:
        return volts
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (tau_s * RATE_HZ))
    return np.asarray(lfilter([1 - keep], [1, -keep], volts, zi=[keep * volts[0]])[0])


def pitches(take: Stepped) -> Floats:
    """The pitch at every sample."""
    volts = followed(control(take), take.tau_s)
    if take.memory:
        volts = volts + take.memory * (followed(volts, 40.0) - volts)
    return take.pitch(volts)


def tone(f0_hz: Floats, wave: str) -> Floats:
    """A wave of the given pitch, band-limited, peak about 1."""
    phase = np.cumsum(f0_hz) / RATE_HZ
    if wave == "sine":
        return np.sin(2 * np.pi * phase) + 0.004 * np.sin(4 * np.pi * phase + 0.3)
    top = min(60, int(0.45 * RATE_HZ / f0_hz.max()))
    out = np.zeros_like(phase)
    for k in range(1, top + 1):
        if wave == "triangle" and k % 2:
            out += (8 / np.pi**2) * (-1) ** ((k - 1) // 2) * np.sin(2 * np.pi * k * phase) / k**2
        if wave == "sawtooth":
            out += (2 / np.pi) * (-1) ** (k + 1) * np.sin(2 * np.pi * k * phase) / k
    return out


def write(
    take: Stepped, path: Path, *, cv_volts_per_full_scale: float | None = None, cv_noise_v: float = 1e-4
) -> Floats:
    """Write the take; return the settled pitch of each step, the geometric mean over the last third of its hold."""
    rng = np.random.default_rng(take.seed)
    f0_hz = pitches(take)
    if take.jitter_cents:
        slow = followed(rng.standard_normal(len(f0_hz)), 0.02)
        f0_hz = f0_hz * np.exp2(take.jitter_cents * slow / slow.std() / 1200)
    audio = take.level * tone(f0_hz, take.wave)
    edges = np.round(take.edges_s * RATE_HZ).astype(int)
    for i in take.silent:
        audio[edges[i] : edges[i + 1]] = 0.0
    audio += take.noise * rng.standard_normal(len(audio))
    samples = audio
    if cv_volts_per_full_scale is not None:
        volts = control(take) + cv_noise_v * rng.standard_normal(len(audio))
        samples = np.column_stack([audio, volts / cv_volts_per_full_scale])
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    out = []
    for a, b in pairwise(edges):
        out.append(np.exp2(np.mean(np.log2(f0_hz[b - (b - a) // 3 : b]))))
    return np.array(out)


def octaves(f0_hz: float, per_volt: float = 1.0, dead_s: float = 0.0) -> Callable[[Floats], Floats]:
    """Volt per octave, with a dead time in each cycle."""
    return lambda volts: 1.0 / (1.0 / (f0_hz * np.exp2(per_volt * volts)) + dead_s)


def hertz(per_volt: float, zero_v: float = 0.0) -> Callable[[Floats], Floats]:
    """Hertz per volt."""
    return lambda volts: np.maximum(per_volt * (volts - zero_v), 1.0)


def cell(f0_hz: float, exponent: float, from_v: float = 0.0) -> Callable[[Floats], Floats]:
    """A power of the voltage, as a light-dependent resistor gives."""
    return lambda volts: f0_hz * np.maximum(volts - from_v, 0.02) ** exponent
