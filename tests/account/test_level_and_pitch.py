"""What the level and the pitch do at rest and after a retune, from closed forms on the tone's own grid."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.level_law import fit_level_law
from listen.account.modulation import _bends, _sidebands, find_swings, smeared
from listen.account.pitch_scatter import find_wavering
from listen.account.settling import find_settlings
from listen.account.tone import BoardTone
from tests.accounts import plain_frames, segment, tone_on_grid

GRID_S = 0.005
TIME_S = 0.01 + GRID_S * np.arange(600)
NOBODY = np.zeros(len(TIME_S), dtype=bool)


def tone_with(level: np.ndarray | float = 0.0, cents: np.ndarray | float = 0.0, f0_hz: float = 440.0) -> BoardTone:
    """A tone of -12 dBFS whose level (natural logarithm) and pitch (cents) move."""
    pitch = f0_hz * 2.0 ** (np.broadcast_to(cents, len(TIME_S)) / 1200)
    return tone_on_grid(TIME_S, pitch, np.log(0.25) + np.broadcast_to(level, len(TIME_S)))


# A level that hunts


@pytest.mark.parametrize(("depth", "rate_hz"), [(0.01, 4.0), (0.05, 7.3), (0.2, 19.0), (0.5, 4.1)])
def test_rate_and_depth_of_amplitude_modulation(depth: float, rate_hz: float) -> None:
    """Depth (max - min) / (max + min) of 1 + m cos is m; what the tracker's frames would smear is put back."""
    rest = segment(0.2, 2.9)
    tone = tone_with(np.log1p(depth * np.cos(2 * np.pi * rate_hz * TIME_S)))
    (swing,) = find_swings(tone, [rest])
    assert swing.rate_hz == pytest.approx(rate_hz, abs=0.02)
    assert swing.depth * smeared(rate_hz, 440.0, GRID_S) == pytest.approx(depth, rel=0.05)
    assert (swing.one_sided, swing.follows_pitch < 0.01) == (False, True)
    assert swing.share > 0.95


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_second_line_beside_the_tone_has_one_sideband(sign: float) -> None:
    """cos(a) + m cos(a + b): level m cos b, phase m sin b (phasors, any textbook of modulation)."""
    rate_hz, m = 7.0, 0.04
    turn = 2 * np.pi * rate_hz * TIME_S
    phasor = 1 + m * np.exp(1j * sign * turn)
    off_hz = np.gradient(np.unwrap(np.angle(phasor)), GRID_S) / (2 * np.pi)
    (swing,) = find_swings(tone_with(np.log(np.abs(phasor)), 1200 * np.log2(1 + off_hz / 440.0)), [segment(0.2, 2.9)])
    assert swing.one_sided
    assert swing.follows_pitch == pytest.approx(1.0, abs=0.05)


def test_equal_sidebands_with_some_pitch_are_the_levels_own() -> None:
    """The pitch follows by a third: the sidebands are 1.33 and 0.67, 6 dB apart."""
    turn = 2 * np.pi * 5.0 * TIME_S
    off_hz = 0.05 / 3 * 5.0 * np.cos(turn)
    (swing,) = find_swings(tone_with(0.05 * np.cos(turn), 1200 * np.log2(1 + off_hz / 440.0)), [segment(0.2, 2.9)])
    assert (swing.one_sided, swing.follows_pitch) == (False, pytest.approx(1 / 3, abs=0.03))


def test_a_swing_that_short_frames_average_out_follows_no_pitch() -> None:
    """Frames of four cycles of 60 Hz hold a swing of 12 Hz to 23 % (sinc): nothing tells it from a beat."""
    level, cents = 0.05 * np.cos(2 * np.pi * 12.0 * TIME_S), np.zeros(len(TIME_S))
    assert _sidebands(level, cents, 12.0, 60.0, float(TIME_S[1] - TIME_S[0])) == (1.0, False, True)


@pytest.mark.parametrize(
    "level",
    [
        np.zeros(len(TIME_S)),
        1e-4 * np.cos(2 * np.pi * 5.0 * TIME_S),
        0.1 * np.exp(-3.0 * TIME_S) * np.cos(2 * np.pi * 5.0 * TIME_S),
        0.1 * (TIME_S - 1.5) ** 2,
        0.02 * np.random.default_rng(4).standard_normal(len(TIME_S)),
        -0.04 * np.clip((1.0 - np.abs(TIME_S - 1.55)) / 0.15, 0.0, 1.0),
    ],
    ids=["still", "too small", "dies away", "bends", "noise", "falls and comes back once"],
)
def test_what_is_no_hunting(level: np.ndarray) -> None:
    tone = tone_with(level)
    early = tone_on_grid(TIME_S - 1.0, tone.f0_hz, tone.log_level)
    rest = segment(0.2, 2.9)
    assert find_swings(tone, [rest]) == []
    assert find_swings(early, [rest]) == []


@pytest.mark.parametrize(("smooth", "bends"), [(0.80, False), (0.87, False), (0.93, True)])
def test_a_few_turns_must_explain_a_tenth_more_than_a_bend(smooth: float, bends: bool) -> None:
    """A polynomial of the fourth degree and a swing of four turns, which share the variance as stated."""
    x = np.linspace(-1, 1, 240)
    bend = np.polynomial.legendre.legval(x, [0, 0, 0, 0, 1])
    swing = np.sin(8 * np.pi * (x + 1) / 2)
    swing -= np.polynomial.legendre.legval(x, np.polynomial.legendre.legfit(x, swing, 6))
    log = 0.05 * (np.sqrt(smooth) * bend / np.std(bend) + np.sqrt(1 - smooth) * swing / np.std(swing))
    assert _bends(log, 1.0) == bends


def test_rates_that_belong_to_something_else_are_left_out() -> None:
    tone = tone_with(0.05 * np.cos(2 * np.pi * 25.0 * TIME_S))
    assert find_swings(tone, [segment(0.2, 2.9)], (25.0,)) == []
    assert len(find_swings(tone, [segment(0.2, 2.9)], (26.5,))) == 1


# After a retune


def ring_db(size_db: float, decay_s: float, rate_hz: float, at_s: float = 0.5) -> np.ndarray:
    since = np.maximum(TIME_S - at_s, 0.0)
    return np.where(TIME_S < at_s, 0.0, size_db * np.exp(-since / decay_s) * np.cos(2 * np.pi * rate_hz * since))


@pytest.mark.parametrize(
    ("size_db", "decay_s", "rate_hz"),
    [(1.5, 0.06, 0.0), (-2.0, 0.2, 0.0), (1.2, 0.15, 6.0), (3.0, 0.35, 11.0), (-2.5, 0.3, 4.75)],
)
def test_a_ring_gives_its_decay_rate_size_and_settling_time(size_db: float, decay_s: float, rate_hz: float) -> None:
    level = ring_db(size_db, decay_s, rate_hz) * np.log(10) / 20
    (found,) = find_settlings(tone_with(level), [segment(0.5, 2.9, retune_s=0.5)], [])
    assert found.ring
    assert found.decay_s == pytest.approx(decay_s, rel=0.05)
    assert found.rate_hz == pytest.approx(rate_hz, abs=0.05)
    assert found.share > 0.99
    # carried back to the first frames that hold none of the move, 10 ms after it
    fine = np.arange(0.0, 2.3, 0.001)
    true_db = size_db * np.exp(-fine / decay_s) * np.cos(2 * np.pi * rate_hz * fine)
    late = np.abs(true_db[fine >= 0.01]).max() * smeared(rate_hz, 440.0, GRID_S)
    assert found.deviation_db == pytest.approx(late, rel=0.06)
    assert found.settle_s == pytest.approx(fine[np.abs(true_db) > 0.5][-1], abs=0.015)


def test_no_ring_where_the_level_is_at_rest_at_once() -> None:
    noise = 0.001 * np.random.default_rng(5).standard_normal(len(TIME_S))
    (found,) = find_settlings(tone_with(noise), [segment(0.5, 2.9, retune_s=0.5)], [])
    assert (found.ring, found.deviation_db) == (False, 0.0)
    assert find_settlings(tone_with(noise), [segment(0.5, 2.9)], []) == []


@pytest.mark.parametrize("db_per_octave", [-6.0, 4.0])
@pytest.mark.parametrize("tau_s", [0.05, 0.12])
def test_a_stroke_that_ends_slowly_is_no_ring_of_the_level(db_per_octave: float, tau_s: float) -> None:
    """A first-order response has 6 dB an octave: while the last tens of cents are turned, the level follows them."""
    cents = -60.0 * np.exp(-np.maximum(TIME_S - 0.5, 0.0) / tau_s) - 900.0 * np.maximum(0.5 - TIME_S, 0.0)
    level = db_per_octave * np.log(10) / 20 * cents / 1200
    (found,) = find_settlings(tone_with(level, cents), [segment(0.5, 2.9, retune_s=0.5)], [])
    assert not (found.ring and found.deviation_db > 0.02)


def test_a_ring_at_the_end_of_a_slow_stroke_is_found_all_the_same() -> None:
    cents = -60.0 * np.exp(-np.maximum(TIME_S - 0.5, 0.0) / 0.05)
    level = (ring_db(1.5, 0.2, 6.0) - 6.0 * cents / 1200) * np.log(10) / 20
    (found,) = find_settlings(tone_with(level, cents), [segment(0.5, 2.9, retune_s=0.5)], [])
    assert found.ring
    assert found.rate_hz == pytest.approx(6.0, abs=0.3)
    assert found.deviation_db == pytest.approx(1.5, abs=0.2)


def test_hunting_is_taken_off_before_a_ring_is_sought() -> None:
    level = 0.1 * np.cos(2 * np.pi * 7.0 * TIME_S)
    tone = tone_with(level)
    swings = find_swings(tone, [segment(0.2, 2.9)])
    (found,) = find_settlings(tone, [segment(0.5, 2.9, retune_s=0.5)], swings)
    assert not found.ring


# A pitch that wavers


@pytest.mark.parametrize(("peak_cents", "rate_hz"), [(8.0, 3.0), (20.0, 6.0), (12.0, 11.0)])
def test_wavering_is_the_sines_rms_at_its_rate(peak_cents: float, rate_hz: float) -> None:
    """A sine's r.m.s. is its peak over the square root of two."""
    tone = tone_with(cents=peak_cents * np.sin(2 * np.pi * rate_hz * TIME_S))
    (found,) = find_wavering(plain_frames(150), tone, [segment(0.2, 2.9)], [], NOBODY)
    assert found.rms_cents * smeared(rate_hz, 440.0, GRID_S) == pytest.approx(peak_cents / np.sqrt(2), rel=0.06)
    assert found.rate_hz == pytest.approx(rate_hz, abs=0.15)
    assert abs(found.drift_cents_per_min) < 60.0


def test_drift_is_a_slope_and_no_wavering() -> None:
    tone = tone_with(cents=2.0 * TIME_S + 4.0 * np.sin(2 * np.pi * 5.0 * TIME_S))
    (found,) = find_wavering(plain_frames(150), tone, [segment(0.2, 2.9)], [], NOBODY)
    assert found.drift_cents_per_min == pytest.approx(120.0, abs=15.0)
    straight = tone_with(cents=2.0 * TIME_S)
    assert find_wavering(plain_frames(150), straight, [segment(0.2, 2.9)], [], NOBODY) == []


def test_what_hunting_brings_with_it_is_taken_off() -> None:
    turn = 2 * np.pi * 5.0 * TIME_S
    tone = tone_with(0.1 * np.cos(turn), 6.0 * np.sin(turn) + 5.0 * np.sin(2 * np.pi * 2.1 * TIME_S))
    rest = segment(0.2, 2.9)
    (found,) = find_wavering(plain_frames(150), tone, [rest], find_swings(tone, [rest]), NOBODY)
    assert found.swing_cents == pytest.approx(6.0 / np.sqrt(2), rel=0.1)
    assert found.rms_cents == pytest.approx(5.0 / np.sqrt(2), rel=0.1)


def test_the_recordings_noise_is_no_wavering() -> None:
    """Pitch noise of a tone 40 dB over the noise: below what the frames' own noise makes, nothing is reported."""
    noisy = plain_frames(150, noise_dbfs=-40.0)
    tone = tone_with(cents=0.5 * np.random.default_rng(3).standard_normal(len(TIME_S)))
    assert find_wavering(noisy, tone, [segment(0.2, 2.9)], [], NOBODY) == []


def test_steps_of_a_hand_are_no_wavering() -> None:
    tone = tone_with(cents=np.where(TIME_S < 1.2, 0.0, np.where(TIME_S < 2.0, 12.0, 5.0)))
    assert find_wavering(plain_frames(150), tone, [segment(0.2, 2.9)], [], NOBODY) == []


@pytest.mark.parametrize(("jitter_cents", "steps"), [(0.9, True), (3.5, False)])
def test_a_step_of_a_hand_that_trembles_is_none(jitter_cents: float, steps: bool) -> None:
    """A step of 19 cents at 1.5 s; with a tremor whose square is a fifth of the step's it is more than that."""
    tremor = jitter_cents * np.sqrt(2.0) * np.sin(2 * np.pi * 7.0 * TIME_S)
    tone = tone_with(cents=np.where(TIME_S < 1.5, 0.0, 19.0) + tremor)
    found = find_wavering(plain_frames(150), tone, [segment(0.2, 2.9)], [], NOBODY)
    assert (found == []) is steps


def test_a_barred_place_in_a_rest_bars_it() -> None:
    tone = tone_with(cents=20.0 * np.sin(2 * np.pi * 6.0 * TIME_S))
    barred = NOBODY.copy()
    barred[300] = True
    assert find_wavering(plain_frames(150), tone, [segment(0.2, 2.9)], [], barred) == []


# The level along the tuning


def turned(level_db: np.ndarray, f0_hz: np.ndarray, corner_known: bool = True) -> object:
    law = fit_level_law(0.02 * np.arange(len(f0_hz)), f0_hz, level_db, corner_known)
    assert law is not None
    return law


UP = np.geomspace(100.0, 1600.0, 400)


@pytest.mark.parametrize("slope", [-1.5, 0.4, 2.0])
def test_a_slope_along_the_pitch_is_its_span(slope: float) -> None:
    law = turned(-12.0 + slope * np.log2(UP / 100.0), UP)
    assert law.span_db == pytest.approx(abs(4.0 * slope), rel=0.02)
    assert law.time_span_db < 0.05
    assert (law.highest_hz > law.lowest_hz) is (slope > 0)
    assert law.slope_db_per_octave(400.0) == pytest.approx(slope, rel=0.03)


def test_a_level_that_rises_with_time_is_no_law_of_the_pitch() -> None:
    there_and_back = np.concatenate([UP, UP[::-1]])
    drift = np.linspace(0.0, 2.0, len(there_and_back))
    law = turned(-12.0 + drift, there_and_back)
    assert law.time_span_db == pytest.approx(2.0, abs=0.15)
    assert law.span_db < 1.2


def test_the_fall_that_an_unknown_coupling_may_cause_is_excused() -> None:
    """One RC high-pass of 10 Hz takes 10 log(1 + (10 / f)^2): 3 dB at 10 Hz, 0.51 dB at 28."""
    low = np.geomspace(28.0, 400.0, 300)
    fall = -10 * np.log10(1 + (10.0 / low) ** 2)
    assert turned(-12.0 + fall, low, corner_known=False).span_db < 0.05
    assert turned(-12.0 + fall, low, corner_known=True).span_db == pytest.approx(0.51, abs=0.06)


def test_some_wild_rows_do_not_bend_the_law() -> None:
    level = np.full(len(UP), -12.0)
    level[::20] += 6.0
    assert turned(level, UP).span_db < 0.3
