"""Better and worse for the ear: quiet, faded, falling when it gets better, and never into what is measured."""

from __future__ import annotations

import time

import numpy as np
import pytest

from listen.watch.pips import LOUDEST_DBFS, RATE_HZ, REFERENCE_HZ, REFUSED, Pips, pip, pip_hz


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


def run(speaker: Speaker, better: list[float | None], seconds: float) -> list[str]:
    """Feed the ear in real time with a tone, and with what leaks."""
    said: list[str] = []
    pips = Pips(speaker, lambda: better[0], RATE_HZ, said.append)
    rng = np.random.default_rng(3)
    block, begun, heard, at = 480, time.monotonic(), 0, 0
    while time.monotonic() - begun < seconds:
        x = 0.3 * np.sin(2 * np.pi * 440 * (at + np.arange(block)) / RATE_HZ) + 1e-4 * rng.standard_normal(block)
        if heard < len(speaker.played) and speaker.leak:
            echo = speaker.leak * speaker.played[heard]
            heard += 1
            for start in range(0, len(echo), block):
                pips.ear.hear(x[: len(echo[start : start + block])] + echo[start : start + block])
        pips.ear.hear(x)
        at += block
        time.sleep(0.01)
    pips.close()
    return said


def test_first_the_reference_then_now():
    speaker = Speaker()
    assert run(speaker, [6.0], 6.5) == []
    trial, *pairs = speaker.played
    assert pitch_of(trial) > 1800.0
    assert len(pairs) >= 3
    assert pitch_of(pairs[0]) == pytest.approx(REFERENCE_HZ, abs=3.0)
    assert pitch_of(pairs[1]) == pytest.approx(REFERENCE_HZ / 2, abs=3.0)


def test_nothing_sounds_while_the_hand_moves():
    speaker = Speaker()
    assert run(speaker, [None], 5.5) == []
    assert len(speaker.played) == 1


@pytest.mark.parametrize("leak", [1.0, 0.1])
def test_a_pip_that_is_heard_in_the_input_is_the_last(leak):
    speaker = Speaker(leak)
    assert run(speaker, [6.0], 5.5) == [REFUSED]
    assert len(speaker.played) == 1
