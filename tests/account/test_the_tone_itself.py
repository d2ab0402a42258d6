"""Which rows are the tone, and where it rests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

import listen
from listen.account.heterodyne import tone_amplitude
from listen.account.oscillator import _refined
from listen.account.steady import steady_rows
from listen.account.tone import BoardTone, find_tone
from tests.accounts import plain_frames, tone_on_grid
from tests.tones import RATE_HZ, Take, frames_of, times, white


def test_the_tone_at_its_own_frequency_whatever_else_sounds() -> None:
    t = times(1.0)
    x = 0.2 * np.cos(2 * np.pi * 440.0 * t) + 0.3 * np.cos(2 * np.pi * 1320.0 * t + 1.0) + 0.2
    tone = tone_on_grid(np.arange(0.0, 1.0, 0.005), 440.0, np.log(0.2))
    time_s, amplitude = tone_amplitude(Take(samples=x), tone, 0.2, 0.8, 8.0, 0.0)
    np.testing.assert_allclose(amplitude, 0.2, rtol=0.02)
    assert (time_s[0], time_s[-1]) == (pytest.approx(0.2, abs=0.02), pytest.approx(0.8, abs=0.02))


def test_a_word_before_the_tone_is_the_rooms() -> None:
    word = np.arange(100) < 12
    frames = plain_frames(
        100,
        segment=np.where(word, 0, 1).astype(np.int64),
        residual_dbc=np.where(word, -8.0, -80.0),
        harmonics_dbc=np.where(
            word[:, None], -5.0, np.full((100, 15), -90.0)[:, : plain_frames(2).harmonics_dbc.shape[1]]
        ),
    )
    tone = find_tone(frames)
    assert tone is not None
    assert not tone.rows[word].any()
    assert tone.rows[~word].all()
    assert len(tone.room) == 1
    assert tone.room[0] == (pytest.approx(0.02), pytest.approx(0.24))


def with_a_piece_before(piece_hz: np.ndarray, residual_dbc: float) -> BoardTone:
    """A piece of 0.2 s, a pause of 0.28 s, and the board at 440 Hz."""
    row = np.arange(120)
    first, silent = row < 10, (row >= 10) & (row < 24)
    tone = find_tone(
        plain_frames(
            120,
            f0_hz=np.concatenate([piece_hz, np.full(110, 440.0)]),
            oscillating=~silent,
            segment=np.where(silent, -1, np.where(first, 0, 1)).astype(np.int64),
            residual_dbc=np.where(first, residual_dbc, -80.0),
        )
    )
    assert tone is not None
    return tone


@pytest.mark.parametrize(
    ("residual_dbc", "before_hz", "is_room"),
    [
        (-14.0, 290.0, True),
        (-14.0, 440.0, False),
        (-14.0, 440.0 * 2 ** (200 / 1200), False),  # turned by hand meanwhile: 100 + 400 cents/s in 0.3 s are allowed
        (-14.0, 440.0 * 2 ** (240 / 1200), True),
        (-30.0, 290.0, False),
        (-60.0, 60.05, True),  # a cable is plugged in: hum is as pure as a board's tone
        (-60.0, 61.0, False),
        (-60.0, 149.9, True),
    ],
)
def test_an_impure_piece_at_another_pitch_is_no_piece_of_the_board(
    residual_dbc: float, before_hz: float, is_room: bool
) -> None:
    """A nasal sound has a sine's timbre; what tells it from a board that dies is where its pitch lies."""
    tone = with_a_piece_before(np.full(10, before_hz), residual_dbc)
    assert bool(tone.room) is is_room
    assert bool(tone.rows[:10].any()) is not is_room


@pytest.mark.parametrize(
    ("cents", "residual_dbc", "is_room"), [(300.0, -18.0, True), (150.0, -18.0, False), (300.0, -30.0, False)]
)
def test_an_impure_piece_whose_pitch_runs_is_a_word(cents: float, residual_dbc: float, is_room: bool) -> None:
    """In 0.2 s a hand turns 100 + 400 * 0.2 = 180 cents; the word ends at the pitch at which the board comes on."""
    piece_hz = 440.0 * 2 ** (cents * (np.arange(10) - 9) / 9 / 1200)
    assert bool(with_a_piece_before(piece_hz, residual_dbc).room) is is_room


def test_rows_twenty_two_decibels_down_are_not_the_tone() -> None:
    level = np.where(np.arange(100) > 80, -12.0 - 22.5, np.where(np.arange(100) > 60, -12.0 - 21.5, -12.0))
    tone = find_tone(plain_frames(100, level_dbfs=level))
    assert tone is not None
    assert tone.rows[:81].all()
    assert not tone.rows[81:].any()
    assert tone.settled_dbfs == pytest.approx(-12.0)


@pytest.mark.parametrize(("cents_per_s", "rests"), [(0.0, True), (25.0, True), (45.0, False), (300.0, False)])
def test_the_control_rests_where_the_pitch_keeps_still(cents_per_s: float, rests: bool) -> None:
    pitch = 440.0 * 2 ** (cents_per_s * 0.02 * np.arange(100) / 1200)
    frames = plain_frames(100, f0_hz=pitch)
    found = steady_rows(frames, frames.oscillating)
    assert bool(found) is rests
    if rests:
        assert found[0][1] - found[0][0] > 90


def test_a_wavering_pitch_is_at_rest() -> None:
    time_s = 0.02 * np.arange(150)
    frames = plain_frames(150, f0_hz=440.0 * 2 ** (30.0 * np.sin(2 * np.pi * 5.0 * time_s) / 1200))
    assert sum(b - a for a, b in steady_rows(frames, frames.oscillating)) > 100


@pytest.mark.parametrize("cents_per_s", [40.0, 57.0])
def test_a_slow_turn_with_a_scatter_is_no_wavering(cents_per_s: float) -> None:
    """Two semitones in four seconds: faster than what rests, and what scatters about it is far too small to seem so."""
    scatter = 0.4 * np.random.default_rng(2).standard_normal(200)
    pitch = 77.0 * 2 ** ((cents_per_s * 0.02 * np.arange(200) + scatter) / 1200)
    frames = plain_frames(200, f0_hz=pitch)
    assert steady_rows(frames, frames.oscillating) == []


def test_a_tracked_tone_lies_on_the_grid_as_it_was_made() -> None:
    t = times(1.5)
    x = 0.25 * np.cos(2 * np.pi * 500.0 * t) + white(len(t), -90.0)
    tone = find_tone(frames_of(x, RATE_HZ))
    assert tone is not None
    inside = (tone.time_s > 0.2) & (tone.time_s < 1.3)
    np.testing.assert_allclose(tone.f0_hz[inside], 500.0, rtol=1e-5)
    np.testing.assert_allclose(tone.log_level[inside], np.log(0.25), atol=2e-3)
    assert tone.strong[inside].all()


def test_of_a_channel_that_is_not_the_boards_nothing_else_is_said(tmp_path: Path) -> None:
    """Its noise, and hum that comes to -62 dBFS, are no quiet recording of the board."""
    t = times(5.0)
    tone = 0.35 * np.cos(2 * np.pi * 440.0 * t) + white(len(t), -90.0)
    empty = 8e-4 * np.cos(2 * np.pi * 118.0 * t) + white(len(t), -72.0, seed=3)
    path = tmp_path / "second.wav"
    soundfile.write(path, np.stack([empty, tone], axis=1), int(RATE_HZ), subtype="PCM_24")
    result = listen.check(path)
    assert [f.kind for f in result.findings] == ["wrong-channel"]
    assert "--channel 2" in result.headline


@pytest.mark.parametrize("peak", [4.7, 5.0, 5.3])
def test_a_lines_frequency_between_bins(peak: float) -> None:
    """The vertex of the parabola through three logarithms: exact of a bell."""
    assert _refined(np.exp(-0.4 * (np.arange(10) - peak) ** 2), 5) == pytest.approx(peak, abs=1e-9)
