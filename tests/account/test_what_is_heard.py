"""Which sounds are an oscillator's, what no part explains, and samples that were lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.lost_samples import find_lost_samples
from listen.account.oscillator import classify_source, two_tones
from listen.account.residual import find_events, unexplained_power
from listen.account.tone import find_tone
from listen.capture.types import LostRuns
from listen.track import PhaseStep
from tests.accounts import plain_frames, tone_of, tone_on_grid, whole_damage
from tests.tones import Take, frames_of, times, white

NOTHING = np.zeros(100)
ALL = np.ones(100, dtype=bool)


def source_of(**columns: object) -> str:
    frames = plain_frames(100, **columns)
    return classify_source(frames, find_tone(frames), NOTHING).source


def test_a_clean_tone_is_an_oscillator() -> None:
    assert source_of() == "oscillator"
    assert source_of(residual_dbc=-20.0) == "oscillator"


def test_a_tone_whose_rows_are_mostly_unclean_is_not() -> None:
    """Voices leave more than a twentieth of the tone's power between their harmonics."""
    assert source_of(residual_dbc=np.where(np.arange(100) % 4 == 0, -30.0, -8.0)) == "not-an-oscillator"


def test_a_formant_over_the_fundamental_is_no_oscillator() -> None:
    harmonics = np.full((100, 15), -90.0)[:, : plain_frames(2).harmonics_dbc.shape[1]]
    harmonics[:60, 2] = 4.0
    assert source_of(harmonics_dbc=harmonics) == "not-an-oscillator"
    harmonics[20:] = -90.0
    assert source_of(harmonics_dbc=harmonics) == "oscillator"


@pytest.mark.parametrize(
    ("cents", "silence_db", "source"),
    [(300.0, 40.0, "not-an-oscillator"), (0.0, 40.0, "oscillator"), (300.0, 3.0, "oscillator")],
    ids=["a melody", "a board that dies", "steps of the control"],
)
def test_notes_with_silences_between_them_are_played(cents: float, silence_db: float, source: str) -> None:
    row = np.arange(200)
    note, silent = row // 25, row % 25 >= 20
    frames = plain_frames(
        200,
        f0_hz=440.0 * 2 ** (cents * (note % 3) / 1200),
        oscillating=~silent,
        level_dbfs=np.where(silent, -12.0 - silence_db, -12.0),
        segment=np.where(silent, -1, note).astype(np.int64),
    )
    found = classify_source(frames, find_tone(frames), np.zeros(200))
    assert (found.source, found.played) == (source, source != "oscillator")


def test_notes_that_fade_into_each_other_are_played() -> None:
    """One row without a tone between two, 20 dB under what they reach: a tongue, a bow that turns round."""
    row = np.arange(900)
    place = row % 100
    frames = plain_frames(
        900,
        f0_hz=440.0 * 2 ** (2 * (row // 100 % 3) / 12),
        oscillating=place != 0,
        level_dbfs=np.where(place == 0, -34.0, np.where((place < 4) | (place > 96), -25.0, -12.0)),
        segment=np.where(place == 0, -1, row // 100).astype(np.int64),
    )
    assert classify_source(frames, find_tone(frames), np.zeros(900)).played


@pytest.mark.parametrize(
    ("f0_hz", "thd_percent", "sine", "source"),
    [
        (50.05, 18.0, True, "absent"),
        (59.9, 35.0, True, "absent"),
        (50.05, 18.0, False, "oscillator"),
        (50.05, 3.0, True, "oscillator"),
        (51.0, 18.0, True, "oscillator"),
    ],
    ids=["hum at 50 Hz", "hum at 60 Hz", "another wave", "a sine", "another pitch"],
)
def test_hum_alone_is_no_oscillator(f0_hz: float, thd_percent: float, sine: bool, source: str) -> None:
    frames = plain_frames(200, f0_hz=f0_hz, thd_percent=thd_percent)
    assert classify_source(frames, find_tone(frames), np.zeros(200), sine=sine).source == source
    turned = plain_frames(200, f0_hz=np.linspace(f0_hz - 2.0, f0_hz + 2.0, 200), thd_percent=thd_percent)
    assert classify_source(turned, find_tone(turned), np.zeros(200)).source == "oscillator"


def test_a_word_between_rows_is_not_the_boards() -> None:
    """Short frames that hold a tone, half a second before the board's first row, belong to no segment."""
    t = times(3.0)
    x = 0.3 * np.cos(2 * np.pi * 440.0 * t) * (t > 1.5) + white(len(t), -90.0)
    word = (t > 0.9) & (t < 1.0)
    x += 0.1 * word * np.cos(2 * np.pi * 190.0 * t)
    frames = frames_of(x)
    sounding = frames.envelope.oscillating & (frames.envelope.time_s < 1.2)
    frames = replace(frames, segment=np.where(frames.time_s < 1.4, -1, frames.segment),
                     oscillating=frames.oscillating & (frames.time_s > 1.4))  # fmt: skip
    assert sounding.any()
    tone = find_tone(frames)
    assert tone is not None
    assert not tone.tracked[tone.time_s < 1.3].any()
    assert tone.tracked[(tone.time_s > 1.55) & (tone.time_s < 2.9)].all()


def test_few_cycles_are_nothing() -> None:
    few = np.arange(100) < 2
    assert source_of(oscillating=few, f0_hz=30.0) == "absent"


def test_what_the_tone_makes_itself_is_taken_off_first() -> None:
    frames = plain_frames(100, residual_dbc=-10.0)
    tone = find_tone(frames)
    assert classify_source(frames, tone, np.full(100, 0.0999)).source == "oscillator"
    assert classify_source(frames, tone, NOTHING).source == "not-an-oscillator"


@pytest.mark.parametrize(("second_hz", "dbc"), [(331.0, -3.0), (617.0, -12.0)])
def test_two_oscillators_at_once(second_hz: float, dbc: float) -> None:
    t = times(3.0)
    x = 0.3 * np.cos(2 * np.pi * 440.0 * t) + 0.3 * 10 ** (dbc / 20) * np.cos(2 * np.pi * second_hz * t)
    frames = plain_frames(140)
    heard = two_tones(Take(samples=x + white(len(t), -80.0)), frames, classify_source(frames, None, np.zeros(140)))
    assert heard.source == "two-tones"
    assert (heard.low_hz, heard.high_hz) == (
        pytest.approx(min(440.0, second_hz), rel=0.002),
        pytest.approx(max(440.0, second_hz), rel=0.002),
    )
    assert heard.weaker_dbc == pytest.approx(dbc, abs=0.7)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "source"),
    [(139.0, 158.9, "two-tones"), (139.0, 208.5, "absent"), (50.02, 100.04, "absent"), (139.0, 161.0, "two-tones")],
)
def test_two_tones_too_near_for_the_tracker_are_told_from_hum(low_hz: float, high_hz: float, source: str) -> None:
    """Nothing is tracked; harmonics of one pitch, such as hum's, are one sound."""
    t = times(3.0)
    x = 0.2 * np.cos(2 * np.pi * low_hz * t) + 0.19 * np.cos(2 * np.pi * high_hz * t) + white(len(t), -90.0)
    frames = plain_frames(140, oscillating=np.zeros(140, dtype=bool))
    before = classify_source(frames, None, np.zeros(140))
    assert before.source == "absent"
    assert two_tones(Take(samples=x), frames, before).source == source


@pytest.mark.parametrize("third_dbc", [-3.0, -10.0])
def test_three_are_not_two(third_dbc: float) -> None:
    t = times(3.0)
    x = sum(10 ** (d / 20) * np.cos(2 * np.pi * f * t) for f, d in ((440.0, 0.0), (331.0, -3.0), (571.0, third_dbc)))
    frames = plain_frames(140)
    before = classify_source(frames, None, np.zeros(140))
    assert before.source == "absent"
    assert two_tones(Take(samples=0.2 * x), frames, before).source == "not-an-oscillator"


# What nothing explains


@pytest.mark.parametrize("dbc", [-30.0, -45.0])
def test_what_is_left_beyond_noise_and_parts(dbc: float) -> None:
    """Half of the rows quiet at -80 dBc; in the others so much more, of which parts explain half."""
    loud = np.arange(100) >= 50
    frames = plain_frames(100, residual_dbc=np.where(loud, dbc, -80.0))
    power = unexplained_power(frames, ALL, np.where(loud, 0.5 * 10 ** (dbc / 10), 0.0))
    assert 10 * np.log10(power[loud].mean()) == pytest.approx(dbc - 10 * np.log10(2), abs=0.1)
    assert power[~loud].max() == 0.0


def test_steady_noise_is_no_riddle() -> None:
    assert unexplained_power(plain_frames(100, residual_dbc=-30.0), ALL, NOTHING).max() == 0.0


def test_a_knock_is_an_event_at_its_place() -> None:
    power = np.zeros(100)
    power[40:46] = 10 ** (-35.0 / 10)
    events, touched = find_events(plain_frames(100), ALL, power)
    (event,) = events
    assert (event.start_s, event.end_s) == (pytest.approx(0.81), pytest.approx(0.93))
    assert event.level_dbc == pytest.approx(-35.0)
    assert touched[37:49].all()
    assert touched.sum() == 12


@pytest.mark.parametrize("dbc", [-52.0, -200.0])
def test_a_faint_sound_is_no_event(dbc: float) -> None:
    power = np.zeros(100)
    power[40:46] = 10 ** (dbc / 10)
    assert find_events(plain_frames(100), ALL, power)[0] == []


def test_what_lasts_is_no_event() -> None:
    assert find_events(plain_frames(100), ALL, np.full(100, 1e-3))[0] == []


# Lost samples


def damage_with(*runs: tuple[int, int, str], **changes: object) -> object:
    start, n, kind = zip(*runs, strict=True) if runs else ((), (), ())
    lost = LostRuns(start_sample=np.array(start, dtype=np.int64), n_samples=np.array(n, dtype=np.int64), kind=kind)
    return whole_damage(lost_runs=lost, **changes)


def test_losses_are_counted_and_long_zeros_are_a_gates() -> None:
    frames = plain_frames(100)
    damage = damage_with((4800, 100, "zeros"), (48_000, 2400, "zeros"), (60_000, 512, "repeated"))
    lost = find_lost_samples(frames, damage, 2.0, tone_of(frames))
    assert lost.samples == 3012
    assert lost.zeros == ((1.0, 1.05),)
    assert lost.kinds == ("zeros", "repeated")
    assert [a for a, _ in lost.places] == pytest.approx([0.1, 1.0, 1.25])


def test_what_the_header_promised_is_missing_at_the_end() -> None:
    lost = find_lost_samples(plain_frames(100), damage_with(missing_at_end_samples=77), 2.0, None)
    assert (lost.samples, lost.missing_at_end, lost.kinds) == (77, 77, ("cut short",))
    assert lost.places == ((2.0, 2.0),)


@pytest.mark.parametrize(("falls_db", "moves", "jumps"), [(0.0, False, 1), (7.0, False, 0), (0.0, True, 0)])
def test_a_step_of_the_phase_is_a_loss_where_neither_level_nor_pitch_steps(
    falls_db: float, moves: bool, jumps: int
) -> None:
    """12 samples of 440 Hz are 0.11 cycles; a move of 60 Hz within 10 ms bends the phase by up to 0.6."""
    at_s = 1.01
    time_s = 0.02 * (1 + np.arange(100))
    step = PhaseStep(time_s=at_s, cycles=0.11, missing_samples=12.0)
    level = np.where(time_s > at_s, -12.0 - falls_db, -12.0)
    pitch = np.where(time_s > at_s, 500.0 if moves else 440.0, 440.0)
    frames = plain_frames(100, level_dbfs=level, f0_hz=pitch, phase_steps=(step,))
    lost = find_lost_samples(frames, damage_with(), 2.0, tone_of(frames))
    assert lost.phase_jumps == jumps
    assert lost.samples == 12.0 * jumps


@pytest.mark.parametrize(("cents_per_s", "jumps"), [(0.0, 1), (500.0, 1), (6_000.0, 0)])
def test_where_a_quick_move_begins_the_phase_bends(cents_per_s: float, jumps: int) -> None:
    """4 samples of 1106 Hz are 0.046 cycles; 6000 cents a second bend it by as much within 5 ms."""
    at_s = 1.01
    time_s = 0.02 * (1 + np.arange(100))
    step = PhaseStep(time_s=at_s, cycles=0.0445, missing_samples=3.86)
    pitch = 1_106.0 * 2 ** (cents_per_s * np.clip(time_s - at_s, 0.0, 0.1) / 1200)
    frames = plain_frames(100, f0_hz=pitch, phase_steps=(step,))
    assert find_lost_samples(frames, damage_with(), 2.0, tone_of(frames)).phase_jumps == jumps


MOVED_HZ = (
    86.6,
    87.0,
    87.9,
    89.5,
    92.1,
    95.9,
    100.7,
    106.4,
    112.6,
    118.6,
    123.8,
    127.5,
    129.5,
    130.4,
    130.6,
    130.7,
    130.8,
)
"""A retune of 35 ms as tracked every 5 ms, its frames being four cycles long."""


@pytest.mark.parametrize(("at_s", "cycles", "jumps"), [(1.07, 0.052, 0), (1.07, 0.2, 1), (1.2, 0.052, 1)])
def test_where_a_quick_move_of_a_low_note_ends_the_frames_hold_its_bend(at_s: float, cycles: float, jumps: int) -> None:
    """A twentieth of a cycle, read from frames of 31 ms, is none of the recorder's; at rest it is."""
    step = PhaseStep(time_s=at_s, cycles=cycles, missing_samples=cycles / 130.9 * 48_000.0)
    frames = plain_frames(100, f0_hz=130.9, phase_steps=(step,))
    grid = 0.005 * np.arange(400)
    pitch = np.interp(grid, 1.0 + 0.005 * np.arange(len(MOVED_HZ) + 1), (*MOVED_HZ, 130.9))
    tone = tone_on_grid(grid, pitch, np.log(0.25), rows=np.ones(100, dtype=bool))
    assert find_lost_samples(frames, damage_with(), 2.0, tone).phase_jumps == jumps
