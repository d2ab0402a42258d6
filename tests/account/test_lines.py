"""Lines fixed in hertz, lines at half orders and bursts, each of known frequency and size."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.cleaning import CleanedCapture
from listen.account.fixed_lines import FixedLine, find_fixed_lines, with_notes
from listen.account.mains import MainsLines, find_mains
from listen.account.mains_sidebands import find_sidebands
from listen.track.types import Envelope
from tests.accounts import plain_frames, tone_on_grid
from tests.tones import RATE_HZ, Take, frames_of, smooth_turn, times, white

SIZE = 0.3
QUIET = np.array([0.0, *[-200.0] * 10])
"""Levels of a pure tone's harmonics."""


def turn_with(added: np.ndarray | float, seconds: float = 2.0) -> tuple[Take, object]:
    """A turn from 200 to 900 Hz with rests of a second, something added, and its tone as it was made."""
    phase, f0_hz = smooth_turn(200.0, 900.0, seconds)
    x = SIZE * np.cos(2 * np.pi * phase) + added + white(len(phase), -95.0)
    t = times(len(phase) / RATE_HZ)
    grid = np.arange(0.0, t[-1], 0.005)
    return Take(samples=x), tone_on_grid(grid, np.interp(grid, t, f0_hz), np.log(SIZE), settled_log=float(np.log(SIZE)))


def hum(seconds: float, mains_hz: float, *sizes: float) -> np.ndarray:
    t = times(seconds)
    return sum(size * np.cos(2 * np.pi * mains_hz * k * t + 0.4 * k) for k, size in enumerate(sizes, start=1))


# Mains


@pytest.mark.parametrize("mains_hz", [50.0, 49.9, 60.0, 60.1])
def test_frequency_and_level_of_each_multiple(mains_hz: float) -> None:
    sizes = (0.003, 0.001, 0.0005)
    mains = find_mains(*turn_with(hum(4.0, mains_hz, *sizes)), 10, False)
    assert isinstance(mains, MainsLines)
    assert mains.mains_hz == pytest.approx(mains_hz, abs=0.02)
    found = np.median(np.abs(mains.amplitude), axis=0)
    np.testing.assert_allclose(found[:2], sizes[:2], rtol=0.02)
    assert np.abs(mains.amplitude[:, 3:]).max() == 0.0
    # r.s.s. of the three over the tone
    assert np.median(mains.level_dbc) == pytest.approx(20 * np.log10(np.hypot(*sizes[:2]) / SIZE), abs=0.3)
    assert mains.singing.all()


def test_high_multiples_of_brief_hum_are_its_own() -> None:
    """Two seconds of sixteen: what is usual of the low multiples in all of the take says nothing of their size."""
    t = times(16.0)
    x = SIZE * np.cos(2 * np.pi * 1_324.7 * t) + white(len(t), -95.0)
    sizes = (0.003, 0.002, 0.001, 0.001, 0.0008, 0.003, 0.002)
    x += np.where((t > 7.0) & (t < 9.0), hum(16.0, 50.015, *sizes), 0.0)
    grid = np.arange(0.0, 16.0, 0.005)
    mains = find_mains(Take(samples=x), tone_on_grid(grid, 1_324.7, np.log(SIZE)), 10, False)
    assert mains is not None
    inside = (mains.time_s > 7.5) & (mains.time_s < 8.5)
    np.testing.assert_allclose(np.median(np.abs(mains.amplitude[inside, :7]), axis=0), sizes, rtol=0.03)
    assert np.abs(mains.amplitude[mains.time_s < 6.0]).max() == 0.0


@pytest.mark.parametrize("half_orders", [True, False])
def test_half_orders_of_the_tone_at_a_multiple_are_its_own(half_orders: bool) -> None:
    """Alternate cycles of 299.4 Hz differ: the line at 149.7 Hz is half an order, not the third multiple of 50 Hz."""
    t = times(6.0)
    x = SIZE * np.cos(2 * np.pi * 299.4 * t) + 0.002 * np.cos(2 * np.pi * 149.7 * t) + white(len(t), -95.0)
    x += hum(6.0, 49.9, 0.003, 0.002)
    tone = tone_on_grid(np.arange(0.0, 6.0, 0.005), 299.4, np.log(SIZE))
    mains = find_mains(Take(samples=x), tone, 10, half_orders)
    assert mains is not None
    np.testing.assert_allclose(np.median(np.abs(mains.amplitude[:, :2]), axis=0), (0.003, 0.002), rtol=0.02)
    third = float(np.median(np.abs(mains.amplitude[:, 2])))
    assert third == pytest.approx(0.0 if half_orders else 0.002, rel=0.02)


def test_a_piece_of_the_tone_at_a_multiple_does_not_shift_the_mains() -> None:
    """A weak tone at 349 Hz that the guard misses passes for a seventh multiple, and turns otherwise."""
    t = times(6.0)
    x = hum(6.0, 50.0, 0.003, 0.012, 0.0016) + white(len(t), -95.0)
    x += 0.013 * np.cos(2 * np.pi * 349.0 * t) * ((t > 2.0) & (t < 3.6))
    mains = find_mains(Take(samples=x), None, 10, False)
    assert mains is not None
    assert mains.mains_hz == pytest.approx(50.0, abs=0.005)
    assert mains.lines_hz[0] == pytest.approx(50.0, abs=0.005)


@pytest.mark.parametrize("time_constant_s", [0.02, 0.06, 0.15])
def test_hum_is_held_against_the_tone_that_has_grown(time_constant_s: float) -> None:
    """Power on while it hums: in the windows that hold the start the tone is no smaller than it becomes."""
    t = times(4.0)
    growth = np.minimum((t - 2.0) / time_constant_s - 4.0, 0.0)
    x = SIZE * np.where(t > 2.0, np.exp(growth), 0.0) * np.cos(2 * np.pi * 387.0 * t)
    x += hum(4.0, 50.0, 1e-4, 6e-4, 1e-4, 6e-4) + white(len(t), -95.0)
    grid = np.arange(2.005, 4.0, 0.005)
    log = np.log(SIZE) + np.minimum((grid - 2.0) / time_constant_s - 4.0, 0.0)
    tone = tone_on_grid(grid, 387.0, log, strong=log > np.log(SIZE) - 3.0, settled_log=float(np.log(SIZE)))
    mains = find_mains(Take(samples=x), tone, 10, False)
    assert mains is not None
    assert np.median(mains.level_dbc) == pytest.approx(20 * np.log10(8.6e-4 / SIZE), abs=0.5)
    assert mains.level_dbc.max() < np.median(mains.level_dbc) + 1.0


def test_a_cleaned_capture_has_the_tone_alone() -> None:
    capture, tone = turn_with(hum(4.0, 50.0, 0.01, 0.003, 0.004, 0.002, 0.003))
    mains = find_mains(capture, tone, 10, False)
    assert mains is not None
    clean, _ = turn_with(0.0)
    inside = slice(round(0.5 * RATE_HZ), round(3.5 * RATE_HZ))
    rest = (CleanedCapture(capture, mains).read(0, len(clean.samples)) - clean.samples)[inside]
    before = (capture.samples - clean.samples)[inside]
    assert np.sqrt(np.mean(rest**2)) < 0.02 * np.sqrt(np.mean(before**2))


@pytest.mark.parametrize("hidden_hz", [250.0, 252.0])
def test_a_line_that_the_tone_hides_is_not_guessed(hidden_hz: float) -> None:
    """A tone that rests on the fifth multiple of 50 Hz: it is not taken for hum."""
    t = times(3.0)
    x = SIZE * np.cos(2 * np.pi * hidden_hz * t) + white(len(t), -95.0)
    grid = np.arange(0.0, 3.0, 0.005)
    assert find_mains(Take(samples=x), tone_on_grid(grid, hidden_hz, np.log(SIZE)), 10, False) is None


@pytest.mark.parametrize("rate_hz", [26.0, 50.0])
def test_sidebands_of_a_swing_are_no_hum(rate_hz: float) -> None:
    t = times(3.0)
    x = SIZE * (1 + 0.1 * np.cos(2 * np.pi * rate_hz * t)) * np.cos(2 * np.pi * 224.0 * t) + white(len(t), -95.0)
    grid = np.arange(0.0, 3.0, 0.005)
    mains = find_mains(Take(samples=x), tone_on_grid(grid, 224.0, np.log(SIZE)), 10, False)
    assert mains is None or not np.abs(mains.amplitude).any()


@pytest.mark.parametrize(("rest_hz", "tremor_hz"), [(112.0, 7.7), (111.2, 8.5), (111.2, 9.1)])
def test_a_trembling_hand_that_steps_near_a_multiple_is_no_hum(rest_hz: float, tremor_hz: float) -> None:
    """From 80 Hz with a tremor of 25 cents: its upper sideband lies at 120 Hz, its lower as far below."""
    t = times(4.0)
    f0 = 80.0 * 2 ** (np.clip((t - 1.5) / 0.3, 0.0, 1.0) * np.log2(rest_hz / 80.0))
    f0 *= 2 ** (25.0 / 1200 * np.cos(2 * np.pi * tremor_hz * t))
    x = SIZE * np.cos(2 * np.pi * np.cumsum(f0) / RATE_HZ) + white(len(t), -95.0)
    grid = np.arange(0.0, 4.0, 0.005)
    tone = tone_on_grid(grid, np.interp(grid, t, f0), np.full(len(grid), np.log(SIZE)))
    mains = find_mains(Take(samples=x), tone, 1, False)
    assert mains is None or mains.level_dbc.max() < -60.0


@pytest.mark.parametrize(("off", "heard"), [(0.004, True), (-0.004, True), (0.009, False), (-0.012, False)])
def test_mains_keeps_within_what_grids_do(off: float, heard: bool) -> None:
    mains = find_mains(*turn_with(hum(4.0, 50.0 * (1 + off), 0.003, 0.004, 0.003)), 10, False)
    assert (mains is not None and float(np.abs(mains.amplitude).max()) > 1e-3) is heard


def test_noise_alone_holds_no_mains() -> None:
    x = white(round(3 * RATE_HZ), -30.0, 8)
    assert find_mains(Take(samples=x), None, 10, False) is None


@pytest.mark.parametrize(("rate_hz", "mains_hz"), [(50.0, 50.0), (100.0, 50.0), (60.0, 60.0), (120.0, 60.0)])
def test_mains_that_modulates_the_level_has_two_sidebands(rate_hz: float, mains_hz: float) -> None:
    """1 + m cos: each sideband is m / 2 of the tone."""
    m, t = 0.02, times(3.0)
    x = SIZE * (1 + m * np.cos(2 * np.pi * rate_hz * t)) * np.cos(2 * np.pi * 997.0 * t) + white(len(t), -95.0)
    sides = find_sidebands(frames_of(x).envelope)
    assert sides is not None
    assert (sides.mains_hz, sides.rate_hz) == (mains_hz, rate_hz)
    assert sides.level_dbc == pytest.approx(20 * np.log10(m / 2), abs=1.0)


def test_a_still_level_has_no_mains_sidebands() -> None:
    t = np.arange(0.0, 3.0, 0.004)
    level = 0.3 * np.exp(1e-4 * np.random.default_rng(2).standard_normal(len(t)))
    still = Envelope(
        time_s=t, amplitude_fs=level, rms_amplitude_fs=level, f0_hz=np.full(len(t), 997.0), oscillating=t >= 0.0
    )
    sides = find_sidebands(still)
    assert sides is None or sides.level_dbc < -70.0


# Lines fixed in hertz


@pytest.mark.parametrize(("line_hz", "dbc"), [(13_131.0, -40.0), (5_110.0, -50.0)])
def test_frequency_and_level_of_a_fixed_line(line_hz: float, dbc: float) -> None:
    line = SIZE * 10 ** (dbc / 20) * np.cos(2 * np.pi * line_hz * times(4.0))
    found = find_fixed_lines(*turn_with(line), QUIET, False)
    assert len(found) == 1
    (only,) = found
    assert isinstance(only, FixedLine)
    assert only.frequency_hz == pytest.approx(line_hz, abs=2.0)
    assert only.level_dbc == pytest.approx(dbc, abs=0.5)
    assert only.of_the_recording is None
    frames = plain_frames(100, level_dbfs=20 * np.log10(SIZE))
    assert 10 * np.log10(np.median(only.power_over(frames, turn_with(0.0)[1]))) == pytest.approx(dbc, abs=0.7)


def test_a_line_between_half_orders_of_a_high_note_is_found() -> None:
    """At 14.6 kHz, between the sixth harmonic of 2.6 kHz and the half order below it."""
    phase, f0_hz = smooth_turn(233.6, 2_606.0, 3.0)
    t = times(len(phase) / RATE_HZ)
    line = SIZE * 10 ** (-41.0 / 20) * np.cos(2 * np.pi * 14_601.0 * t)
    halves = SIZE * 10 ** (-36.0 / 20) * np.cos(np.pi * phase + 0.4)
    x = SIZE * np.cos(2 * np.pi * phase) + halves + line + white(len(t), -95.0)
    grid = np.arange(0.0, t[-1], 0.005)
    tone = tone_on_grid(grid, np.interp(grid, t, f0_hz), np.log(SIZE), settled_log=float(np.log(SIZE)))
    (found,) = find_fixed_lines(Take(samples=x), tone, QUIET, True)
    assert found.frequency_hz == pytest.approx(14_601.0, abs=2.0)
    assert found.level_dbc == pytest.approx(-41.0, abs=0.5)


def test_a_line_over_a_low_note_that_wavers_is_found() -> None:
    """Its 137th harmonic would move over 600 Hz: what is strong up there, and stands still, is none."""
    t = times(5.0)
    cents = 20.0 * np.sin(2 * np.pi * 6.3 * t)
    f0_hz = 90.7 * 2 ** (cents / 1200)
    line = SIZE * 10 ** (-41.0 / 20) * np.cos(2 * np.pi * 12_468.0 * t)
    x = SIZE * np.cos(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ) + line + white(len(t), -95.0)
    grid = np.arange(0.0, 5.0, 0.005)
    tone = tone_on_grid(grid, np.interp(grid, t, f0_hz), np.log(SIZE), settled_log=float(np.log(SIZE)))
    levels = np.array([0.0, *[-90.0] * 9, -41.0])
    (found,) = find_fixed_lines(Take(samples=x), tone, levels, False)
    assert found.frequency_hz == pytest.approx(12_468.0, abs=2.0)


@pytest.mark.parametrize(("ripple_hz", "lines"), [(None, 2), (100.0, 0)])
def test_sidebands_of_mains_ripple_are_no_lines(ripple_hz: float | None, lines: int) -> None:
    """A level that moves by 2 % at 100 Hz: -40 dBc on each side of a tone that rests."""
    t = times(5.0)
    x = SIZE * (1 + 0.02 * np.cos(2 * np.pi * 100.0 * t)) * np.cos(2 * np.pi * 1812.5 * t) + white(len(t), -95.0)
    tone = tone_on_grid(np.arange(0.0, 5.0, 0.005), 1812.5, np.log(SIZE), settled_log=float(np.log(SIZE)))
    assert len(find_fixed_lines(Take(samples=x), tone, QUIET, False, None, ripple_hz)) == lines


@pytest.mark.parametrize(("h2_dbc", "lines"), [(-36.0, 0), (-200.0, 1)])
def test_an_offset_that_swings_with_the_level_is_no_line(h2_dbc: float, lines: int) -> None:
    """An even part of the wave has an offset of its own size; hunting at 30 Hz gives that a line, too."""
    levels = np.array([0.0, h2_dbc, *[-200.0] * 9])
    taken = turn_with(SIZE * 10 ** (-45.0 / 20) * np.cos(2 * np.pi * 30.0 * times(4.0)))
    assert len(find_fixed_lines(*taken, levels, False)) == lines


@pytest.mark.parametrize(("line_hz", "lines"), [(21_000.0, 1), (22_300.0, 0)])
def test_what_folds_at_the_converters_edge_is_no_line(line_hz: float, lines: int) -> None:
    """48 kHz: from 21.6 kHz on."""
    line = SIZE * 10 ** (-35.0 / 20) * np.cos(2 * np.pi * line_hz * times(4.0))
    assert len(find_fixed_lines(*turn_with(line), QUIET, False)) == lines


@pytest.mark.parametrize(("mains_hz", "lines"), [(None, 1), (60.0, 1), (50.0, 0)])
def test_a_line_near_a_multiple_is_the_mains_only_where_mains_is_heard(mains_hz: float | None, lines: int) -> None:
    line = SIZE * 10 ** (-35.0 / 20) * np.cos(2 * np.pi * 451.2 * times(4.0))
    found = find_fixed_lines(*turn_with(line), QUIET, False, mains_hz)
    assert [round(one.frequency_hz) for one in found] == [451] * lines


@pytest.mark.parametrize(("in_silence", "its_own"), [(1.0, True), (0.0, False)])
def test_a_line_in_the_silence_is_the_recordings(in_silence: float, its_own: bool) -> None:
    capture, tone = turn_with(0.0)
    t = times(4.0)
    silent = t < 1.0
    line = 0.003 * np.where(silent, in_silence, 1.0) * np.cos(2 * np.pi * 8_700.0 * t)
    x = np.where(silent, 0.0, capture.samples) + line + white(len(t), -95.0, 5)
    on = tone.time_s > 1.0
    tone = tone_on_grid(tone.time_s, tone.f0_hz, tone.log_level, tracked=on, strong=on)
    (found,) = find_fixed_lines(Take(samples=x), tone, QUIET, False)
    assert found.of_the_recording is its_own


def test_a_line_that_is_tracked_in_the_silence_is_the_recordings_too() -> None:
    """Before the supply is on, the tracker follows the line itself, 30 dB under the board's tone."""
    capture, tone = turn_with(0.0)
    t = times(4.0)
    x = np.where(t < 1.0, 0.0, capture.samples) + 0.01 * np.cos(2 * np.pi * 2_488.0 * t) + white(len(t), -95.0, 5)
    early = tone.time_s < 1.0
    tone = tone_on_grid(
        tone.time_s,
        np.where(early, 2_488.0, tone.f0_hz),
        np.where(early, np.log(0.01), tone.log_level),
        strong=~early,
        settled_log=float(np.log(SIZE)),
    )
    (found,) = find_fixed_lines(Take(samples=x), tone, QUIET, False)
    assert found.frequency_hz == pytest.approx(2_488.0, abs=1.0)
    assert found.of_the_recording is True


@pytest.mark.parametrize("added", [0.0, 0.02 * np.random.default_rng(6).standard_normal(round(4 * RATE_HZ))])
def test_harmonics_and_noise_are_no_fixed_line(added: np.ndarray | float) -> None:
    phase, _ = smooth_turn(200.0, 900.0, 2.0)
    own = sum(0.01 / k * np.cos(2 * np.pi * k * phase) for k in range(2, 10))
    levels = np.array([0.0, *(20 * np.log10(0.01 / k / SIZE) for k in range(2, 10)), -200.0, -200.0])
    assert find_fixed_lines(*turn_with(own + added), levels, False) == []


def test_a_line_that_shows_at_one_rest_of_several() -> None:
    """Of 100 Hz every multiple hides what is 10 Hz off; of 800 Hz, a fifth of the take, none is near."""
    t = times(8.0)
    f0 = np.where(t < 6.4, 100.0, 800.0)
    x = SIZE * np.cos(2 * np.pi * np.cumsum(f0) / RATE_HZ) + 0.01 * SIZE * np.cos(2 * np.pi * 9_310.0 * t)
    at_s = 0.005 * np.arange(1, 1600)
    tone = tone_on_grid(at_s, np.where(at_s < 6.4, 100.0, 800.0), np.full(len(at_s), float(np.log(SIZE))))
    found = find_fixed_lines(Take(samples=x + white(len(t), -95.0, 5)), tone, np.full(11, -45.0), False)
    assert [round(one.frequency_hz) for one in found] == [9_310]


@pytest.mark.parametrize("line_hz", [12_216.0, 12_218.0, 12_264.0])
def test_a_line_at_the_edge_of_what_a_harmonic_hides(line_hz: float) -> None:
    """The guard of 12 240 Hz, the 68th multiple, ends within the line's own lobe."""
    t = times(6.0)
    x = SIZE * np.cos(2 * np.pi * 180.0 * t) + 0.01 * SIZE * np.cos(2 * np.pi * line_hz * t) + white(len(t), -95.0, 5)
    at_s = 0.005 * np.arange(1, 1200)
    tone = tone_on_grid(at_s, 180.0, float(np.log(SIZE)))
    (found,) = find_fixed_lines(Take(samples=x), tone, np.full(11, -45.0), False)
    assert found.frequency_hz == pytest.approx(line_hz, abs=3.0)
    assert found.level_dbc == pytest.approx(-40.0, abs=1.0)


@pytest.mark.parametrize(("line_hz", "lines"), [(455.0, 1), (445.5, 1), (451.2, 0)])
def test_a_strong_line_off_a_multiple_is_no_mains(line_hz: float, lines: int) -> None:
    """It stands far over what lies beside it: its frequency is known to a tenth of a bin (5.9 Hz)."""
    line = SIZE * 10 ** (-35.0 / 20) * np.cos(2 * np.pi * line_hz * times(4.0))
    assert len(find_fixed_lines(*turn_with(line), QUIET, False, 50.0)) == lines


@pytest.mark.parametrize(("line_hz", "buzz", "lines"), [(1250.0, False, 1), (1250.0, True, 0), (1262.0, True, 1)])
def test_high_multiples_are_the_mains_where_it_buzzes(line_hz: float, buzz: bool, lines: int) -> None:
    """Above 700 Hz a hum has none that is worth a line, but for the comb of a dimmer."""
    line = SIZE * 10 ** (-35.0 / 20) * np.cos(2 * np.pi * line_hz * times(4.0))
    assert len(find_fixed_lines(*turn_with(line), QUIET, False, 50.0, buzz=buzz)) == lines


@pytest.mark.parametrize(("notes_hz", "of_the_room"), [((311.0, 392.0, 466.0), True), ((311.0, 622.0, 933.0), False)])
def test_notes_that_come_and_go_are_the_rooms(notes_hz: tuple[float, ...], of_the_room: bool) -> None:
    """Of three that are no harmonics of each other; one that comes and goes with its harmonics may be the board's."""
    t = times(4.0)
    there = (t % 1.0) < 0.55
    x = sum(SIZE * 10 ** (-44.0 / 20) * np.cos(2 * np.pi * hz * t) for hz in notes_hz) * there
    tone = tone_on_grid(np.arange(0.0, 4.0, 0.005), 1450.0, np.log(SIZE), settled_log=float(np.log(SIZE)))
    x = x + SIZE * np.cos(2 * np.pi * 1450.0 * t) + white(len(t), -95.0)
    found = find_fixed_lines(Take(samples=x), tone, QUIET, False)
    assert len(found) >= 3
    assert all((line.of_the_recording is True) == line.is_note == of_the_room for line in found)


@pytest.mark.parametrize(("share", "notes"), [(0.15, False), (0.25, True), (0.75, True), (0.85, False)])
def test_a_note_is_loud_and_faint_for_a_fifth_each(share: float, notes: bool) -> None:
    """Less is a knock that hides a line, or the end of one that goes on."""
    level = np.where(np.arange(100) < 100 * share, -40.0, -55.0)
    lines = [
        FixedLine(frequency_hz=hz, time_s=np.arange(100.0), level_dbfs=level, level_dbc=-40.0, of_the_recording=None)
        for hz in (311.0, 392.0, 466.0)
    ]
    assert [one.is_note for one in with_notes(lines, np.ones(100, dtype=bool))] == [notes] * 3
