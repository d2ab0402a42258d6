"""The trackers that are compared, each told the range of the take and given its best reasonable setting.

What is not installed is named as left out. Settings were chosen on these takes by accuracy, then by time.
"""

from __future__ import annotations

import importlib
import importlib.metadata
from collections.abc import Callable
from dataclasses import dataclass

import librosa
import numpy as np
from bench_takes import RATE_HZ, Floats, Memory, Take

from listen.track import track

HOP = 960
"""20 ms, as many rows as ours, where a peer lets it be chosen."""

Pitches = tuple[Floats, Floats]
"""Times and pitches; 0 or NaN where a tracker gives none."""


@dataclass(frozen=True)
class Tracker:
    """One row of the table.

    Attributes
    ----------
    name : str
    distribution : str
        Whose version is printed.
    run : callable (take) -> times, pitches
    low_hz, high_hz : float
        A range of its own that cannot be changed; it is not judged outside of it.
    cost : int
        0 takes part always, 1 not in a quick run, 2 only where all are asked for.
    """

    name: str
    distribution: str
    run: Callable[[Take], Pitches]
    low_hz: float = 0.0
    high_hz: float = np.inf
    cost: int = 0


def window_samples(take: Take, periods: float, least: int = 1024) -> int:
    """A power of two that holds so many periods of the lowest pitch."""
    return max(least, 2 ** int(np.ceil(np.log2(periods * RATE_HZ / take.low_hz))))


def bounds(take: Take) -> tuple[float, float]:
    """The range that a tracker is told: the take's, half an octave wider at each end (some fail in a narrower one)."""
    return take.low_hz / np.sqrt(2.0), take.high_hz * np.sqrt(2.0)


def ours(threads: int) -> Callable[[Take], Pitches]:
    """All columns of the frames, not the pitch alone."""

    def run(take: Take) -> Pitches:
        frames = track(Memory(take.samples), workers=threads)
        return frames.time_s, np.where(frames.oscillating, frames.f0_hz, np.nan)

    return run


def stft_pass(samples: Floats) -> Floats:
    """The unit of time: one bare pass over float32 samples."""
    return librosa.stft(samples, n_fft=2048, hop_length=512)


def stft_peak(take: Take) -> Pitches:
    """The strongest bin and the parabola through its logarithms; the window holds four periods."""
    size = window_samples(take, 4.0, 2048)
    power = np.abs(librosa.stft(take.samples.astype(np.float32), n_fft=size, hop_length=HOP)).T
    best = np.clip(np.argmax(power, axis=1), 1, power.shape[1] - 2)
    rows = np.arange(len(best))
    a, b, c = (np.log(power[rows, best + d] + 1e-12) for d in (-1, 0, 1))
    shift = 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-12)
    return rows * HOP / RATE_HZ, (best + shift) * RATE_HZ / size


def librosa_yin(take: Take) -> Pitches:
    """Its window must hold two of the longest periods; four and more are twice as exact."""
    low, high = bounds(take)
    size = window_samples(take, 4.4)
    f0 = librosa.yin(take.samples, fmin=low, fmax=high, sr=RATE_HZ, frame_length=size, hop_length=HOP)
    return np.arange(len(f0)) * HOP / RATE_HZ, f0


def librosa_pyin(take: Take) -> Pitches:
    """As yin; its grid of a tenth of a semitone is the default, a finer one takes time with the square."""
    low, high = bounds(take)
    size = window_samples(take, 4.4)
    f0, _, _ = librosa.pyin(take.samples, fmin=low, fmax=high, sr=RATE_HZ, frame_length=size, hop_length=HOP)
    return np.arange(len(f0)) * HOP / RATE_HZ, f0


def parselmouth_ac(*, long_window: bool) -> Callable[[Take], Pitches]:
    """Autocorrelation with a Hann window of three periods of the floor, or a Gaussian one of six."""

    def run(take: Take) -> Pitches:
        import parselmouth

        low, high = bounds(take)
        sound = parselmouth.Sound(take.samples, RATE_HZ)
        pitch = sound.to_pitch_ac(
            time_step=HOP / RATE_HZ, pitch_floor=low, pitch_ceiling=high, very_accurate=long_window
        )
        return pitch.xs(), pitch.selected_array["frequency"]

    return run


def world_dio(take: Take) -> Pitches:
    """Candidates of dio, refined by stonemask."""
    import pyworld

    low, high = bounds(take)
    f0, time_s = pyworld.dio(take.samples, RATE_HZ, f0_floor=low, f0_ceil=high)
    return time_s, pyworld.stonemask(take.samples, f0, time_s, RATE_HZ)


def world_harvest(take: Take) -> Pitches:
    """Harvest refines by itself."""
    import pyworld

    low, high = bounds(take)
    f0, time_s = pyworld.harvest(take.samples, RATE_HZ, f0_floor=low, f0_ceil=high)
    return time_s, f0


def aubio_yinfft(take: Take) -> Pitches:
    """Streamed hop by hop, as it is made; the time is that of the window's middle."""
    import aubio

    size = window_samples(take, 6.0, 4096)
    detector = aubio.pitch("yinfft", size, HOP, RATE_HZ)
    detector.set_unit("Hz")
    samples = take.samples.astype(np.float32)
    f0 = np.array([detector(samples[i : i + HOP])[0] for i in range(0, len(samples) - HOP + 1, HOP)])
    return ((np.arange(len(f0)) + 1) * HOP - size / 2) / RATE_HZ, f0


def swift_f0(take: Take) -> Pitches:
    """A small network for speech and singing; its model is in the package, resampling to 16 kHz its own."""
    import swift_f0 as package

    low, high = bounds(take)
    detector = package.SwiftF0()
    found = detector.detect(
        take.samples.astype(np.float32),
        RATE_HZ,
        fmin=min(max(low, package.FMIN), package.FMAX / 1.2),
        fmax=max(min(high, package.FMAX), package.FMIN * 1.2),
    )
    return found.timestamps, found.pitch_hz


def pesto_g7(take: Take) -> Pitches:
    """A small network on a constant-Q transform; its weights are in the package."""
    import pesto
    import torch

    samples = torch.from_numpy(take.samples.astype(np.float32))
    time_ms, f0, _, _ = pesto.predict(samples, RATE_HZ, step_size=1000.0 * HOP / RATE_HZ, num_chunks=4)
    return time_ms.numpy() / 1000.0, f0.numpy()


OURS = Tracker("listen, all columns", "listen", ours(2))
PEERS = (
    Tracker("listen, one thread", "listen", ours(1)),
    Tracker("parselmouth ac", "praat-parselmouth", parselmouth_ac(long_window=False)),
    Tracker("parselmouth ac, accurate", "praat-parselmouth", parselmouth_ac(long_window=True)),
    Tracker("librosa.yin", "librosa", librosa_yin),
    Tracker("librosa.pyin", "librosa", librosa_pyin, cost=2),
    Tracker("pyworld, dio, stonemask", "pyworld", world_dio, cost=1),
    Tracker("pyworld, harvest", "pyworld", world_harvest, cost=2),
    Tracker("aubio, yinfft", "aubio", aubio_yinfft),
    Tracker("swift-f0", "swift-f0", swift_f0, low_hz=46.9, high_hz=2093.0),
    Tracker("pesto", "pesto-pitch", pesto_g7, low_hz=27.5, high_hz=4186.0),
    Tracker("STFT peak, parabola", "librosa", stft_peak),
)

MODULES = {
    "praat-parselmouth": "parselmouth",
    "pyworld": "pyworld",
    "aubio": "aubio",
    "swift-f0": "swift_f0",
    "pesto-pitch": "pesto",
}
"""What is imported of the peers that are no requirement of the tests."""

OTHER_BUILDS = {"aubio": ("aubio-ledfx",), "pyworld": ("pyworld-prebuilt",)}
"""The same library, built by others for newer Pythons."""


def version(distribution: str) -> str | None:
    """Installed version; None: not there, or it cannot be imported."""
    module = MODULES.get(distribution)
    if module is None:
        return importlib.metadata.version(distribution)
    try:
        found = importlib.import_module(module)
    except (ImportError, OSError):
        return None
    for name in (distribution, *OTHER_BUILDS.get(distribution, ())):
        try:
            return importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return str(getattr(found, "__version__", "of unknown version"))


def available(most_cost: int) -> tuple[list[Tracker], list[str]]:
    """The trackers of this run, ours first, and why each other one is left out."""
    chosen, left = [OURS], []
    for peer in PEERS:
        if version(peer.distribution) is None:
            left.append(f"{peer.name}: not installed")
        elif peer.cost > most_cost:
            left.append(f"{peer.name}: takes minutes, {'--all runs it' if peer.cost > 1 else 'not in a quick run'}")
        else:
            chosen.append(peer)
    return chosen, left
