"""A line beside the tone: its frequency, on whichever side it lies, below the tone too."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.modulation import find_swings
from listen.account.tone import find_tone
from tests.accounts import segment
from tests.tones import check_of, frames_of, smooth_turn, times, white

SIZE = 0.3


@pytest.mark.parametrize("apart_hz", [-31.2, -9.7, 9.7, 31.2])
def test_a_line_is_told_on_its_own_side(apart_hz: float) -> None:
    t = times(4.0)
    x = SIZE * (np.cos(2 * np.pi * 890.4 * t) + 0.01 * np.cos(2 * np.pi * (890.4 + apart_hz) * t + 0.7))
    tone = find_tone(frames_of(x + white(len(t), -95.0)))
    assert tone is not None
    rest = segment(0.3, 3.7, 890.4, first=tone.index(0.3), stop=tone.index(3.7))
    (swing,) = find_swings(tone, [rest])
    assert swing.one_sided
    assert swing.line_hz == pytest.approx(890.4 + apart_hz, abs=0.2)


@pytest.mark.parametrize("line_hz", [151.3, 277.3, 561.6])
def test_a_line_below_the_second_harmonic_is_found_in_a_turn(line_hz: float) -> None:
    """-42 dBc all through, in the silence too; the turn crosses it."""
    phase, _ = smooth_turn(105.0, 655.0, 3.0)
    lead = 48_000
    tone = SIZE * np.concatenate(
        [np.zeros(lead), np.cos(2 * np.pi * phase) * np.clip(np.arange(len(phase)) / 4800, 0, 1)]
    )
    line = SIZE * 10 ** (-42.0 / 20) * np.cos(2 * np.pi * line_hz * times(len(tone) / 48_000)[: len(tone)])
    (found,) = [one for one in check_of(tone + line + white(len(tone), -90.0)).findings if one.kind != "room-sound"]
    assert (found.kind, found.severity) == ("unexplained", "attention")
    assert found.evidence["line_hz"] == pytest.approx(line_hz, abs=1.5)
    assert found.evidence["level_dbc"] == pytest.approx(-42.0, abs=0.7)


@pytest.mark.parametrize("f0_hz", [51.0, 440.0])
def test_a_tone_that_grows_slowly_is_no_line_of_its_own(f0_hz: float) -> None:
    """By 20 dB in 0.4 s, from the recorder's noise on; an end that dies away is none, either."""
    t = times(4.0)
    for growth in (np.minimum(1.0, 10 ** ((t - 1.8) / 0.4)), np.minimum(1.0, 10 ** ((2.2 - t) / 0.4))):
        x = SIZE * growth * np.cos(2 * np.pi * f0_hz * t) + white(len(t), -95.0)
        assert not check_of(x).judgement.account.fixed_lines


def test_what_sounds_before_the_tone_alone_is_no_line_under_it() -> None:
    """Where the tone sounds, its harmonics hide that place: nothing is known of it there."""
    t = times(5.0)
    f0_hz = 74.4
    wave = sum(0.003 ** (k > 1) * np.cos(2 * np.pi * k * f0_hz * t) for k in range(1, 8))
    before = (t < 1.5) * (0.55 + 0.45 * np.cos(2 * np.pi * 2.3 * t)) * np.cos(2 * np.pi * 224.6 * t)
    x = SIZE * np.where(t > 2.0, wave, 0.0) + SIZE * 10 ** (-36.0 / 20) * before + white(len(t), -90.0)
    x += np.where(t > 2.0, 10 ** (-52.0 / 20) * SIZE * np.cos(2 * np.pi * 1311.3 * t), 0.0)
    found = check_of(x)
    assert [round(line.frequency_hz) for line in found.judgement.account.fixed_lines] in ([], [1311])
    assert not [one for one in found.findings if one.severity != "note"]


@pytest.mark.parametrize(("apart_hz", "dbc", "two"), [(-17.5, -5.0, True), (22.0, -8.0, True), (22.0, -13.0, False)])
def test_a_line_beside_the_tone_that_is_nearly_as_strong_is_a_second_tone(
    apart_hz: float, dbc: float, two: bool
) -> None:
    t = times(4.0)
    x = SIZE * (np.cos(2 * np.pi * 715.9 * t) + 10 ** (dbc / 20) * np.cos(2 * np.pi * (715.9 + apart_hz) * t + 0.7))
    kinds = [one.kind for one in check_of(0.7 * x + white(len(t), -95.0)).findings if one.severity != "note"]
    assert kinds == (["two-tones"] if two else ["parasitic-oscillation"])
