"""One sweep of a minute, 40 Hz to 8 kHz with 20 harmonics: who tracks its pitch how well, and in what time."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import time
from collections.abc import Callable

import librosa
import numpy as np

from listen.track import track

RATE_HZ = 48000
SECONDS = 60.0
LOWEST_HZ, HIGHEST_HZ = 40.0, 8000.0
RUNS = 5
Track = Callable[[], tuple[np.ndarray, np.ndarray]]


class Memory:
    """Samples in memory, as a capture."""

    true_rate_hz = float(RATE_HZ)
    start_sample = 0
    ac_coupling_hz = None

    def __init__(self, samples: np.ndarray) -> None:
        self._samples = samples
        self.stop_sample = len(samples)

    def read(self, start: int, stop: int) -> np.ndarray:
        """Samples start .. stop."""
        return self._samples[start:stop].copy()


def sweep() -> np.ndarray:
    """The take: harmonics fall as 1/k^2, none above 0.45 of the rate, noise 80 dB down."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    growth = np.log(HIGHEST_HZ / LOWEST_HZ) / SECONDS
    f0 = LOWEST_HZ * np.exp(growth * t)
    phase = (f0 - LOWEST_HZ) / growth
    samples = sum(
        np.where(k * f0 < 0.45 * RATE_HZ, np.cos(2 * np.pi * ((k * phase) % 1)) / k**2, 0) for k in range(1, 21)
    )
    return 0.3 * samples + 3e-5 * np.random.default_rng(1).standard_normal(len(t))


def truth(time_s: np.ndarray) -> np.ndarray:
    """Pitch of the take at some times."""
    return LOWEST_HZ * np.exp(np.log(HIGHEST_HZ / LOWEST_HZ) / SECONDS * time_s)


def jobs(x: np.ndarray) -> dict[str, Track]:
    """Each way of tracking the take, as times and pitches."""
    x32 = x.astype(np.float32)
    hop = 960

    def ours() -> tuple[np.ndarray, np.ndarray]:
        frames = track(Memory(x))
        return frames.time_s[frames.oscillating], frames.f0_hz[frames.oscillating]

    def yin() -> tuple[np.ndarray, np.ndarray]:
        f0 = librosa.yin(x, fmin=47, fmax=9000, sr=RATE_HZ, hop_length=hop)
        return np.arange(len(f0)) * hop / RATE_HZ, f0

    def stft() -> tuple[np.ndarray, np.ndarray]:
        power = np.abs(librosa.stft(x32, n_fft=2048, hop_length=512)).T
        best = np.clip(np.argmax(power, axis=1), 1, power.shape[1] - 2)
        rows = np.arange(len(best))
        a, b, c = (np.log(power[rows, best + d] + 1e-12) for d in (-1, 0, 1))
        shift = 0.5 * (a - c) / (a - 2 * b + c - 1e-12)
        return rows * 512 / RATE_HZ, (best + shift) * RATE_HZ / 2048

    def parselmouth_ac() -> tuple[np.ndarray, np.ndarray]:
        import parselmouth

        pitch = parselmouth.Sound(x, RATE_HZ).to_pitch_ac(time_step=0.02, pitch_floor=35, pitch_ceiling=9000)
        return pitch.xs(), pitch.selected_array["frequency"]

    found: dict[str, Track] = {"listen, all columns": ours, "librosa.yin": yin, "STFT peak (yardstick)": stft}
    try:
        importlib.metadata.version("praat-parselmouth")
        found["parselmouth, autocorrelation"] = parselmouth_ac
    except importlib.metadata.PackageNotFoundError:
        pass
    return found


def main() -> None:
    """Print the table: medians of five runs after a warm-up, ratios to the yardstick, losses too."""
    x = sweep()
    packages = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "numba", "librosa"))
    print(
        f"{os.cpu_count()} cores, Python {platform.python_version()}, {packages}; one take of {SECONDS:.0f} s at 48 kHz"
    )
    rows = []
    for name, job in jobs(x).items():
        time_s, f0_hz = job()
        inside = (time_s > 0.5) & (time_s < SECONDS - 0.5) & (f0_hz > 0)
        off = np.abs(1200 * np.log2(f0_hz[inside] / truth(time_s[inside])))
        seconds = []
        for _ in range(RUNS):
            start = time.perf_counter()
            job()
            seconds.append(time.perf_counter() - start)
        rows.append((name, float(np.median(off)), float(np.quantile(off, 0.95)), float(np.median(seconds))))
    yardstick = next(row[3] for row in rows if row[0].startswith("STFT"))
    print(f"{'':32}{'median':>10}{'95 %':>10}{'time':>9}{'over STFT':>11}")
    for name, median, high, seconds_each in rows:
        print(f"{name:32}{median:8.4f} c{high:8.4f} c{seconds_each:7.3f} s{seconds_each / yardstick:10.1f}x")


if __name__ == "__main__":
    main()
