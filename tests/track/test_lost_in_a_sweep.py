"""Samples lost while the pitch sweeps quickly: found where they are missing; a sweep alone loses none."""

from __future__ import annotations

import numpy as np
import pytest

from tests.tones import frames_of

RATE_HZ = 48_000


def quick_turn(high_hz: float, octaves: float, turn_s: float) -> np.ndarray:
    """Three seconds: high, turned down within a moment, low; a sine with a little second harmonic and hiss."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    share = np.clip((t - 1.0) / turn_s, 0.0, 1.0)
    pitch = high_hz * 2.0 ** (-octaves * (0.5 - 0.5 * np.cos(np.pi * share)))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    hiss = 3e-5 * np.random.default_rng(0).standard_normal(len(t))
    return 0.2 * np.sin(phase) + 4e-4 * np.sin(2 * phase + 1.0) + hiss


@pytest.mark.parametrize("high_hz", [900.0, 1800.0, 2700.0, 4100.0])
@pytest.mark.parametrize("turn_s", [1.2, 2.0])
@pytest.mark.parametrize("cycles", [1.3, 3.4, 5.6, 9.7])
def test_samples_lost_in_a_quick_turn_are_found_in_their_place(high_hz, turn_s, cycles):
    """Neither whole cycles, which leave no trace, nor a jump as small as a circuit makes."""
    x = quick_turn(high_hz, 2.0, turn_s)
    at = RATE_HZ + round(0.45 * turn_s * RATE_HZ)
    there_hz = high_hz * 2.0 ** (-2.0 * (0.5 - 0.5 * np.cos(np.pi * 0.45)))
    missing = round(cycles * RATE_HZ / there_hz)
    steps = frames_of(np.concatenate([x[:at], x[at + missing :]])).phase_steps
    assert [round(step.time_s, 3) for step in steps] == [pytest.approx(at / RATE_HZ, abs=0.001)]


@pytest.mark.parametrize("high_hz", [900.0, 2700.0, 4100.0])
@pytest.mark.parametrize("turn_s", [0.3, 0.6, 1.2, 2.0])
def test_a_quick_turn_loses_nothing(high_hz, turn_s):
    assert frames_of(quick_turn(high_hz, 2.0, turn_s)).phase_steps == ()


@pytest.mark.parametrize("low_hz", [56.0, 150.0, 400.0])
@pytest.mark.parametrize("octaves_per_s", [0.1, 0.5, 2.0])
def test_a_turn_that_begins_at_once_loses_nothing(low_hz, octaves_per_s):
    """The pitch keeps, and from one sample to the next it sweeps: its phase bends and does not jump."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    pitch = low_hz * 2.0 ** (octaves_per_s * np.maximum(t - 1.2345, 0.0))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    hiss = 1e-5 * np.random.default_rng(0).standard_normal(len(t))
    assert frames_of(0.3 * np.sin(phase) + 6e-4 * np.sin(2 * phase) + hiss).phase_steps == ()
