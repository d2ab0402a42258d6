"""Excerpts: safe, faded, and a residue that holds all but the fundamental, in a sweep too."""

from __future__ import annotations

import io
import wave

import numpy as np
import pytest

from listen.report.sound import FADE_S, LOUDEST_DBFS, excerpts, part_fundamental, wav_bytes, worst_start_s
from listen.track import track

RATE = 48000.0
HARMONICS_DBC = {2: -40.0, 3: -46.0, 4: -60.0, 5: -52.0}


class Take:
    """A take in memory."""

    true_rate_hz = sample_rate_hz = RATE
    start_sample = 0
    ac_coupling_hz = None

    def __init__(self, x: np.ndarray) -> None:
        self.x = x
        self.stop_sample = len(x)

    def read(self, start: int, stop: int) -> np.ndarray:
        return self.x[start:stop].copy()


def swept(low_hz: float, high_hz: float, seconds: float, *, seed: int = 3, noise_dbfs: float = -95.0):
    """A tone with harmonics, swept exponentially, and its phase in cycles."""
    t = np.arange(round(seconds * RATE)) / RATE
    rate = np.log(high_hz / low_hz) / seconds
    turns = low_hz * np.expm1(rate * t) / rate
    x = 0.4 * np.cos(2 * np.pi * turns + 0.3)
    for k, level in HARMONICS_DBC.items():
        x = x + 0.4 * 10 ** (level / 20) * np.cos(2 * np.pi * k * turns + 0.7 * k)
    noise = np.random.default_rng(seed).standard_normal(len(t)) * 10 ** (noise_dbfs / 20) / np.sqrt(2)
    return x + noise, turns


def line_db(x: np.ndarray, turns: np.ndarray, k: int) -> float:
    """Level of a line along the true phase, raised-cosine weights; what is in phase over the whole of it."""
    weight = np.hanning(len(x))
    dphi = np.gradient(turns)
    line = np.sum(weight * x * dphi * np.exp(-2j * np.pi * k * turns)) / np.sum(weight * dphi)
    return float(20 * np.log10(2 * np.abs(line)))


def band_db(x: np.ndarray, turns: np.ndarray) -> float:
    """Power near the fundamental, whatever its phase does: turned down by the true phase, averaged over four cycles."""
    z = x * np.exp(-2j * np.pi * turns)
    n = round(4 / np.median(np.gradient(turns)))
    kernel = np.hanning(n) / np.hanning(n).sum()
    smooth = np.convolve(z, kernel, mode="valid")
    return float(10 * np.log10(4 * np.mean(np.abs(smooth) ** 2)))


@pytest.mark.parametrize(("low_hz", "high_hz"), [(160.0, 2200.0), (2200.0, 160.0), (60.0, 240.0), (900.0, 7200.0)])
def test_the_residue_of_a_sweep_holds_no_fundamental_and_every_harmonic(low_hz: float, high_hz: float) -> None:
    x, turns = swept(low_hz, high_hz, 4.0)
    frames = track(Take(x), workers=1)
    residue = part_fundamental(x, 0, RATE, frames.envelope).residue
    # Over a sweep of an octave and more a second; away from the ends, where excerpts have a margin.
    for a, b in ((0.4, 1.4), (1.5, 2.5), (2.6, 3.6)):
        part = slice(round(a * RATE), round(b * RATE))
        assert line_db(residue[part], turns[part], 1) < line_db(x[part], turns[part], 1) - 60.0
        for k, level in HARMONICS_DBC.items():
            if k * max(low_hz, high_hz) < 0.45 * RATE:
                assert line_db(residue[part], turns[part], k) == pytest.approx(20 * np.log10(0.4) + level, abs=0.2), (
                    f"H{k}, {a} to {b} s"
                )


def test_nothing_of_the_fundamental_is_left_whatever_its_phase_does() -> None:
    x, turns = swept(160.0, 2200.0, 4.0, noise_dbfs=-130.0)
    pure = 0.4 * np.cos(2 * np.pi * turns + 0.3)
    frames = track(Take(x), workers=1)
    inside = slice(round(0.4 * RATE), round(3.6 * RATE))
    left = part_fundamental(pure, 0, RATE, frames.envelope).residue[inside]
    assert 20 * np.log10(np.std(left) / np.std(pure)) < -60.0


def test_the_two_parts_add_up() -> None:
    x, _ = swept(200.0, 800.0, 2.0)
    parted = part_fundamental(x, 0, RATE, track(Take(x), workers=1).envelope)
    np.testing.assert_allclose(parted.residue + parted.fundamental, x, atol=1e-15)  # rounding


def test_excerpts_are_quiet_and_faded_and_say_their_gain() -> None:
    x, _turns = swept(200.0, 800.0, 3.0)
    frames = track(Take(x), workers=1)
    sounds = excerpts(Take(x), frames.envelope, 1.0, 2.0)
    assert [sound.kind for sound in sounds] == ["second", "residue", "pure"]
    n = round(FADE_S * RATE)
    for sound in sounds:
        assert LOUDEST_DBFS - 1.5 < sound.peak_dbfs <= LOUDEST_DBFS
        assert abs(sound.samples[0]) < 1e-3
        assert abs(sound.samples[-1]) < 1e-3
        assert sound.duration_s == pytest.approx(1.0, abs=1 / RATE)
        assert sound.gain_db == round(sound.gain_db)
    second, residue, _pure = sounds
    assert second.gain_db < 0 < residue.gain_db
    middle = slice(n, -n)
    np.testing.assert_allclose(
        second.samples[middle] / 10 ** (second.gain_db / 20), x[48000:96000][middle], atol=1e-3
    )  # but for its mean


def test_the_pure_tone_has_the_pitch_and_level_of_the_take() -> None:
    x, turns = swept(200.0, 800.0, 3.0)
    frames = track(Take(x), workers=1)
    second, _, pure = excerpts(Take(x), frames.envelope, 1.0, 2.0)
    at = slice(48000, 96000)
    assert line_db(pure.samples, turns[at], 1) == pytest.approx(line_db(second.samples, turns[at], 1), abs=0.1)
    assert line_db(pure.samples, turns[at], 2) < line_db(pure.samples, turns[at], 1) - 80.0


def test_silence_is_not_raised_and_has_no_residue() -> None:
    x = np.zeros(96000)
    frames = track(Take(x), workers=1)
    (only,) = excerpts(Take(x), frames.envelope, 0.5, 1.5)
    assert only.gain_db == 0.0
    assert not only.samples.any()


def test_a_place_beyond_the_end_is_cut_short() -> None:
    x, _ = swept(200.0, 800.0, 2.0)
    sounds = excerpts(Take(x), track(Take(x), workers=1).envelope, 1.5, 2.5)
    assert sounds[0].duration_s == pytest.approx(0.5, abs=1 / RATE)
    assert sounds[0].end_s == pytest.approx(2.0)


@pytest.mark.parametrize(("bits", "step"), [(16, 2.0**-15), (24, 2.0**-23)])
def test_a_wav_file_holds_the_samples_to_its_dither(bits, step) -> None:
    x, _ = swept(200.0, 800.0, 2.0)
    sound = excerpts(Take(x), track(Take(x), workers=1).envelope, 0.5, 1.5)[0]
    with wave.open(io.BytesIO(wav_bytes(sound, bits=bits))) as file:
        assert (file.getnchannels(), file.getframerate(), file.getsampwidth()) == (1, 48000, bits // 8)
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype=np.uint8).reshape(-1, bits // 8)
    padded = np.concatenate([np.zeros((len(raw), 4 - bits // 8), dtype=np.uint8), raw], axis=1)
    values = np.ascontiguousarray(padded).view("<i4")[:, 0] / 2.0**31
    assert np.max(np.abs(values - sound.samples)) <= 1.5 * step + 1e-12  # one code of dither, half of rounding


def test_the_worst_second_is_found_inside_the_interval() -> None:
    time_s = np.arange(0, 10, 0.02)
    score = np.exp(-((time_s - 6.5) ** 2)) + 5.0 * (time_s > 9.0)
    assert worst_start_s(score, time_s, 2.0, 8.0, 1.0) == pytest.approx(6.0, abs=0.05)
    assert worst_start_s(score * np.nan, time_s, 2.0, 8.0, 1.0) == pytest.approx(2.0, abs=0.03)
    assert worst_start_s(score, time_s, 4.0, 4.2, 1.0) == pytest.approx(4.0, abs=0.5)


def test_a_tone_that_grows_and_dies_leaves_no_thump_in_its_residue() -> None:
    """It grows as a limited oscillator does, by 580 dB a second, and dies as fast."""
    t = np.arange(round(3.0 * RATE)) / RATE
    # Envelope of a van der Pol oscillator, 1 / sqrt(1 + e^(-2 t / tau)): any textbook's averaging.
    level = 1 / np.sqrt(1 + np.exp(-(t - 1.0) / 0.0075) + np.exp((t - 2.0) / 0.0075))
    x = 0.4 * level * np.cos(2 * np.pi * 900.0 * t)
    x += 10 ** (-95 / 20) * np.random.default_rng(8).standard_normal(len(t))
    residue = part_fundamental(x, 0, RATE, track(Take(x), workers=1).envelope).residue
    assert np.max(np.abs(residue)) < 0.01 * 0.4
