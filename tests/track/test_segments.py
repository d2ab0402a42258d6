"""What is hum and what is a tone, where both lie on a multiple of the mains' frequency."""

from __future__ import annotations

import numpy as np
import pytest

from listen.track.segments import _mains_alone, _mains_only, _with_fades
from tests.findings.takes import noisy, starting
from tests.tones import check_of, frames_of, kinds, times


@pytest.mark.parametrize("f0_hz", [99.95, 180.73, 300.5, 440.0])
def test_a_slow_start_is_told_on_a_multiple_of_the_mains_frequency_too(f0_hz: float) -> None:
    result = check_of(starting(1.4, f0_hz))
    assert kinds(result) == {"slow-start"}
    (found,) = (f for f in result.findings if f.severity != "note")
    assert float(found.evidence["rise_s"]) == pytest.approx(1.4, rel=0.03)


NONE = np.zeros(308, dtype=bool)


def test_hum_that_is_left_when_a_tone_stops_is_no_tone() -> None:
    t = times(2.4)
    tone = np.where(t < 1.2, 0.3 * np.cos(2 * np.pi * 180.1 * t), 0.0)
    frames = frames_of(noisy(tone + 1e-3 * np.cos(2 * np.pi * 180.0 * t)))
    assert frames.oscillating[(frames.time_s > 0.1) & (frames.time_s < 1.1)].all()
    assert not frames.oscillating[frames.time_s > 1.4].any()


def test_hops_that_fall_from_the_tone_are_its_and_those_that_stay_are_hum() -> None:
    fall = np.array([0.04, 0.015, 6e-3, 2.5e-3, 1e-3])
    amplitude = np.concatenate([[1e-3, 1e-3], fall[::-1], [0.11, 0.3, 0.3, 0.11], fall, [1e-3, 1e-3]])
    f0 = np.full(len(amplitude), 180.1)
    hum = _mains_alone(f0, amplitude, np.zeros(len(f0), dtype=bool))
    assert np.flatnonzero(~hum).tolist() == [7, 8, 9, 10]
    kept = _with_fades(~hum, hum, f0, amplitude)
    assert np.flatnonzero(~kept).tolist() == [0, 1, 16, 17]
    # of another pitch, or too far down, it is not the tone's
    f0[5] = 180.7
    amplitude[11:] *= 0.5
    kept = _with_fades(~hum, hum, f0, amplitude)
    assert np.flatnonzero(kept).tolist() == [6, 7, 8, 9, 10]


def test_a_tone_at_a_multiple_of_the_mains_is_not_held_against_a_thump() -> None:
    amplitude = np.concatenate([np.full(8, 0.9), np.full(300, 0.17)])
    assert not _mains_alone(np.full(308, 150.0), amplitude, NONE).any()
    # under a tone of half a second it is hum
    amplitude[:60] = 0.9
    assert _mains_alone(np.full(308, 150.0), amplitude, NONE)[60:].all()


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_alone_is_no_oscillator_whatever_its_harmonics(mains_hz: float) -> None:
    t = times(2.6)
    for start in (0.0, 0.013, 0.4):
        x = sum(
            0.012 * level * np.cos(2 * np.pi * k * mains_hz * t + start * k)
            for k, level in ((1, 1.0), (2, 0.5), (3, 0.35), (5, 0.15))
        )
        assert kinds(check_of(noisy(x))) & {"oscillation-absent", "mains-hum"} == {"oscillation-absent"}


def test_one_hop_that_reads_the_hum_badly_makes_no_tone_of_it() -> None:
    f0, amplitude = np.full(60, 60.01), np.full(60, 0.01)
    f0[0] = 60.6
    assert _mains_only(f0, amplitude)
    f0[0] = 66.0
    assert not _mains_only(f0, amplitude)
    f0[:20] = 60.6
    assert not _mains_only(f0, amplitude)
    assert not _mains_only(np.full(60, 60.01), np.full(60, 0.2))


@pytest.mark.parametrize(
    ("tone_dbfs", "rest_dbfs", "clear", "is_hum"),
    [
        # a tone of -60 dBFS that turns, and rests at 180 Hz; hum of the same pitch 8 dB weaker; words instead of a tone
        *((-60.0, -60.0, True, False), (-60.0, -68.0, True, True), (-60.0, -60.0, False, True)),
        # a tone of the usual level, 20 dB over the hum before it
        *((-10.0, -30.0, True, True), (-10.0, -12.0, True, False)),
    ],
)
def test_a_faint_tone_that_rests_at_a_multiple_of_the_mains_is_no_hum(
    tone_dbfs: float, rest_dbfs: float, clear: bool, is_hum: bool
) -> None:
    f0_hz = np.concatenate([np.full(60, 180.2), np.geomspace(183.0, 700.0, 80)])
    amplitude = 10 ** (np.concatenate([np.full(60, rest_dbfs), np.full(80, tone_dbfs)]) / 20)
    hum = _mains_alone(f0_hz, amplitude, np.full(140, clear))
    assert hum[:60].all() == hum[:60].any() == is_hum
    assert hum[60:].mean() < 0.1
