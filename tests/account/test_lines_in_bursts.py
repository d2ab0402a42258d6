"""A line at one frequency that a harmonic of a low note passes is none of the tone's."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.bursts import find_bursts
from tests.accounts import plain_frames
from tests.tones import check_of, times, white

ALL = np.ones(60, dtype=bool)


@pytest.mark.parametrize(
    ("f0_hz", "high_dbc", "found"),
    [
        # the 389th harmonic of 40.2 Hz lies 12.8 Hz off 15,625 Hz: 1.3 bins in frames of four cycles, -9 dB (Hann)
        *((40.2, -50.5, False), (40.2, -45.0, True)),
        # the 388th lies on it, all of it and 3 dB of room
        *((15_625.0 / 388.0, -38.0, False), (15_625.0 / 388.0, -36.0, True)),
        # midway between two nothing of it is theirs, as the window has a null there
        *((15_625.0 / 388.5, -60.0, True),),
    ],
)
def test_what_high_harmonics_hold_of_a_fixed_line_is_no_burst(f0_hz: float, high_dbc: float, found: bool) -> None:
    """Noise draws the middle of the high harmonics' power away from the line."""
    frames = plain_frames(60, f0_hz=f0_hz, frame_s=4.0 / f0_hz, high_dbc=high_dbc, high_hz=13_400.0)
    level = find_bursts(frames, ALL, np.zeros(60), [(15_625.0, -40.0)]).level_dbc
    assert np.isfinite(level).any() == found


def test_without_a_line_it_is_a_burst() -> None:
    frames = plain_frames(60, f0_hz=40.2, frame_s=4.0 / 40.2, high_dbc=-50.5, high_hz=13_400.0)
    assert np.median(find_bursts(frames, ALL, np.zeros(60), []).level_dbc) == pytest.approx(-50.5, abs=0.1)


@pytest.mark.parametrize(("beside_dbc", "found"), [(-30.0, False), (-40.0, True)])
def test_edges_tremble_under_another_sound(beside_dbc: float, found: bool) -> None:
    """Speech under a square: what it moves the phase by moves the 41st harmonic 41 times as far."""
    fundamental = 0.5 * 10 ** (-12.0 / 10)
    fold = np.full((60, 2, 16), fundamental * 10 ** (beside_dbc / 10))
    fold[:, :, 4] += 16.0 * fundamental * 10 ** (-20.0 / 10)
    odd = np.arange(2, 11) % 2 == 1
    lines = np.where(odd, -20.0 * np.log10(np.arange(2, 11)), -120.0)
    # above the tenth: 1 / k^2 of 11, 13 .. 91 add up to 0.043
    frames = plain_frames(
        60, f0_hz=233.0, residual_fold=fold, harmonics_dbc=np.tile(lines, (60, 1)), high_dbc=10 * np.log10(0.043)
    )
    level = find_bursts(frames, ALL, np.zeros(60), []).level_dbc
    assert np.isfinite(level).any() == found


@pytest.mark.parametrize(("buzz_dbc", "found"), [(-49.0, True), (-47.0, False), (-38.0, False)])
def test_what_high_harmonics_hold_of_a_buzz_is_no_burst(buzz_dbc: float, found: bool) -> None:
    """Those of a note of 109 Hz are as wide as its lines lie apart: up to all of it, and 3 dB of room."""
    frames = plain_frames(60, f0_hz=108.8, frame_s=4.0 / 108.8, high_dbc=-45.0, high_hz=6_600.0)
    level = find_bursts(frames, ALL, np.zeros(60), [], np.full(60, 10 ** (buzz_dbc / 10))).level_dbc
    assert np.isfinite(level).any() == found


@pytest.mark.parametrize("count", [10, 3])
@pytest.mark.parametrize("wave", ["sawtooth", "sine"])
def test_edges_of_a_high_note_are_seen_in_its_last_harmonics(wave: str, count: int) -> None:
    """1.9 kHz at 44.1 kHz has none above the tenth in the file: what is left at a sawtooth's reset is its jitter."""
    fundamental = 0.5 * 10 ** (-12.0 / 10)
    fold = np.full((60, 2, 16), 1e-12)
    fold[:, :, 4] = 16.0 * fundamental * 10 ** (-40.0 / 10)
    lines = np.full((60, 9), np.nan)
    lines[:, : count - 1] = -20.0 * np.log10(np.arange(2, count + 1)) if wave == "sawtooth" else -80.0
    frames = plain_frames(
        60, f0_hz=1876.0, residual_fold=fold, harmonics_dbc=lines, harmonic_count=np.full(60, count), high_dbc=np.nan
    )
    level = find_bursts(frames, ALL, np.zeros(60), []).level_dbc
    assert np.isfinite(level).any() == (wave == "sine")


@pytest.mark.parametrize(("f0_hz", "found"), [(150.0, True), (400.0, True), (1500.0, False)])
def test_a_high_burst_shows_beside_stronger_low_lines(f0_hz: float, found: bool) -> None:
    """19.5 kHz, -42 dBc, on one sixteenth of the cycle, beside half orders of -38 dBc: from one sample of 48 kHz to the
    next it moves by (2 sin (pi 19.5 / 48))^2 of its power, half orders by next to nothing unless the note is high."""
    fundamental = 0.5 * 10 ** (-12.0 / 10)
    fold = np.zeros((60, 2, 16))
    fold[:, 0], fold[:, 1] = 1e-12, 1e-12
    fold[:, 0, 3] = 16.0 * fundamental * 10 ** (-42.0 / 10)
    fold[:, 1, 3] = fold[:, 0, 3] * 4.0 * np.sin(np.pi * 19.5 / 48.0) ** 2
    frames = plain_frames(60, f0_hz=f0_hz, residual_fold=fold)
    level = find_bursts(frames, ALL, np.full(60, 10 ** (-38.0 / 10)), []).level_dbc
    assert np.isfinite(level).all() == found
    if found:
        assert np.median(level) == pytest.approx(-42.0 + 20 * np.log10(np.sin(np.pi * 19.5 / 48.0)), abs=0.1)


@pytest.mark.parametrize("f0_hz", [176.0, 535.5])
def test_high_harmonics_of_a_dead_band_are_no_burst(f0_hz: float) -> None:
    """Diodes take the third and fifth of a dead band of 2.4 % off: its lines are alike from the seventh to the 20th."""
    t = times(3.0)
    order = np.arange(3, int(0.45 * 48_000.0 / f0_hz), 2)
    level_db = np.where(order < 5, -66.0, np.where(order < 7, -57.0, -54.5 - 0.02 * (order - 11.0) ** 2))
    x = np.cos(2 * np.pi * f0_hz * t)
    for k, db in zip(order.tolist(), level_db.tolist(), strict=True):
        x = x + 10 ** (max(db, -110.0) / 20) * (-1.0) ** ((k - 1) // 2) * np.cos(2 * np.pi * k * f0_hz * t)
    found = check_of(0.25 * x + white(len(t), -90.0)).findings
    assert "parasitic-oscillation" not in [one.kind for one in found]
