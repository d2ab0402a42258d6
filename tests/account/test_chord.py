"""Several notes at once, which the tracker follows nowhere, are a sound and no board that is dead."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.chord import is_chord
from tests.tones import RATE_HZ, check_of, times, white

T = times(0.5)


def notes(*f0_hz: float, harmonics: int = 3, size: float = 0.1) -> np.ndarray:
    """Each of some harmonics, 6 dB less from one to the next."""
    return size * np.sum(
        [2.0**-k * np.cos(2 * np.pi * (k + 1) * f0 * T + k) for f0 in f0_hz for k in range(harmonics)], axis=0
    )


MAJOR = (261.6, 329.6, 392.0)
"""Equal temperament from 440 Hz (any handbook)."""


@pytest.mark.parametrize("harmonics", [1, 3])
def test_three_notes_are_a_chord(harmonics: int) -> None:
    assert is_chord(notes(*MAJOR, harmonics=harmonics), RATE_HZ)


def test_one_note_and_two_are_none() -> None:
    assert not is_chord(notes(261.6, harmonics=8), RATE_HZ)
    assert not is_chord(notes(261.6, 392.0), RATE_HZ)
    # the third is the second harmonic of the first
    assert not is_chord(notes(261.6, 392.0, 523.2), RATE_HZ)


@pytest.mark.parametrize(("noise_db", "told"), [(-8.0, True), (-1.0, False), (20.0, False)])
def test_noise_beside_the_lines_is_no_chord(noise_db: float, told: bool) -> None:
    """Lines hold seven parts of ten where noise is 4 dB under them."""
    x = notes(*MAJOR)
    size = np.sqrt(np.mean(x**2)) * 10 ** (noise_db / 20)
    assert is_chord(x + size * np.random.default_rng(5).standard_normal(len(x)), RATE_HZ) is told


def test_hum_is_none_however_many_lines_it_has() -> None:
    hum = [np.cos(2 * np.pi * k * mains * T) / k for mains in (50.0, 59.95) for k in (1, 2, 3, 5)]
    assert not is_chord(0.1 * np.sum(hum, axis=0), RATE_HZ)


@pytest.mark.parametrize(("dbfs", "told"), [(-45.0, True), (-55.0, False)])
def test_idle_tones_of_a_converter_are_none(dbfs: float, told: bool) -> None:
    x = notes(*MAJOR)
    assert is_chord(x * 10 ** (dbfs / 20) / np.sqrt(np.mean(x**2)), RATE_HZ) is told


def test_a_line_that_is_far_weaker_makes_no_third_note() -> None:
    third = notes(440.0, harmonics=1)
    assert is_chord(notes(261.6, 392.0) + 0.2 * third, RATE_HZ)
    assert not is_chord(notes(261.6, 392.0) + 0.05 * third, RATE_HZ)


def test_silence_is_none() -> None:
    assert not is_chord(np.zeros(len(T)), RATE_HZ)


def test_a_held_chord_is_no_dead_board() -> None:
    t = times(4.0)
    x = sum(0.1 * np.cos(2 * np.pi * hz * t + hz) for hz in (*MAJOR, 466.2)) * (t > 0.4)
    found = check_of(x + white(len(t), -85.0)).findings
    assert [f.kind for f in found if f.severity != "note"] == ["not-an-oscillator"]
