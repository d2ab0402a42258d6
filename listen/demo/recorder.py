"""What a recorder does to a wave: band limit, coupling, noise, hum, word length, damage."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

from listen.units import ratio_from_db

Floats = NDArray[np.float64]
Subtype = Literal["PCM_16", "PCM_24", "FLOAT"]

PASS_EDGE = 0.45
STOP_EDGE = 0.50
STOP_DB = 110.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """One interface at one setting.

    Attributes
    ----------
    sample_rate_hz : int
    ac_coupling_hz : float
        Corner of the single-pole high-pass; 0 is coupled directly.
    noise_dbfs : float
        White noise over the whole band (a full-scale sine is 0 dBFS).
    hum_hz : float
        50 or 60; hum has the lines 1, 2, 3 and 5, each weaker.
    hum_dbfs : float
        Level of the hum as a whole.
    dc_fs : float
        Offset of the converter.
    clip_fs : tuple of float
        Lowest and highest sample value that the interface passes.
    subtype : {'PCM_16', 'PCM_24', 'FLOAT'}
    """

    sample_rate_hz: int = 48000
    ac_coupling_hz: float = 2.0
    noise_dbfs: float = -95.0
    hum_hz: float = 50.0
    hum_dbfs: float = -140.0
    dc_fs: float = 0.0
    clip_fs: tuple[float, float] = (-1.0, 1.0)
    subtype: Subtype = "PCM_24"


def decimate(wave: Floats, factor: int) -> Floats:
    """Return every ``factor``-th sample after a linear-phase low-pass, delay removed.

    The pass band ends at 0.45 of the new rate, the stop band (-110 dB) begins at half of it.
    """
    if factor == 1:
        return wave.copy()
    taps, beta = signal.kaiserord(STOP_DB, 2.0 * (STOP_EDGE - PASS_EDGE) / factor)
    taps |= 1
    low_pass = signal.firwin(taps, (PASS_EDGE + STOP_EDGE) / factor, window=("kaiser", beta))
    half = taps // 2
    # Leading zeros make the delay a whole number of output samples.
    low_pass = np.concatenate((np.zeros(-half % factor), low_pass))
    first = -(-half // factor)
    return np.asarray(signal.upfirdn(low_pass, wave, down=factor)[first : first + -(-len(wave) // factor)])


def couple(wave: Floats, sample_rate_hz: float, corner_hz: float) -> Floats:
    """Return the wave after a single-pole high-pass."""
    if corner_hz <= 0.0:
        return wave.copy()
    b, a = signal.butter(1, corner_hz, btype="high", fs=sample_rate_hz)
    return np.asarray(signal.lfilter(b, a, wave))


def hum_wave(time_s: Floats, hum_hz: float, level_dbfs: float, rng: np.random.Generator) -> Floats:
    """Return mains hum: the lines 1, 2, 3 and 5 with random phases, level as a whole."""
    lines = {1: 1.0, 2: 0.5, 3: 0.35, 5: 0.15}
    wave = np.zeros_like(time_s)
    for number, share in lines.items():
        wave += share * np.cos(2.0 * np.pi * number * hum_hz * time_s + rng.uniform(0.0, 2.0 * np.pi))
    total = np.sqrt(sum(share**2 for share in lines.values()))
    return np.asarray(wave * ratio_from_db(level_dbfs) / total)


def quantise(wave: Floats, subtype: Subtype, rng: np.random.Generator) -> Floats:
    """Return the wave with triangular dither of one step, rounded to the word length."""
    if subtype == "FLOAT":
        return wave
    steps = 2.0 ** (15 if subtype == "PCM_16" else 23)
    dither = rng.uniform(-0.5, 0.5, len(wave)) + rng.uniform(-0.5, 0.5, len(wave))
    return np.clip(np.rint(wave * steps + dither), -steps, steps - 1.0) / steps


def record(wave: Floats, recorder: Recorder, rng: np.random.Generator, *, skip_samples: int = 0) -> Floats:
    """Return what the file holds.

    Parameters
    ----------
    wave : ndarray, shape (n,)
        Full scale is 1, at the file's rate, band-limited.
    recorder : Recorder
    rng : numpy.random.Generator
    skip_samples : int
        So many samples at the beginning only let the coupling settle and are not recorded.
    """
    coupled = couple(wave, recorder.sample_rate_hz, recorder.ac_coupling_hz)[skip_samples:]
    time_s = np.arange(len(coupled)) / recorder.sample_rate_hz
    coupled += hum_wave(time_s, recorder.hum_hz, recorder.hum_dbfs, rng) + recorder.dc_fs
    coupled += rng.standard_normal(len(coupled)) * ratio_from_db(recorder.noise_dbfs) / np.sqrt(2.0)
    low, high = recorder.clip_fs
    return np.clip(quantise(coupled, recorder.subtype, rng), low, high)


def write_wav(path: Path, samples: Floats, recorder: Recorder) -> None:
    """Write one channel, shape (n,), or several, shape (n, channels)."""
    soundfile.write(path, samples, recorder.sample_rate_hz, subtype=recorder.subtype)
