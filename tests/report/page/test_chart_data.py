"""What the charts draw: turns told apart, gaps kept, dips not thinned away, cycles against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from listen.report.page.against_pitch import BINS_AN_OCTAVE, by_pitch, turns_of
from listen.report.page.chart import plain_numbers, thinned
from listen.report.page.cycles import POINTS, ideal_sine, mean_cycles
from listen.track import track
from tests.helpers import make_frames
from tests.report.test_sound import RATE, Take


def frames_along(octaves: np.ndarray, **columns: np.ndarray):
    from dataclasses import replace

    frames = make_frames(len(octaves))
    return replace(frames, f0_hz=200.0 * 2.0**octaves, **columns)


def test_turning_up_and_down_are_told_apart() -> None:
    octaves = np.concatenate([np.linspace(0, 2, 100), np.full(50, 2.0), np.linspace(2, 0, 100)])
    turned = turns_of(frames_along(octaves))
    assert set(turned[10:90]) == {0}
    assert set(turned[110:140]) == {2}
    assert set(turned[160:240]) == {1}


def test_medians_belong_to_their_band_and_turn() -> None:
    octaves = np.concatenate([np.linspace(0, 2, 200), np.linspace(2, 0, 200)])
    level = np.concatenate([np.full(200, -10.0), np.full(200, -12.0)])
    bands = by_pitch(frames_along(octaves), {"level": level})
    assert np.allclose(np.diff(np.log2(bands.f0_hz)), 1 / BINS_AN_OCTAVE)
    inside = slice(4, -4)
    assert set(bands.of("level", "up")[inside]) == {-10.0}
    assert set(bands.of("level", "down")[inside]) == {-12.0}
    assert np.isnan(bands.of("level", "rest")[inside]).all()


def test_a_segment_without_numbers_stays_a_gap() -> None:
    octaves = np.linspace(0, 2, 200)
    level = np.where((octaves > 0.8) & (octaves < 1.2), np.nan, -10.0)
    up = by_pitch(frames_along(octaves), {"level": level}).of("level", "up")
    assert np.isnan(up[22:26]).all()
    assert plain_numbers(up)[24] is None


def test_one_note_and_one_way_are_no_trouble() -> None:
    bands = by_pitch(frames_along(np.zeros(20)), {"level": np.full(20, -10.0)})
    assert len(bands.f0_hz) == 1
    assert bands.of("level", "rest")[0] == -10.0
    none = by_pitch(make_frames(10, silent=10), {"level": np.full(10, np.nan)})
    assert len(none.f0_hz) == 0


def test_thinning_keeps_the_deepest_dip_and_the_gap() -> None:
    x = np.arange(100000.0)
    y = np.zeros(100000)
    y[54321] = -40.0
    y[70000:72000] = np.nan
    _, (thin,) = thinned(x, [y], 2000)
    assert len(thin) <= 2000
    assert np.nanmin(thin) == -40.0
    assert np.isnan(thin).any()


def test_numbers_keep_five_digits() -> None:
    assert plain_numbers(np.array([1234.5678, -0.000123456, 0.0, np.nan, np.inf])) == [
        1234.6,
        -0.00012346,
        0.0,
        None,
        None,
    ]


def wave(f0_hz: float, lines: dict[int, complex], seconds: float = 1.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return sum((a * np.exp(2j * np.pi * k * f0_hz * t)).real for k, a in lines.items()) * 0.3


def test_a_cycle_is_the_wave_over_its_fundamental() -> None:
    # sin + 0.1 cos 2x: the second harmonic at its crest where the fundamental rises through zero.
    x = wave(331.7, {1: -1j, 2: 0.1})
    (cycle,) = mean_cycles(Take(x), track(Take(x), workers=1))
    angle = 2 * np.pi * np.arange(POINTS) / POINTS
    np.testing.assert_allclose(cycle.y, np.sin(angle) + 0.1 * np.cos(2 * angle), atol=1e-3)  # method's own error
    np.testing.assert_allclose(cycle.residue, 0.1 * np.cos(2 * angle), atol=1e-3)
    assert cycle.amplitude_fs == pytest.approx(0.3, rel=1e-3)
    assert cycle.f0_hz == pytest.approx(331.7, rel=1e-5)


def test_the_transfer_curve_is_the_polynomial_that_bent_the_sine() -> None:
    t = np.arange(48000) / RATE
    u = np.sin(2 * np.pi * 220.0 * t)
    bent = u - 0.05 * u**3
    x = 0.3 * bent
    (cycle,) = mean_cycles(Take(x), track(Take(x), workers=1))
    straight, rising, falling = cycle.transfer()
    fundamental = 1 - 0.05 * 0.75  # sin^3 = (3 sin x - sin 3x) / 4: any table of trigonometric identities
    np.testing.assert_allclose(rising, (straight - 0.05 * straight**3) / fundamental, atol=1e-3)
    np.testing.assert_allclose(falling, rising, atol=2e-3)


def test_a_pure_sine_has_no_residue_at_any_pitch() -> None:
    for f0_hz in (55.0, 440.0, 3000.0, 9000.0):
        x = wave(f0_hz, {1: 1.0})
        (cycle,) = mean_cycles(Take(x), track(Take(x), workers=1))
        assert np.max(np.abs(cycle.residue)) < 1e-3, f0_hz
    assert ideal_sine()[POINTS // 4] == 1.0
