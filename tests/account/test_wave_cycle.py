"""Harmonics of waves of straight pieces against SciPy's own waves and the closed forms of handbooks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from listen.account.waves.cycle import Cycle, bow_of, draw, lines_of

POINTS = 1 << 16
PLACE = (np.arange(POINTS) + 0.5) / POINTS
K = np.arange(1.0, 11.0)


def sampled(wave: np.ndarray) -> np.ndarray:
    """Harmonics 1 .. 10 of one sampled cycle, of which the first point lies half a step after its foot."""
    return np.fft.rfft(wave)[1:11] * 2 / POINTS * np.exp(-1j * np.pi * K / POINTS)


@pytest.mark.parametrize("share", [0.02, 0.25, 0.5, 0.512, 0.97])
def test_slopes_are_scipys_sawtooth(share: float) -> None:
    """scipy.signal.sawtooth, of width the rise share; sampling folds 1e-9 of a triangle, 1e-5 of a steep one."""
    wave = 0.5 * signal.sawtooth(2 * np.pi * PLACE, share)
    np.testing.assert_allclose(lines_of(Cycle(share=share), K), sampled(wave), atol=2e-5)


@pytest.mark.parametrize("duty", [0.1, 0.5, 0.75])
def test_pulses_are_scipys_square(duty: float) -> None:
    """scipy.signal.square; an edge is off by half a point of 65536."""
    wave = 0.5 * signal.square(2 * np.pi * PLACE, duty)
    np.testing.assert_allclose(lines_of(Cycle(pulse=True, share=duty), K), sampled(wave), atol=5e-5)


@pytest.mark.parametrize(("top", "bottom"), [(0.1, 0.0), (0.0, 0.2), (0.1, 0.3)])
def test_cut_tips_are_those_of_the_clipped_wave(top: float, bottom: float) -> None:
    wave = np.clip(0.5 + 0.5 * signal.sawtooth(2 * np.pi * PLACE, 0.4), bottom, 1.0 - top)
    found = lines_of(Cycle(share=0.4, cut_top=top, cut_bottom=bottom), K)
    np.testing.assert_allclose(found, sampled(wave), atol=1e-8)


@pytest.mark.parametrize(
    ("cycle", "levels_db"),
    [
        # levels of H2 .. H10 in dBc by the closed forms of any handbook of Fourier series:
        # pulse 2 sin(pi k d) / (pi k); triangle of rise share d 2 sin(pi k d) / (pi^2 k^2 d (1 - d));
        # sawtooth 2 / (pi k)
        (Cycle(pulse=True, share=0.25), [-3.010, -9.542, None, -13.979, -12.553, -16.902, None, -19.085, -16.990]),
        (Cycle(share=0.45), [-22.134, -19.980, -28.590, -30.861, -32.859, -40.555, -36.452, -54.175, -39.892]),
        (Cycle(share=0.40), [-16.221, -23.265, -24.082, None, -31.126, -37.984, -40.303, -38.170, None]),
        (Cycle(share=1.0), [-6.021, -9.542, -12.041, -13.979, -15.563, -16.902, -18.062, -19.085, -20.000]),
    ],
)
def test_levels_are_those_of_the_handbooks(cycle: Cycle, levels_db: list[float | None]) -> None:
    lines = np.abs(lines_of(cycle, K))
    for found, level in zip(lines[1:] / lines[0], levels_db, strict=True):
        assert found < 1e-5 if level is None else 20 * np.log10(found) == pytest.approx(level, abs=6e-4)


def test_a_trapezoid_is_a_triangle_with_both_tips_cut() -> None:
    """Full height in the phase pi/3: 4 sin(k a) / (pi a k^2); H3 is none, H5 -27.959, H7 -33.804 dBc (handbooks)."""
    lines = np.abs(lines_of(Cycle(cut_top=1 / 6, cut_bottom=1 / 6), K))
    # each slope would take the half cycle: two thirds of it are left
    assert 20 * np.log10(lines[[4, 6]] / lines[0]) == pytest.approx([-27.959, -33.804], abs=6e-4)
    assert lines[[1, 2, 3]] == pytest.approx(0.0, abs=1e-12)


def test_a_straight_reset_takes_a_sinc_off() -> None:
    """H_k of a sawtooth times sinc(k r), its series divided by itself: the identity that the reset is read by."""
    reset = 0.013
    whole, slow = (np.abs(lines_of(Cycle(share=1 - r), K)) for r in (1e-6, reset))
    # of the ramp, shorter by the reset, too: 1 / (1 - r)
    assert slow / whole == pytest.approx(np.sinc(K * reset) / (1 - reset), abs=1e-5)


@pytest.mark.parametrize("wave", ["square", "sawtooth"])
def test_the_bend_is_a_first_order_high_pass(wave: str) -> None:
    """Against SciPy's own filter of the sampled wave, long settled."""
    bend, points, cycles = 0.1, 4096, 40
    place = np.arange(points * cycles) / points
    pulse = wave == "square"
    x = signal.square(2 * np.pi * place) if pulse else signal.sawtooth(2 * np.pi * place)
    y = signal.lfilter(*signal.butter(1, bend, "high", fs=points), x)[-points:]
    k = np.arange(1.0, 6.0)
    found = lines_of(Cycle(pulse=pulse, share=0.5 if pulse else 1.0, bend=bend), k)
    expected = np.fft.rfft(y)[1:6] / points
    assert np.abs(found) == pytest.approx(np.abs(expected), rel=2e-3, abs=1e-3)


@pytest.mark.parametrize("bend", [-0.2, -0.01, 0.003, 0.1, 0.5])
def test_the_bow_is_the_largest_distance_from_the_chord(bend: float) -> None:
    u = np.linspace(0.0, 1.0, 200_001)
    curve = np.expm1(-2 * np.pi * bend * u) / np.expm1(-2 * np.pi * bend)
    off = curve - u
    assert bow_of(bend) == pytest.approx(off[np.argmax(np.abs(off))], abs=1e-9)


def test_a_drawn_cycle_is_the_wave() -> None:
    wave = draw(lines_of(Cycle(share=0.3), np.arange(1.0, 400.0)), 1024)
    assert wave == pytest.approx(0.5 * signal.sawtooth(2 * np.pi * np.arange(1024) / 1024, 0.3), abs=3e-3)
