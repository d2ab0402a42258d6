"""A pitch that wavers at rest, on grids made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.modulation import (
    smeared,
)
from listen.account.pitch_scatter import _flat_share, _pitch_noise, _rate, _smooth, find_wavering
from tests.account.test_rests_by_hand import GRID_S, NOBODY, T, tone
from tests.accounts import plain_frames, segment


def wavers(cents: np.ndarray, seconds: float = 3.0, f0_hz: float = 440.0, noise_dbfs: float = -95.0, **changes: object):  # type: ignore[no-untyped-def]
    frames = plain_frames(300, noise_dbfs=noise_dbfs)
    rest = segment(1.0, 1.0 + seconds, f0_hz, **changes)
    found = find_wavering(frames, tone(0.0, cents, f0_hz), [rest], [], NOBODY)
    return found[0] if found else None


@pytest.mark.parametrize(("seconds", "found"), [(0.27, False), (0.33, True)])
def test_a_rest_of_three_tenths_shows_wavering(seconds: float, found: bool) -> None:
    cents = 9.0 * np.sin(2 * np.pi * 9.0 * T)
    assert (wavers(cents, seconds) is not None) is found
    # after a retune the first quarter of a second is the retune's
    assert (wavers(cents, seconds + 0.25, retune_s=1.0) is not None) is found


def test_wavering_is_put_back_by_no_more_than_a_factor() -> None:
    """At 24 Hz the smoothing leaves half, the frames most; at 40 Hz no more than 1 / 0.3 is made up for."""
    for rate_hz in (24.0, 40.0):
        found = wavers(10.0 * np.sin(2 * np.pi * rate_hz * T))
        window = np.hanning(2 * 4 + 1)[1:-1]
        left = abs(np.sum(window / window.sum() * np.exp(2j * np.pi * rate_hz * GRID_S * np.arange(len(window)))))
        assert found.rate_hz == pytest.approx(rate_hz, abs=0.1)
        if rate_hz > 30.0:
            assert found.rms_cents == pytest.approx(10 / np.sqrt(2) * left / 0.3, rel=0.05)
        else:
            assert found.rms_cents * smeared(rate_hz, 440.0, GRID_S) == pytest.approx(10 / np.sqrt(2), rel=0.1)


def test_a_smooth_window_keeps_the_middle_and_short_series() -> None:
    step = np.zeros(101)
    step[50] = 1.0
    window = np.hanning(9)[1:-1]
    assert _smooth(step, 4)[47:54] == pytest.approx(window / window.sum())
    assert _smooth(step[:11], 4) is not None
    assert (_smooth(step[45:56], 4) == step[45:56]).all()
    assert (_smooth(step, 1) == step).all()


@pytest.mark.parametrize(("flat", "found"), [(0.22, True), (0.45, False)])
def test_a_pitch_that_stays_is_tuned_by_hand(flat: float, found: bool) -> None:
    """Part of each second in which the pitch stays at its extreme."""
    turn = (T % 1.0) / (1.0 - flat)
    cents = np.where(turn < 1.0, 20.0 * np.cos(2 * np.pi * turn), 20.0)
    assert (wavers(cents, 4.0) is not None) is found
    assert _flat_share(np.zeros(50), GRID_S) == 0.0
    share = _flat_share(cents[200:], GRID_S)
    assert share == pytest.approx(max(flat - 0.15, 0.0) + 0.03, abs=0.08)


@pytest.mark.parametrize("bend", [30.0, 4.0])
def test_the_end_of_a_turn_is_a_bend(bend: float) -> None:
    """A parabola over the rest that leaves under a quarter of the variance is taken off."""
    x = (T - 2.5) / 1.5
    found = wavers(bend * x**2 + 3.0 * np.sin(2 * np.pi * 5.0 * T))
    alone = wavers(3.0 * np.sin(2 * np.pi * 5.0 * T))
    scatter = bend * np.sqrt(4 / 45)
    expected = np.hypot(alone.rms_cents, scatter) if scatter < 2.0 else alone.rms_cents
    assert found.rms_cents == pytest.approx(expected, rel=0.08)


def test_noise_of_the_pitch_is_that_of_its_frames() -> None:
    """Phase noise of frames as the tracker has them, over the smoothing's width, by simulation.

    A Hann frame's phase errs by sqrt(1.5 / n) of the noise over the tone, and two of them make one pitch.
    """
    frames = plain_frames(300, noise_dbfs=np.where(np.arange(300) < 150, -52.0, -12.0))
    noise = _pitch_noise(frames, segment(1.0, 2.9), 0.02)
    rng = np.random.default_rng(1)
    n, f0_hz = 480, 440.0  # ten milliseconds
    white = 0.01 / np.sqrt(2.0) * rng.standard_normal((4000, n))
    window = np.hanning(n)
    turn = np.exp(-2j * np.pi * f0_hz / 48_000 * np.arange(n))
    phase = np.angle(1.0 + (white * window) @ turn * 2.0 / window.sum())
    pitch = (phase[1::2] - phase[::2]) / (2 * np.pi * 0.01)
    cents = 1200 / np.log(2) * pitch / f0_hz
    assert noise == pytest.approx(np.std(cents), rel=0.15)
    assert _pitch_noise(frames, segment(7.0, 8.0), 0.02) == 0.0
    low = _pitch_noise(frames, segment(1.0, 2.9, 100.0), 0.02)
    assert low == pytest.approx(noise * 4.4 * np.sqrt(0.008 / 0.02), rel=1e-6)


@pytest.mark.parametrize(("over", "found"), [(2.7, False), (3.5, True)])
def test_scatter_must_be_twice_the_noise_with_half_as_much_again(over: float, found: bool) -> None:
    """3 of the noise; what is left of the square must be twice of 1.5: sqrt(2.25 + 9) is 3.35."""
    noise = _pitch_noise(plain_frames(300, noise_dbfs=-40.0), segment(1.0, 4.0), 0.02)
    cents = over * noise * np.sqrt(2) * np.sin(2 * np.pi * 3.0 * T)
    assert (wavers(cents, noise_dbfs=-40.0) is not None) is found


def test_a_rate_holds_half_of_the_wavering() -> None:
    t = GRID_S * np.arange(600)
    one = np.cos(2 * np.pi * 4.0 * t)
    assert _rate(one + 0.9 * np.cos(2 * np.pi * 7.0 * t), GRID_S) == pytest.approx(4.0, abs=0.09)
    assert _rate(one + 0.8 * np.cos(2 * np.pi * 7.0 * t) + 0.8 * np.cos(2 * np.pi * 9.0 * t), GRID_S) is None
