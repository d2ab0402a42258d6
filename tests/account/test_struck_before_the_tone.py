"""A step on the floor before power on, at the board's own pitch, is none of the board's tone."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.tone import _owners, find_tone
from tests.accounts import plain_frames
from tests.tones import check_of, times, white


@pytest.mark.parametrize("thump_hz", [56.0, 62.0, 74.0])
def test_a_thump_before_power_on_is_no_tone_that_dies(thump_hz: float) -> None:
    """A damped oscillation of 45 to 90 Hz (common practice, no source), 12 dB under the tone, pure and low as it is."""
    t = times(7.0)
    x = np.where(t > 3.2, 0.3 * np.cos(2 * np.pi * 62.0 * t) * np.clip((t - 3.2) / 0.1, 0.0, 1.0), 0.0)
    for at_s, turn in ((2.1, 0.3), (2.5, 1.1)):
        since = np.maximum(t - at_s, 0.0)
        thump = 0.12 * np.exp(-since / 0.055) * np.sin(2 * np.pi * thump_hz * since + turn) * (t > at_s)
        x = x + thump
    found = check_of(x + white(len(t), -85.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == []


@pytest.mark.parametrize(("squeak_hz", "kinds"), [(815.0, []), (262.0, ["oscillation-dropout"])])
def test_a_chair_before_power_on_is_no_tone_that_dies(squeak_hz: float, kinds: list[str]) -> None:
    """A third of a second, pure, 12 dB under the tone; at the board's own pitch it may be the board."""
    t = times(7.0)
    since = np.clip((t - 1.7) / 0.28, 0.0, 1.0)
    squeak = 0.075 * np.sin(np.pi * since) ** 0.5 * np.cos(2 * np.pi * squeak_hz * t)
    x = squeak + np.where(t > 2.3, 0.3 * np.cos(2 * np.pi * 260.0 * t) * np.clip((t - 2.3) / 0.05, 0.0, 1.0), 0.0)
    found = check_of(x + white(len(t), -85.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == kinds


def test_a_board_that_comes_on_for_a_moment_and_dies_is_told() -> None:
    t = times(7.0)
    on = np.clip(np.minimum(t - 2.0, 2.4 - t) / 0.02, 0.0, 1.0) + np.clip((t - 3.2) / 0.05, 0.0, 1.0)
    found = check_of(0.3 * np.minimum(on, 1.0) * np.cos(2 * np.pi * 162.0 * t) + white(len(t), -85.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == ["oscillation-dropout"]


@pytest.mark.parametrize(("gap_rows", "first_dbfs", "is_room"), [(2, -12.0, False), (9, -12.0, True), (2, -23.0, True)])
def test_a_note_at_the_mains_that_a_step_leads_from_is_the_boards(
    gap_rows: int, first_dbfs: float, is_room: bool
) -> None:
    """From 119.6 Hz to 330 Hz at once, and on; a cable hums alone, or less loudly."""
    row = np.arange(300)
    second, third = 60 + gap_rows, 130 + gap_rows
    number = np.where(row < 60, 0, np.where(row < second, -1, np.where(row < third - 2, 1, 2)))
    frames = plain_frames(
        300,
        f0_hz=np.where(row < 60, 119.6, np.where(row < third - 2, 330.0, 440.0)),
        level_dbfs=np.where(row < 60, first_dbfs, -12.0),
        oscillating=number >= 0,
        segment=number.astype(np.int64),
        residual_dbc=-70.0,
    )
    tone = find_tone(frames)
    assert tone is not None
    assert bool(tone.room) is is_room


@pytest.mark.parametrize(("own", "owner"), [({0}, -1), ({0, 1}, 0)])
def test_what_lies_between_the_tone_and_another_sound_is_neither_s(own: set[int], owner: int) -> None:
    """A quick move leaves out as many rows, between two pieces that are both the board's."""
    row = np.arange(80)
    number = np.where(row < 50, 0, np.where(row < 61, -1, 1))
    frames = plain_frames(80, oscillating=number >= 0, segment=number.astype(np.int64))
    at = int(np.argmin(np.abs(frames.envelope.time_s - 0.5 * (frames.time_s[49] + frames.time_s[61]) + 0.01)))
    assert _owners(frames, own)[at] == owner
