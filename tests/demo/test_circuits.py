"""Solved circuits against the theory of their kind."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from listen.demo import cores, truth, wien

RATE_HZ = 48000
SOLVED_HZ = RATE_HZ * wien.OUTPUT_OVERSAMPLING
C_F = 10e-9


def bridge(
    seconds: float, gain: wien.Gain, *, r1: float = 10e3, r2: float = 10e3, kick_v: float = 0.5, **amp: float
) -> np.ndarray:
    rows = int(seconds * RATE_HZ) + 1
    quiet = wien.OpAmp(**({"noise_v": 0.0} | amp))
    return wien.solve_wien(
        np.full(rows, r1), np.full(rows, r2), C_F, C_F, gain=gain, amp=quiet, sample_rate_hz=RATE_HZ, kick_v=kick_v
    )


def diodes(gain: float, rf2_ohm: float) -> wien.Gain:
    return wien.Gain(element="diodes", rg_ohm=10e3, rf2_ohm=rf2_ohm, rf1_ohm=(gain - 1.0) * 10e3 - rf2_ohm)


def last(volts: np.ndarray, rate_hz: float = SOLVED_HZ) -> truth.Measured:
    end_s = len(volts) / rate_hz
    return truth.measure(volts, truth.crossing_phase(volts), rate_hz, np.array([end_s - 0.03]), RATE_HZ)


@pytest.mark.parametrize(("bandwidth_hz", "r_ohm"), [(1e6, 10e3), (3e6, 10e3), (1e6, 50e3)])
def test_a_bridge_sings_at_one_over_two_pi_rc_less_the_amplifier(bandwidth_hz: float, r_ohm: float) -> None:
    # Gain 3 has one pole at a third of the gain-bandwidth: f = f0 / sqrt(1 + 9 f0/ft), about 4.5 f0/ft (derived).
    volts = bridge(0.35, diodes(3.02, 3200.0), r1=r_ohm, r2=r_ohm, kick_v=3.0, gain_bandwidth_hz=bandwidth_hz)
    f0_hz = 1.0 / (2.0 * np.pi * r_ohm * C_F)
    expected_hz = f0_hz / np.sqrt(1.0 + 9.0 * f0_hz / bandwidth_hz)
    assert 1200 * np.log2(last(volts).f0_hz[0] / expected_hz) == pytest.approx(0.0, abs=0.4)


def test_unequal_arms_shift_the_pitch_by_their_geometric_mean() -> None:
    # f0 = 1/(2 pi sqrt(R1 R2 C1 C2)) (any text on the Wien bridge); +5 % in one arm: -42.23 cents.
    # The gain needed is 1 + R1/R2 + C2/C1: both run with 0.02 in hand, so that the limiter bends both alike.
    even = last(bridge(0.3, diodes(3.02, 3200.0), kick_v=3.0)).f0_hz[0]
    mixed = last(bridge(0.3, diodes(2.0 + 1.0 / 1.05 + 0.02, 3200.0), r2=10.5e3, kick_v=3.0)).f0_hz[0]
    assert 1200 * np.log2(mixed / even) == pytest.approx(-42.23, abs=0.3)


@pytest.mark.parametrize(("gain", "rate_per_s"), [(3.03, 150.0), (3.1, 500.0), (2.97, -150.0)])
def test_it_grows_or_dies_as_the_linear_theory_says(gain: float, rate_per_s: float) -> None:
    # sigma = omega0 (A - 3)/2 for equal arms; 10 k and 10 nF (derived; a circuit simulator gave 499.996 for 500).
    # A fast amplifier keeps its own lag out of it. Diodes do not conduct at millivolts.
    growing = rate_per_s > 0
    leg = diodes(gain, 1000.0)
    volts = bridge(
        0.03 if not growing else 3.0 / rate_per_s,
        leg,
        kick_v=1e-4,
        gain_bandwidth_hz=20e6,
        slew_up_v_per_s=1e9,
        slew_down_v_per_s=1e9,
    )
    phase = truth.crossing_phase(volts)
    cycle = np.flatnonzero(np.diff(np.floor(phase / (2 * np.pi))) > 0)[2:-1]
    peaks = np.array([np.abs(volts[a:b]).max() for a, b in pairwise(cycle)])
    seconds = 0.5 * (cycle[:-1] + cycle[1:]) / SOLVED_HZ
    slope = np.polyfit(seconds, np.log(peaks), 1)[0]
    assert slope == pytest.approx(rate_per_s, rel=0.015)


def test_a_lamp_holds_the_level_at_which_it_is_half_the_feedback() -> None:
    # Balance: filament = rf/2, its power = what it loses (common practice, no source).
    leg = wien.Gain(element="lamp", rf_ohm=560.0, warm_k=180.0)
    volts = bridge(1.2, leg, r1=36e3, r2=36e3, kick_v=1.7, gain_bandwidth_hz=1e6)
    warm_k = (280.0 / leg.r_cold_ohm - 1.0) / leg.alpha_per_k
    current_a = np.sqrt(warm_k / leg.thermal_k_per_w / 280.0)
    assert last(volts).amplitude_fs[0] == pytest.approx(3.0 * 280.0 * current_a * np.sqrt(2.0), rel=0.02)


def test_an_unequal_rail_flattens_its_own_half() -> None:
    row = last(bridge(0.3, diodes(3.09, 2450.0), r2=10.5e3, kick_v=3.0, rail_high_v=8.2))
    assert row.crest_positive[0] < 0.93 < 1.0 < row.crest_negative[0]
    assert row.flat_positive[0] > 2.0


def test_an_unequal_feedback_pair_brings_the_second_harmonic() -> None:
    def even(error: float) -> float:
        leg = wien.Gain(element="jfet-loop", proportional=0.1, control_v=-1.286, pair_error=error, reference_v=3.0)
        return float(last(bridge(0.6, leg, r1=50e3, r2=50e3, kick_v=1.5, gain_bandwidth_hz=1e6)).even[0])

    # Square-law channel with half the swing on the gate: the square term is gone; what is left goes with the error.
    assert even(0.0) < 1e-3
    assert even(0.2) > 10 * even(0.0)


def test_two_integrators_are_a_van_der_pol_oscillator_when_the_limiter_is_cubic() -> None:
    # Perturbation texts: x'' - e(1 - x^2)x' + x = 0 has amplitude 2, H3/H1 = e/8, omega = 1 - e^2/16. The output taken
    # is the integral: its third harmonic is a third of that. sinh(y/20) is a line (the growth undoes it) and a cubic.
    e, wide_v = 0.1, 20.0
    saturation = 2.0 * e * wide_v**3
    f0_hz = np.full(int(0.25 * SOLVED_HZ), 1000.0)
    volts = cores.two_integrators(
        f0_hz, SOLVED_HZ, growth=e + saturation / wide_v, saturation=saturation, emission_v=wide_v, kick_v=2.0
    )
    row = last(volts)
    assert 3.0 * row.harmonics[0, 1] == pytest.approx(e / 8.0, rel=0.01)
    assert row.amplitude_fs[0] == pytest.approx(2.0, rel=0.005)
    assert 1200 * np.log2(row.f0_hz[0] / 1000.0) == pytest.approx(1200 * np.log2(1 - e**2 / 16), abs=0.02)


def test_a_ladder_needs_a_gain_of_29() -> None:
    # Three equal RC sections, unbuffered: gain 29, f = sqrt(6)/(2 pi R C) (open texts on op-amp oscillators).
    f0_hz = np.full(int(0.4 * SOLVED_HZ), 500.0)
    dying = cores.phase_shift_ladder(f0_hz, SOLVED_HZ, gain=28.0, kick_v=1.0, amp_hz=1e6)
    growing = cores.phase_shift_ladder(f0_hz, SOLVED_HZ, gain=30.0, kick_v=1e-2, amp_hz=1e6)
    half = len(f0_hz) // 2
    assert np.ptp(dying[half:]) < 0.1 * np.ptp(dying[: half // 4])
    assert np.ptp(growing[half:]) > 1.0
    assert last(growing).f0_hz[0] == pytest.approx(500.0, rel=5e-3)


@pytest.mark.parametrize(("delay_us", "f0_hz"), [(1.0, 1000.0), (3.0, 440.0)])
def test_a_late_comparator_costs_four_delays_a_cycle(delay_us: float, f0_hz: float) -> None:
    # The wave overshoots and comes back at either turning point (common practice, no source).
    core = cores.Core(delay_s=delay_us * 1e-6)
    volts, square = cores.triangle_core(np.full(int(0.2 * SOLVED_HZ), f0_hz), SOLVED_HZ, core)
    row = last(volts)
    assert row.f0_hz[0] == pytest.approx(1.0 / (1.0 / f0_hz + 4e-6 * delay_us), rel=1e-6)
    assert row.thd_percent[0] == pytest.approx(12.0477, rel=1e-3)
    assert set(np.round(np.unique(square[::7]), 6)) >= {-1.0, 1.0}


@pytest.mark.parametrize(("reset_us", "cents"), [(0.5, -0.865), (1.0, -1.730), (2.0, -3.459), (5.0, -8.635)])
def test_the_reset_time_makes_a_sawtooth_flat(reset_us: float, cents: float) -> None:
    # -1200 log2(1 + f tr) at 1 kHz: 1.73 cents a microsecond and kilohertz.
    volts = cores.sawtooth_core(np.full(int(0.2 * SOLVED_HZ), 1000.0), SOLVED_HZ, cores.Core(reset_s=reset_us * 1e-6))
    assert 1200 * np.log2(last(volts).f0_hz[0] / 1000.0) == pytest.approx(cents, abs=0.01)
