"""Which of two findings that look alike it is, by their numbers alone."""

from __future__ import annotations

import math
from typing import Any

import pytest
from listen.findings.alike import dying_or_hunting, hunting_or_hum, is_of_the_swing, own_shapes
from listen.findings.draft import Draft
from listen.findings.wording import finding_of

from listen.findings.limits import in_steps, load_limits, times_over

LIMITS = load_limits(None, gain_control=None)


def draft(kind: str, start_s: float = 0.0, end_s: float = 5.0, **evidence: Any) -> Draft:
    return Draft(kind=kind, severity="attention", start_s=start_s, end_s=end_s, evidence=evidence)


def hunt(depth_percent: float, rate_hz: float, worst_at_hz: float, follows_pitch: float = 0.1) -> Draft:
    more = {"rate_hz": rate_hz, "worst_at_hz": worst_at_hz, "follows_pitch": follows_pitch}
    return draft("amplitude-hunting", depth_percent=depth_percent, **more)


def hum(level_dbc: float, strongest_hz: float, **more: Any) -> Draft:
    facts = {"mains_hz": 60.0, "as_sidebands": False, "in_silence": False} | more
    return draft("mains-hum", level_dbc=level_dbc, strongest_hz=strongest_hz, **facts)


@pytest.mark.parametrize(
    ("swing", "mains", "left"),
    [
        # a line of 1.2 % beside the tone cannot make it swing by 2.4 %; 60 Hz is no sideband of 122.8 Hz and 2.8 Hz
        (hunt(2.4, 2.8, 122.8), hum(-38.7, 60.0), ["amplitude-hunting", "mains-hum"]),
        # but 120 Hz is
        (hunt(2.4, 2.8, 122.8), hum(-38.7, 120.0), ["amplitude-hunting"]),
        # and what is 26 dB under the sidebands is what a swing leaves
        (hunt(30.0, 2.8, 122.8), hum(-50.0, 60.0), ["amplitude-hunting"]),
        (hunt(1.0, 2.8, 122.8), hum(-38.7, 60.0), ["mains-hum"]),
        (hunt(2.4, 2.8, 122.8, follows_pitch=0.9), hum(-38.7, 60.0), ["mains-hum"]),
        # far from any distance of lines both stand, unless the hum is where hum is not
        (hunt(22.0, 8.3, 635.0), hum(-40.0, 60.0), ["amplitude-hunting", "mains-hum"]),
        (hunt(22.0, 8.3, 635.0), hum(-40.0, 300.0), ["amplitude-hunting"]),
        (hunt(22.0, 8.3, 635.0), hum(-40.0, 300.0, in_silence=True), ["amplitude-hunting", "mains-hum"]),
    ],
)
def test_hunting_or_hum(swing: Draft, mains: Draft, left: list[str]) -> None:
    hunts, hums = hunting_or_hum([swing], [mains])
    assert [d.kind for d in (*hunts, *hums)] == left


def dip(start_s: float, **more: Any) -> Draft:
    facts = {"depth_db": 22.0, "seconds": 0.06, "comes_back": True} | more
    return draft("oscillation-dropout", start_s, start_s + 0.06, **facts)


def test_dropouts_again_and_again_are_one_hunting_and_so_is_one_between_them() -> None:
    died = [dip(at) for at in (0.25, 0.5, 0.75, 1.0, 1.55, 2.4, 2.65, 2.9, 3.15, 3.4)]
    left, hunts = dying_or_hunting(died, [], [], LIMITS)
    assert left == []
    assert [h.kind for h in hunts] == ["amplitude-hunting"]
    for_good = dip(1.0, comes_back=False)
    assert dying_or_hunting([for_good], died, [], LIMITS)[0] == [for_good]


def test_dropouts_that_are_no_hunting_by_a_raised_limit_are_still_told() -> None:
    died = [dip(0.25 * i) for i in range(1, 7)]
    raised = {**LIMITS, "amplitude-hunting": {"attention": 101.0, "fault": 102.0}}
    left, hunts = dying_or_hunting(died, [], [], raised)
    assert (left, hunts) == (died, [])


@pytest.mark.parametrize(
    ("lost", "kinds", "depth_percent", "of_the_swing"),
    [(1, "skipped", 60.0, True), (1, "skipped", 10.0, False), (40, "skipped", 60.0, False), (1, "zeros", 60.0, False)],
)
def test_a_lost_sample_in_a_deep_swing(lost: int, kinds: str, depth_percent: float, of_the_swing: bool) -> None:
    gap = draft("capture-gap", lost_samples=lost, kinds=kinds)
    assert is_of_the_swing(gap, [hunt(depth_percent, 4.0, 160.0)]) is of_the_swing
    assert not is_of_the_swing(gap, [])


def test_alternate_cycles_account_for_a_small_departure_and_not_for_a_large_one() -> None:
    halves = [draft("subharmonic", level_dbc=-20.0)]
    small, large = (
        draft("asymmetric-clipping", crest_loss_percent=2.1),
        draft("asymmetric-clipping", crest_loss_percent=9),
    )
    slewed = draft("slew-limiting", slope_short_percent=9.0)
    assert own_shapes([small, large, slewed], [], [], halves) == [large, slewed]
    assert own_shapes([small], [], [], []) == [small]


def test_what_is_the_recordings_comes_first() -> None:
    overload = finding_of(draft("capture-overload", tops=1, ceiling_fs=0.9), None, None)
    facts = {"crest_loss_percent": 7.0, "thd_worst_percent": 9.0, "onset_f0_hz": 300.0}
    clipped = finding_of(draft("asymmetric-clipping", **facts), None, None)
    assert times_over(overload, LIMITS) == math.inf
    assert times_over(clipped, LIMITS) == pytest.approx(3.5)


def test_what_is_over_its_limit_by_nearly_as_much_comes_in_order_of_time() -> None:
    assert in_steps(80.2 / 20) == in_steps(80.1 / 20)
    assert in_steps(1.0) < in_steps(1.3) < in_steps(2.0) < in_steps(math.inf)
