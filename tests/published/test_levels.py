"""Levels, distortion conventions and quantising noise against the audio-measurement standards.

Sources: AES17 (dBFS: a sine whose peak reaches full scale is 0 dBFS), IEC 61606 (the same); IEC 62257-1 and the
IEV (THD: r.s.s. of the harmonics over the fundamental); SINAD of an ideal converter 6.02 n + 1.76 dB, from several
tutorials. All from memory but for the definitions.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.tones import RATE_HZ, check_of, frames_of, middle, steady, sum_of, times, white

AMPLITUDE_ONE = {
    # level of a wave of peak 1: 20 lg(r.m.s. sqrt 2)
    "sine": 0.0,
    "square": 3.0103,
    "triangle": -1.7609,
    "sawtooth": -1.7609,
    "half-wave rectified": -5.2672,
    "full-wave rectified": -7.2255,
}


def series(wave: str, count: int) -> np.ndarray:
    """Fourier coefficients 1 .. count of waves of peak 1 (any handbook): cosine phases."""
    k = np.arange(1, count + 1)
    odd = k % 2 == 1
    return {
        "sine": np.where(k == 1, 1.0, 0.0),
        "square": np.where(odd, 4 / (np.pi * k) * np.sin(np.pi * k / 2), 0.0),
        "triangle": np.where(odd, 8 / (np.pi * k) ** 2, 0.0),
        "sawtooth": -2j / (np.pi * k),
        "half-wave rectified": np.where(
            k == 1, 0.5, np.where(odd, 0.0, -2 / (np.pi * (k**2 - 1.0 + odd)) * np.cos(np.pi * k / 2))
        ),
        "full-wave rectified": -4 / (np.pi * (4.0 * k**2 - 1)) * (-1.0) ** k,
    }[wave].astype(complex)


@pytest.mark.parametrize("wave", AMPLITUDE_ONE)
def test_level_of_the_standard_waves(wave: str) -> None:
    f0_hz = 97.3
    lines = series(wave, int(0.45 * RATE_HZ / f0_hz))
    # halved, so that no peak (nor its ringing) passes full scale; an offset must not enter the level
    frames = frames_of(sum_of(steady(f0_hz, 1.0), 0.5 * lines, f0_hz, mean=0.07))
    level = np.median(frames.level_dbfs[middle(frames)])
    # what the harmonics above the band hold is known: a square loses 0.002 dB of its level there
    lost = 10 * np.log10(np.sum(np.abs(lines) ** 2) / np.sum(np.abs(series(wave, 100_000)) ** 2))
    tolerance = 0.002 if wave == "sine" else 0.01
    assert level == pytest.approx(AMPLITUDE_ONE[wave] - 6.0206 + lost, abs=tolerance)
    assert np.median(frames.dc_fs[middle(frames)]) == pytest.approx(0.07, abs=1e-4)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("peak", [0.5, 32767 / 32768])
def test_a_sine_of_997_hz_in_a_file(subtype: str, peak: float) -> None:
    x = peak * np.sin(2 * np.pi * 997.0 * times(1.0))
    frames = check_of(x, subtype=subtype).frames
    # 997 Hz: the standard's own test frequency
    assert np.median(frames.level_dbfs[middle(frames)]) == pytest.approx(20 * np.log10(peak), abs=0.002)


@pytest.mark.parametrize("percent", [1.0, 3.0, 10.0, 30.0])
def test_thd_is_to_the_fundamental(percent: float) -> None:
    """THD_F and THD_R part as THD_R = THD_F / sqrt(1 + THD_F^2): 10 % is 9.95 % of the total."""
    share = np.array([0.8, 0.6]) * percent / 100
    frames = frames_of(sum_of(steady(441.3, 1.0), [0.3, 0.3j * share[0], -0.3 * share[1]], 441.3))
    thd = np.median(frames.thd_percent[middle(frames)])
    assert thd == pytest.approx(percent, rel=1e-4)
    assert abs(thd / (percent / np.sqrt(1 + (percent / 100) ** 2)) - 1) > 4e-5


@pytest.mark.parametrize(("bits", "dither", "dbfs"), [(16, True, -93.32), (16, False, -98.09), (12, False, -74.01)])
def test_quantising_noise(bits: int, dither: bool, dbfs: float) -> None:
    """Ideal rounding gives 6.0206 n + 1.7609 dB; triangular dither of one code either way 4.77 dB more noise."""
    rng = np.random.default_rng(3)
    code = 2.0 ** (1 - bits)
    x = 0.9 * np.sin(2 * np.pi * 997.0 * times(4.0))
    if dither:
        x += code * (rng.random(len(x)) - rng.random(len(x)))
    frames = frames_of(np.round(x / code) * code)
    noise = frames.noise_dbfs[middle(frames)]
    # noise_dbfs is of the whole band; 0.1 dB in the mean with dither, 0.2 without (the error is not quite white)
    assert 10 * np.log10(np.mean(10 ** (noise / 10))) == pytest.approx(dbfs, abs=0.1 if dither else 0.2)


def test_noise_as_another_library_sees_it() -> None:
    """The residue of a two-tone fit, its spectrum integrated by scipy.signal.welch: an independent witness."""
    t = times(4.0)
    x = 0.5 * np.sin(2 * np.pi * 997.0 * t) + white(len(t), -63.0, 5)
    columns = np.column_stack([np.cos(2 * np.pi * 997.0 * t), np.sin(2 * np.pi * 997.0 * t), np.ones_like(t)])
    left = x - columns @ np.linalg.lstsq(columns, x, rcond=None)[0]
    f, density = signal.welch(left, RATE_HZ, nperseg=4096)
    frames = frames_of(x)
    noise = 10 * np.log10(np.mean(10 ** (frames.noise_dbfs[middle(frames)] / 10)))
    # each witness scatters by about 10 lg(1 + 1 / sqrt(number of bins)): 0.02 dB
    assert noise == pytest.approx(10 * np.log10(2 * np.sum(density) * (f[1] - f[0])), abs=0.1)


def test_level_and_harmonics_as_a_flat_top_periodogram_reads_them() -> None:
    """scipy.signal.periodogram with a flat-top window: 10 lg(2 P) of each line."""
    f0_hz = 441.3
    lines = [0.4, 0.02, 0.01j, 0.003]
    x = sum_of(steady(f0_hz, 2.0), lines, f0_hz)
    f, power = signal.periodogram(x, RATE_HZ, window="flattop", scaling="spectrum")
    read = [10 * np.log10(2 * power[np.abs(f - k * f0_hz) < 5].max()) for k in (1, 2, 3, 4)]
    frames = frames_of(x)
    rows = middle(frames)
    # the window's own ripple is 0.01 dB
    assert np.median(frames.fundamental_dbfs[rows]) == pytest.approx(read[0], abs=0.01)
    for k in (2, 3, 4):
        assert np.median(frames.harmonics_dbc[rows, k - 2]) == pytest.approx(read[k - 1] - read[0], abs=0.02)
