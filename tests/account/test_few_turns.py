"""A swing of few turns that moves the phase as a sound would is the loop's own where it comes at other rests, too."""

from __future__ import annotations

from dataclasses import replace

import pytest

from listen.account.modulation import Swing, without_rings, without_sounds
from listen.account.residual import RoomEvent
from tests.accounts import segment


def swing(seconds: float, follows: float, rate_hz: float = 4.9, f0_hz: float = 333.0) -> Swing:
    rest = segment(0.4, 0.4 + seconds, f0_hz)
    return Swing(segment=rest, rate_hz=rate_hz, depth=0.02, follows_pitch=follows, one_sided=False, share=0.9)


@pytest.mark.parametrize(
    ("seconds", "follows", "kept"), [(0.6, 1.9, True), (0.6, 2.1, False), (1.0, 4.5, False), (1.1, 4.5, True)]
)
def test_a_lone_swing_of_few_turns_is_the_levels(seconds: float, follows: float, kept: bool) -> None:
    """Five turns at 4.9 Hz last 1.02 s."""
    one = swing(seconds, follows)
    assert without_sounds([one], []) == ([one] if kept else [])


@pytest.mark.parametrize(("rate_hz", "kept"), [(4.9 * 1.14, 2), (4.9 * 1.16, 0)])
def test_one_that_comes_again_at_its_rate_is_kept(rate_hz: float, kept: int) -> None:
    """A loop that hunts at 2 Hz and pulls the pitch by 0.8 cents has an index of 42 times its depth."""
    both = [swing(0.6, 42.0), swing(0.6, 30.0, rate_hz, 660.0)]
    assert len(without_sounds(both, [])) == kept


@pytest.mark.parametrize(
    ("follows", "sound", "kept"),
    [
        (1.0, (0.1, 0.2, -39.9), False),
        (0.6, (0.1, 0.2, -40.0), False),
        (0.4, (0.1, 0.2, -39.9), True),
        (1.0, (0.1, 0.2, -40.1), True),
        (1.0, (2.6, 2.8, -30.0), True),
        (1.0, (2.4, 2.8, -30.0), False),
    ],
)
def test_beside_sounds_as_loud_a_lone_swing_may_be_a_line(
    follows: float, sound: tuple[float, float, float], kept: bool
) -> None:
    """A line 34 dB below the tone swings the level by 2 %: the same power, 4e-4; a quarter of it is -40 dBc."""
    one = swing(0.6, follows)
    start_s, end_s, level_dbc = sound
    events = [RoomEvent(start_s=start_s, end_s=end_s, level_dbc=level_dbc)]
    assert without_sounds([one], events) == ([one] if kept else [])


@pytest.mark.parametrize(("f0_hz", "kept"), [(333.0, 0), (333.6, 0), (334.0, 2), (660.0, 2)])
def test_a_note_that_is_heard_twice_beats_alike_at_one_pitch_alone(f0_hz: float, kept: int) -> None:
    """At 4.9 Hz a tone 0.7 Hz off beats with the same note at another rate."""
    both = [swing(0.6, 1.0), swing(0.6, 1.1, f0_hz=f0_hz)]
    assert len(without_sounds(both, [RoomEvent(start_s=0.1, end_s=0.2, level_dbc=-35.0)])) == kept


@pytest.mark.parametrize(
    ("kept", "other", "one_sided", "rings", "count"),
    [
        (0.7, None, False, True, 0),
        (0.7, None, False, False, 1),
        (0.81, None, False, True, 1),
        (0.7, 0.9, False, True, 2),
        (0.7, 0.7, False, True, 0),
        (0.7, None, True, True, 1),
    ],
)
def test_where_a_loop_rings_a_swing_that_dies_away_is_its_ring(
    kept: float, other: float | None, one_sided: bool, rings: bool, count: int
) -> None:
    """At the end of a turn it rings as after a retune; a line beside the tone is none of it, a hunting goes on."""
    first = replace(swing(2.0, 0.0), sustained=kept, one_sided=one_sided)
    both = [first] if other is None else [first, replace(first, sustained=other)]
    assert len(without_rings(both, rings)) == count
