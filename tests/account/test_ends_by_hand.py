"""Starts, dropouts and ends, piece by piece: levels made by hand on a grid of 5 ms, each limit just passed and not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from listen.account.start import Start, _first_crossing, _growth, _rise, _settled, crossing_step_s, find_start
from listen.account.stops import (
    _candidates,
    _decay,
    _down_db,
    _fall_begins,
    _final,
    _grown_back,
    _is_cut,
    find_silences,
)
from listen.account.tone import BoardTone
from tests.accounts import tone_on_grid
from tests.tones import Take

DB = 20 / math.log(10)
GRID_S = 0.005


def tone_db(level_db: np.ndarray, f0_hz: float = 400.0, settled_db: float = 0.0) -> BoardTone:
    """A tone of some level, decibels, every 5 ms; NaN: it is not tracked. Strong within 22 dB of the settled level."""
    log = np.asarray(level_db) / DB
    tracked = np.isfinite(log)
    strong = tracked & (np.nan_to_num(log, nan=-99.0) > (settled_db - 22.0) / DB)
    time_s = GRID_S * np.arange(len(log))
    return tone_on_grid(time_s, f0_hz, log, tracked=tracked, strong=strong, settled_log=settled_db / DB)


def at(points_s: list[float], levels_db: list[float]) -> BoardTone:
    """A tone whose level runs straight between some points."""
    return tone_db(np.interp(GRID_S * np.arange(round(points_s[-1] / GRID_S) + 1), points_s, levels_db))


# Settled level


@pytest.mark.parametrize(
    ("rate_per_s", "after_s", "close"), [(0.08, 0.35, 0.003), (0.09, 20.0, 0.03)], ids=["stopped", "goes on"]
)
def test_growth_has_stopped_where_the_level_of_a_moment_later_is_no_larger(
    rate_per_s: float, after_s: float, close: float
) -> None:
    """Median of 0.2 to 0.5 s later: exp(0.35 rate), 1.028 and 1.032; else the largest of the next 20 s."""
    tone = tone_db(DB * rate_per_s * GRID_S * np.arange(6000))
    assert _settled(tone) == pytest.approx(math.exp(rate_per_s * after_s), rel=close)


def test_an_overshoot_counts_by_its_median_over_three_tenths() -> None:
    """exp(-t): the median of the first 0.3 s is exp(-0.15)."""
    assert _settled(tone_db(-DB * GRID_S * np.arange(400))) == pytest.approx(math.exp(-0.15), rel=0.005)


@pytest.mark.parametrize(("before", "settled"), [(0.15, 1.0), (0.25, 0.25)])
def test_under_a_fifth_of_the_largest_it_may_be_another_sound(before: float, settled: float) -> None:
    level = np.concatenate([np.full(200, before), np.ones(400)])
    assert _settled(tone_db(DB * np.log(level))) == pytest.approx(settled, rel=1e-3)


def test_without_a_strong_place_there_is_no_settled_level() -> None:
    tone = tone_db(np.full(200, -30.0))
    assert math.isnan(_settled(tone))
    assert find_start(Take(samples=np.zeros(48_000)), tone) == Start(shown=False)


def test_the_first_crossing_is_of_the_tone_itself() -> None:
    """A knock that is not tracked crosses nothing; nor does a level that is never reached."""
    tone = at([0.0, 1.0, 2.0], [-20.0, -20.0, 0.0])
    assert _first_crossing(tone, 10 ** (-10 / 20)) == pytest.approx(1.5, abs=0.01)
    assert _first_crossing(tone, 1.5) is None


# Growth


def test_the_rate_of_growth_is_read_between_two_and_forty_per_cent() -> None:
    """Piece by piece at other rates: the least-squares slope of those between."""
    t = 0.002 * np.arange(1500)
    marks = [0.001, 0.02, 0.03, 0.4, 0.6, 1.0]
    rates = [6.0, 20.0, 8.0, 2.0, 1.0]
    ends = np.concatenate([[0.0], np.cumsum(np.diff(np.log(marks)) / rates)])
    level = np.exp(np.interp(t, ends, np.log(marks)))
    between = (level > 0.02) & (level < 0.4)
    assert _growth(t, level, 1.0, 0.001) == pytest.approx(np.polyfit(t[between], np.log(level[between]), 1)[0])
    # what else sounds is left by a factor of two
    assert _growth(t, level, 1.0, 0.0155) == pytest.approx(8.0, rel=1e-3)
    assert _growth(t, level, 1.0, 0.19) is None
    late = np.exp(np.interp(t, [0.0, 1.0, 1.1, 2.0], np.log([0.1, 0.25, 0.4, 1.0])))
    over = (late > 0.2) & (late < 0.4)
    assert _growth(t, late, 1.0, 0.1) == pytest.approx(np.polyfit(t[over], np.log(late[over]), 1)[0])


def test_a_knock_before_the_growth_is_no_part_of_it() -> None:
    t = 0.005 * np.arange(400)
    level = np.minimum(np.exp(9.0 * (t - 1.5)), 1.0)
    knock = np.exp(-(((t - 0.2) / 0.05) ** 2)) * 0.3
    assert _growth(t, np.maximum(level, knock), 1.0, 1e-4) == pytest.approx(9.0, rel=1e-6)
    assert _growth(t, np.exp(-9.0 * t), 1.0, 1e-4) is None
    assert _growth(t[:4], np.full(4, 0.1), 1.0, 1e-4) is None


def test_a_rise_whose_beginning_is_hidden_is_carried_back() -> None:
    """From 90 % back by ln 90 over the rate, to the take's begin at the most; without a rate, from the first value."""
    t = 0.005 * np.arange(300)
    level = np.maximum(np.exp(12.0 * (t - 1.0)), 0.012)
    begin_s, settled_s, growth = _rise(t, np.minimum(level, 1.0), 1.0, 0.0)
    assert growth == pytest.approx(12.0, rel=0.01)
    assert settled_s == pytest.approx(1.0 + math.log(0.9) / 12.0, abs=0.006)
    assert begin_s == pytest.approx(settled_s - math.log(90.0) / 12.0, abs=0.01)
    assert _rise(t, np.minimum(level, 1.0), 1.0, 0.75)[0] == 0.75
    assert _rise(t, np.where(t < 1.0, 0.5, 1.0), 1.0, -1.0) == (0.0, 1.0, None)
    # a level that stays under 90 % ends with the last value
    assert _rise(t, np.full(300, 0.5), 1.0, 0.0)[1] == t[-1]
    # seen under 1 %, from there
    begin_s, *_ = _rise(t, np.minimum(np.exp(12.0 * (t - 1.0)), 1.0), 1.0, 0.0)
    assert begin_s == pytest.approx(1.0 - math.log(100.0) / 12.0, abs=0.006)


def test_a_rise_is_read_in_steps_of_a_quarter_window() -> None:
    """Eight cycles or 30 ms; three cycles where it takes less than 0.2 s."""
    for f0_hz, long_s, short_s in ((100.0, 0.08, 0.03), (1000.0, 0.03, 0.003)):
        slow = Start(shown=True, rise_s=0.21, f0_hz=f0_hz)
        assert crossing_step_s(slow) == pytest.approx(long_s / 4)
        assert crossing_step_s(Start(shown=True, rise_s=0.19, f0_hz=f0_hz)) == pytest.approx(short_s / 4)
    assert math.isnan(crossing_step_s(Start(shown=True)))


def sounding(tone: BoardTone, rate_hz: float = 8000.0, more_s: float = 0.0, f0_hz: float = 400.0) -> Take:
    """The samples of a tone that is tracked through all of its time, and silence after it."""
    t = np.arange(round((tone.time_s[-1] + more_s) * rate_hz)) / rate_hz
    level = np.exp(np.interp(t, tone.time_s, np.nan_to_num(tone.log_level, nan=-30.0))) * (t < tone.time_s[-1])
    return Take(samples=level * np.cos(2 * np.pi * f0_hz * t), true_rate_hz=rate_hz)


@pytest.mark.parametrize(("begins_at", "shown"), [(0.065, True), (0.115, False)])
def test_a_take_that_begins_over_a_tenth_of_the_level_does_not_show_the_start(begins_at: float, shown: bool) -> None:
    tone = tone_db(DB * np.minimum(math.log(begins_at) + 8.0 * GRID_S * np.arange(400), 0.0))
    found = find_start(sounding(tone), tone)
    assert found.shown is shown
    if not shown:
        assert found.settled_s == pytest.approx(-math.log(begins_at / 0.9) / 8.0, abs=0.02)


@pytest.mark.parametrize(("from_db", "grows"), [(-0.8, False), (-1.5, True)])
def test_a_level_that_is_nearly_there_does_not_grow(from_db: float, grows: bool) -> None:
    """Within 10 % of what it comes to, it is held: a tone at full swing."""
    tone = at([0.0, 0.25, 0.3, 2.0], [from_db, from_db, 0.0, 0.0])
    found = find_start(sounding(tone), tone)
    assert not found.shown
    assert (found.settled_s > 0.0) is grows


@pytest.mark.parametrize("rise_s", [0.08, 0.15, 0.24])
def test_a_quick_rise_is_read_with_a_short_window(rise_s: float) -> None:
    """3 cycles of 400 Hz; the rate is that of the exponential."""
    rate = math.log(90.0) / rise_s
    tone = tone_db(DB * np.clip(rate * (GRID_S * np.arange(500) - 1.2), -14.0, 0.0))
    found = find_start(sounding(tone), tone)
    assert found.rise_s == pytest.approx(rise_s, rel=0.05)
    assert found.growth_per_s == pytest.approx(rate, rel=0.05)


# Places without the tone


@pytest.mark.parametrize(
    ("down_db", "length_s", "found"), [(19.9, 0.2, 0), (20.1, 0.2, 1), (30.0, 0.02, 0), (30.0, 0.035, 1)]
)
def test_candidates_of_a_dropout(down_db: float, length_s: float, found: int) -> None:
    level = np.zeros(400)
    level[200 : 200 + round(length_s / GRID_S)] = -down_db
    places = _candidates(tone_db(level), 0.0, 1.99)
    assert len(places) == found
    level[200 : 200 + round(length_s / GRID_S)] = np.nan
    assert len(_candidates(tone_db(level), 0.0, 1.99)) == (length_s > 0.03)
    if found:
        assert places[0] == pytest.approx((1.0, 1.0 + length_s - GRID_S))
    # at the ends it is the take's beginning or end
    assert _candidates(tone_db(level), 1.0, 1.99) == []
    assert _candidates(tone_db(level), 0.0, 1.0 + length_s - GRID_S) == []
    assert _candidates(tone_db(level), 1.0, 1.005) == []


def test_a_place_is_held_against_the_loudest_within_four_tenths() -> None:
    level = np.zeros(800)
    level[200:600] = -25.0
    first, last = _candidates(tone_db(level), 0.0, 3.99)
    assert first == pytest.approx((1.0, 1.39), abs=0.011)
    assert last == pytest.approx((2.6, 2.995), abs=0.011)


@pytest.mark.parametrize(("db_per_s", "waits_s"), [(1.9, 0.0), (2.2, 0.545), (5.0, 0.8)])
def test_a_level_has_grown_back_where_it_rises_by_less_than_a_decibel(db_per_s: float, waits_s: float) -> None:
    """In the next half second; it rises for one second here."""
    tone = at([0.0, 1.0, 2.0, 4.0], [-db_per_s, -db_per_s, 0.0, 0.0])
    assert _grown_back(tone, 1.0) == pytest.approx(1.0 + waits_s, abs=0.011)


def test_growth_after_a_dropout_is_followed_for_four_seconds() -> None:
    tone = at([0.0, 6.0, 8.0], [-18.0, 0.0, 0.0])
    assert _grown_back(tone, 0.0) == pytest.approx(4.0 - 1.0 / 3.0, abs=0.02)
    assert _grown_back(tone_db(np.full(400, -30.0)), 1.0) == 1.0


def test_a_fall_begins_where_the_level_stays_a_decibel_under_what_it_was() -> None:
    """10 dB a second from 5.2 s on; what it was is a median over the last four seconds alone."""
    tone = at([0.0, 3.0, 3.01, 5.2, 7.0], [-3.0, -3.0, 0.0, 0.0, -18.0])
    assert _fall_begins(tone, 7.0) == pytest.approx(5.3, abs=0.011)
    assert _fall_begins(tone, 0.01) == 0.01
    # a dip that comes back is no beginning
    dip = at([0.0, 1.0, 1.1, 1.2, 3.0, 3.5], [0.0, 0.0, -6.0, 0.0, 0.0, -10.0])
    assert _fall_begins(dip, 3.5) == pytest.approx(3.05, abs=0.011)


def test_how_far_the_level_has_fallen_in_the_last_second() -> None:
    tone = at([0.0, 2.0, 2.005, 2.55, 3.0], [-3.0, -3.0, 0.0, 0.0, -8.0])
    assert _down_db(tone, 3.0) == pytest.approx(8.0, abs=0.05)


@pytest.mark.parametrize(("share", "cut"), [(0.49, False), (0.51, True)])
def test_exact_zeros_over_half_of_an_interval_are_a_cut(share: float, cut: bool) -> None:
    assert _is_cut(1.0, 2.0, ((1.2, 1.2 + share),)) is cut
    assert _is_cut(1.0, 2.0, ((0.0, 1.0 + 0.5 * share), (2.0 - 0.5 * share, 9.0))) is cut
    assert not _is_cut(1.0, 2.0, ((0.0, 1.0), (2.0, 3.0)))


def test_a_decay_is_the_slope_of_what_falls() -> None:
    t = 0.005 * np.arange(200)
    level = np.where(t < 0.5, 1.0, np.exp(-8.0 * (t - 0.5)))
    assert _decay(t, level) == pytest.approx(8.0, rel=1e-6)
    # from 70 % on: the shoulder above is rounder
    rounded = np.where(level > 0.72, level**0.5, level)
    assert _decay(t, rounded) == pytest.approx(8.0, rel=1e-6)
    assert _decay(t, level[::-1]) is None
    assert _decay(t[:5], level[-5:]) is None
    assert _decay(t, np.where(t < 0.98, 1.0, 0.1)) is None


def test_the_end_of_an_oscillation_is_held_against_the_second_before() -> None:
    """A tone that goes on 26 dB down where it is no longer followed."""
    level = np.concatenate([np.full(300, -6.0), np.zeros(200), np.full(200, np.nan)])
    tone = tone_db(level)
    t = np.arange(round(3.5 * 8000.0)) / 8000.0
    x = np.where(t < 2.5, np.where(t < 1.5, 0.5, 1.0), 0.05) * np.cos(2 * np.pi * 400.0 * t)
    found = _final(tone, Take(samples=x, true_rate_hz=8000.0), 2.495, 3.5)
    assert (found.start_s, found.end_s, found.comes_back) == (2.495, 3.5, False)
    assert found.depth_db == pytest.approx(26.0, abs=0.1)
    assert (found.f0_low_hz, found.f0_high_hz) == (400.0, 400.0)
    assert found.edge_sigma_s == pytest.approx(0.14 * 0.008)
    low = _final(tone_db(level, f0_hz=100.0), Take(samples=x, true_rate_hz=8000.0), 2.495, 3.5)
    assert low.edge_sigma_s == pytest.approx(0.14 * 0.03)


def ended(fall_s: float, fall_db: float, more_s: float) -> tuple[int, str | None]:
    """Dropouts, and how a tone stops, that falls so far in so long at 3 s and is then lost; the take goes on."""
    n = round(fall_s / GRID_S)
    falling = -fall_db * np.arange(1, n + 1) / max(n, 1)
    tone = tone_db(np.concatenate([np.zeros(600), falling, np.full(round(more_s / GRID_S), np.nan)]))
    known = np.nan_to_num(np.array(tone.log_level), nan=-30.0)
    t = np.arange(round(float(tone.time_s[-1] + GRID_S) * 8000.0)) / 8000.0
    x = np.exp(np.interp(t, tone.time_s, known)) * np.cos(2 * np.pi * 400.0 * t)
    found = find_silences(Take(samples=x, true_rate_hz=8000.0), tone, 0.0, ())
    return len(found.dropouts), found.stop.how if found.stop else None


@pytest.mark.parametrize(
    ("fall_s", "fall_db", "more_s", "dropouts", "how"),
    [
        (0.1, 15.0, 0.48, 0, "off"),
        (0.1, 15.0, 0.53, 1, None),
        (0.19, 15.0, 0.1, 0, "off"),
        (0.24, 15.0, 0.1, 0, "fade"),
        (0.24, 5.0, 0.0, 0, None),
        (0.24, 7.0, 0.0, 0, "fade"),
        (0.0, 0.0, 0.1, 0, "off"),
        (0.0, 0.0, 0.01, 0, None),
    ],
)
def test_how_a_tone_ends(fall_s: float, fall_db: float, more_s: float, dropouts: int, how: str | None) -> None:
    """Half a second of the take after it is a tone that died; a fall of 0.2 s is a fade; 6 dB are an end."""
    assert ended(fall_s, fall_db, more_s) == (dropouts, how)
