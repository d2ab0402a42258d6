"""A swing of few turns, more of the pitch than of the level, is the loop's own where it comes at other rests, too."""

from __future__ import annotations

import pytest

from listen.account.modulation import Swing, without_lone_pitch
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
    assert without_lone_pitch([one]) == ([one] if kept else [])


@pytest.mark.parametrize(("rate_hz", "kept"), [(4.9 * 1.14, 2), (4.9 * 1.16, 0)])
def test_one_that_comes_again_at_its_rate_is_kept(rate_hz: float, kept: int) -> None:
    """A loop that hunts at 2 Hz and pulls the pitch by 0.8 cents has an index of 42 times its depth."""
    both = [swing(0.6, 42.0), swing(0.6, 30.0, rate_hz, 660.0)]
    assert len(without_lone_pitch(both)) == kept
