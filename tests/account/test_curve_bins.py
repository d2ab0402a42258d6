"""Rows in bins of pitch and in states: what a row's harmonics are known to, and when a wave is another one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.curve.bins import _assign, gather
from listen.account.curve.states import states_of
from listen.bench import RecorderSettings
from listen.track import Frames
from tests.accounts import plain_frames

N = 60


def frames_with(lines: np.ndarray, f0_hz: Any = 440.0, **columns: Any) -> Frames:
    """Rows with some harmonics from H2 on, over the fundamental; the others are nothing."""
    r = np.zeros((len(lines), 9), dtype=complex)
    r[:, : lines.shape[1]] = lines
    dbc = 20 * np.log10(np.maximum(np.abs(r), 1e-7))
    columns = {"harmonics_dbc": dbc, "harmonic_phase_rad": np.angle(r)} | columns
    return plain_frames(len(lines), f0_hz=f0_hz, **columns)


def one_bin(recorder: RecorderSettings | None = None, **columns: Any) -> Any:
    frames = plain_frames(N, **columns)
    bins = gather(frames, np.ones(N, dtype=bool), recorder)
    assert bins is not None
    assert len(bins) == 1
    return bins


def levels(**orders: float) -> np.ndarray:
    dbc = np.full((N, 9), -140.0)
    for name, value in orders.items():
        dbc[:, int(name[1:]) - 2] = value
    return dbc


FLOOR = 10 ** (-72 / 20)
"""An interface's own harmonics, of which nothing is known."""


def test_a_harmonic_is_known_to_noise_and_model_and_floor() -> None:
    """Noise over the square root of half a frame's samples, a third of the rows apart; 3 % of what is distorted."""
    bins = one_bin(harmonics_dbc=levels(h3=-40.0), noise_dbfs=-60.0, level_dbfs=-20.0)
    noise = 10 ** ((-60 + 20) / 20) / np.sqrt(0.04 * 48_000 / 2) / np.sqrt(N / 3)
    assert bins.noise[0] == pytest.approx(noise)
    assert bins.sigma[0] == pytest.approx(np.sqrt(noise**2 + (0.03 * 0.01) ** 2 + FLOOR**2), rel=0.01)
    assert bins.r[0, 1] == pytest.approx(0.01)
    assert bins.amplitude_fs[0] == pytest.approx(0.1)


def test_the_scatter_of_the_rows_is_that_of_both_parts() -> None:
    rng = np.random.default_rng(5)
    r = 0.02 + 0.003 * (rng.standard_normal((3_000, 1)) + 1j * rng.standard_normal((3_000, 1)))
    frames = frames_with(r)
    bins = gather(frames, np.ones(len(frames), dtype=bool))
    assert bins is not None
    assert bins.noise[0, 0] == pytest.approx(0.003 * np.sqrt(2) / np.sqrt(1_000), rel=0.05)


RECORDER = RecorderSettings(level_dbfs=(-30.0, -10.0), harmonics_dbc={2: (-90.0, -90.0), 3: (-80.0, -60.0)})


@pytest.mark.parametrize(("third_dbc", "hidden"), [(-76.0, True), (-65.0, True), (-60.5, True), (-57.0, False)])
def test_what_may_be_the_recorders_is_nothing_of_the_boards(third_dbc: float, hidden: bool) -> None:
    """At -16 dBFS its own H3 is at -66 dBc, straight between what was measured; within 6 dB it may be half of it."""
    own = 10 ** (-66 / 20)
    bins = one_bin(RECORDER, harmonics_dbc=levels(h3=third_dbc, h5=-45.0), level_dbfs=-16.0, noise_dbfs=-140.0)
    assert (abs(bins.r[0, 1]) == 0.0) == hidden
    known = np.sqrt(FLOOR**2 + (0.03 * np.hypot(10 ** (-45 / 20), abs(bins.r[0, 1]))) ** 2)
    more = own * (10 ** (6 / 20) if hidden else 1.0)
    assert bins.sigma[0, 1] == pytest.approx(np.hypot(known, more), rel=0.01)
    assert abs(bins.r[0, 3]) == pytest.approx(10 ** (-45 / 20))
    assert bins.sigma[0, 3] == pytest.approx(known, rel=0.01)


def test_what_is_far_from_the_recorders_is_the_boards() -> None:
    for third_dbc, hidden in ((-61.0, True), (-59.0, False), (-57.5, False)):
        bins = one_bin(RECORDER, harmonics_dbc=levels(h3=third_dbc), level_dbfs=-16.0)
        assert (abs(bins.r[0, 1]) == 0.0) == hidden


@pytest.mark.parametrize(("share", "known"), [(0.3, False), (0.45, False), (0.6, True), (1.0, True)])
def test_a_harmonic_is_in_the_file_where_most_rows_have_it(share: float, known: bool) -> None:
    dbc = levels(h3=-40.0)
    dbc[round(share * N) :, 1] = np.nan
    bins = one_bin(harmonics_dbc=dbc)
    assert bool(bins.fits[0, 1]) == known
    assert abs(bins.r[0, 1]) == pytest.approx(0.01 if known else 0.0)


@pytest.mark.parametrize(("lower_db", "rows"), [(12.0, 60), (15.0, 40), (18.0, 40)])
def test_much_fainter_rows_are_left_out(lower_db: float, rows: int) -> None:
    """Their noise over the fundamental is five times the usual."""
    bins = one_bin(level_dbfs=np.where(np.arange(N) < 40, -12.0, -12.0 - lower_db))
    assert bins.count[0] == rows


def test_rows_of_a_turn_near_the_middle_of_their_bin_count() -> None:
    f0 = np.geomspace(400.0, 799.0, 240)
    frames = plain_frames(240, f0_hz=f0)
    bins = gather(frames, np.ones(240, dtype=bool))
    assert bins is not None
    # sixths of an octave, of which a tenth about the middle
    assert len(bins) == 6
    assert np.log2(bins.f0_hz[1:] / bins.f0_hz[:-1]) == pytest.approx(1 / 6, abs=0.005)
    assert bins.count == pytest.approx(24, abs=1)
    assert gather(frames, np.arange(240) < 2) is None
    few = gather(frames, np.arange(240) < 3)
    assert few is not None
    assert few.count[0] == 3


@pytest.mark.parametrize("seed", [1, 2])
def test_each_row_has_the_state_of_the_nearest_in_time(seed: int) -> None:
    rng = np.random.default_rng(seed)
    f0 = np.where(np.arange(200) % 50 < 40, 440.0, 700.0)
    f0[[5, 60]] = 440.0 * 2 ** np.array([0.009, -0.009])
    f0[[90, 110]] = 440.0 * 2 ** np.array([0.011, -0.011])
    frames = plain_frames(200, f0_hz=f0)
    known = np.sort(rng.choice(np.flatnonzero(f0 == 440.0), 30, replace=False))
    first = rng.random(30) < 0.5
    states = [known[first], known[~first]]
    own = np.full(200, -1, dtype=np.int64)
    _assign(own, frames, (np.log2(440.0) - 0.01, np.log2(440.0) + 0.01), states, 7)
    for i in range(200):
        if abs(np.log2(f0[i] / 440.0)) > 0.01:
            assert own[i] == -1
        else:
            nearest = known[np.argmin(np.abs(known - i))]
            assert own[i] == (7 if nearest in states[0] else 8)


# states


def changing(step: float, base: float = 0.0, noise: float = 0.0, every: int = 30, order: int = 0) -> np.ndarray:
    """Sixty rows whose harmonic of an order steps to and fro."""
    rng = np.random.default_rng(8)
    lines = np.zeros((N, 6), dtype=complex)
    lines[:, 1] = base
    lines[:, order] += step * ((np.arange(N) // every) % 2)
    return lines + noise * (rng.standard_normal((N, 6)) + 1j * rng.standard_normal((N, 6)))


def count_of(lines: np.ndarray, f0_hz: Any = 440.0) -> int:
    return len(states_of(frames_with(lines, f0_hz), np.arange(len(lines))))


@pytest.mark.parametrize(("step", "count"), [(0.004, 1), (0.0055, 1), (0.0068, 2), (0.02, 2)])
def test_a_wave_is_another_one_where_its_harmonics_move_by_six_thousandths(step: float, count: int) -> None:
    assert count_of(changing(step)) == count
    assert count_of(changing(1j * step, order=5)) == count


@pytest.mark.parametrize(("step", "count"), [(0.02, 1), (0.03, 2)])
def test_and_by_a_quarter_of_the_distortion(step: float, count: int) -> None:
    assert count_of(changing(step, base=0.1)) == count


@pytest.mark.parametrize(("step", "count"), [(0.010, 1), (0.024, 2)])
def test_and_clear_of_the_rows_scatter(step: float, count: int) -> None:
    """Three times what Gaussian scatter gives, of 2 in a thousand."""
    assert count_of(changing(step, noise=0.002)) == count


@pytest.mark.parametrize(("every", "count"), [(3, 1), (6, 1), (20, 2), (30, 2)])
def test_a_swing_is_no_state(every: int, count: int) -> None:
    """Rows a tenth of a second apart are mostly in the same state, or it is none."""
    assert count_of(changing(0.03, every=every)) == count


def test_states_hold_their_rows() -> None:
    first, second = states_of(frames_with(changing(0.03)), np.arange(N))
    assert sorted([first.tolist(), second.tolist()]) == [list(range(30)), list(range(30, 60))]
    # one of four rows is too short for a state
    short = changing(0.0)
    short[:5, 0] = 0.03
    assert count_of(short) == 1


@pytest.mark.parametrize(("step", "count"), [(0.010, 1), (0.015, 2), (0.017, 2)])
def test_two_rests_near_each_other_differ_by_more_than_the_pitch_makes(step: float, count: int) -> None:
    """0.03 octaves apart: 1.2 % of the fundamental, as a slewing wave's harmonics move."""
    lines = changing(step)
    assert count_of(lines, np.where(np.arange(N) < 30, 440.0, 440.0 * 2**0.03)) == count


@pytest.mark.parametrize(("step", "back_s", "count"), [(0.0, 2.0, 1), (0.03, 2.0, 2), (0.03, 0.5, 2), (0.03, 0.3, 1)])
def test_a_turn_back_may_have_another_wave(step: float, back_s: float, count: int) -> None:
    """Up through the bin, and down again half a second and more later: two passes, of one wave or of two."""
    away = round(back_s / 0.02)
    octaves = np.concatenate([np.linspace(-0.08, 0.08, 17), np.full(away, 3.0), np.linspace(0.08, -0.08, 17)])
    rows = np.flatnonzero(octaves < 1.0)
    lines = np.zeros((len(octaves), 6), dtype=complex)
    lines[17 + away :, 0] = step
    found = states_of(frames_with(lines, 440.0 * 2**octaves), rows)
    assert len(found) == count
    if count == 2:
        # near the middle of the bin alone
        assert all(np.abs(octaves[part]).max() < 0.0501 for part in found)


@pytest.mark.parametrize(
    ("f0_hz", "part"),
    [
        (450.0, 1.0),  # H2 is 15 times the mains', all through
        (452.5, 0.0),  # ... 5 Hz beside it, which the mean over a second takes off
        (465.0, 0.0),  # half way to the next
    ],
)
def test_a_multiple_of_a_buzz_counts_where_it_lies_on_a_harmonic(f0_hz: float, part: float) -> None:
    lines = np.zeros((N, 1)) + 0.01
    bins, plain = (
        gather(frames_with(lines, f0_hz=f0_hz, level_dbfs=-20.0), np.ones(N, dtype=bool), None, buzz)
        for buzz in ((60.0, 0.002), None)
    )
    assert bins is not None
    assert plain is not None
    # over the tone's amplitude of 0.1
    assert np.sqrt(bins.sigma[0, 0] ** 2 - plain.sigma[0, 0] ** 2) == pytest.approx(0.02 * 2 * part, abs=2e-3)
    # twice the buzz and less is nothing of the board's
    assert bool(bins.r[0, 0] == 0.0) == bool(part)


def test_a_turn_passes_a_multiple_of_a_buzz_for_a_moment() -> None:
    pitch = 450.0 * 2.0 ** (0.02 * (np.arange(9) - 4))
    frames = frames_with(np.zeros((9, 1)) + 0.05, f0_hz=pitch, level_dbfs=-20.0)
    bins = gather(frames, np.ones(9, dtype=bool), None, (60.0, 0.002))
    plain = gather(frames, np.ones(9, dtype=bool), None)
    assert bins is not None
    assert plain is not None
    held = np.sqrt(bins.sigma[0, 0] ** 2 - plain.sigma[0, 0] ** 2) / 0.02
    assert 0.1 < held < 0.8
