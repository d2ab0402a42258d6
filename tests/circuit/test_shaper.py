"""A sine that is shaped from a triangle: offset, drive and slopes against the shaper's curve itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from listen.bench import Bench, BuildSettings, CaptureSettings
from listen.circuit.shaper import offset_of_curve, pair_lines
from tests.tones import OVERSAMPLING, RATE_HZ, check_of, coupled, decimated, smooth_turn, white

POINTS = 1 << 14


def shaped(drive: float, offset: float, rise: float = 0.5) -> np.ndarray:
    """H2 .. H10 over H1 of an overdriven pair on SciPy's triangle."""
    x = signal.sawtooth(2 * np.pi * np.arange(POINTS) / POINTS, rise)
    lines = np.fft.rfft(np.tanh(drive * (x + offset)))[1:11]
    k = np.arange(1, 11)
    return (lines * np.exp(-1j * k * np.angle(lines[0])) / np.abs(lines[0]))[1:]


@pytest.mark.parametrize(("drive", "offset", "rise"), [(1.3, 0.03, 0.5), (2.0, -0.1, 0.5), (0.8, 0.0, 0.52)])
def test_the_pairs_harmonics_are_those_of_the_sampled_wave(drive: float, offset: float, rise: float) -> None:
    np.testing.assert_allclose(pair_lines(drive, offset, rise), shaped(drive, offset, rise), atol=1e-4)


@pytest.mark.parametrize(("offset", "h2_dbc"), [(0.01, -45.3), (0.05, -31.4)])
def test_an_offset_makes_so_much_second_harmonic(offset: float, h2_dbc: float) -> None:
    """1 % and 5 % of the peak, near the least distortion; common practice says -44 and -30 (no source)."""
    assert 20 * np.log10(np.abs(shaped(1.29, offset)[0])) == pytest.approx(h2_dbc, abs=0.2)


@pytest.mark.parametrize("offset", [-0.04, 0.01, 0.05])
@pytest.mark.parametrize("curve", [np.tanh, np.arctan, lambda x: np.sin(np.clip(x, -1.5, 1.5))])
def test_the_offset_of_any_curve_follows_from_its_own_slope(curve, offset: float) -> None:
    x = signal.sawtooth(2 * np.pi * np.arange(POINTS) / POINTS, 0.5)
    lines = np.fft.rfft(curve(1.3 * (x + offset)))[1:11]
    k = np.arange(1, 11)
    r = (lines * np.exp(-1j * k * np.angle(lines[0])) / np.abs(lines[0]))[1:]
    # second order in the offset, and harmonics above the tenth: 3 %
    assert offset_of_curve(r.real) == pytest.approx(offset, rel=0.04)


def take(offset: float, drive: float = 1.29, rise: float = 0.5) -> np.ndarray:
    rate = OVERSAMPLING * RATE_HZ
    phase = 2 * np.pi * smooth_turn(110.0, 880.0, 1.6, rate, 0.6)[0]
    wave = np.tanh(drive * (signal.sawtooth(phase, rise) + offset))
    x = coupled(0.4 * decimated(wave), 3.0)
    return x + white(len(x), -90.0)


def figures(x: np.ndarray, **build: str):
    made = BuildSettings(wave="sine", **build)
    return check_of(x, bench=Bench(build=made, capture=CaptureSettings(ac_coupling_hz=3.0))).wave_figures


@pytest.mark.parametrize("offset", [-0.05, 0.03])
@pytest.mark.parametrize("shaper", ["pair", None])
def test_a_recordings_offset_is_read_with_its_sign(offset: float, shaper: str | None) -> None:
    found = figures(take(offset), topology="triangle-core", shaper=shaper)
    near = 0.01 if shaper else 0.06
    assert found.shaper_offset_percent.value == pytest.approx(100 * offset, rel=near)
    expected = shaped(1.29, offset)
    assert found.shaper_h2_dbc.value == pytest.approx(20 * np.log10(np.abs(expected[0])), abs=0.1)
    assert found.shaper_h3_dbc.value == pytest.approx(20 * np.log10(np.abs(expected[1])), abs=0.1)
    assert len(found.along) > 3


def test_unequal_slopes_are_not_taken_for_an_offset() -> None:
    found = figures(take(0.0, rise=0.51), topology="triangle-core", shaper="pair")
    assert abs(found.shaper_offset_percent.value) < 0.1


def test_a_sine_of_another_board_has_no_shaper() -> None:
    assert "triangle-core" in figures(take(0.03), topology="wien-bridge").shaper_offset_percent.why
    bench = replace(BuildSettings(wave="sine"), topology="triangle-core")
    x = 0.3 * np.cos(2 * np.pi * 12_000.0 * np.arange(48_000) / RATE_HZ) + white(48_000, -90.0)
    found = check_of(x, bench=Bench(build=bench)).wave_figures
    assert "too few harmonics" in found.shaper_offset_percent.why
