"""Rules of start and hold: each just under and just over its limit, on accounts made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account import Start
from listen.account.modulation import Swing
from listen.account.pitch_scatter import Wavering
from listen.account.settling import Settling
from listen.account.stops import Dropout, Silences
from listen.findings import load_limits
from listen.findings.rules_hold import hold_candidates, start_candidates
from tests.accounts import account_of, segment

LIMITS = load_limits(None, gain_control=None)


def started(**changes: Any) -> Start:
    values: dict[str, Any] = {
        "shown": True,
        "begin_s": 0.5,
        "settled_s": 1.2,
        "rise_s": 0.7,
        "cycles": 308.0,
        "growth_per_s": 6.4,
        "f0_hz": 440.0,
    }
    return Start(**(values | changes))


def starts(**changes: Any) -> list[Any]:
    return start_candidates(account_of(start=started(**changes), ids={"start": "start"}), LIMITS)


@pytest.mark.parametrize(
    ("rise_s", "severity"), [(0.499, None), (0.5, "attention"), (1.999, "attention"), (2.0, "fault")]
)
def test_a_slow_start_by_its_time(rise_s: float, severity: str | None) -> None:
    assert [c.severity for c in starts(rise_s=rise_s)] == ([severity] if severity else [])


def test_a_slow_start_takes_more_than_fifty_cycles() -> None:
    assert starts(cycles=50.0) == []
    (found,) = starts(cycles=50.1)
    assert found.measured.cycles == 50.1


def test_a_start_that_is_not_shown_is_not_slow() -> None:
    assert starts(shown=False) == []


def test_the_numbers_of_a_slow_start() -> None:
    """Equal arms: growth sigma = (A - 3) omega / 2, so that the gain in hand is 2 sigma / omega."""
    (found,) = starts()
    assert (found.kind, found.variant, found.part) == ("slow-start", "gain", "start")
    assert (found.start_s, found.end_s, found.f0_low_hz, found.f0_high_hz) == (0.5, 1.2, 440.0, 440.0)
    assert found.measured.excess_gain == pytest.approx(2 * 6.4 / (2 * np.pi * 440.0), rel=1e-12)
    assert (found.measured.rise_s, found.measured.t90_s, found.measured.growth_per_s) == (0.7, 1.2, 6.4)
    (found,) = starts(growth_per_s=None)
    assert (found.variant, found.measured.excess_gain) == ("plain", None)


# Dropouts


def drop(start_s: float = 1.0, seconds: float = 0.2, **changes: Any) -> Dropout:
    values: dict[str, Any] = {
        "start_s": start_s,
        "end_s": start_s + seconds,
        "falls_s": start_s,
        "settled_s": start_s + seconds + 0.1,
        "depth_db": 26.0,
        "comes_back": True,
        "decay_per_s": 30.0,
        "f0_low_hz": 400.0,
        "f0_high_hz": 420.0,
    }
    return Dropout(**(values | changes))


def held(*drops: Dropout, **changes: Any) -> list[Any]:
    ids = {f"dropout-{i}": f"dropout-{i}" for i in range(1, len(drops) + 1)}
    account = account_of(silences=Silences(dropouts=drops, stop=None), ids=ids, **changes)
    return hold_candidates(account, LIMITS)


@pytest.mark.parametrize(
    ("seconds", "depth_db", "found"), [(0.2, 19.99, 0), (0.2, 20.0, 1), (0.049, 26.0, 0), (0.0501, 26.0, 1)]
)
def test_a_dropout_is_twenty_decibels_for_fifty_milliseconds(seconds: float, depth_db: float, found: int) -> None:
    assert len(held(drop(seconds=seconds, depth_db=depth_db))) == found


def test_the_numbers_of_a_dropout_and_its_part() -> None:
    first, second = held(drop(0.5, depth_db=5.0), drop(2.0), drop(4.0, comes_back=False))
    assert (first.kind, first.severity, first.variant, first.part) == (
        "oscillation-dropout", "fault", "part", "dropout-2",
    )  # fmt: skip
    assert (first.start_s, first.end_s, first.f0_low_hz, first.f0_high_hz) == (2.0, 2.2, 400.0, 420.0)
    assert first.measured.seconds == pytest.approx(0.2)
    assert (first.measured.depth_db, first.measured.decay_per_s) == (26.0, 30.0)
    assert (second.variant, second.measured.comes_back, second.part) == ("good", False, "dropout-3")


def test_dropouts_again_and_again_are_one_hunting() -> None:
    (found,) = held(*(drop(1.0 + 0.25 * i, 0.06) for i in range(4)))
    assert (found.kind, found.severity, found.part) == ("amplitude-hunting", "fault", "dropout-1")
    assert found.measured.rate_hz == pytest.approx(4.0)
    left = 10 ** (-26 / 20)
    assert found.measured.depth_percent == pytest.approx(100 * (1 - left) / (1 + left))
    assert found.start_s == pytest.approx(1.0 - 0.125)
    assert found.end_s == pytest.approx(1.75 + 0.06 + 0.125)
    # at the beginning of the take, too
    (early,) = held(*(drop(0.3 + 0.25 * i, 0.06) for i in range(4)))
    assert early.start_s == pytest.approx(0.3 - 0.125)
    (early,) = held(*(drop(0.1 + 0.25 * i, 0.06) for i in range(4)))
    assert early.start_s == 0.0


@pytest.mark.parametrize(
    ("drops", "kind"),
    [
        ([drop(1.0 + 0.25 * i, 0.06) for i in range(3)], "oscillation-dropout"),
        ([drop(1.0 + 0.99 * i, 0.06) for i in range(4)], "amplitude-hunting"),
        ([drop(1.0 + 1.01 * i, 0.06) for i in range(4)], "oscillation-dropout"),
        ([drop(1.0 + 0.5 * i, 0.29) for i in range(4)], "amplitude-hunting"),
        ([drop(1.0 + 0.5 * i, 0.31) for i in range(4)], "oscillation-dropout"),
        ([drop(at, 0.06) for at in (1.0, 1.3, 1.6, 1.97)], "amplitude-hunting"),
        ([drop(at, 0.06) for at in (1.0, 1.3, 1.6, 1.99)], "oscillation-dropout"),
        ([drop(1.0 + 0.25 * i, 0.06, f0_low_hz=200, f0_high_hz=200 + 3 * i) for i in range(4)], "amplitude-hunting"),
        ([drop(1.0 + 0.25 * i, 0.06, f0_low_hz=200, f0_high_hz=200 + 5 * i) for i in range(4)], "oscillation-dropout"),
    ],
    ids=["three", "near", "far", "short", "long", "even", "uneven", "at rest", "turned"],
)
def test_which_dropouts_are_hunting(drops: list[Dropout], kind: str) -> None:
    found = held(*drops)
    assert {c.kind for c in found} == {kind}
    assert len(found) == (1 if kind == "amplitude-hunting" else len(drops))


def test_an_oscillation_that_dies_for_good_after_swings_is_told_too() -> None:
    swings = [drop(1.0 + 0.25 * i, 0.06) for i in range(5)]
    kinds = [c.kind for c in held(*swings, drop(2.25, 2.0, comes_back=False))]
    assert kinds == ["oscillation-dropout", "amplitude-hunting"]


# Hunting


def swing(depth: float = 0.03, rate_hz: float = 7.0, **changes: Any) -> Swing:
    values: dict[str, Any] = {"segment": segment(), "follows_pitch": 0.1, "one_sided": False, "share": 0.9}
    return Swing(depth=depth, rate_hz=rate_hz, **(values | changes))


def hunted(*swings: Swing, **changes: Any) -> list[Any]:
    return hold_candidates(account_of(swings=swings, ids={"hunting": "hunting"}, **changes), LIMITS)


@pytest.mark.parametrize(
    ("depth", "severity"), [(0.00999, None), (0.01, "attention"), (0.0499, "attention"), (0.05, "fault")]
)
def test_hunting_by_its_depth(depth: float, severity: str | None) -> None:
    assert [c.severity for c in hunted(swing(depth))] == ([severity] if severity else [])


def test_the_numbers_of_hunting_are_the_deepest_rests() -> None:
    rests = [segment(1.0, 2.0, 300.0), segment(3.0, 4.0, 500.0), segment(5.0, 6.0, 800.0)]
    swings = [swing(0.02, 6.0, segment=rests[0]), swing(0.04, 7.0, segment=rests[1]), swing(0.005, segment=rests[2])]
    (found,) = hunted(*swings, segments=tuple(rests))
    assert (found.measured.depth_percent, found.measured.rate_hz) == (pytest.approx(4.0), 7.0)
    assert (found.measured.worst_at_hz, found.measured.rests, found.measured.rests_seen) == (500.0, 2, 3)
    assert (found.start_s, found.end_s, found.f0_low_hz, found.f0_high_hz) == (1.0, 4.0, 300.0, 500.0)
    assert (found.kind, found.part) == ("amplitude-hunting", "hunting")


def test_a_line_beside_the_tone_is_no_hunting() -> None:
    """One sideband; at two notes it beats at two rates, where a gain control keeps its own."""
    low, high = segment(1.0, 2.0, 300.0), segment(3.0, 4.0, 320.0)
    assert hunted(swing(0.03, one_sided=True)) == []
    moving = (swing(0.03, 24.0, segment=low, one_sided=True), swing(0.03, 44.0, segment=high, one_sided=True))
    assert hunted(*moving) == []
    keeping = (swing(0.03, 7.0, segment=low, one_sided=True), swing(0.03, 7.2, segment=high, one_sided=True))
    assert [c.kind for c in hunted(*keeping)] == ["amplitude-hunting"]
    # and most have two sidebands
    mixed = (swing(0.03, segment=low), swing(0.03, segment=high, one_sided=True))
    assert [c.kind for c in hunted(*mixed)] == ["amplitude-hunting"]


@pytest.mark.parametrize(
    ("high_hz", "rate_hz", "own"), [(305.0, 7.0, False), (307.0, 7.0, True), (320.0, 7.5, True), (320.0, 7.6, False)]
)
def test_what_keeps_its_rate_at_notes_apart_is_the_levels_own(high_hz: float, rate_hz: float, own: bool) -> None:
    """Notes 2 % apart or more, rates within 8 %."""
    low, high = segment(1.0, 2.0, 300.0), segment(3.0, 4.0, high_hz)
    swings = (swing(0.03, 7.0, segment=low, one_sided=True), swing(0.03, rate_hz, segment=high, one_sided=True))
    account = account_of(swings=swings)
    assert (account.hunting == swings) is own
    assert (account.second_lines == ()) is own


def test_the_deepest_of_swings_and_of_dropouts_in_a_row_is_told() -> None:
    drops = tuple(drop(1.0 + 0.25 * i, 0.06) for i in range(4))
    account = account_of(silences=Silences(dropouts=drops, stop=None), swings=(swing(0.5),))
    (found,) = hold_candidates(account, LIMITS)
    assert found.measured.depth_percent == pytest.approx(90.46, abs=0.1)
    account = account_of(silences=Silences(dropouts=drops, stop=None), swings=(swing(0.95),))
    (found,) = hold_candidates(account, LIMITS)
    assert found.measured.depth_percent == pytest.approx(95.0)


# Bounce


def ring(deviation_db: float = 1.5, settle_s: float = 0.2, **changes: Any) -> Settling:
    values: dict[str, Any] = {"retune_s": 1.0, "f0_hz": 500.0, "ring": True, "overshoot_db": 1.2, "decay_s": 0.1}
    return Settling(deviation_db=deviation_db, settle_s=settle_s, **(values | changes))


def bounced(*rings: Settling, gain_control: str | None = None) -> list[Any]:
    account = account_of(settlings=rings, ids={"settling-1": "settling-1"})
    return hold_candidates(account, load_limits(None, gain_control=gain_control))


@pytest.mark.parametrize(
    ("deviation_db", "settle_s", "severity"),
    [
        (0.99, 0.2, None),
        (1.0, 0.2, "attention"),
        (2.99, 0.2, "attention"),
        (3.0, 0.2, "fault"),
        (0.9, 0.499, None),
        (0.9, 0.5, "attention"),
        (0.9, 1.99, "attention"),
        (0.9, 2.0, "fault"),
        (0.49, 2.5, None),
        (0.5, 2.5, "fault"),
        (1.5, 2.0, "fault"),
    ],
)
def test_a_bounce_by_its_size_and_its_time(deviation_db: float, settle_s: float, severity: str | None) -> None:
    assert [c.severity for c in bounced(ring(deviation_db, settle_s))] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("deviation_db", "settle_s", "severity"),
    [
        (2.49, 1.0, None),
        (2.5, 1.0, "attention"),
        (7.6, 1.0, "fault"),
        (1.0, 2.99, None),
        (1.0, 3.0, "attention"),
        (1.0, 10.0, "fault"),
        (3.1, 3.0, "fault"),
    ],
)
def test_a_lamp_may_ring_for_seconds(deviation_db: float, settle_s: float, severity: str | None) -> None:
    found = bounced(ring(deviation_db, settle_s), gain_control="lamp")
    assert [c.severity for c in found] == ([severity] if severity else [])


@pytest.mark.parametrize(("settling_s", "patient"), [(0.5, False), (1.0, False), (1.1, True), (3.0, True)])
def test_where_more_than_a_second_is_granted_a_bounce_may_be_larger(settling_s: float, patient: bool) -> None:
    """From 2.5 times the limit of 1 dB, where it is at rest in time."""
    limits = dict(load_limits(None, gain_control=None))
    limits["amplitude-bounce"] = {**limits["amplitude-bounce"], "attention_settling_s": settling_s}
    account = account_of(settlings=(ring(2.0, 0.2),), ids={"settling-1": "settling-1"})
    assert bool(hold_candidates(account, limits)) != patient


def test_a_level_that_is_at_rest_at_once_does_not_bounce() -> None:
    assert bounced(ring(5.0, 3.0, ring=False)) == []


def test_the_numbers_of_a_bounce() -> None:
    few, most, none = (
        ring(1.2, 0.6, retune_s=1.0, f0_hz=300.0),
        ring(2.4, 0.3, retune_s=4.0, f0_hz=600.0),
        ring(0.2, 0.1, retune_s=8.0),
    )
    (found,) = bounced(few, most, none)
    assert (found.kind, found.severity, found.part) == ("amplitude-bounce", "attention", "settling-1")
    assert (found.measured.deviation_db, found.measured.settle_s, found.measured.worst_at_s) == (2.4, 0.6, 4.0)
    assert (found.measured.retunes, found.measured.retunes_seen) == (2, 3)
    assert (found.start_s, found.end_s, found.f0_low_hz, found.f0_high_hz) == (1.0, 4.3, 300.0, 600.0)


# Wavering


def waver(rms_cents: float = 5.0, **changes: Any) -> Wavering:
    values: dict[str, Any] = {"segment": segment(), "drift_cents_per_min": 4.0, "rate_hz": None, "swing_cents": 0.0}
    return Wavering(rms_cents=rms_cents, **(values | changes))


def wavered(*found: Wavering, **changes: Any) -> list[Any]:
    candidates = hold_candidates(account_of(waverings=found, ids={"wavering": "wavering"}, **changes), LIMITS)
    return [c for c in candidates if c.kind == "pitch-instability"]


@pytest.mark.parametrize(
    ("rms_cents", "severity"), [(2.99, None), (3.0, "attention"), (14.99, "attention"), (15.0, "fault")]
)
def test_wavering_by_its_size(rms_cents: float, severity: str | None) -> None:
    assert [c.severity for c in wavered(waver(rms_cents))] == ([severity] if severity else [])


def test_the_worst_rest_is_told_with_its_rate() -> None:
    (found,) = wavered(waver(4.0), waver(9.0, segment=segment(3.0, 5.0, 660.0), rate_hz=5.0))
    assert (found.measured.rms_cents, found.measured.rate_hz, found.variant) == (9.0, 5.0, "rate")
    assert (found.start_s, found.end_s, found.f0_low_hz) == (3.0, 5.0, 660.0)
    assert (wavered(waver(4.0))[0].variant, found.part) == ("plain", "wavering")


def test_a_pitch_that_follows_a_hunting_level_is_not_told_again() -> None:
    rest = segment()
    hunts = (swing(0.03, segment=rest),)
    assert wavered(waver(6.0, segment=rest, swing_cents=3.1), swings=hunts) == []
    assert len(wavered(waver(6.0, segment=rest, swing_cents=2.9), swings=hunts)) == 1
    # in another rest, or with a swing that is under its limit, it is the pitch's own
    assert len(wavered(waver(6.0, swing_cents=3.1), swings=(swing(0.03, segment=segment(4.0, 5.0)),))) == 1
    assert len(wavered(waver(6.0, segment=rest, swing_cents=3.1), swings=(swing(0.009, segment=rest),))) == 1


def test_nothing_is_said_of_a_healthy_account() -> None:
    account = account_of()
    assert start_candidates(account, LIMITS) == []
    assert hold_candidates(account, LIMITS) == []
