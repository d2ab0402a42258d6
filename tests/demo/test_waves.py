"""Bent waves and the truth's measuring of them, against closed forms and tables."""

from __future__ import annotations

import numpy as np
import pytest

from listen.demo import controls, truth, waves

RATE_HZ = 384000.0


def measured(wave: np.ndarray, phase: np.ndarray) -> truth.Measured:
    return truth.measure(wave, phase, RATE_HZ, np.array([0.1]), 48000.0)


def sine_phase(f0_hz: float) -> np.ndarray:
    return controls.phase_rad(np.full(int(0.2 * RATE_HZ), f0_hz), RATE_HZ, start_rad=0.3)


def one_sided_clip(level: float, count: int) -> tuple[np.ndarray, float, float]:
    """Harmonics over the fundamental and both crests: conduction-angle integrals of class-C texts (from memory)."""
    t = np.arccos(level)
    r1 = (t - level * np.sin(t)) / np.pi
    r0 = (np.sin(t) - level * t) / np.pi
    k = np.arange(2, count + 1)
    r = (np.sin((k - 1) * t) / (k - 1) - np.sin((k + 1) * t) / (k + 1)) / (np.pi * k)
    return np.abs(r) / (1 - r1), (level + r0) / (1 - r1), (1 - r0) / (1 - r1)


@pytest.mark.parametrize("level", [0.98, 0.9, 0.8, 0.5])
def test_one_half_clipped_has_the_harmonics_of_the_closed_form(level: float) -> None:
    phase = sine_phase(441.3)
    row = measured(waves.clip(np.cos(phase), level, "positive"), phase)
    harmonics, cut, other = one_sided_clip(level, 10)
    np.testing.assert_allclose(row.harmonics[0], harmonics, atol=2e-5)
    assert row.crest_positive[0] == pytest.approx(cut, abs=2e-4)
    assert row.crest_negative[0] == pytest.approx(other, abs=2e-4)


def test_a_circuit_simulator_printed_the_same_distortion() -> None:
    # Debian's ngspice, a source V = min(0.9, V(s)) and `fourier 1000`: THD 3.19156 %; both sides at 0.8: 8.94908 %.
    phase = sine_phase(1000.0)
    assert measured(waves.clip(np.cos(phase), 0.9, "negative"), phase).thd_percent[0] == pytest.approx(
        3.19156, rel=1e-3
    )
    assert measured(waves.clip(np.cos(phase), 0.8, "both"), phase).thd_percent[0] == pytest.approx(8.94908, rel=1e-3)


def test_a_dead_band_has_the_odd_harmonics_of_the_two_cut_tops() -> None:
    # sign(x) max(|x| - d, 0) is what a symmetric clip at d takes away: b_1 = 2 r1, b_k = 2 r_k (conduction angle).
    d = 0.04
    t = np.arccos(d)
    r1 = (t - d * np.sin(t)) / np.pi
    r3 = (np.sin(2 * t) / 2 - np.sin(4 * t) / 4) / (3 * np.pi)
    phase = sine_phase(300.0)
    row = measured(waves.dead_band(np.cos(phase), d), phase)
    assert row.harmonics[0, 1] == pytest.approx(abs(r3) / r1, abs=2e-5)
    assert row.harmonics[0, 0] == pytest.approx(0.0, abs=1e-6)
    assert row.amplitude_fs[0] == pytest.approx(2 * r1, abs=2e-5)


def test_a_soft_clip_stays_under_its_limit_and_far_below_it_changes_nothing() -> None:
    wave = np.linspace(-1.0, 1.0, 2001)
    bent = waves.soft_clip(wave, 0.8, "positive", 0.01)
    assert bent.max() <= 0.8
    np.testing.assert_allclose(bent[wave < 0.6], wave[wave < 0.6], atol=1e-8)


@pytest.mark.parametrize(
    ("over", "level_db", "third_dbc", "crest"),
    [(1.2, -0.293, -26.653, 1.0343), (1.5, -1.531, -19.931, 1.1732), (2.0, None, -19.085, 1.2337)],
)
def test_a_slewed_sine_turns_into_a_triangle(
    over: float, level_db: float | None, third_dbc: float, crest: float
) -> None:
    # Ideal follower with a slope limit; the solution of its matching equations, derived for this project.
    f0_hz, rate_hz = 1000.0, 4.8e6
    phase = controls.phase_rad(np.full(int(0.1 * rate_hz), f0_hz), rate_hz)
    step = 2 * np.pi * f0_hz / over / rate_hz
    wave = np.empty_like(phase)
    waves.slew(np.cos(phase), step, step, wave)
    row = truth.measure(wave, phase, rate_hz, np.array([0.05]), 48000.0)
    assert 20 * np.log10(row.harmonics[0, 1]) == pytest.approx(third_dbc, abs=0.03)
    assert row.crest_positive[0] == pytest.approx(crest, abs=2e-3)
    if level_db is not None:
        assert 20 * np.log10(row.amplitude_fs[0]) == pytest.approx(level_db, abs=0.005)


@pytest.mark.parametrize(
    ("wave", "duty", "thd10"),
    [("square", 0.5, 42.8795), ("sawtooth", 0.5, 74.1463), ("pulse", 0.25, 87.1447), ("pulse", 0.1, 177.449)],
)
def test_series_have_the_distortion_of_the_handbook_waves(wave: str, duty: float, thd10: float) -> None:
    # Fourier series of standard waves (any handbook), H2..H10 to the fundamental.
    cosines, sines = waves.series(wave, 10, duty)
    assert 100 * np.sqrt(np.sum(cosines[1:] ** 2 + sines[1:] ** 2)) == pytest.approx(thd10, rel=1e-5)


def test_a_series_is_band_limited() -> None:
    phase = controls.phase_rad(np.full(48000, 1000.0), 48000.0)
    cosines, sines = waves.series("square", 100)
    wave = np.empty_like(phase)
    waves.sum_series(phase, np.full(48000, 1000.0), 48000.0, cosines, sines, wave)
    lines = np.abs(np.fft.rfft(wave)) / 24000.0
    odd = lines[1000:22000:2000]
    np.testing.assert_allclose(odd[:10], 1 / np.arange(1, 20, 2), rtol=1e-9)
    assert np.delete(lines, np.arange(1000, 24000, 2000)).max() < 1e-9


def test_a_series_of_an_unknown_wave_is_refused() -> None:
    with pytest.raises(ValueError, match="no series"):
        waves.series("noise", 3)


def test_a_triangle_may_lean() -> None:
    # 2 sin(pi k d)/(pi^2 k^2 d (1 - d)): d = 0.4 has H2 at -16.221 dBc and no H5 (handbook series).
    phase = sine_phase(200.0)
    row = measured(waves.triangle(phase, 0.4), phase)
    assert 20 * np.log10(row.harmonics[0, 0]) == pytest.approx(-16.221, abs=0.005)
    assert row.harmonics[0, 3] < 1e-4
    assert row.crest_positive[0] == pytest.approx(1.2453, abs=1e-3)


def test_the_crossing_phase_finds_pitch_in_a_sweep() -> None:
    control = controls.turn([200.0, 1600.0], [0.2, 1.0, 0.2])
    time_s = np.arange(int(1.4 * RATE_HZ)) / RATE_HZ
    phase = controls.phase_rad(control.f0_hz(time_s), RATE_HZ)
    guide = truth.crossing_phase(np.cos(phase))
    inside = slice(int(0.05 * RATE_HZ), int(1.35 * RATE_HZ))
    off = (guide - phase)[inside]
    assert np.ptp(off) < 1e-4
    assert np.all(truth.crossing_phase(np.ones(100)) == 0.0)


def test_every_other_crossing_sees_through_uneven_cycles() -> None:
    phase = sine_phase(300.0)
    uneven = np.cos(phase) + 0.1 * np.sin(0.5 * phase)
    steady = np.gradient(truth.crossing_phase(uneven, every=2))[20000:-20000] * RATE_HZ / (2 * np.pi)
    wobbling = np.gradient(truth.crossing_phase(uneven))[20000:-20000] * RATE_HZ / (2 * np.pi)
    np.testing.assert_allclose(steady, 300.0, atol=1e-3)
    assert np.ptp(wobbling) > 5.0
