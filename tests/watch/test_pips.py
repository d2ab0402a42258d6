"""Better and worse for the ear: quiet, faded, falling when it gets better, and never into what is measured."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest

from listen.watch.pips import LOUDEST_DBFS, RATE_HZ, REFERENCE_HZ, REFUSED, Ear, Pips, pip, pip_hz

LONGEST_S = 60.0
"""A busy machine is given time: what is tested is what is said, not how soon."""


class Speaker:
    """Keeps what is played; ``leak``: the part of it that gets into the input."""

    def __init__(self, leak: float = 0.0) -> None:
        self.played: list[np.ndarray] = []
        self.leak = leak

    def write(self, samples: bytes) -> None:
        self.played.append(np.frombuffer(samples, dtype="<f4").astype(float))


def pitch_of(x: np.ndarray) -> float:
    """The strongest line of a long transform."""
    spectrum = np.abs(np.fft.rfft(x, 1 << 18))
    return float(np.argmax(spectrum)) * RATE_HZ / (1 << 18)


@pytest.mark.parametrize("f_hz", [110.0, 660.0, 3520.0])
def test_pips_are_quiet_and_faded(f_hz):
    x = pip(f_hz)
    assert 20 * np.log10(np.abs(x).max()) == pytest.approx(LOUDEST_DBFS, abs=0.05)
    assert np.abs(x).max() <= 10 ** (LOUDEST_DBFS / 20)
    assert abs(x[0]) < 1e-4
    assert abs(x[-1]) < 1e-3


@pytest.mark.parametrize("better_db", [-100.0, -6.0, 0.0, 3.0, 100.0])
def test_the_pitch_falls_as_it_gets_better(better_db):
    assert pip_hz(better_db + 1.0) <= pip_hz(better_db)
    assert 110.0 <= pip_hz(better_db) <= 3520.0


def tone(n: int, at: int = 0) -> np.ndarray:
    """A tone of 440 Hz at -10 dBFS with a little hiss."""
    rng = np.random.default_rng(at)
    return 0.3 * np.sin(2 * np.pi * 440 * (at + np.arange(n)) / RATE_HZ) + 1e-4 * rng.standard_normal(n)


def run(speaker: Speaker, better: list[float | None], enough: Callable[[list[str]], bool]) -> list[str]:
    """Feed the ear in real time with a tone, and with what leaks, until there is enough of it."""
    said: list[str] = []
    pips = Pips(speaker, lambda: better[0], RATE_HZ, said.append)
    begun, heard, at = time.monotonic(), 0, 0
    while not enough(said) and time.monotonic() - begun < LONGEST_S:
        x = tone(480, at)
        if heard < len(speaker.played) and speaker.leak:
            x = tone(len(speaker.played[heard]), at) + speaker.leak * speaker.played[heard]
            heard += 1
        pips.ear.hear(x)
        at += len(x)
        time.sleep(0.01)
    pips.close()
    return said


def test_first_the_reference_then_now():
    speaker = Speaker()
    assert run(speaker, [6.0], lambda _: len(speaker.played) > 3) == []
    trial, *pairs = speaker.played
    assert pitch_of(trial) > 1800.0
    assert len(pairs) == 3
    assert pitch_of(pairs[0]) == pytest.approx(REFERENCE_HZ, abs=3.0)
    assert pitch_of(pairs[1]) == pytest.approx(REFERENCE_HZ / 2, abs=3.0)


def test_nothing_sounds_while_the_hand_moves():
    speaker = Speaker()
    until = time.monotonic() + 5.5
    assert run(speaker, [None], lambda _: time.monotonic() > until) == []
    assert len(speaker.played) == 1


@pytest.mark.parametrize("leak", [1.0, 0.1])
def test_a_pip_that_is_heard_in_the_input_is_the_last(leak):
    speaker = Speaker(leak)
    assert run(speaker, [6.0], bool) == [REFUSED]
    assert len(speaker.played) == 1


@pytest.mark.parametrize("at", range(0, 48_000, 3_777))
@pytest.mark.parametrize("leak_db", [0.0, -20.0, -40.0])
def test_a_tone_does_not_hide_a_pip(at, leak_db):
    ear = Ear(RATE_HZ)
    ear.hear(tone(2 * RATE_HZ, at))
    quiet = ear.loudest(2531.0, ear.recent())
    x = tone(2 * RATE_HZ, at)
    trial = 10 ** (leak_db / 20) * pip(2531.0)
    x[40_000 : 40_000 + len(trial)] += trial
    ear.hear(x)
    assert ear.loudest(2531.0, ear.recent()) > 6.0 * quiet
