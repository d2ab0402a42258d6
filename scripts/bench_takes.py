"""Takes in closed form, with the pitch and the harmonics that they have: what trackers are held against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

RATE_HZ = 48000
SECONDS = 60.0
LOWEST_HZ, HIGHEST_HZ = 40.0, 8000.0
HARMONICS = 200
PEAK_FS = 0.3
EDGE_S = 0.3
"""Nothing is compared so near to either end: every tracker's first and last windows are cut there."""

Floats = np.ndarray
Law = Callable[[Floats], Floats]


class Memory:
    """Samples in memory, as a capture."""

    true_rate_hz = float(RATE_HZ)
    start_sample = 0
    ac_coupling_hz = None

    def __init__(self, samples: Floats) -> None:
        self._samples = samples.view()
        self._samples.flags.writeable = False
        self.stop_sample = len(samples)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop."""
        return self._samples[start:stop]


@dataclass(frozen=True)
class Take:
    """One take and its truth.

    Attributes
    ----------
    name : str
    samples : ndarray
        At ``RATE_HZ``.
    f0_hz : callable (time_s) -> pitch
    low_hz, high_hz : float
        The range that every tracker is told.
    harmonics_db : callable (time_s) -> ndarray, shape (n, 2), or None
        H2 and H3 to the fundamental, where they are compared.
    """

    name: str
    samples: Floats
    f0_hz: Law
    low_hz: float
    high_hz: float
    harmonics_db: Callable[[Floats], Floats] | None = None

    @property
    def seconds(self) -> float:
        """Length of the take."""
        return len(self.samples) / RATE_HZ


def sweep() -> Floats:
    """The long take: harmonics fall as 1/k^2, none above 0.45 of the rate, noise 80 dB down."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    growth = np.log(HIGHEST_HZ / LOWEST_HZ) / SECONDS
    f0 = LOWEST_HZ * np.exp(growth * t)
    phase = (f0 - LOWEST_HZ) / growth
    samples = sum(
        np.where(k * f0 < 0.45 * RATE_HZ, np.cos(2 * np.pi * ((k * phase) % 1)) / k**2, 0) for k in range(1, 21)
    )
    return 0.3 * samples + 3e-5 * np.random.default_rng(1).standard_normal(len(t))


def long_take() -> Take:
    """The sweep of a minute, 40 Hz to 8 kHz with 20 harmonics."""
    growth = np.log(HIGHEST_HZ / LOWEST_HZ) / SECONDS
    return Take("60 s sweep", sweep(), lambda t: LOWEST_HZ * np.exp(growth * t), LOWEST_HZ, HIGHEST_HZ)


def standard_wave(name: str) -> Floats:
    """Cosine and sine amplitudes of H1 .. of a wave of the textbooks, shape (HARMONICS,), complex."""
    k = np.arange(1, HARMONICS + 1)
    odd = k % 2 == 1
    if name == "sine":
        return np.where(k == 1, 1.0, 0.0) + 0j
    if name == "nearly sine":
        return np.where(k <= 5, np.array([1.0]) * 0.004 ** np.minimum(k - 1, 1), 0.0) + 0j
    if name == "triangle":
        return np.where(odd, 1.0 / k**2, 0.0) + 0j
    if name == "square":
        return np.where(odd, (-1.0) ** ((k - 1) // 2) / k, 0.0) + 0j
    if name == "sawtooth":
        return 1j / k
    raise ValueError(f"no wave is called {name!r}")


def clipped_cosine(limit: float | Floats) -> Floats:
    """H1 .. of a cosine whose positive half is cut flat at ``limit`` (1 is its crest), shape (..., HARMONICS).

    The cut-off cap is even in phase: a_k = 2/pi times the integral from 0 to a of (cos t - cos a) cos kt, with
    cos a = limit.
    """
    a = np.arccos(np.clip(np.asarray(limit, dtype=float), -1.0, 1.0))[..., None]
    k = np.arange(1, HARMONICS + 1)
    below = np.where(k == 1, a, np.sin((k - 1) * a) / np.maximum(k - 1, 1))
    cap = (below + np.sin((k + 1) * a) / (k + 1)) / np.pi - 2.0 / np.pi * np.cos(a) * np.sin(k * a) / k
    return (np.where(k == 1, 1.0, 0.0) - cap) + 0j


def _glide(start_hz: float, end_hz: float, seconds: float) -> tuple[Law, Law]:
    """Pitch and phase (in cycles) of an even glide in octaves."""
    if start_hz == end_hz:
        return (lambda t: np.full_like(t, start_hz)), (lambda t: start_hz * t)
    growth = np.log(end_hz / start_hz) / seconds
    return (lambda t: start_hz * np.exp(growth * t)), (lambda t: start_hz * np.expm1(growth * t) / growth)


def _take(
    name: str,
    start_hz: float,
    end_hz: float,
    seconds: float,
    shape: Floats | Callable[[Floats], Floats],
    *,
    noise_db: float = -75.0,
    compare: bool = False,
) -> Take:
    """Add up a take from its harmonics; each fades out between 0.40 and 0.45 of the rate, so that none folds back."""
    pitch, cycles = _glide(start_hz, end_hz, seconds)
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    f0, phase = pitch(t), cycles(t) + 0.1
    samples = np.zeros_like(t)
    amplitudes = shape(f0) if callable(shape) else shape
    for k in range(1, HARMONICS + 1):
        here = k * f0 < 0.45 * RATE_HZ
        size = amplitudes[..., k - 1]
        if not here.any() or not np.any(size):
            continue
        fade = np.clip((0.45 - k * f0[here] / RATE_HZ) / 0.05, 0.0, 1.0)
        size = size[here] if size.ndim else size
        samples[here] += fade * np.real(size * np.exp(2j * np.pi * ((k * phase[here]) % 1)))
    samples *= PEAK_FS / np.max(np.abs(samples))
    seed = sum(map(ord, name))
    samples += PEAK_FS * 10 ** (noise_db / 20) / np.sqrt(2) * np.random.default_rng(seed).standard_normal(len(t))

    def harmonics_db(time_s: Floats) -> Floats:
        at = np.abs(shape(pitch(time_s)) if callable(shape) else np.broadcast_to(shape, (len(time_s), HARMONICS)))
        return np.asarray(20 * np.log10(at[:, 1:3] / at[:, :1]))

    ends = sorted((start_hz, end_hz))
    return Take(name, samples, pitch, ends[0], ends[1], harmonics_db if compare else None)


def _cut_toward_the_top(f0_hz: Floats) -> Floats:
    """Whole at the bottom, cut deeper and deeper above 300 Hz; computed on a grid, 1e-4 dB from exact."""
    octaves = np.log2(np.maximum(f0_hz, 1.0) / 300.0)
    limits = np.clip(0.98 - 0.06 * np.maximum(octaves, 0.0), 0.5, 1.0)
    grid = np.linspace(0.5, 1.0, 2001)
    table = clipped_cosine(grid).real
    place = (limits - 0.5) / 0.5 * 2000
    low = np.minimum(place.astype(int), 1999)
    u = (place - low)[:, None]
    return (table[low] * (1 - u) + table[low + 1] * u) + 0j


def short_takes() -> list[Take]:
    """Steady, swept over three to six octaves, noisy, the standard waves, clipped."""
    waves = {name: standard_wave(name) for name in ("nearly sine", "triangle", "square", "sawtooth")}
    return [
        *(_take(f"steady {hz:g} Hz", hz, hz, 6.0, waves["nearly sine"]) for hz in (55.3, 221.7, 883.1, 3517.0)),
        _take("swept 3 octaves up", 110.0, 880.0, 8.0, waves["nearly sine"]),
        _take("swept 4 octaves down", 3200.0, 200.0, 6.0, waves["nearly sine"]),
        _take("swept 6 octaves up", 60.0, 3840.0, 10.0, waves["nearly sine"]),
        _take("noisy, steady", 331.0, 331.0, 6.0, waves["nearly sine"], noise_db=-40.0),
        _take("noisy, swept", 100.0, 1600.0, 8.0, waves["nearly sine"], noise_db=-40.0),
        _take("triangle", 90.0, 1440.0, 8.0, waves["triangle"]),
        _take("sawtooth", 80.0, 1280.0, 8.0, waves["sawtooth"]),
        _take("square", 100.0, 1600.0, 8.0, waves["square"]),
        _take("one half clipped", 120.0, 1920.0, 8.0, clipped_cosine(0.85)),
    ]


def clipped_takes() -> list[Take]:
    """Takes of which H2 and H3 are known, steady and swept."""
    return [
        _take("clipped 5 %, 110 Hz", 110.0, 110.0, 5.0, clipped_cosine(0.95), compare=True),
        _take("clipped 15 %, 441 Hz", 441.0, 441.0, 5.0, clipped_cosine(0.85), compare=True),
        _take("clipped 30 %, 1.73 kHz", 1730.0, 1730.0, 5.0, clipped_cosine(0.70), compare=True),
        _take("clipped 10 %, 4 octaves", 120.0, 1920.0, 8.0, clipped_cosine(0.90), compare=True),
        _take("clipped toward the top", 120.0, 3840.0, 8.0, _cut_toward_the_top, compare=True),
    ]


def write_sweep(path: Path, seconds: float, *, rate_hz: int = RATE_HZ, channels: int = 1) -> None:
    """Write a long take block by block: up and down over six octaves, five harmonics, 16 bits.

    What is held at a time does not grow with the take.
    """
    import soundfile

    block, phase = 2**18, 0.0
    rng = np.random.default_rng(3)
    with soundfile.SoundFile(
        path, "w", rate_hz, channels, "PCM_16", format="RF64" if seconds > 3600 else "WAV"
    ) as file:
        for start in range(0, int(seconds * rate_hz), block):
            t = np.arange(start, min(start + block, int(seconds * rate_hz))) / rate_hz
            f0 = 60.0 * 2.0 ** (3.0 - 3.0 * np.cos(2 * np.pi * t / min(seconds, 60.0)))
            turns = phase + np.cumsum(f0) / rate_hz
            phase = turns[-1] % 1.0
            wave = sum(0.3 / k**2 * np.cos(2 * np.pi * ((k * turns) % 1)) for k in range(1, 6))
            wave = wave + 1e-4 * rng.standard_normal(len(t))
            file.write(np.repeat(wave[:, None], channels, axis=1))
