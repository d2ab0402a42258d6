"""Rules of the recording, on accounts and damage made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account.residual import RoomEvent
from listen.account.stops import Silences, Stop
from listen.capture.types import OverloadRuns
from listen.findings import load_limits
from listen.findings.rules_recording import recording_candidates
from tests.accounts import account_of, lost_samples, plain_frames, tone_of, whole_damage

LIMITS = load_limits(None, gain_control=None)
N = 150
FRAMES = plain_frames(N, f0_hz=np.geomspace(200.0, 800.0, N))
IDS = {name: name for name in ("tone", "overload", "lost", "stop", "before-1", "room-1")}


def said(damage: Any = None, limits: Any = LIMITS, **changes: Any) -> list[Any]:
    account = account_of(changes.pop("frames", FRAMES), ids=IDS, **changes)
    return recording_candidates(account, damage or whole_damage(), limits)


def test_nothing_is_said_of_a_healthy_recording() -> None:
    assert said() == []


def runs(positive: int, negative: int, level: float = 0.9999) -> OverloadRuns:
    n = positive + negative
    return OverloadRuns(
        start_sample=48_000 + 100 * np.arange(n),
        n_samples=np.full(n, 12, dtype=np.int32),
        sign=np.array([1] * positive + [-1] * negative, dtype=np.int8),
        positive_level_fs=level if positive else None,
        negative_level_fs=-level if negative else None,
    )


@pytest.mark.parametrize(
    ("positive", "negative", "severity", "half"),
    [
        (0, 0, None, None),
        (1, 0, "attention", "positive"),
        (0, 1, "attention", "negative"),
        (200, 199, "attention", "both"),
        (200, 200, "fault", "both"),
    ],
)
def test_tops_that_the_interface_cut(positive: int, negative: int, severity: str | None, half: str | None) -> None:
    cut = np.zeros(N, dtype=bool)
    cut[45:60] = True
    found = said(whole_damage(overload=runs(positive, negative)), cut=cut)
    assert [(c.kind, c.severity, c.half) for c in found] == (
        [("capture-overload", severity, half)] if severity else []
    )  # fmt: skip
    if found:
        assert (found[0].measured.positive_tops, found[0].measured.negative_tops) == (positive, negative)
        assert found[0].measured.tops == positive + negative
        assert found[0].start_s == 1.0
        assert found[0].end_s == pytest.approx((48_000 + 100 * (positive + negative - 1) + 12) / 48_000)
        assert found[0].rows.tolist() == list(range(45, 60))
        assert (found[0].f0_low_hz, found[0].part) == (pytest.approx(FRAMES.f0_hz[45]), "overload")


@pytest.mark.parametrize(("level", "variant"), [(0.986, "plain"), (0.984, "below"), (0.3, "below")])
def test_where_tops_are_cut(level: float, variant: str) -> None:
    (found,) = said(whole_damage(overload=runs(3, 0, level)))
    assert (found.variant, found.measured.ceiling_fs) == (variant, level)
    assert found.f0_low_hz is None


# Lost samples


def lost(samples: float = 33.0, **changes: Any) -> Any:
    values: dict[str, Any] = {"places": ((1.0, 1.001),), "samples": samples, "phase_jumps": 1, "kinds": ("skipped",)}
    return lost_samples(**(values | changes))


@pytest.mark.parametrize(
    ("samples", "severity"), [(0.99, None), (1.0, "attention"), (4799.0, "attention"), (4800.0, "fault")]
)
def test_lost_samples_by_their_number(samples: float, severity: str | None) -> None:
    assert [c.severity for c in said(lost_samples=lost(samples))] == ([severity] if severity else [])


def test_the_numbers_of_lost_samples() -> None:
    two = lost(57.4, places=((1.0, 1.001), (2.0, 2.01)), phase_jumps=1, kinds=("zeros", "skipped"))
    (found,) = said(lost_samples=two)
    assert (found.kind, found.variant, found.part) == ("capture-gap", "plain", "lost")
    numbers = found.measured
    assert (numbers.lost_samples, numbers.places, numbers.phase_jumps) == (57, 2, 1)
    assert numbers.kinds == "zeros, skipped"
    assert (found.start_s, found.end_s) == (1.0, 2.01)
    near = (FRAMES.time_s > 0.97) & (FRAMES.time_s < 2.04)
    assert (found.f0_low_hz, found.f0_high_hz) == (FRAMES.f0_hz[near].min(), FRAMES.f0_hz[near].max())


def test_a_gate_is_never_more_than_attention() -> None:
    gate = {"places": ((1.0, 1.5),), "kinds": ("zeros",), "phase_jumps": 0, "zeros": ((1.0, 1.5),)}
    (found,) = said(lost_samples=lost(24_000.0, **gate))
    assert (found.severity, found.variant) == ("attention", "gate")
    more = gate | {"places": ((1.0, 1.5), (2.0, 2.001))}
    (found,) = said(lost_samples=lost(24_000.0, **more))
    assert (found.severity, found.variant) == ("fault", "plain")


def test_a_file_that_is_cut_short_is_told_as_such() -> None:
    end = {"places": ((3.0, 3.0),), "kinds": ("cut short",), "phase_jumps": 0, "missing_at_end": 900}
    assert [c.variant for c in said(lost_samples=lost(900.0, **end))] == ["short"]
    more = end | {"places": ((1.0, 1.1), (3.0, 3.0))}
    assert [c.variant for c in said(lost_samples=lost(900.0, **more))] == ["plain"]


# Level, band, offset


@pytest.mark.parametrize(
    ("level_dbfs", "severity"), [(-49.9, None), (-50.1, "attention"), (-69.9, "attention"), (-70.1, "fault")]
)
def test_a_take_that_is_too_quiet(level_dbfs: float, severity: str | None) -> None:
    frames = plain_frames(N, f0_hz=FRAMES.f0_hz, level_dbfs=level_dbfs)
    found = said(frames=frames)
    assert [(c.kind, c.severity) for c in found] == ([("capture-quiet", severity)] if severity else [])
    if found:
        assert found[0].measured.level_dbfs == pytest.approx(level_dbfs)
        assert (found[0].start_s, found[0].end_s) == (frames.time_s[0], frames.time_s[-1])
        assert found[0].part == "tone"


def test_the_level_is_that_of_the_boards_own_rows() -> None:
    rows = np.arange(N) < 40
    level = np.where(rows, -60.0, -10.0)
    frames = plain_frames(N, f0_hz=FRAMES.f0_hz, level_dbfs=level)
    tone = tone_of(frames)
    (found,) = said(frames=frames, tone=replace(tone, rows=rows))
    assert found.end_s == frames.time_s[39]
    assert said(frames=frames, tone=replace(tone, rows=np.zeros(N, dtype=bool))) == []
    assert said(frames=frames, tone=None) == []


@pytest.mark.parametrize(("count", "found"), [(3, 0), (2, 1)])
def test_a_band_without_the_third_harmonic_is_a_note(count: int, found: int) -> None:
    counts = np.full(N, 10)
    counts[100:] = count
    candidates = said(frames=plain_frames(N, f0_hz=FRAMES.f0_hz, harmonic_count=counts))
    assert [(c.kind, c.severity) for c in candidates] == [("capture-bandwidth", "note")] * found
    if candidates:
        assert candidates[0].measured.third_harmonic_to_hz == pytest.approx(7200.0)
        assert candidates[0].rows.tolist() == list(range(100, N))
        assert candidates[0].start_s == FRAMES.time_s[100]


@pytest.mark.parametrize(("dc_fs", "found"), [(0.0499, 0), (0.05, 1), (-0.0499, 0), (-0.05, 1)])
def test_an_offset_is_a_note(dc_fs: float, found: int) -> None:
    candidates = said(whole_damage(dc_fs=dc_fs))
    assert [(c.kind, c.severity) for c in candidates] == [("capture-offset", "note")] * found
    assert [c.measured.dc_fs for c in candidates] == [dc_fs] * found


def test_a_take_without_frames_has_no_offset() -> None:
    empty = plain_frames(0)
    account = account_of(empty, tone=None)
    assert recording_candidates(account, whole_damage(dc_fs=0.5), LIMITS) == []


# Stop and room


@pytest.mark.parametrize("how", ["off", "fade"])
def test_the_end_of_the_tone_is_a_note_with_the_time_that_leaves_it_out(how: Any) -> None:
    stop = Stop(start_s=2.512, end_s=2.6, how=how)
    (found,) = said(silences=Silences(dropouts=(), stop=stop))
    assert (found.kind, found.severity, found.variant, found.part) == ("switched-off", "note", how, "stop")
    assert found.measured.start_s == 2.41
    assert (found.start_s, found.end_s) == (2.512, 2.6)


def test_a_stop_at_the_very_beginning_has_a_time_of_its_own() -> None:
    (found,) = said(silences=Silences(dropouts=(), stop=Stop(start_s=0.05, end_s=0.1, how="off")))
    assert found.measured.start_s == 0.0


def test_sounds_before_the_tone_and_under_it_are_notes() -> None:
    tone = tone_of(FRAMES)
    room = replace(tone, room=((0.1, 0.3), (0.5, 0.6)), strong=tone.time_s > 0.6)
    (found,) = said(tone=room)
    assert (found.kind, found.severity, found.variant, found.part) == ("room-sound", "note", "before", "before-1")
    assert (found.start_s, found.end_s, found.measured.seconds) == (0.1, 0.6, pytest.approx(0.3))
    assert found.measured.level_dbc is None
    events = tuple(RoomEvent(start_s=a, end_s=a + 0.1, level_dbc=dbc) for a, dbc in ((1.0, -40.0), (2.0, -30.0)))
    (found,) = said(events=events)
    assert (found.variant, found.part, found.measured.level_dbc) == ("under", "room-1", -30.0)
    assert (found.start_s, found.end_s, found.measured.seconds) == (1.0, 2.1, pytest.approx(0.2))
    assert [c.variant for c in said(tone=room, events=events)] == ["before", "under"]


@pytest.mark.parametrize(
    ("room", "when"),
    [(((0.1, 0.3),), "before"), (((1.45, 1.6),), "after"), (((0.1, 0.3), (1.6, 1.9)), "around")],
)
def test_sounds_after_the_tone_are_told_from_those_before(room: tuple[tuple[float, float], ...], when: str) -> None:
    strong = (tone_of(FRAMES).time_s > 0.4) & (tone_of(FRAMES).time_s < 1.5)
    (found,) = said(tone=replace(tone_of(FRAMES), room=room, strong=strong))
    assert (found.kind, found.variant) == ("room-sound", when)
