"""Rules of what lies between the harmonics, on accounts made by hand: rows 20 ms apart, windows of hum 0.1 s."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account import Account
from listen.account.bursts import Bursts
from listen.account.fixed_lines import FixedLine
from listen.account.half_orders import HalfOrders
from listen.account.mains import MainsLines
from listen.account.modulation import Swing
from listen.findings import load_limits
from listen.findings.measured import Unexplained
from listen.findings.rules_lines import line_candidates
from tests.accounts import account_of, mains_sidebands, plain_frames, segment

LIMITS = load_limits(None, gain_control=None)
N = 150
FRAMES = plain_frames(N, f0_hz=np.geomspace(200.0, 800.0, N))
QUIET = np.full(N, -np.inf)
IDS = {name: name for name in ("tone", "mains", "mains-sidebands", "half-orders", "burst", "line-1", "line-2")}
IDS["line-beside"] = "line-beside-1"


def flags(first: int, count: int) -> np.ndarray:
    out = np.zeros(N, dtype=bool)
    out[first : first + count] = True
    return out


def said(limits: Any = LIMITS, **changes: Any) -> list[Any]:
    found = line_candidates(account_of(changes.pop("frames", FRAMES), ids=IDS, **changes), limits)
    for candidate in found:
        assert candidate.start_s < candidate.end_s
    return found


def test_nothing_is_said_of_a_healthy_account() -> None:
    assert said() == []


# Mains


def mains(level_dbc: Any, *, singing: Any = True, orders: Any = (0.3, 1.0, 0.1), **changes: Any) -> MainsLines:
    level = np.asarray(level_dbc, dtype=float)
    amplitude = np.zeros((len(level), 8), dtype=complex)
    amplitude[:, : len(orders)] = orders
    values: dict[str, Any] = {
        "mains_hz": 49.98,
        "time_s": 0.4 + 0.1 * np.arange(len(level)),
        "lines_hz": 49.98 * np.arange(1, 9),
        "amplitude": amplitude * (level > -100)[:, None],
        "seen": np.ones((len(level), 8), dtype=bool),
        "level_dbc": level,
        "singing": np.broadcast_to(singing, len(level)),
        "wander_rad": np.zeros(len(level)),
    }
    return MainsLines(**(values | changes))


@pytest.mark.parametrize(
    ("level_dbc", "severity"), [(-50.01, None), (-50.0, "attention"), (-30.01, "attention"), (-29.99, "fault")]
)
def test_hum_by_its_level(level_dbc: float, severity: str | None) -> None:
    assert [c.severity for c in said(mains=mains([level_dbc] * 20))] == ([severity] if severity else [])


@pytest.mark.parametrize(("windows", "found"), [(3, 0), (4, 1)])
def test_hum_of_a_second_is_told(windows: int, found: int) -> None:
    """Windows of 0.8 s every 0.1 s: four in a row are 1.1 s."""
    level = np.full(20, -90.0)
    level[5 : 5 + windows] = -40.0
    candidates = said(mains=mains(level))
    assert len(candidates) == found
    if found:
        assert candidates[0].start_s == pytest.approx(0.9 - 0.4)
        assert candidates[0].end_s == pytest.approx(1.2 + 0.4)


@pytest.mark.parametrize(("seconds", "found"), [(0.3, 0), (0.6, 0), (1.2, 1)])
def test_a_short_hum_is_in_windows_of_more_than_its_length(seconds: float, found: int) -> None:
    """A Hann window holds of it the part of its own area that lies on it."""
    centre = 0.4 + 0.1 * np.arange(60)
    edges = np.clip(np.array([[2.0], [2.0 + seconds]]) - centre, -0.4, 0.4) / 0.8
    share = np.diff(edges + np.sin(2 * np.pi * edges) / (2 * np.pi), axis=0)[0]
    level = -20.0 + 20 * np.log10(np.maximum(share, 1e-6))
    short = mains(level, singing=centre > 4.0)
    short.amplitude[:] *= share[:, None]
    candidates = said(mains=short)
    assert [c.measured.in_silence for c in candidates] == [True] * found


def test_a_window_between_two_of_hum_is_bridged_and_two_are_not() -> None:
    level = np.full(20, -40.0)
    level[2] = -90.0
    level[5:7] = -90.0
    (found,) = said(mains=mains(level[:10]))
    # 0, 1, 3, 4 count as one run, 7 .. 9 are too few
    assert found.end_s == pytest.approx(0.4 + 0.4 + 0.4)


def test_the_numbers_of_hum() -> None:
    level = np.repeat([-90.0, -40.0, -44.0], 8)
    (found,) = said(mains=mains(level))
    assert (found.kind, found.variant, found.part) == ("mains-hum", "plain", "mains")
    # half of the windows at each: the median of the powers lies between
    assert found.measured.level_dbc == pytest.approx(10 * np.log10(0.5 * (1e-4 + 10**-4.4)))
    assert (found.measured.mains_hz, found.measured.strongest_hz) == (50.0, 100.0)
    assert (found.measured.as_sidebands, found.measured.in_silence) == (False, False)
    assert (found.start_s, found.end_s) == (pytest.approx(0.8), pytest.approx(3.1))
    assert (found.f0_low_hz, found.f0_high_hz) == (pytest.approx(200.0), pytest.approx(800.0))


@pytest.mark.parametrize(("loud_windows", "variant"), [(5, "plain"), (6, "silence")])
def test_hum_of_the_recording_fills_more_than_half_of_the_silence(loud_windows: int, variant: str) -> None:
    level = np.array([-90.0] * (10 - loud_windows) + [-40.0] * (10 + loud_windows))
    (found,) = said(mains=mains(level, singing=np.arange(20) >= 10))
    assert found.variant == variant


@pytest.mark.parametrize(("in_silence_dbc", "variant"), [(-56.1, "plain"), (-55.9, "silence")])
def test_hum_that_is_in_the_silence_too_is_the_recordings(in_silence_dbc: float, variant: str) -> None:
    """Within 6 dB of the limit, in more than half of the silence."""
    level = np.array([in_silence_dbc] * 10 + [-40.0] * 10)
    silent = mains(level, singing=np.arange(20) >= 10)
    (found,) = said(mains=silent)
    assert (found.variant, found.measured.in_silence) == (variant, variant == "silence")
    (found,) = said(mains=mains(level))
    assert found.variant == "plain"


@pytest.mark.parametrize(
    ("level_dbc", "severity"), [(-50.01, None), (-50.0, "attention"), (-30.01, "attention"), (-30.0, "fault")]
)
def test_sidebands_by_their_level(level_dbc: float, severity: str | None) -> None:
    """Both together."""
    sides = mains_sidebands(level_dbc - 10 * np.log10(2.0))
    found = said(sidebands=sides)
    assert [c.severity for c in found] == ([severity] if severity else [])
    if found:
        assert found[0].measured.level_dbc == pytest.approx(level_dbc)
        assert (found[0].variant, found[0].part) == ("sidebands", "mains-sidebands")
        assert (found[0].measured.strongest_hz, found[0].measured.as_sidebands) == (120.0, True)
    # lines come first: their beats look like sidebands
    both = said(sidebands=sides, mains=mains([-40.0] * 20))
    assert [c.variant for c in both] == ["plain"]


# Half orders and bursts


def halves(level_dbc: np.ndarray) -> HalfOrders:
    return HalfOrders(level_dbc=level_dbc, seen=np.ones(N, dtype=bool))


def bursts(level_dbc: np.ndarray, cycle: Any = 0.0) -> Bursts:
    return Bursts(level_dbc=level_dbc, cycle=np.broadcast_to(np.asarray(cycle, dtype=float), N))


def at(rows: np.ndarray, level: float) -> np.ndarray:
    return np.where(rows, level, -np.inf)


def test_alternate_cycles_that_cannot_be_looked_for_do_not_end_a_finding() -> None:
    rows = np.arange(N)
    level = at((rows < 50) | (rows >= 80), -40.0)
    known = HalfOrders(level_dbc=level, seen=(rows < 50) | (rows >= 80))
    assert len(said(half_orders=known)) == 1
    assert len(said(half_orders=HalfOrders(level_dbc=level, seen=np.ones(N, dtype=bool)))) == 2


KINDS = {
    "subharmonic": lambda level: {"half_orders": halves(level)},
    "parasitic-oscillation": lambda level: {"bursts": bursts(level)},
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("level", "severity"), [(-50.01, None), (-50.0, "attention"), (-30.01, "attention"), (-30.0, "fault")]
)
def test_rows_over_a_limit(kind: str, level: float, severity: str | None) -> None:
    found = said(**KINDS[kind](at(flags(30, 60), level)))
    assert [(c.kind, c.severity) for c in found] == ([(kind, severity)] if severity else [])
    if found:
        assert found[0].rows.tolist() == list(range(30, 90))
        assert found[0].f0_low_hz == pytest.approx(FRAMES.f0_hz[30])
        assert found[0].start_s == pytest.approx(FRAMES.time_s[30] - 0.01)
        assert found[0].end_s == pytest.approx(FRAMES.time_s[89] + 0.01)
        assert found[0].measured.onset_f0_hz == pytest.approx(FRAMES.f0_hz[30])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("rows", "found"), [(14, 0), (15, 1)])
def test_fifteen_rows_are_needed(kind: str, rows: int, found: int) -> None:
    assert len(said(**KINDS[kind](at(flags(30, rows), -40.0)))) == found


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("gap", "found"), [(20, 1), (21, 2)])
def test_segments_join_across_twenty_rows(kind: str, gap: int, found: int) -> None:
    rows = flags(10, 20) | flags(30 + gap, 20)
    assert len(said(**KINDS[kind](at(rows, -40.0)))) == found


@pytest.mark.parametrize("kind", KINDS)
def test_rows_that_are_not_judged_say_nothing(kind: str) -> None:
    level = at(flags(30, 60), -40.0)
    assert said(**KINDS[kind](level), judged=~flags(30, 60)) == []
    assert said(**KINDS[kind](level), judged=np.zeros(N, dtype=bool)) == []


def test_the_level_that_nine_of_ten_rows_stay_below_is_told() -> None:
    level = np.full(N, -45.0)
    level[::20] = -20.0
    (found,) = said(half_orders=halves(level))
    assert found.measured.level_dbc == pytest.approx(-45.0)
    assert found.part == "half-orders"
    (found,) = said(bursts=bursts(level))
    assert found.measured.burst_rms_dbc == pytest.approx(-45.0)


def test_rows_with_cut_tops_have_no_bursts_of_the_board() -> None:
    level = at(flags(30, 60), -40.0)
    assert said(bursts=bursts(level), cut=flags(30, 60)) == []
    assert [c.kind for c in said(half_orders=halves(level), cut=flags(30, 60))] == ["subharmonic"]


@pytest.mark.parametrize(
    ("cycle", "half"),
    [(0.0, "positive"), (0.19, "positive"), (0.21, None), (0.29, None), (0.31, "negative"), (0.5, "negative"),
     (0.69, "negative"), (0.71, None), (0.79, None), (0.81, "positive"), (0.99, "positive")],
)  # fmt: skip
def test_the_crest_on_which_a_burst_sits(cycle: float, half: str | None) -> None:
    (found,) = said(bursts=bursts(at(flags(30, 60), -40.0), cycle))
    assert (found.half, found.variant) == (half, "crest" if half else "plain")
    assert found.measured.burst_cycle == pytest.approx(cycle)


def test_a_burst_at_both_ends_of_the_cycle_sits_on_the_positive_crest() -> None:
    """0.95 and 0.05 are near each other: their mean is 0, not a half."""
    cycle = np.where(np.arange(N) % 2 == 0, 0.95, 0.05)
    (found,) = said(bursts=bursts(at(flags(30, 60), -40.0), cycle))
    assert found.half == "positive"


def test_the_frequency_of_a_burst_is_that_of_the_lines_or_of_the_high_harmonics() -> None:
    level = at(flags(30, 60), -40.0)
    spurs = plain_frames(N, f0_hz=FRAMES.f0_hz, spur_hz=13_100.0, high_hz=9000.0)
    assert said(frames=spurs, bursts=bursts(level))[0].measured.burst_hz == 13_100.0
    high = plain_frames(N, f0_hz=FRAMES.f0_hz, high_hz=9000.0)
    assert said(frames=high, bursts=bursts(level))[0].measured.burst_hz == 9000.0
    assert said(bursts=bursts(level))[0].measured.burst_hz is None


# Lines fixed in hertz, and beside the tone


def line(level_dbc: float = -40.0, of_the_recording: bool | None = None, frequency_hz: float = 5100.0) -> FixedLine:
    return FixedLine(
        frequency_hz=frequency_hz,
        time_s=np.array([0.0, 3.1]),
        level_dbfs=np.full(2, level_dbc - 12.0),
        level_dbc=level_dbc,
        of_the_recording=of_the_recording,
    )


@pytest.mark.parametrize(
    ("level", "severity"), [(-50.01, None), (-50.0, "attention"), (-30.01, "attention"), (-30.0, "fault")]
)
def test_a_fixed_line_by_its_level(level: float, severity: str | None) -> None:
    found = said(fixed_lines=(line(level),))
    assert [c.severity for c in found] == ([severity] if severity else [])
    if found:
        assert (found[0].kind, found[0].variant, found[0].part) == ("parasitic-oscillation", "line", "line-1")
        assert (found[0].measured.burst_hz, found[0].measured.burst_rms_dbc) == (5100.0, level)
        assert len(found[0].rows) == N


@pytest.mark.parametrize(
    ("own", "kind"), [(True, "unexplained"), (False, "parasitic-oscillation"), (None, "parasitic-oscillation")]
)
def test_a_line_that_is_there_in_silence_is_the_recordings(own: bool | None, kind: str) -> None:
    (found,) = said(fixed_lines=(line(-50.0, own),))
    assert (found.kind, found.severity, found.variant, found.part) == (kind, "attention", "line", "line-1")
    assert said(fixed_lines=(line(-50.01, own),)) == []


def test_the_strongest_line_of_the_board_is_told() -> None:
    found, beside_it = said(fixed_lines=(line(-35.0, True), line(-40.0, frequency_hz=7000.0), line(-45.0)))
    assert (found.part, found.measured.burst_hz) == ("line-2", 7000.0)
    assert (beside_it.part, beside_it.measured) == ("line-1", Unexplained(level_dbc=-35.0, line_hz=5100.0))


def test_a_line_is_told_in_rows_where_it_is_near_its_limit() -> None:
    """Within 3 dB of it, against the tone there; in fewer than 15 rows it is not told."""
    louder = FRAMES.level_dbfs + np.where(flags(0, 75), 14.0, 0.0)
    frames = plain_frames(N, f0_hz=FRAMES.f0_hz, level_dbfs=louder)
    one = FixedLine(
        frequency_hz=5100.0, time_s=np.array([0.0, 3.1]), level_dbfs=np.full(2, -52.0), level_dbc=-40.0,
        of_the_recording=None,
    )  # fmt: skip
    (found,) = said(frames=frames, fixed_lines=(one,))
    assert found.rows.tolist() == list(range(75, N))
    assert said(frames=frames, fixed_lines=(one,), judged=flags(0, 75) | flags(75, 14)) == []


def test_where_there_are_bursts_lines_are_not_told() -> None:
    found = said(bursts=bursts(at(flags(30, 60), -40.0)), fixed_lines=(line(),))
    assert [c.variant for c in found] == ["crest"]


def beside(depth: float, rate_hz: float = 24.0) -> Swing:
    return Swing(
        segment=segment(0.5, 1.5, 440.0), rate_hz=rate_hz, depth=depth, follows_pitch=1.0, one_sided=True, share=0.9
    )


@pytest.mark.parametrize(
    ("dbc", "severity"), [(-50.1, None), (-49.9, "attention"), (-30.1, "attention"), (-29.9, "fault")]
)
def test_a_line_beside_the_tone(dbc: float, severity: str | None) -> None:
    """It makes the level swing by as much as it is large."""
    found = said(swings=(beside(10 ** (dbc / 20)),))
    assert [c.severity for c in found] == ([severity] if severity else [])
    if found:
        assert (found[0].variant, found[0].part) == ("line", "line-beside-1")
        assert found[0].measured.burst_rms_dbc == pytest.approx(dbc)
        assert found[0].measured.burst_hz == 464.0
        times = FRAMES.time_s[found[0].rows]
        assert (times.min(), times.max()) == (pytest.approx(0.5, abs=0.021), pytest.approx(1.5, abs=0.021))


@pytest.mark.parametrize(("rests_s", "told"), [((1.0,), True), ((1.0, 0.9), True), ((1.0, 1.2), False)])
def test_a_line_beside_one_rest_of_several_may_be_a_note_of_the_room(rests_s: tuple[float, ...], told: bool) -> None:
    segments = tuple(segment(0.5, 0.5 + seconds, 440.0) for seconds in rests_s)
    assert bool(said(swings=(beside(0.01),), segments=segments)) is told
    # ... but not for a second and a half
    long = replace(beside(0.01), segment=segment(0.4, 1.95, 440.0))
    assert said(swings=(long,), segments=(*segments, segment(2.0, 6.0, 660.0)))


def test_a_line_beside_the_tone_is_not_told_where_nothing_is_judged() -> None:
    assert said(swings=(beside(0.05),), judged=~((FRAMES.time_s > 0.4) & (FRAMES.time_s < 1.6))) == []


# What nothing explains


@pytest.mark.parametrize(("is_note", "variant"), [(False, "line"), (True, "notes")])
def test_a_note_is_not_said_to_sound_in_the_silence(is_note: bool, variant: str) -> None:
    (found,) = said(fixed_lines=(replace(line(-45.0, of_the_recording=True), is_note=is_note),))
    assert (found.kind, found.severity, found.variant, found.part) == ("unexplained", "attention", variant, "line-1")


@pytest.mark.parametrize(("dbc", "told"), [(-50.1, False), (-49.9, True)])
def test_a_line_beside_the_tone_that_sounds_in_the_silence_is_the_recordings(dbc: float, told: bool) -> None:
    louder = replace(beside(10 ** (dbc / 20)), in_silence=True)
    found = said(swings=(replace(louder, depth=0.5 * louder.depth), louder))
    assert [(c.kind, c.severity, c.variant, c.part) for c in found] == (
        [("unexplained", "attention", "line", "line-beside-1")] if told else []
    )
    if told:
        assert found[0].measured.level_dbc == pytest.approx(dbc)
        times = FRAMES.time_s[found[0].rows]
        assert (times.min(), times.max()) == (pytest.approx(0.5, abs=0.021), pytest.approx(1.5, abs=0.021))
        assert said(swings=(louder,), judged=~((FRAMES.time_s > 0.4) & (FRAMES.time_s < 1.6))) == []


@pytest.mark.parametrize(("level_dbc", "found"), [(-40.1, 0), (-39.9, 1)])
@pytest.mark.parametrize(("rows", "enough"), [(14, False), (15, True)])
def test_what_no_part_explains(level_dbc: float, found: int, rows: int, enough: bool) -> None:
    power = np.where(flags(30, rows), 10 ** (level_dbc / 10), 0.0)
    candidates = said(unexplained=power)
    assert len(candidates) == (found if enough else 0)
    if candidates:
        assert (candidates[0].kind, candidates[0].severity, candidates[0].part) == ("unexplained", "attention", None)
        assert candidates[0].measured.level_dbc == pytest.approx(level_dbc)
    assert said(unexplained=power, judged=~flags(30, rows)) == []
    assert said(unexplained=power, cut=flags(30, rows)) == []


def test_all_kinds_at_once() -> None:
    account: dict[str, Any] = {
        "mains": mains([-40.0] * 20),
        "half_orders": halves(at(flags(10, 40), -40.0)),
        "bursts": bursts(at(flags(60, 40), -40.0)),
        "unexplained": np.full(N, 1e-3),
    }
    assert [c.kind for c in said(**account)] == ["mains-hum", "subharmonic", "parasitic-oscillation", "unexplained"]
    assert isinstance(account_of(FRAMES, **account), Account)
