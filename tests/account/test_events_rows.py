"""Rows that say nothing of the board at rest, and lines that belong to a swing; on tones made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.events_rows import _LEVEL_LEAVES, barred, level_change_residual, moving_fast, offset_residual
from listen.account.lost_samples import LostSamples
from listen.account.mains_or_swing import of_a_swing
from listen.account.modulation import Swing
from listen.account.residual import RoomEvent
from tests.accounts import mains_sidebands, plain_frames, segment, tone_on_grid

GRID = 0.012 + 0.005 * np.arange(400)


@pytest.mark.parametrize("at_s", [1.0, 1.005, 1.01, 1.015])
def test_rows_near_a_quick_move_are_kept_apart(at_s: float) -> None:
    """Half a frame and 60 ms on each side: a row without a frame's length counts as one of 40 ms."""
    tone = tone_on_grid(GRID, np.where(GRID < at_s - 1e-6, 440.0, 466.0), np.full(len(GRID), -2.0))
    off = np.flatnonzero(tone.turns_off(12.0, 0.08))
    first, last = float(GRID[off[0]]), float(GRID[off[-1]])
    for frame_s, reach_s in ((0.04, 0.08), (np.nan, 0.08), (0.1, 0.11)):
        frames = plain_frames(100, frame_s=frame_s)
        near = (frames.time_s > first - reach_s) & (frames.time_s < last + reach_s)
        assert (moving_fast(frames, tone) == near).all()
    still = tone_on_grid(GRID, np.full(len(GRID), 440.0), np.full(len(GRID), -2.0))
    assert not moving_fast(plain_frames(100), still).any()


@pytest.mark.parametrize(
    ("over", "multiple", "own"), [(1.2, 2, True), (1.6, 2, False), (1.2, 1, True), (1.6, 5, False)]
)
def test_lines_of_a_sawtooth_of_the_level_are_its_own(over: float, multiple: int, own: bool) -> None:
    """Sidebands of depth / pi m at each multiple m of its rate (a sawtooth's Fourier series, any handbook), with 3 dB
    of room."""
    depth = 0.02
    swing = Swing(
        segment=segment(), rate_hz=50.0 / multiple, depth=depth, follows_pitch=0.0, one_sided=False, share=0.97
    )
    level_dbc = 20 * np.log10(over * depth / (np.pi * multiple))
    lines = mains_sidebands(float(level_dbc), 50.0, 50.0)
    assert of_a_swing(lines, [swing]) == own
    assert not of_a_swing(lines, [])
    assert not of_a_swing(None, [swing])
    beside = mains_sidebands(float(level_dbc), 51.0, 50.0)
    assert not of_a_swing(beside, [swing])


def test_a_level_that_moves_within_a_frame_leaves_its_variance() -> None:
    """(a / b)^2 / 12 of a level that runs straight over the span a about its mean b; nothing of one that stands still,
    nor of places where the tone was not followed."""
    frames = plain_frames(80, frame_s=0.2)
    level = 0.2 + 0.05 * GRID
    known = (GRID < 0.9) | (GRID > 1.0)
    moved = level_change_residual(frames, tone_on_grid(GRID, 440.0, np.log(level)))
    row = int(np.argmin(np.abs(frames.time_s - 0.5)))
    span = 0.05 * 1.2 * 0.2 * 49 / 48  # 49 places of the grid
    assert moved[row] == pytest.approx(_LEVEL_LEAVES * (span / (0.2 + 0.05 * 0.5)) ** 2 / 12, rel=0.03)
    still = np.where(known, np.log(0.2), np.nan)
    for tracked in (known, np.ones(len(GRID), dtype=bool)):
        assert level_change_residual(frames, tone_on_grid(GRID, 440.0, still, tracked=tracked)) == pytest.approx(0.0)


@pytest.mark.parametrize(("second_dbc", "most_dbc"), [(-20.0, -20.0), (-34.0, -31.0), (-90.0, -87.0)])
def test_an_offset_that_moves_with_the_level_is_the_waves(second_dbc: float, most_dbc: float) -> None:
    """An offset has twice the power of a sine of its size; of the wave is no more of it than the second harmonic."""
    frames = plain_frames(150, level_dbfs=-6.0, dc_fs=0.0)
    size = 10 ** ((-20.0 - 6.0) / 20) / np.sqrt(2.0)  # -20 dBc
    harmonics = np.full_like(frames.harmonics_dbc, -120.0)
    harmonics[70:80, 0] = second_dbc
    dc = np.where((frames.time_s > 1.4) & (frames.time_s < 1.6), size, 0.0)
    moved = offset_residual(plain_frames(150, level_dbfs=-6.0, dc_fs=dc, harmonics_dbc=harmonics))
    away = 10 * np.log10(moved[75])
    share = np.mean(dc[63:88]) / size
    assert away == pytest.approx(min(most_dbc, -20.0 + 20 * np.log10(1 - share)), abs=0.5)
    assert (moved[:50] < 1e-11).all()
    assert (offset_residual(plain_frames(150, dc_fs=0.01)) < 1e-11).all()
    assert (offset_residual(plain_frames(2)) == 0.0).all()


@pytest.mark.parametrize(("pause_s", "disturbed"), [(0.55, True), (0.65, False)])
def test_a_rest_is_disturbed_in_the_pauses_of_speech_too(pause_s: float, disturbed: bool) -> None:
    tone = tone_on_grid(np.arange(0.0, 5.0, 0.005), 440.0, np.log(0.3))
    words = [RoomEvent(start_s=a, end_s=a + 0.2, level_dbc=-20.0) for a in (1.0, 1.2 + pause_s)]
    none = LostSamples(places=(), samples=0.0, phase_jumps=0, kinds=(), zeros=(), missing_at_end=0)
    gone, barred_rows = barred(tone, [], none, words)
    assert not gone.any()
    middle = np.abs(tone.time_s - 1.2 - 0.5 * pause_s) < 0.1
    assert bool(barred_rows[middle].all()) == disturbed
    assert bool(barred_rows[middle].any()) == disturbed
