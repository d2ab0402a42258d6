"""Where the control rests and how it came there: courses of the pitch made by hand, each limit on both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.steady import _retune, _stepped, _trimmed, steady_rows, steady_segments
from listen.account.tone import BoardTone
from tests.accounts import plain_frames, tone_on_grid

ROW_S = 0.02
T = 0.01 + 0.005 * np.arange(800)


def tone(cents: np.ndarray | float = 0.0) -> BoardTone:
    return tone_on_grid(T, 440.0 * 2 ** (np.broadcast_to(cents, len(T)) / 1200), np.log(0.25))


@pytest.mark.parametrize(
    ("cents", "ramp_rows", "rows", "stepped"),
    [(79.0, 1, 60, False), (81.0, 1, 60, True), (-81.0, 1, 60, True), (100.0, 11, 60, True), (100.0, 13, 60, False),
     (100.0, 1, 40, True), (100.0, 1, 37, False)],
)  # fmt: skip
def test_a_step_is_most_of_a_change_at_once(cents: float, ramp_rows: int, rows: int, stepped: bool) -> None:
    """80 cents between 0.3 s on both sides, seven tenths of it within 0.16 s."""
    course = cents * np.clip((np.arange(rows) - rows // 2) / ramp_rows, 0.0, 1.0)
    found = _stepped(course, ROW_S)
    assert bool(found.any()) is stepped
    if stepped:
        assert found[rows // 2]
        assert np.count_nonzero(found) < 22


@pytest.mark.parametrize(
    ("rms_cents", "rate_hz", "slope", "rests"),
    [
        (57.0, 3.0, 0.0, True),
        (63.0, 3.0, 0.0, False),
        (30.0, 1.6, 0.0, True),
        (30.0, 0.6, 0.0, False),
        (20.0, 3.0, 38.0, True),
        (20.0, 3.0, 48.0, False),
    ],
)
def test_a_pitch_that_wavers_rests(rms_cents: float, rate_hz: float, slope: float, rests: bool) -> None:
    """60 cents r.m.s., five turns round in two seconds, a trend of 30 cents a second and six tenths of its r.m.s."""
    t = ROW_S * np.arange(300)
    cents = np.sqrt(2.0) * rms_cents * np.sin(2 * np.pi * rate_hz * t) + slope * t
    frames = plain_frames(300, f0_hz=440.0 * 2 ** (cents / 1200))
    resting = sum(b - a for a, b in steady_rows(frames, np.ones(300, dtype=bool)))
    assert (resting > 280) if rests else (resting < 60)


@pytest.mark.parametrize(("rows", "rests"), [(19, False), (21, True)])
def test_a_rest_is_four_tenths_long(rows: int, rests: bool) -> None:
    own = np.abs(np.arange(100) - 50) <= rows // 2
    found = steady_rows(plain_frames(100), own)
    assert found == ([(50 - rows // 2, 51 + rows // 2)] if rests else [])
    assert steady_rows(plain_frames(2), np.ones(2, dtype=bool)) == []


def trimmed(off_cents: float, middle: np.ndarray | float = 0.0, n: int = 60) -> tuple[int, int]:
    """First and last row of a rest of which three rows at each end are off."""
    cents = np.array(np.broadcast_to(middle, n), dtype=float)
    cents[:3] = cents[-3:] = off_cents
    frames = plain_frames(100, f0_hz=440.0 * 2 ** (np.concatenate([np.zeros(20), cents, np.zeros(80 - n)]) / 1200))
    return _trimmed(frames, 20, 20 + n)


def test_the_ends_of_a_rest_that_leave_its_line_are_left_out() -> None:
    """1.5 cents; half as far again as the middle does, and four deviations of it."""
    assert (trimmed(1.4), trimmed(1.6)) == ((20, 79), (23, 76))
    to_and_fro = 2.0 * (-1.0) ** np.arange(60)
    assert trimmed(2.9, to_and_fro)[1] == 79
    assert trimmed(3.8, to_and_fro) == (23, 76)
    some = np.where(np.arange(60) % 4 == 0, 1.2, np.where(np.arange(60) % 4 == 2, -1.2, 0.0))
    assert trimmed(2.2, some) == (20, 79)
    assert trimmed(2.7, some) == (23, 76)
    assert trimmed(9.0, n=23) == (20, 42)
    assert trimmed(9.0, n=24) == (23, 40)


@pytest.mark.parametrize(
    ("cents", "seconds", "found"),
    [(59.0, 0.005, False), (62.0, 0.005, True), (200.0, 0.18, True), (200.0, 0.22, False)],
)
def test_a_quick_move_is_sixty_cents_in_six_hundredths(cents: float, seconds: float, found: bool) -> None:
    made = tone(-cents * np.clip((1.0 + seconds - T) / seconds, 0.0, 1.0))
    at_s = _retune(made, 1.0 + seconds + 0.05, 440.0)
    assert (at_s is not None) is found
    if found and seconds < 0.01:
        assert at_s == pytest.approx(1.0025, abs=0.006)


def test_when_a_quick_move_ended() -> None:
    """Where the pitch has come within a tenth of the way; within 0.35 s before the rest's first row."""
    course = np.where(T < 1.0, -1000.0, -1000.0 * np.exp(-(T - 1.0) / 0.03))
    assert _retune(tone(course), 1.2, 440.0) == pytest.approx(1.0 + 0.03 * np.log(10.0), abs=0.004)
    step = np.where(T < 1.0, -300.0, 0.0)
    assert _retune(tone(step), 1.33, 440.0) == pytest.approx(1.0, abs=0.006)
    assert _retune(tone(step), 1.37, 440.0) is None
    assert _retune(tone(), 1.0, 440.0) is None


def pieces(
    gone: tuple[float, float] | None = None,
    heard: tuple[float, float] | None = None,
    *,
    step: bool = False,
    goes_on: bool = True,
    started_s: float = 0.0,
) -> list[tuple[float, float, bool]]:
    """Pieces of a rest from 1.02 to 2 s: where they lie, and whether a quick move led to them."""
    frames = plain_frames(200, oscillating=(np.arange(200) < 100) | goes_on)
    flags = [np.zeros(len(T), dtype=bool) if at is None else (at[0] < T) & (at[1] > T) for at in (gone, heard)]
    made = tone(np.where(T < 1.0, -300.0, 0.0) if step else 0.0)
    found = steady_segments(frames, made, [(50, 100)], flags[0], flags[1], started_s)
    return [(round(s.start_s, 2), round(s.end_s, 2), s.retune_s is not None) for s in found]


def test_pieces_of_a_rest() -> None:
    """Its end may hold the beginning of the next turn, 0.15 s; pieces of 0.4 s or more count."""
    near = {"abs": 0.011}
    (whole,) = pieces()
    assert whole[:2] == pytest.approx((1.02, 1.85), **near)
    assert pieces(goes_on=False)[0][1] == pytest.approx(2.0, **near)
    assert len(pieces((1.44, 1.46))) == 1
    first, second = pieces((1.44, 1.46), goes_on=False)
    assert (first[1], second[0]) == (pytest.approx(1.44, **near), pytest.approx(1.46, **near))
    assert pieces((1.40, 1.42), goes_on=False)[0][0] == pytest.approx(1.42, **near)
    assert pieces(heard=(1.3, 1.5)) == []
    assert pieces(started_s=1.3)[0][0] == pytest.approx(1.3, **near)
    assert pieces(started_s=1.9) == []


def test_what_is_heard_right_after_a_quick_move_is_the_move() -> None:
    """For a quarter of a second; the move led to the first piece alone."""
    (one,) = pieces(heard=(1.0, 1.25), step=True)
    assert one == (pytest.approx(1.02, abs=0.011), pytest.approx(1.85, abs=0.011), True)
    (late,) = pieces(heard=(1.0, 1.25))
    assert late == (pytest.approx(1.25, abs=0.011), pytest.approx(1.85, abs=0.011), False)
    (cut,) = pieces(heard=(1.0, 1.34), step=True)
    assert cut[0] == pytest.approx(1.34, abs=0.011)
    assert not cut[2]
    assert [p[2] for p in pieces((1.44, 1.46), step=True, goes_on=False)] == [True, False]
    assert not pieces(step=True, started_s=1.01)[0][2]


@pytest.mark.parametrize(("unread_s", "read_before"), [(0.1, False), (0.0, False), (0.1, True)])
def test_a_low_note_is_read_some_cycles_after_the_move(unread_s: float, read_before: bool) -> None:
    """The move ended no sooner than two cycles before; where the tone was read in between, something else was there."""
    f0_hz, moved = 22.0, T < 1.0
    made = tone_on_grid(T, np.where(moved, 36.0, f0_hz), np.full(len(T), np.log(0.25)))
    unread = (T >= 1.0) & (T < 1.02 + unread_s)
    tracked = ~unread | (read_before & (np.abs(T - 1.06) < 0.01))
    made = replace(made, tracked=tracked, strong=made.strong & ~unread)
    frames = plain_frames(200, f0_hz=np.where(ROW_S * (1 + np.arange(200)) < 1.0, 36.0, f0_hz))
    none = np.zeros(len(T), dtype=bool)
    (found,) = steady_segments(frames, made, [(50, 150)], none, none, 0.1)
    if read_before:
        assert found.retune_s is None
    else:
        assert found.retune_s == pytest.approx(max(1.0, 1.02 + unread_s - 2.0 / f0_hz), abs=0.012)
        assert found.start_s == pytest.approx(1.02 + unread_s, abs=0.012)
