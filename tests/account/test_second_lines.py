"""A swing of one sideband: the level and pitch of a board that hunts, or a line beside the tone."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.fixed_lines import FixedLine
from listen.account.modulation import Swing
from listen.account.types import Account
from tests.accounts import account_of, segment


def swing(f0_hz: float, rate_hz: float, one_sided: bool = True, seconds: float = 2.0) -> Swing:
    rest = segment(0.2, 0.2 + seconds, f0_hz)
    return Swing(segment=rest, rate_hz=rate_hz, depth=0.03, follows_pitch=1.0, one_sided=one_sided, share=0.9)


def account(*swings: Swing, heard: tuple[float, bool | None] | None = None) -> Account:
    lines = ()
    if heard is not None:
        level = np.full(4, -40.0)
        line = FixedLine(
            frequency_hz=heard[0], time_s=np.arange(4.0), level_dbfs=level, level_dbc=-40.0, of_the_recording=heard[1]
        )
        lines = (line,)
    return account_of(swings=swings, fixed_lines=lines)


def test_two_sidebands_are_hunting_however_few_rests_there_are() -> None:
    one = swing(440.0, 2.0, one_sided=False)
    assert account(one).hunting == (one,)
    assert account(one).second_lines == ()


def test_one_sideband_at_one_pitch_is_a_line_beside_the_tone() -> None:
    one = swing(440.0, 2.0)
    assert account(one).hunting == ()
    assert account(one).second_lines == (one,)
    assert len(account(one, swing(441.0, 2.0)).second_lines) == 2


@pytest.mark.parametrize(("seconds", "other_hz", "hunts"), [(2.0, 1.9, True), (2.0, 2.2, False), (1.6, 1.9, True)])
def test_a_rate_that_stays_from_note_to_note_is_the_levels_own(seconds: float, other_hz: float, hunts: bool) -> None:
    """A line would beat with notes 50 Hz apart at rates 50 Hz apart; a rate is known to half a turn of its rest."""
    swings = swing(390.7, 1.7, seconds=seconds), swing(340.6, other_hz, seconds=seconds)
    found = account(*swings)
    assert (len(found.hunting), len(found.second_lines)) == ((2, 0) if hunts else (0, 2))


@pytest.mark.parametrize(("other_hz", "hunts"), [(441.5, False), (450.0, True)])
def test_notes_too_near_to_part_a_line_from_hunting_tell_nothing(other_hz: float, hunts: bool) -> None:
    found = account(swing(440.0, 2.0), swing(other_hz, 2.0))
    assert bool(found.hunting) is hunts


@pytest.mark.parametrize(
    ("line_hz", "of_the_recording", "told"),
    [(190.05, True, 0), (190.05, False, 1), (190.05, None, 1), (190.5, True, 1), (380.1, True, 0)],
)
def test_a_harmonic_of_a_sound_of_the_recording_is_no_other_line(
    line_hz: float, of_the_recording: bool | None, told: int
) -> None:
    """The second harmonic of another oscillator, 2.4 Hz under the tone: known to half a turn in two seconds."""
    found = account(swing(382.5, 2.4), heard=(line_hz, of_the_recording))
    assert len(found.second_lines) == told
