"""Mains that wanders by a tenth of a hertz: its multiples are found, and taken off where a harmonic hides one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.cleaning import CleanedCapture
from listen.account.mains import find_mains
from listen.account.mains_wander import wander_rad
from tests.accounts import tone_on_grid
from tests.tones import Take, times, white

RATE_HZ, SECONDS, TONE_HZ = 8000.0, 12.0, 401.4
SIZES = {1: 2e-3, 2: 8e-3, 4: 3e-3, 8: 2e-3}


def hum(off_hz: float, period_s: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """Hum of 50 Hz whose frequency swings by so much, and its phase against 50 Hz."""
    t = times(SECONDS, RATE_HZ)
    phase = off_hz * period_s * np.sin(2 * np.pi * t / period_s)
    x = sum(size * np.cos(k * (2 * np.pi * 50.0 * t + phase)) for k, size in SIZES.items())
    return np.asarray(x), phase


def left_db(off_hz: float) -> float:
    """What is left of hum, against it, where a tone rests 1.4 Hz off its eighth multiple for three seconds."""
    own, _ = hum(off_hz)
    t = times(SECONDS, RATE_HZ)
    f0_hz = np.where((t > 5.0) & (t < 8.0), TONE_HZ, 330.0)
    board = 0.2 * np.cos(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ)
    x = own + board + white(len(t), -90.0)
    grid = np.arange(0.0, SECONDS, 0.005)
    tone = tone_on_grid(grid, np.interp(grid, t, f0_hz), np.log(0.2), settled_log=float(np.log(0.2)))
    take = Take(samples=x, true_rate_hz=RATE_HZ)
    mains = find_mains(take, tone, 3, False)
    assert mains is not None
    rest = CleanedCapture(take, mains).read(0, len(x)) - board - (x - own - board)
    inside = (t > 5.3) & (t < 7.7)
    return float(10 * np.log10(np.mean(rest[inside] ** 2) / np.mean(own[inside] ** 2)))


@pytest.mark.parametrize("off_hz", [0.0, 0.05, 0.1])
def test_hum_that_wanders_is_taken_off_where_the_tone_hides_it(off_hz: float) -> None:
    """A network keeps within 0.2 Hz and moves by a tenth in some seconds (common practice, no source)."""
    assert left_db(off_hz) < -25.0


def test_phases_belong_to_the_frequency_at_which_they_were_read() -> None:
    """It is known better afterwards: 2 mHz turn the eighth multiple by 70 degrees in 12 s."""
    x, _ = hum(0.05)
    x = x + white(len(x), -90.0)
    take = Take(samples=x, true_rate_hz=RATE_HZ)
    mains = find_mains(take, None, 3, False)
    assert mains is not None
    for off_hz in (0.0, 0.002):
        better = replace(mains, mains_hz=float(mains.lines_hz[0]) + off_hz)
        rest = CleanedCapture(take, better).read(0, len(x))[8000:-8000]
        assert np.sqrt(np.mean(rest**2)) < 0.03 * np.sqrt(np.mean(x**2))


@pytest.mark.parametrize(("noise", "told"), [(0.02, True), (2.0, False)])
def test_the_strongest_line_tells_the_phase(noise: float, told: bool) -> None:
    """Of the second multiple half; where noise moves the phase by more than the mains does, it is not told."""
    time_s = np.arange(0.4, 11.6, 0.1)
    _, phase = hum(0.05)
    own = np.interp(time_s, times(SECONDS, RATE_HZ), phase)
    rng = np.random.default_rng(3)
    turned = np.zeros((len(time_s), 8), dtype=complex)
    turned[:, 1] = 1e-2 * np.exp(1j * (2.0 * own + noise * rng.standard_normal(len(time_s))))
    turned[:, 0] = 1e-3
    found = wander_rad(turned, np.abs(turned) > 0.0)
    if told:
        np.testing.assert_allclose(found, own, atol=0.12)
    else:
        assert not found.any()


def test_a_line_that_is_seldom_there_tells_nothing() -> None:
    turned = np.exp(1j * np.linspace(0.0, 9.0, 100))[:, None] * np.ones(8)
    counted = np.zeros(turned.shape, dtype=bool)
    counted[:17] = True
    assert not wander_rad(turned, counted).any()
    counted[:18] = True
    assert wander_rad(turned, counted).any()
