"""A line beside the tone is the recording's where it sounds in the silence, too."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.line_in_silence import marked_in_silence
from listen.account.modulation import Swing
from tests.accounts import segment, tone_on_grid
from tests.tones import Take

RATE_HZ, END_S, TONE_HZ, LINE_HZ, AMPLITUDE, DEPTH = 8000.0, 4.0, 190.4, 159.2, 0.2, 0.01
TIME_S = np.arange(round(END_S * RATE_HZ)) / RATE_HZ


def marked(before: float, *, begins_s: float = 1.5, hiss: float = 0.0, one_sided: bool = True) -> bool | None:
    """What is said of a line 40 dB under the tone, whose amplitude before it is ``before`` times as large."""
    sings = begins_s <= TIME_S
    line = AMPLITUDE * DEPTH * np.where(sings, 1.0, before) * np.sin(2 * np.pi * LINE_HZ * TIME_S)
    rng = np.random.default_rng(1)
    x = np.where(sings, AMPLITUDE, 0.0) * np.sin(2 * np.pi * TONE_HZ * TIME_S) + line
    x += np.where(sings, 0.0, hiss) * rng.normal(size=len(x)) + 1e-5 * rng.normal(size=len(x))
    grid = 0.01 + 0.005 * np.arange(round((END_S - 0.01) / 0.005))
    tone = tone_on_grid(grid, TONE_HZ, np.log(AMPLITUDE), strong=grid >= begins_s, tracked=grid >= begins_s)
    swing = Swing(
        segment=segment(2.0, 3.9, TONE_HZ),
        rate_hz=TONE_HZ - LINE_HZ,
        depth=DEPTH,
        follows_pitch=1.0,
        one_sided=one_sided,
        share=0.9,
        above=False,
    )
    (found,) = marked_in_silence(Take(samples=x, true_rate_hz=RATE_HZ), tone, [swing])
    return found.in_silence


@pytest.mark.parametrize(("before", "there"), [(1.0, True), (0.5, True), (0.3, False), (0.0, False)])
def test_it_keeps_two_fifths_of_its_level_there(before: float, there: bool) -> None:
    """8 dB less is half way between the same line and one that is gone."""
    assert marked(before) is there


def test_hiss_as_loud_is_no_line() -> None:
    """Read through a Hann window of 0.25 s, hiss of 0.1 full scale is 40 dB down: as loud as the line."""
    assert marked(0.0, hiss=0.1) is False


@pytest.mark.parametrize(("begins_s", "told"), [(0.4, False), (0.53, True)])
def test_two_windows_of_silence_tell(begins_s: float, told: bool) -> None:
    assert (marked(1.0, begins_s=begins_s) is not None) is told


def test_two_sidebands_are_no_line() -> None:
    assert marked(1.0, one_sided=False) is None
