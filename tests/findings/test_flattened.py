"""What clipped and slewed sines look like: the closed forms against the waves themselves."""

from __future__ import annotations

import numpy as np
import pytest

from listen.findings.flattened import clip_harmonics, dead_band_harmonics, read_sum, slewed_harmonics, true_loss
from tests.findings.slewing import followed_sine


def stepped(ratio: float, orders: int, points: int = 1 << 15) -> np.ndarray:
    """Harmonics over the fundamental of a follower that is stepped through two cycles of a sine."""
    spectrum = followed_sine(ratio, points)[1 : orders + 1]
    k = np.arange(1, orders + 1)
    relative: np.ndarray = spectrum / np.abs(spectrum[0]) * np.exp(-1j * k * np.angle(spectrum[0]))
    return relative


@pytest.mark.parametrize("ratio", [1.0, 1.05, 1.3, 1.7, 1.86])
def test_a_slewed_sine_is_what_a_follower_makes_of_it(ratio: float) -> None:
    np.testing.assert_allclose(slewed_harmonics(ratio, 15), stepped(ratio, 15), atol=2e-4)


def test_far_above_the_full_power_pitch_a_slewed_sine_is_a_triangle() -> None:
    """Odd harmonics as 1 / k^2, even ones none: the triangle's Fourier series, any handbook."""
    found = np.abs(slewed_harmonics(3.0, 9))
    np.testing.assert_allclose(found[::2], 1 / np.arange(1, 10, 2) ** 2, atol=1e-6)
    np.testing.assert_allclose(found[1::2], 0.0, atol=1e-6)


@pytest.mark.parametrize("both", [False, True])
def test_clip_harmonics_are_those_of_the_clipped_wave(both: bool) -> None:
    levels = np.array([0.95, 0.7, 0.4])
    phi = 2 * np.pi * np.arange(1 << 14) / (1 << 14)
    found = clip_harmonics(levels, 9, both)
    for level, row in zip(levels, found, strict=True):
        wave = np.clip(np.cos(phi), -level if both else -1.0, level)
        plain = 2 * np.fft.rfft(wave).real[1:10] / len(phi)
        np.testing.assert_allclose(row, plain, atol=1e-6)
        np.testing.assert_allclose(clip_harmonics(float(level), 9, both), row, atol=1e-15)


@pytest.mark.parametrize("band", [0.02, 0.1, 0.3])
def test_a_dead_band_is_what_it_makes_of_a_sine(band: float) -> None:
    """The transform of a sine through a dead band; even harmonics none, the third in the fundamental's own phase."""
    wave = np.cos(2 * np.pi * np.arange(1 << 15) / (1 << 15))
    spectrum = np.fft.rfft(np.sign(wave) * np.maximum(np.abs(wave) - band, 0.0))[1:10]
    np.testing.assert_allclose(dead_band_harmonics(band, 9), spectrum / spectrum[0], atol=1e-6)


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("level", [0.985, 0.93, 0.8, 0.5])
def test_the_loss_of_a_crest_is_put_back_from_few_harmonics(level: float, both: bool) -> None:
    """Read from ten harmonics of a clipped cosine, the loss is that of the whole wave."""
    wave = np.clip(np.cos(2 * np.pi * np.arange(1 << 14) / (1 << 14)), -level if both else -1.0, level)
    wave -= wave.mean()
    size = 2 * abs(np.fft.rfft(wave)[1]) / len(wave)
    up, down = wave.max() / size, -wave.min() / size
    lines = np.fft.rfft(wave).real[None, 1:11] * 2 / len(wave)
    read_up, read_down, _ = read_sum(lines)
    read = 1 - read_up if both else 1 - read_up / read_down
    (loss,) = true_loss(read, np.array([10]), both)
    assert loss == pytest.approx(1 - up if both else 1 - up / down, abs=0.004)
