"""What is judged row by row: events, bursts, losses, pieces of tone; on frames made by hand, each limit both ways."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account.events_rows import (
    barred,
    calm_rows,
    edge_residual,
    has_edges,
    level_change_residual,
    overloaded,
    quiet_places,
    rows_near,
    without_hunting,
)
from listen.account.half_orders import HalfOrders
from listen.account.lost_samples import find_lost_samples, missing_sample_steps
from listen.account.modulation import Swing
from listen.account.residual import RoomEvent, find_events, unexplained_power
from listen.account.settled_level import near_dead_spots
from listen.account.start import Start
from listen.account.stops import Dropout, Silences, Stop
from listen.account.swings_and_rings import _at_half_pitch
from listen.account.tone import ToneSegment, _foreign, is_another_pitch
from listen.capture.types import LostRuns, OverloadRuns
from listen.track import PhaseStep
from tests.accounts import account_of, lost_samples, plain_frames, segment, tone_of, tone_on_grid, whole_damage
from tests.takes.analytic_waves import WaveTake
from tests.takes.wave_takes import checked

FRAMES = plain_frames(200)
ALL = np.ones(200, dtype=bool)


def times_of(rows: np.ndarray) -> tuple[float, float]:
    """First and last time of some rows of 20 ms."""
    at = FRAMES.time_s[rows]
    return round(float(at[0]), 2), round(float(at[-1]), 2)


# What events touch


def test_rows_near_places() -> None:
    assert times_of(rows_near(FRAMES.time_s, [(1.0, 1.1)], 0.05, 0.15)) == (0.96, 1.24)
    assert not rows_near(FRAMES.time_s, [], 0.05, 0.15).any()


def test_rows_whose_frames_hold_a_clipped_top() -> None:
    """Half a frame of 40 ms and half the way to the next row on both sides."""
    runs = OverloadRuns(
        start_sample=np.array([48_000, 72_000]),
        n_samples=np.array([12, 4800], dtype=np.int32),
        sign=np.array([1, -1], dtype=np.int8),
        positive_level_fs=0.99,
        negative_level_fs=-0.99,
    )
    cut = overloaded(FRAMES, whole_damage(overload=runs))
    assert FRAMES.time_s[cut].round(2).tolist() == [0.98, 1.0, 1.02, 1.48, 1.5, 1.52, 1.54, 1.56, 1.58, 1.6, 1.62]
    assert not overloaded(FRAMES, whole_damage()).any()


def gone(start_s: float, falls_s: float, settled_s: float, **changes: Any) -> Dropout:
    values: dict[str, Any] = {"depth_db": 30.0, "comes_back": True, "decay_per_s": None}
    values |= {"f0_low_hz": 400.0, "f0_high_hz": 400.0, "end_s": settled_s - 0.1}
    return Dropout(start_s=start_s, falls_s=falls_s, settled_s=settled_s, **(values | changes))


def test_intervals_without_the_tone() -> None:
    drops = (gone(1.0, 1.02, 1.5), gone(2.0, 2.2, 2.5))
    zeros = lost_samples(zeros=((3.0, 3.1),))
    assert quiet_places(Silences(dropouts=drops, stop=None), zeros) == (
        (pytest.approx(0.97), 1.5),
        (2.0, 2.5),
        (3.0, 3.1),
    )
    stop = Stop(start_s=4.0, end_s=4.2, how="off")
    assert quiet_places(Silences(dropouts=(), stop=stop), lost_samples()) == ((4.0, np.inf),)


def test_calm_rows_keep_away_from_starts_silences_losses_and_edges() -> None:
    label = np.where(np.arange(200) < 150, 0, 1)
    frames = plain_frames(200, segment=label)
    lost = lost_samples(places=((3.4, 3.401),))
    start = Start(shown=True, settled_s=0.5)
    calm = calm_rows(frames, tone_of(frames), start, ((1.5, 1.7),), lost)
    runs = np.split(np.flatnonzero(calm), np.flatnonzero(np.diff(np.flatnonzero(calm)) > 1) + 1)
    assert [times_of(run) for run in runs] == [(0.66, 1.18), (2.02, 2.94), (3.08, 3.36), (3.44, 3.94)]
    calm = calm_rows(frames, tone_of(frames), Start(shown=False), (), lost_samples())
    assert times_of(calm) == (0.08, 3.94)
    assert np.count_nonzero(~calm) == 12


def test_places_of_the_grid_that_are_barred() -> None:
    tone = tone_on_grid(0.005 * np.arange(1000), 440.0, np.log(0.3))
    lost = lost_samples(places=((1.0, 1.001),))
    away, disturbed = barred(tone, ((3.0, 3.2),), lost, [RoomEvent(start_s=2.0, end_s=2.1, level_dbc=-20.0)])
    first, second = np.split(tone.time_s[away], np.flatnonzero(np.diff(np.flatnonzero(away)) > 1) + 1)
    assert (first[0], first[-1]) == (pytest.approx(0.97, abs=0.006), pytest.approx(1.03, abs=0.006))
    assert (second[0], second[-1]) == (pytest.approx(2.85, abs=0.006), pytest.approx(3.45, abs=0.006))
    there = tone.time_s[disturbed]
    assert (there[0], there[-1]) == (pytest.approx(1.96, abs=0.006), pytest.approx(2.14, abs=0.006))


def test_a_level_that_runs_straight_leaves_most_of_its_variance_twice() -> None:
    """A frame of 40 ms with a fifth more; rows without a length of frame count as such."""
    grid = 0.01 + 0.005 * np.arange(800)
    level = 0.1 + 0.1 * grid
    for frame_s in (0.04, np.nan):
        moved = level_change_residual(plain_frames(200, frame_s=frame_s), tone_on_grid(grid, 440.0, np.log(level)))
        near = np.abs(grid - 2.0) < 0.0251
        assert 1.4 < moved[99] / (np.var(level[near]) / np.mean(level[near]) ** 2) < 2.0
    assert (level_change_residual(plain_frames(200), tone_on_grid(grid, 440.0, np.full(800, -2.0))) < 1e-12).all()


@pytest.mark.parametrize(("high_dbc", "edges"), [(-21.0, False), (-19.0, True), (np.nan, False)])
def test_a_wave_with_jumps_has_much_above_the_tenth_harmonic(high_dbc: float, edges: bool) -> None:
    frames = plain_frames(50, high_dbc=high_dbc)
    assert has_edges(frames, tone_of(frames)) is edges


def sawtooth(octaves_per_s: float, f0_hz: float = 200.0) -> Any:
    """Rows of a sawtooth: harmonic k is 1 / k of the first; what lies above the tenth by its series."""
    n = 101
    pitch = f0_hz * 2 ** (octaves_per_s * 0.02 * (np.arange(n) - 50))
    count = np.floor(0.45 * 48_000 / pitch).astype(int)
    high = [10 * np.log10(np.sum(1.0 / np.arange(11, max(k, 11) + 1) ** 2)) for k in count]
    width = plain_frames(2).harmonics_dbc.shape[1]
    levels = np.broadcast_to(-20 * np.log10(np.arange(2, width + 2)), (n, width))
    return plain_frames(n, f0_hz=pitch, high_dbc=np.array(high), harmonics_dbc=levels, harmonic_count=count)


@pytest.mark.parametrize("octaves_per_s", [0.0, 1.0, 2.5])
def test_what_edges_leave_while_the_pitch_moves(octaves_per_s: float) -> None:
    """A phase off by d cycles moves harmonic k by 2 pi k d: of 1 / k each the same, K of them.

    d is 5e-3 of the octaves that a frame of 40 ms moves over, and 4e-5 at rest; beside it the lines between 0.45 and
    half of the rate, K / 9 of them, of which a tenth is left where the frame moves over an eighth of an octave.
    """
    made = sawtooth(octaves_per_s)
    moved, count = 0.04 * octaves_per_s, 0.45 * 48_000 / 200.0
    turned = (2 * np.pi) ** 2 * ((5e-3 * moved) ** 2 + 4e-5**2) * count
    passing = 0.1 * 0.11 * count * max(min(moved / 0.12, 1.0), 0.1) / count**2
    assert edge_residual(made)[50] == pytest.approx(turned + passing, rel=0.12)
    assert (edge_residual(plain_frames(2)) == 0.0).all()


@pytest.mark.parametrize(("f0_hz", "single"), [(30.0, True), (55.0, True), (65.0, False)])
def test_of_the_only_edge_in_a_row_all_that_is_above_the_band_may_be_left(f0_hz: float, single: bool) -> None:
    """Rows of 20 ms: K / 9 lines of 1 / k of their orders, between 0.45 and half of the rate."""
    count = 0.45 * 48_000 / f0_hz
    turned = (2 * np.pi * 4e-5) ** 2 * count
    above = 0.11 * count / count**2
    assert edge_residual(sawtooth(0.0, f0_hz))[50] == pytest.approx(
        turned + (above if single else 0.01 * above), rel=0.05
    )


@pytest.mark.parametrize(
    ("f0_hz", "wave"), [(38.95, "sawtooth"), (30.3, "sawtooth"), (52.6, "sawtooth"), (38.95, "square")]
)
def test_edges_of_a_low_note_are_no_sound_of_the_room(f0_hz: float, wave: str) -> None:
    take = WaveTake(wave=wave, low_hz=f0_hz, high_hz=f0_hz, seconds=2.0, snr_db=90.0, reset_s=1e-6, corner_s=0.0)
    assert not checked(take, True, 1).findings


def test_of_few_harmonics_the_last_that_fit_count() -> None:
    """A pulse at 3 kHz has seven: the largest of its last five passes the band's edge, one line at the least."""
    width = plain_frames(2).harmonics_dbc.shape[1]
    levels = np.full((20, width), -200.0)
    levels[:, 4] = -6.0
    made = plain_frames(20, f0_hz=3000.0, harmonics_dbc=levels, harmonic_count=7, high_dbc=-200.0)
    turned = (2 * np.pi * 4e-5) ** 2 * 36 * 10**-0.6
    assert edge_residual(made)[10] == pytest.approx(turned + 0.1 * 0.1 * 10**-0.6, rel=0.01)
    levels[:, 4], levels[:, 0] = -200.0, -6.0
    made = plain_frames(20, f0_hz=3000.0, harmonics_dbc=levels, harmonic_count=7, high_dbc=-200.0)
    assert edge_residual(made)[10] < 1e-6


@pytest.mark.parametrize(("rates_hz", "width"), [((), 9), ((30.0,), 9), ((3.0, 5.0), 25), ((2.0,), 37)])
def test_a_level_is_averaged_over_a_turn_and_a_half_of_hunting(rates_hz: tuple[float, ...], width: int) -> None:
    """... of the slowest, and over nine rows at the least; within a piece of tone."""
    made = [
        Swing(segment=segment(), rate_hz=rate, depth=0.1, follows_pitch=0.0, one_sided=False, share=0.9)
        for rate in rates_hz
    ]
    level = np.zeros(200)
    level[100] = 1.0
    smooth = without_hunting(FRAMES, level, ALL, made)
    assert np.count_nonzero(smooth > 1e-9) == width
    assert smooth[100] == pytest.approx(1.0 / width)
    rows = np.arange(200) != 102
    short = without_hunting(FRAMES, level, rows, made)
    assert short[100] == pytest.approx(1.0 / (width // 2 + 2))
    assert np.isnan(short[102])
    assert short[103] == 0.0


# Power that nothing explains, and events


def test_what_is_left_over_noise_and_parts() -> None:
    """Twice the quietest quarter's is noise; what parts explain is taken off; rows that are no tone's have none."""
    residual_dbc = np.where(np.arange(200) < 60, -70.0, np.where(np.arange(200) < 100, -60.0, -40.0))
    frames = plain_frames(200, residual_dbc=residual_dbc)
    left = unexplained_power(frames, ALL, np.full(200, 3e-5))
    assert left[:100] == pytest.approx(0.0)
    assert left[100:] == pytest.approx(1e-4 - 3e-5 - 2e-7)
    assert unexplained_power(frames, np.arange(200) < 150, np.zeros(200))[150:] == pytest.approx(0.0)
    assert unexplained_power(frames, np.arange(200) > 196, np.zeros(200)) == pytest.approx(0.0)
    assert unexplained_power(frames, np.arange(200) > 194, np.zeros(200))[199] == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("event_dbc", "usual", "rows", "found"),
    [
        (-51.2, 0.0, 10, False),
        (-50.8, 0.0, 10, True),
        (-40.0, 2.6e-5, 10, False),
        (-40.0, 2.4e-5, 10, True),
        (-40.0, 0.0, 85, True),
        (-40.0, 0.0, 95, False),
    ],
    ids=["faint", "loud", "under 6 dB", "over 6 dB", "56 % of 3 s", "63 % of 3 s"],
)
def test_an_event_stands_out_for_a_short_time(event_dbc: float, usual: float, rows: int, found: bool) -> None:
    power = np.full(200, usual)
    first = 100 - rows // 2
    power[first : first + rows] = 10 ** (event_dbc / 10)
    events, touched = find_events(FRAMES, ALL, power)
    assert touched[100] == found
    if found and rows == 10:
        (event,) = events
        assert (event.start_s, event.end_s) == (pytest.approx(1.91), pytest.approx(2.11))
        assert event.level_dbc == pytest.approx(event_dbc)
        assert times_of(touched) == (1.86, 2.16)
    assert find_events(FRAMES, ALL & (power == usual), power)[0] == []


# Losses


@pytest.mark.parametrize(("falls_db", "missing"), [(5.9, 1), (6.1, 0)])
def test_a_step_of_the_phase_at_a_dying_tone_is_no_loss(falls_db: float, missing: int) -> None:
    level = np.where(np.arange(200) < 100, -12.0, -12.0 - falls_db)
    step = PhaseStep(time_s=2.0, cycles=0.2, missing_samples=0.4)
    frames = plain_frames(200, level_dbfs=level, phase_steps=(step,))
    assert len(missing_sample_steps(frames, None)) == missing
    found = find_lost_samples(frames, whole_damage(), 4.0, None)
    assert (found.phase_jumps, found.samples) == (missing, missing)
    assert found.places == (((2.0, 2.0 + 1 / 48_000),) if missing else ())
    assert found.kinds == (("skipped",) if missing else ())
    assert find_lost_samples(frames, whole_damage(), 4.0, None, one_tone=False).phase_jumps == 0
    # two rows and a half from the break it is none of the break's
    before = PhaseStep(time_s=1.955, cycles=0.2, missing_samples=0.4)
    assert len(missing_sample_steps(plain_frames(200, level_dbfs=level, phase_steps=(before,)), None)) == 1
    rising = plain_frames(200, level_dbfs=level[::-1], phase_steps=(step,))
    assert len(missing_sample_steps(rising, None)) == missing


@pytest.mark.parametrize(("first_row", "missing"), [(90, 1), (101, 1), (102, 0)])
def test_a_step_in_a_sound_before_the_tone_is_no_loss(first_row: int, missing: int) -> None:
    """A chair squeaks, and a key is struck in it."""
    frames = plain_frames(200, phase_steps=(PhaseStep(time_s=2.0, cycles=0.2, missing_samples=0.4),))
    tone = replace(tone_of(frames), rows=np.arange(200) >= first_row)
    assert len(missing_sample_steps(frames, tone)) == missing


@pytest.mark.parametrize(("n", "gated"), [(2399, False), (2401, True)])
def test_zeros_of_a_twentieth_of_a_second_are_a_gates(n: int, gated: bool) -> None:
    runs = LostRuns(start_sample=np.array([48_000]), n_samples=np.array([n], dtype=np.int32), kind=("zeros",))
    steps = (PhaseStep(time_s=1.0 + n / 48_000 + 0.04, cycles=0.2, missing_samples=9.0),)
    found = find_lost_samples(plain_frames(200, phase_steps=steps), whole_damage(lost_runs=runs), 4.0, None)
    assert found.places == ((1.0, 1.0 + n / 48_000),)
    assert (found.zeros == found.places) is gated
    assert (found.samples, found.phase_jumps, found.kinds) == (n, 0, ("zeros",))
    # a step further off is another loss
    steps = (PhaseStep(time_s=1.0 + n / 48_000 + 0.06, cycles=0.2, missing_samples=9.0),)
    found = find_lost_samples(plain_frames(200, phase_steps=steps), whole_damage(lost_runs=runs), 4.0, None)
    assert (found.samples, found.phase_jumps) == (n + 9.0, 1)


# Pieces of tone, dead spots and alternate cycles


def foreign(
    residual_dbc: float,
    off_db: float = 0.0,
    seconds: float = 1.0,
    f0_hz: float = 440.0,
    board_dbc: float = -60.0,
    board_s: float = 4.0,
) -> bool:
    """Whether a second piece of tone, half a second after some seconds of the board's, is another sound."""
    rows, own = round(seconds / 0.02), round(board_s / 0.02)
    label = np.concatenate([np.zeros(own), np.full(25, -1), np.ones(rows)]).astype(np.int64)
    frames = plain_frames(len(label), f0_hz=np.where(label == 1, f0_hz, 440.0), segment=label, oscillating=label >= 0)
    pieces = [
        ToneSegment(number=0, start_s=0.02, end_s=board_s, level_dbfs=-12.0, residual_dbc=board_dbc),
        ToneSegment(
            number=1, start_s=board_s + 0.52, end_s=board_s + 0.5 + seconds, level_dbfs=-12.0, residual_dbc=residual_dbc
        ),
    ]
    timbre = np.full(5, -40.0)
    return [p.number for p in _foreign(frames, pieces, [timbre, timbre + off_db])] == [1]


@pytest.mark.parametrize(
    ("given", "other"),
    [
        ({"residual_dbc": -27.0, "off_db": 30.0}, False),
        ({"residual_dbc": -25.0, "off_db": 9.5}, True),
        ({"residual_dbc": -25.0, "off_db": 8.5}, False),
        ({"residual_dbc": -21.0, "off_db": 30.0, "board_dbc": -35.0}, False),
        ({"residual_dbc": -19.0, "off_db": 30.0, "board_dbc": -35.0}, True),
        ({"residual_dbc": -14.0, "off_db": 0.0}, False),
        ({"residual_dbc": -12.0, "off_db": 0.0}, True),
        ({"residual_dbc": -14.0, "off_db": 30.0, "seconds": 1.9}, True),
        ({"residual_dbc": -14.0, "off_db": 30.0, "seconds": 2.1}, False),
        ({"residual_dbc": -25.0, "f0_hz": 440.0 * 2 ** (250 / 1200)}, False),
        ({"residual_dbc": -25.0, "f0_hz": 440.0 * 2 ** (350 / 1200)}, True),
        ({"residual_dbc": -25.0, "f0_hz": 620.0, "seconds": 0.9, "board_s": 1.2}, True),
        ({"residual_dbc": -25.0, "f0_hz": 620.0, "seconds": 1.1, "board_s": 1.05}, False),
        ({"residual_dbc": -50.0, "off_db": 30.0, "f0_hz": 100.3}, True),
        ({"residual_dbc": -50.0, "off_db": 30.0, "f0_hz": 100.5}, False),
        ({"residual_dbc": -50.0, "off_db": 30.0, "f0_hz": 179.5}, True),
    ],
)
def test_a_short_impure_piece_of_another_timbre_or_pitch_is_the_rooms(given: dict[str, Any], other: bool) -> None:
    """Impure: 15 dB over the board's, and over -26 dBc; other: 9 dB, or a semitone and 400 cents a second off."""
    assert foreign(**given) is other


def test_another_pitch_is_further_off_than_a_hand_turns() -> None:
    assert not is_another_pitch(440.0, 440.0 * 2 ** (295 / 1200), 0.5)
    assert is_another_pitch(440.0, 440.0 * 2 ** (305 / 1200), 0.5)
    assert is_another_pitch(440.0 * 2 ** (305 / 1200), 440.0, 0.5)


@pytest.mark.parametrize(
    ("high_hz", "comes_back", "near"), [(413.0, True, False), (425.0, True, True), (425.0, False, False)]
)
def test_pitches_beside_a_dead_spot(high_hz: float, comes_back: bool, near: bool) -> None:
    """Passed by a semitone or so while it was dead: a third of a semitone beside it is left out too."""
    frames = plain_frames(200, f0_hz=np.linspace(380.0, 450.0, 200))
    drop = gone(1.0, 1.0, 1.5, f0_low_hz=400.0, f0_high_hz=high_hz, comes_back=comes_back)
    found = near_dead_spots(frames, account_of(frames, silences=Silences(dropouts=(drop,), stop=None)))
    assert found.any() == near
    if near:
        pitches = frames.f0_hz[found]
        assert (pitches[0], pitches[-1]) == (pytest.approx(400.0 / 1.02, abs=0.4), pytest.approx(433.5, abs=0.4))


@pytest.mark.parametrize(
    ("rate_hz", "level_dbc", "share", "alike"),
    [
        (20.9, -59.0, 0.4, True),
        (19.1, -59.0, 0.4, True),
        (21.1, -59.0, 0.4, False),
        (20.0, -61.0, 0.4, False),
        (20.0, -59.0, 0.2, False),
    ],
)
def test_a_swing_at_half_the_pitch_is_that_alternate_cycles_differ(
    rate_hz: float, level_dbc: float, share: float, alike: bool
) -> None:
    swing = Swing(
        segment=segment(1.0, 3.0, 40.0), rate_hz=rate_hz, depth=0.1, follows_pitch=0.0, one_sided=False, share=0.9
    )
    inside = (FRAMES.time_s >= 1.0) & (FRAMES.time_s <= 1.0 + 2.0 * share)
    halves = HalfOrders(level_dbc=np.where(inside | (FRAMES.time_s < 0.9), level_dbc, -90.0), seen=ALL)
    assert _at_half_pitch(swing, halves, FRAMES) is alike
