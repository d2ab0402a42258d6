"""One line near the tone: the mains', or a sideband of a level that hunts."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.mains import MainsLines
from listen.account.mains_or_swing import is_a_sideband
from listen.account.modulation import Swing
from tests.accounts import plain_frames, segment

ROWS = 400
FRAMES = plain_frames(ROWS, f0_hz=np.where(np.arange(ROWS) < 200, 91.2, 260.0))
"""Two rests of 4 s."""


def mains(other_line: float = 0.0, singing: bool = True, in_second_rest: float = 0.0) -> MainsLines:
    """A line at 100 Hz, 1 % of full scale, while the tone rests at 91.2 Hz."""
    time_s = np.arange(0.5, 7.5, 0.1)
    first = time_s < 3.6
    amplitude = np.zeros((len(time_s), 8), dtype=complex)
    amplitude[first, 1] = 0.01
    amplitude[time_s > 4.4, 1] = in_second_rest
    amplitude[first, 2] = other_line
    return MainsLines(
        mains_hz=50.0, time_s=time_s, lines_hz=50.0 * np.arange(1, 9), amplitude=amplitude,
        seen=np.ones((len(time_s), 8), dtype=bool), level_dbc=np.full(len(time_s), -40.0),
        singing=np.full(len(time_s), singing), wander_rad=np.zeros(len(time_s)),
    )  # fmt: skip


def swing(rate_hz: float, seconds: float = 2.0) -> Swing:
    rest = segment(4.5, 4.5 + seconds, 260.0)
    return Swing(segment=rest, rate_hz=rate_hz, depth=0.02, follows_pitch=0.8, one_sided=True, share=0.9)


@pytest.mark.parametrize(("rate_hz", "seconds", "own"), [(8.8, 2.0, True), (9.0, 2.0, True), (9.2, 2.0, False)])
def test_a_line_as_far_from_the_tone_as_the_rate_of_another_rest_is_a_sideband(
    rate_hz: float, seconds: float, own: bool
) -> None:
    assert is_a_sideband(mains(), [swing(rate_hz, seconds)], FRAMES) is own


def test_without_hunting_or_mains_there_is_no_sideband() -> None:
    assert not is_a_sideband(mains(), [], FRAMES)
    assert not is_a_sideband(None, [swing(8.8)], FRAMES)


def test_what_has_other_lines_too_or_sounds_in_silence_is_the_mains() -> None:
    assert is_a_sideband(mains(other_line=0.002), [swing(8.8)], FRAMES)
    assert not is_a_sideband(mains(other_line=0.004), [swing(8.8)], FRAMES)
    assert not is_a_sideband(mains(singing=False), [swing(8.8)], FRAMES)


def test_what_goes_on_at_another_pitch_is_the_mains() -> None:
    assert is_a_sideband(mains(in_second_rest=0.002), [swing(8.8)], FRAMES)
    assert not is_a_sideband(mains(in_second_rest=0.01), [swing(8.8)], FRAMES)


def test_a_slow_rate_hides_its_sideband_in_the_tone() -> None:
    frames = plain_frames(ROWS, f0_hz=np.where(np.arange(ROWS) < 200, 98.0, 260.0))
    assert not is_a_sideband(mains(), [swing(2.0)], frames)
