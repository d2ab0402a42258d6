"""Small figures of the account and the findings against the same by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from listen.account.curve import guess
from listen.account.figures import with_wave_shape
from listen.account.heterodyne import tone_amplitude
from listen.account.start import find_start
from listen.account.waves import read
from listen.account.waves.cycle import Cycle, draw, lines_of
from listen.findings.threshold_segments import around, candidate_of
from tests.accounts import plain_frames, tone_on_grid
from tests.tones import Take, times, white


def tips_of(cycle: Cycle) -> tuple[float, float]:
    """Highest and lowest value of the drawn cycle, its mean taken off."""
    drawn = draw(lines_of(cycle, np.arange(1.0, 2000.0)), 1 << 14)
    return float(drawn.max()), float(-drawn.min())


@pytest.mark.parametrize(("top", "bottom"), [(0.1, 0.0), (0.0, 0.1), (0.2, 0.05), (0.1, 0.1), (0.0, 0.0)])
def test_a_cut_tips_loss_is_that_of_the_drawn_cycle(top: float, bottom: float) -> None:
    cycle = Cycle(share=0.5, cut_top=top, cut_bottom=bottom)
    one, both = read._losses(cycle, "sawtooth")
    up, down = tips_of(cycle)
    expected = 1.0 - up / down if up < down else -(1.0 - down / up)
    assert one == pytest.approx(expected, abs=2e-3)
    assert both == pytest.approx(2.0 * min(top, bottom))
    # a triangle's crest over its fundamental, pi^2 / 8 where it is whole
    drawn = draw(lines_of(cycle, np.arange(1.0, 2000.0)), 1 << 14)
    first = 2.0 * abs(np.mean(drawn * np.exp(-2j * np.pi * np.arange(len(drawn)) / len(drawn))))
    least = 1.0 - (0.5 - min(top, bottom)) / first / (np.pi**2 / 8)
    assert read._losses(cycle, "triangle") == (pytest.approx(one), pytest.approx(least, abs=2e-3))


def test_a_candidate_reaches_half_a_row_beyond_its_rows() -> None:
    frames = plain_frames(100, f0_hz=np.linspace(200.0, 300.0, 100))
    rows = np.zeros(100, dtype=bool)
    rows[20:41] = True
    found = candidate_of(frames, rows, "mains-hum", "attention", SimpleNamespace())
    assert (found.start_s, found.end_s) == (
        pytest.approx(frames.time_s[20] - 0.01),
        pytest.approx(frames.time_s[40] + 0.01),
    )
    assert (found.f0_low_hz, found.f0_high_hz) == (pytest.approx(frames.f0_hz[20]), pytest.approx(frames.f0_hz[40]))
    near = around(found, frames)
    # 50 ms and the half row: three rows of 20 ms on each side
    assert (near.start, near.stop) == (17, 44)


def test_what_the_diodes_hold_is_tried_a_factor_of_two_apart() -> None:
    for grid in (guess._BENDS, guess._BENDS_AT):
        ratio = np.array(grid[1:]) / np.array(grid[:-1])
        assert ((ratio > 1.9) & (ratio < 2.6)).all()


def test_the_shape_of_a_wave_goes_to_frames_of_its_own_length_alone() -> None:
    frames = plain_frames(10)
    rows = {key: np.full(10, i + 0.5) for i, key in enumerate(("rise", "duty", "reset_s", "corner_s", "spike"))}
    shape = SimpleNamespace(rows=rows)
    with_it = with_wave_shape(frames, SimpleNamespace(wave_shape=shape, frames=plain_frames(10)))
    assert with_it.rise_share[3] == 0.5
    assert with_it.glitch_share[3] == 4.5
    assert with_wave_shape(frames, SimpleNamespace(wave_shape=shape, frames=plain_frames(9))) is frames
    assert with_wave_shape(frames, SimpleNamespace(wave_shape=None, frames=frames)) is frames


@pytest.mark.parametrize("cycles", [3.0, 8.0])
def test_the_amplitude_of_a_tone_that_comes_at_once_is_half_there_and_then(cycles: float) -> None:
    """A window that lies half over the beginning holds half of the tone: its centre is the time of the value."""
    t = times(1.0)
    x = 0.3 * np.sin(2 * np.pi * 400.0 * t) * (t >= 0.5) + white(len(t), -90.0)
    grid = np.arange(0.5, 1.0, 0.005)
    time_s, level = tone_amplitude(Take(samples=x), tone_on_grid(grid, 400.0, np.log(0.3)), 0.3, 0.8, cycles, 0.004)
    half = float(np.interp(0.15, level[: int(np.argmax(level > 0.29)) + 1], time_s[: int(np.argmax(level > 0.29)) + 1]))
    assert half == pytest.approx(0.5, abs=0.001)
    assert np.median(level[time_s > 0.6]) == pytest.approx(0.3, rel=5e-3)


@pytest.mark.parametrize("growth_per_s", [20.0, 60.0])
def test_a_start_is_timed_from_one_to_ninety_per_cent(growth_per_s: float) -> None:
    """An exponential of rate s takes ln(90) / s from 1 % to 90 %; the averaging window rounds its end."""
    t = times(3.0)
    amplitude = 0.3 * np.minimum(np.exp(growth_per_s * (t - 1.5)), 1.0)
    x = amplitude * np.sin(2 * np.pi * 440.0 * t) + white(len(t), -100.0)
    grid = np.arange(1.5 - 4.0 / growth_per_s, 3.0, 0.005)
    log = np.log(np.interp(grid, t, amplitude))
    tone = tone_on_grid(grid, 440.0, log, strong=log > np.log(0.3) - 3.0, settled_log=float(np.log(0.3)))
    found = find_start(Take(samples=x), tone)
    assert found.shown
    assert found.rise_s == pytest.approx(np.log(90.0) / growth_per_s, rel=0.1)
