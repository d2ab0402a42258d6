"""How a tone begins and ends, from exponentials whose rates are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.start import _rise, find_start
from listen.account.stops import find_silences
from listen.account.tone import BoardTone
from tests.accounts import tone_on_grid
from tests.tones import RATE_HZ, Take, check_of, times, white

F0_HZ = 400.0
SIZE = 0.3


def played(envelope: np.ndarray, noise_dbfs: float = -90.0) -> tuple[Take, BoardTone]:
    """A tone with an envelope in a little noise, and its level on a grid of 5 ms as the tracker would follow it."""
    t = times(len(envelope) / RATE_HZ)
    x = SIZE * envelope * np.cos(2 * np.pi * F0_HZ * t) + white(len(t), noise_dbfs)
    grid = np.arange(0.0, t[-1], 0.005)
    level = np.log(np.maximum(SIZE * np.interp(grid, t, envelope), 1e-9))
    settled = float(np.log(SIZE))
    strong = level > settled - 22 * np.log(10) / 20
    tracked = level > np.log(1e-3)
    tone = tone_on_grid(grid, F0_HZ, level, strong=strong, tracked=tracked, settled_log=settled)
    return Take(samples=x), tone


@pytest.mark.parametrize("rise_s", [0.3, 0.8, 2.0])
def test_growth_from_one_to_ninety_per_cent(rise_s: float) -> None:
    """exp(s t): ln 90 / s from 1 % to 90 %."""
    rate = np.log(90.0) / rise_s
    t = times(2.5 + 1.7 * rise_s)
    at_s = 0.5 + 1.5 * rise_s
    envelope = np.where(t > 0.3, np.minimum(1.0, np.exp(rate * (t - at_s))), 0.0)
    start = find_start(*played(envelope))
    assert start.shown
    assert start.rise_s == pytest.approx(rise_s, rel=0.03)
    assert start.growth_per_s == pytest.approx(rate, rel=0.02)
    assert start.settled_s == pytest.approx(at_s + np.log(0.9) / rate, abs=0.02)
    assert start.cycles == pytest.approx(rise_s * F0_HZ, rel=0.03)
    assert start.f0_hz == F0_HZ


def test_growth_is_read_over_what_sounds_before_it() -> None:
    """A floor of 3 % of the settled level, but for the first value; the middle of the first quarter is the floor."""
    t = 0.005 * np.arange(300)
    level = np.minimum(np.maximum(np.exp(12.0 * (t - 1.2)), 0.03), 1.0)
    level[0] = 1e-4
    begin_s, settled_s, growth = _rise(t, level, 1.0, 0.0)
    assert growth == pytest.approx(12.0, rel=0.01)
    assert settled_s == pytest.approx(1.2 + np.log(0.9) / 12.0, abs=0.01)
    assert begin_s == pytest.approx(0.0, abs=0.001)


def test_a_tone_that_is_there_from_the_beginning_shows_no_start() -> None:
    assert not find_start(*played(np.ones(round(2 * RATE_HZ)))).shown


@pytest.mark.parametrize(("rate_per_s", "grown"), [(15.0, True), (2.0, False)])
def test_a_take_that_begins_while_the_tone_grows(rate_per_s: float, grown: bool) -> None:
    """From 30 % of its level: ln 3 / rate to 90 %."""
    t = times(3.0)
    start = find_start(*played(np.minimum(1.0, 0.3 * np.exp(rate_per_s * t))))
    assert not start.shown
    assert start.settled_s == (pytest.approx(np.log(3.0) / rate_per_s, abs=0.006) if grown else 0.0)


def test_an_overshoot_after_the_start_is_not_its_level() -> None:
    """30 % over for some tenths of a second: 90 % is of the level after it."""
    t = times(4.0)
    envelope = np.where(t > 0.5, np.minimum(1.0, np.exp(9.0 * (t - 1.0))), 0.0)
    envelope *= 1 + 0.3 * np.exp(-(((t - 1.1) / 0.15) ** 2)) * (t > 1.0)
    start = find_start(*played(envelope))
    assert start.growth_per_s == pytest.approx(9.0, rel=0.05)
    assert start.settled_s == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize(("turns_hz", "decay_s", "kinds"), [(0.8, 0.8, []), (0.0, 2.0, ["level-drift"])])
def test_a_ring_after_power_on_is_no_drift(turns_hz: float, decay_s: float, kinds: list[str]) -> None:
    """A lamp swings about its level after switch-on; without a turn, over seconds, a board warms up."""
    t = times(8.0)
    since = np.maximum(t - 1.2, 0.0)
    level_db = 4.0 * np.exp(-since / decay_s) * np.cos(2 * np.pi * turns_hz * since)
    grown = np.minimum(np.exp((t - 1.2) / 0.02), 1.0) * 10 ** (level_db / 20)
    x = 0.2 * grown * np.cos(2 * np.pi * 330.0 * t) + white(len(t), -90.0)
    assert [f.kind for f in check_of(x).findings if f.severity != "note"] == kinds


def gone(start_s: float, end_s: float, depth_db: float, seconds: float = 4.0) -> np.ndarray:
    t = times(seconds)
    low = (t > start_s) & (t < end_s)
    window = np.hanning(481) / 240.0
    return np.convolve(np.where(low, 10 ** (-depth_db / 20), 1.0), window, mode="same").clip(1e-9, None)


@pytest.mark.parametrize(("depth_db", "found"), [(14.0, False), (19.0, False), (21.5, True), (30.0, True)])
def test_a_dropout_is_twenty_decibels_deep(depth_db: float, found: bool) -> None:
    drops = find_silences(*played(gone(1.5, 1.9, depth_db)), 0.0, ()).dropouts
    assert bool(drops) is found
    if found:
        (drop,) = drops
        assert (drop.start_s, drop.end_s) == (pytest.approx(1.5, abs=0.02), pytest.approx(1.9, abs=0.02))
        assert drop.depth_db == pytest.approx(depth_db, abs=0.5)
        assert drop.comes_back
        assert (drop.f0_low_hz, drop.f0_high_hz) == (F0_HZ, F0_HZ)


def test_two_dropouts_near_each_other_are_told_once_each() -> None:
    """0.1 s apart: within the time that each is looked at again."""
    envelope = np.minimum(gone(2.0, 2.1, 60.0), gone(2.2, 2.26, 60.0))
    found = find_silences(*played(envelope), 0.1, ()).dropouts
    assert [round(d.start_s, 1) for d in found] == [2.0, 2.2]
    assert found[0].end_s == pytest.approx(2.1, abs=0.02)
    assert found[1].end_s == pytest.approx(2.26, abs=0.02)


@pytest.mark.parametrize("rate_per_s", [8.0, 25.0])
def test_decay_of_a_tone_that_dies_for_good(rate_per_s: float) -> None:
    t = times(4.0)
    take, tone = played(np.exp(-rate_per_s * np.maximum(t - 1.5, 0.0)))
    silences = find_silences(take, tone, 0.0, ())
    (drop,) = silences.dropouts
    assert not drop.comes_back
    assert drop.decay_per_s == pytest.approx(rate_per_s, rel=0.03)
    assert drop.falls_s == pytest.approx(1.5, abs=0.05)
    assert drop.start_s == pytest.approx(1.5 + 22 * np.log(10) / 20 / rate_per_s, abs=0.02)
    assert drop.end_s == pytest.approx(4.0, abs=0.01)
    assert silences.stop is None


def test_exact_zeros_are_the_recorders() -> None:
    take, tone = played(gone(1.5, 1.9, 200.0), noise_dbfs=-200.0)
    assert find_silences(take, tone, 0.0, ((1.5, 1.9),)).dropouts == ()
    assert len(find_silences(take, tone, 0.0, ()).dropouts) == 1


@pytest.mark.parametrize(("phone_db", "kinds"), [(-19.0, []), (-6.0, ["oscillation-dropout"])])
def test_a_telephone_after_power_off_is_no_tone_that_comes_back(phone_db: float, kinds: list[str]) -> None:
    """As pure, at another pitch, and fainter by more than 10 dB; what is as loud may be another range of the board."""
    t = times(4.0)
    board = np.where((t > 0.5) & (t < 3.6), 0.2 * np.cos(2 * np.pi * 475.0 * t), 0.0)
    phone = np.where(t > 3.7, 0.2 * 10 ** (phone_db / 20) * np.cos(2 * np.pi * 1066.0 * t), 0.0)
    found = check_of(board + phone + white(len(t), -90.0)).findings
    assert [one.kind for one in found if one.severity != "note"] == kinds


@pytest.mark.parametrize("back", [False, True])
def test_what_is_low_to_the_end_has_not_come_back(back: bool) -> None:
    """A rustle after power off at which the tracker found some place of a tone, at another pitch."""
    t = times(2.0)
    take, tone = played(np.where((t < 1.5) | (back & (t > 1.57)), 1.0, 1e-6))
    at = (tone.time_s > 1.565) & (tone.time_s < 1.575)
    again = np.where(at, np.log(0.2 * SIZE), tone.log_level) if not back else tone.log_level
    tone = replace(tone, strong=tone.strong | at, tracked=tone.tracked | at, log_level=again)
    assert [one.comes_back for one in find_silences(take, tone, 0.0, ()).dropouts] == ([True] if back else [])


@pytest.mark.parametrize("ring_hz", [71.5, 940.0])
def test_a_sound_right_after_power_off_is_none_of_the_tone(ring_hz: float) -> None:
    """It begins within the rows that a quick move may leave out, and goes on to the end."""
    t = times(4.0)
    board = np.where((t > 0.5) & (t < 3.66), 0.4 * np.cos(2 * np.pi * 296.5 * t), 0.0)
    ring = sum(0.02 * np.cos(2 * np.pi * k * ring_hz * t + k * k) / k for k in (1, 2, 3, 4, 5, 6))
    x = board + np.where(t > 3.71, ring, 0.0) + white(len(t), -90.0)
    assert [one.kind for one in check_of(x).findings if one.severity != "note"] == []


@pytest.mark.parametrize(("fade_s", "how"), [(0.6, "fade"), (0.1, "off")])
def test_the_end_of_a_take_is_no_dropout(fade_s: float, how: str) -> None:
    t = times(3.0)
    silences = find_silences(*played(np.clip((2.95 - t) / fade_s, 1e-6, 1.0)), 0.0, ())
    assert silences.dropouts == ()
    assert silences.stop is not None
    assert silences.stop.how == how
    assert silences.stop.start_s == pytest.approx(2.95 - fade_s, abs=0.15 * fade_s + 0.02)
