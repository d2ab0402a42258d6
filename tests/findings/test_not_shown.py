"""What a take does not show of the level's hold, on accounts made by hand."""

from __future__ import annotations

import pytest

from listen.findings.judge import _disturbed
from listen.findings.recorder_limits import _listed
from tests.accounts import account_of, plain_frames, segment


@pytest.mark.parametrize(
    ("rested_s", "pieces_s", "disturbed"),
    [(6.0, (0.6, 0.5, 0.5), True), (6.0, (0.6, 1.2), False), (1.5, (0.6,), False), (6.0, (), True), (0.0, (), False)],
)
def test_rests_that_are_cut_up_show_no_hunting(rested_s: float, pieces_s: tuple[float, ...], disturbed: bool) -> None:
    frames = plain_frames(400)
    account = account_of(
        frames,
        resting=frames.time_s <= rested_s,
        segments=tuple(segment(start_s=1.0, end_s=1.0 + length) for length in pieces_s),
    )
    assert _disturbed(account) is disturbed


@pytest.mark.parametrize(("orders", "said"), [([3], "H3"), ([2, 3], "H2 and H3"), ([2, 3, 5], "H2, H3 and H5")])
def test_orders_that_the_recorder_hides_are_listed(orders: list[int], said: str) -> None:
    assert _listed(orders) == said
