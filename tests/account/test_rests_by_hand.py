"""Swings, rings and wavering of a rest, piece by piece: closed forms on a grid of 5 ms, each limit on both sides."""

from __future__ import annotations

import math

import numpy as np
import pytest

from listen.account.modulation import (
    Swing,
    _bends,
    _off_bin,
    _sidebands,
    _sustained,
    best_rate,
    find_swings,
    smeared,
    two_steps_leave,
    without_pitch,
)
from listen.account.settling import _first_levels, _level_without_glide, _swung_before, find_settlings
from listen.account.tone import BoardTone
from tests.accounts import segment, tone_on_grid

GRID_S = 0.005
T = 0.01 + GRID_S * np.arange(1200)
DB = 20 / math.log(10)
NOBODY = np.zeros(len(T), dtype=bool)


def tone(level: np.ndarray | float = 0.0, cents: np.ndarray | float = 0.0, f0_hz: float = 440.0) -> BoardTone:
    pitch = f0_hz * 2.0 ** (np.broadcast_to(cents, len(T)) / 1200)
    return tone_on_grid(T, pitch, np.log(0.25) + np.broadcast_to(level, len(T)))


def wave(rate_hz: float, depth: float = 0.05, at_s: float = 0.0) -> np.ndarray:
    return np.asarray(np.log1p(depth * np.cos(2 * np.pi * rate_hz * (T - at_s))))


def swings(level: np.ndarray, start_s: float = 1.0, end_s: float = 3.0, **changes: object) -> list[Swing]:
    return find_swings(tone(level), [segment(start_s, end_s, **changes)])


# A level that swings


@pytest.mark.parametrize(
    ("rate_hz", "seconds", "found"),
    [
        (0.45, 5.9, True),
        (0.36, 5.9, False),
        (44.0, 2.0, True),
        (46.5, 2.0, False),
        (2.7, 1.0, True),
        (2.2, 1.0, False),
        (7.0, 0.33, True),
        (7.0, 0.27, False),
    ],
)
def test_rates_that_a_rest_shows(rate_hz: float, seconds: float, found: bool) -> None:
    """0.4 to 45 Hz, two turns and a half, and no rest under 0.3 s."""
    start_s = 0.05 if seconds > 4 else 2.0
    f0_hz = 2000.0  # frames that smear little
    level = np.log1p(0.05 * np.sin(2 * np.pi * rate_hz * (T - start_s)))
    made = find_swings(tone(level, f0_hz=f0_hz), [segment(start_s, start_s + seconds, f0_hz)])
    assert bool([s for s in made if abs(s.rate_hz - rate_hz) < 0.1 * rate_hz]) is found


@pytest.mark.parametrize(("depth", "found"), [(0.0027, False), (0.0033, True)])
def test_a_swing_under_a_third_of_its_limit_is_nobodys(depth: float, found: bool) -> None:
    assert bool(swings(wave(5.0, depth))) is found


def test_the_depth_lies_between_the_outer_hundredths() -> None:
    """Spikes in fewer places do not count; what frames smear is put back, up to a factor of 1 / 0.3."""
    level = wave(5.0, 0.1)
    level[np.arange(250, 600, 140)] += 0.5
    (one,) = swings(level)
    assert one.depth * smeared(5.0, 440.0, GRID_S) == pytest.approx(0.1, rel=0.05)
    # 60 Hz: frames of two cycles leave 0.21 of a swing at 25 Hz
    (slow,) = find_swings(tone(wave(25.0, 0.05), f0_hz=60.0), [segment(1.0, 3.0, 60.0)])
    assert slow.depth == pytest.approx(0.05 / 0.3, rel=0.03)
    # no swing is deeper than all of the level
    (deep,) = find_swings(tone(wave(25.0, 0.9), f0_hz=60.0), [segment(1.0, 3.0, 60.0)])
    assert deep.depth == 1.0


@pytest.mark.parametrize(("keeps", "found"), [(0.55, False), (0.66, True)])
def test_a_swing_keeps_its_size_through_a_rest(keeps: float, found: bool) -> None:
    """The last third's over the first's: of exp(-a x) it is exp(-2 a / 3)."""
    fall = keeps ** ((T - 1.25) / (1.75 * 2 / 3))
    assert bool(swings(fall * wave(6.0))) is found


@pytest.mark.parametrize(("keeps", "found"), [(0.17, False), (0.25, True)])
def test_a_take_that_begins_with_a_ring_shows_it_while_it_lasts(keeps: float, found: bool) -> None:
    level = keeps ** ((T - 0.3) / (1.7 * 2 / 3)) * wave(6.0)
    assert bool(swings(level, 0.05, 2.0)) is found
    assert not swings(level, 0.15, 2.0)


@pytest.mark.parametrize(
    ("keeps", "seconds", "found"), [(0.75, 2.0, False), (0.86, 2.0, True), (1.0, 0.98, False), (1.0, 1.1, True)]
)
def test_after_a_retune_a_swing_must_go_on(keeps: float, seconds: float, found: bool) -> None:
    """Eight tenths of its size are left in the last third, and it is watched for 0.8 s after the first quarter."""
    level = keeps ** ((T - 1.25) / ((seconds - 0.25) * 2 / 3)) * wave(9.0)
    assert bool(swings(level, 1.0, 1.0 + seconds, retune_s=1.0)) is found
    assert swings(wave(9.0), 1.0, 1.0 + seconds) != []


@pytest.mark.parametrize(("share", "found"), [(0.42, False), (0.58, True)])
def test_one_rate_holds_half_of_what_moves(share: float, found: bool) -> None:
    """A sine, and lines beside it that are nowhere near its multiples."""
    one = np.sqrt(2 * share) * np.cos(2 * np.pi * 5.0 * T)
    rest = np.sqrt(2 * (1 - share) / 4) * sum(np.cos(2 * np.pi * f * T + f) for f in (7.3, 12.4, 18.1, 22.9))
    assert bool(swings(0.02 * (one + rest), 1.0, 4.0)) is found


def test_the_first_quarter_of_a_second_may_settle() -> None:
    """... of a rest of more than a second; a shorter one has all of it looked at."""
    level = wave(6.0) + np.where(T < 1.2, 0.4 * (1.2 - T), 0.0)
    (one,) = swings(level)
    assert one.share > 0.98
    assert one.depth * smeared(6.0, 440.0, GRID_S) == pytest.approx(0.05, rel=0.03)


def test_rates_beside_anothers_are_a_swings_own() -> None:
    level = wave(25.0)
    for other_hz, left in ((25.7, 0), (26.0, 1), (24.3, 0), (24.0, 1)):
        assert len(find_swings(tone(level), [segment(1.0, 3.0)], (other_hz,))) == left


def test_a_level_of_two_steps_is_no_swing() -> None:
    """The sum of squares that three levels leave: by trying all places, every 40 ms."""
    rng = np.random.default_rng(3)
    log = np.cumsum(rng.standard_normal(80)) * 0.01
    places = range(0, 81, 8)
    least = min(
        sum(float(np.sum((part - part.mean()) ** 2)) for part in (log[:i], log[i:j], log[j:]) if len(part))
        for i in places
        for j in places
        if j > i > 0
    )
    assert two_steps_leave(log) == pytest.approx(least, rel=1e-9)
    x = np.arange(240)
    assert _bends(0.05 * ((x > 80) & (x < 160)), 1.0)
    assert not _bends(0.05 * np.cos(2 * np.pi * 4 * x / 240), 1.0)


@pytest.mark.parametrize(
    ("slope_db_per_octave", "rest", "cents", "taken"),
    [(-6.0, 0.0, 5.0, True), (-11.5, 0.0, 5.0, True), (-12.6, 0.0, 5.0, False), (-6.0, 0.31, 5.0, True),
     (-6.0, 0.36, 5.0, False), (-6.0, 0.0, 1.2, False), (-6.0, 0.0, 1.6, True)],
)  # fmt: skip
def test_what_follows_the_pitch_is_a_stages_slope(
    slope_db_per_octave: float, rest: float, cents: float, taken: bool
) -> None:
    """12 dB an octave at the most, nine tenths of the level's variance, and a pitch that moves by a cent r.m.s."""
    turn = 2 * np.pi * np.arange(400) / 50
    moves = cents * np.cos(turn)
    level = slope_db_per_octave / DB / 1200 * moves
    flat = level + rest * np.abs(level).max() * np.sin(turn)
    left = without_pitch(flat, moves)
    assert (float(left @ left) < 0.15 * float(flat @ flat)) is taken


def test_a_peak_between_bins() -> None:
    """Through three logarithms of a parabola it is exact; at an edge, or of a flat top, there is none."""
    for off in (-0.4, 0.0, 0.3):
        power = np.exp(-0.7 * (np.arange(9.0) - 4.0 - off) ** 2)
        assert _off_bin(power, 4) == pytest.approx(off, abs=1e-9)
    assert _off_bin(np.arange(9.0)[::-1] + 1, 0) == 0.0
    assert _off_bin(np.ones(9), 4) == 0.0
    assert _off_bin(np.array([1.0, 1.0, 1.1, 1.2]), 2) == 0.5


def test_the_share_of_a_rate_holds_its_multiples() -> None:
    t = GRID_S * np.arange(800)
    level = sum(a * np.cos(2 * np.pi * k * 3.03 * t) for k, a in ((1, 1.0), (2, 0.5), (3, 0.3), (4, 0.4)))
    found = best_rate(level, GRID_S)
    assert found is not None
    assert found[0] == pytest.approx(3.03, abs=0.005)
    assert found[1] == pytest.approx(1.34 / 1.5, abs=0.01)
    # a line as wide as its window, 2 / T on each side, is all its own
    assert best_rate(np.cos(2 * np.pi * 7.0 * t), GRID_S)[1] > 0.999  # type: ignore[index]
    beside = best_rate(np.cos(2 * np.pi * 7.0 * t) + 0.5 * np.cos(2 * np.pi * 8.2 * t), GRID_S)
    assert beside is not None
    assert beside[1] == pytest.approx(0.8, abs=0.02)
    assert _sustained(level, 3.03, GRID_S) > 0.9
    assert _sustained(level * np.linspace(1.0, 0.2, 800), 3.03, GRID_S) < 0.6


@pytest.mark.parametrize(("other", "one_sided"), [(0.08, True), (0.12, False)])
def test_one_sideband_is_ten_times_the_other(other: float, one_sided: bool) -> None:
    """A small upper and lower line a and b: level (a + b) cos, phase (a - b) sin; the pitch is the phase's slope."""
    rate_hz, f0_hz, a = 6.0, 440.0, 0.02
    t = GRID_S * np.arange(500)
    turn = 2 * np.pi * rate_hz * t
    level = a * (1 + other) * np.cos(turn)
    cents = 1200 / np.log(2) * a * (1 - other) * rate_hz / f0_hz * np.cos(turn)
    follows, one, _ = _sidebands(level, cents, rate_hz, f0_hz, GRID_S)
    assert one is one_sided
    assert follows == pytest.approx((1 - other) / (1 + other), rel=0.02)


@pytest.mark.parametrize(
    ("rate_hz", "f0_hz", "known"),
    [(11.4, 60.0, False), (11.1, 60.0, True), (71.0, 2000.0, True), (78.0, 2000.0, False)],
)
def test_the_pitchs_own_swing_is_known_where_a_mean_leaves_three_tenths(
    rate_hz: float, f0_hz: float, known: bool
) -> None:
    """Of a sine: sinc of its turns in four cycles, or 10 ms. A pitch that keeps still follows nothing."""
    t = GRID_S * np.arange(500)
    averaged = np.sinc(rate_hz * max(4.0 / f0_hz, 0.01))
    assert (averaged > 0.3) == known
    follows, one_sided, _ = _sidebands(0.05 * np.cos(2 * np.pi * rate_hz * t), np.zeros(500), rate_hz, f0_hz, GRID_S)
    assert (follows, one_sided) == (pytest.approx(0.0 if known else 1.0, abs=1e-9), False)


# What follows a retune


def settled(level_db: np.ndarray, cents: np.ndarray | float = 0.0, retune_s: float = 1.0, end_s: float = 3.0):  # type: ignore[no-untyped-def]
    found = find_settlings(tone(level_db / DB, cents), [segment(retune_s, end_s, retune_s=retune_s)], [])
    return found[0] if found else None


def ring_db(size_db: float, decay_s: float, rate_hz: float, at_s: float = 1.0) -> np.ndarray:
    since = np.maximum(T - at_s, 0.0)
    return np.where(T < at_s, 0.0, size_db * np.exp(-since / decay_s) * np.cos(2 * np.pi * rate_hz * since))


@pytest.mark.parametrize(
    ("decay_s", "rate_hz"),
    [
        (0.025, 0.0),
        (0.04, 0.0),
        (0.5, 0.0),
        (1.2, 0.0),
        (0.5, 0.5),
        (1.2, 2.0),
        (0.2, 12.0),
        (0.06, 30.0),
        (0.03, 42.0),
    ],
)
def test_rings_over_the_whole_range_of_times_and_rates(decay_s: float, rate_hz: float) -> None:
    found = settled(ring_db(3.0, decay_s, rate_hz), end_s=5.0)
    assert found.ring
    assert found.decay_s == pytest.approx(decay_s, rel=0.05)
    assert found.rate_hz == pytest.approx(rate_hz, rel=0.01)
    assert (found.retune_s, found.f0_hz) == (1.0, 440.0)
    fine = np.arange(0.01, 4.0, 0.002)
    true = 3.0 * np.exp(-fine / decay_s) * np.cos(2 * np.pi * rate_hz * fine)
    assert found.settle_s == pytest.approx(fine[np.abs(true) > 0.5][-1], abs=0.02)
    assert found.overshoot_db == pytest.approx(true.max(), rel=0.12)


def test_a_ring_that_begins_at_rest_is_as_large_as_its_first_turn() -> None:
    since = np.maximum(T - 1.0, 0.0)
    level = 3.0 * np.exp(-since / 0.2) * np.sin(2 * np.pi * 5.0 * since)
    found = settled(-level)
    assert found.deviation_db == pytest.approx(level.max(), rel=0.05)
    assert found.overshoot_db == pytest.approx(-level.min(), rel=0.05)
    assert found.settle_s == pytest.approx(since[np.abs(level) > 0.5][-1], abs=0.01)


@pytest.mark.parametrize(("noise_db", "ring"), [(0.12, True), (0.6, False)])
def test_a_ring_explains_more_than_all_else(noise_db: float, ring: bool) -> None:
    noise = np.random.default_rng(7).standard_normal(len(T))
    found = settled(ring_db(1.0, 0.2, 6.0) + noise_db * noise)
    assert found.ring is ring
    if ring:
        assert found.share > 0.5


def test_a_recovery_over_most_of_the_rest_is_clipped_to_it() -> None:
    """Of a rest of 2 s no time constant is longer than 1.6 s."""
    found = settled(ring_db(3.0, 2.5, 0.0))
    assert found.ring
    assert found.decay_s == pytest.approx(0.8 * (2.0 - 0.03), rel=0.02)


def test_a_rest_must_be_long_enough_and_tracked() -> None:
    level = ring_db(3.0, 0.1, 8.0)
    assert settled(level, end_s=1.38) is None
    assert settled(level, end_s=1.42).ring
    made = tone(level / DB)
    broken = tone_on_grid(T, 440.0, made.log_level, tracked=np.abs(T - 2.0) > 0.01)
    assert find_settlings(broken, [segment(1.0, 3.0, retune_s=1.0)], []) == []
    assert find_settlings(made, [segment(1.0, 3.0)], []) == []
    still = settled(np.zeros(len(T)))
    assert (still.ring, still.deviation_db, still.overshoot_db, still.settle_s) == (False, 0.0, 0.0, 0.0)
    assert (still.decay_s, still.rate_hz, still.share) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("before", "ring"), [(0.25, True), (0.45, False)])
def test_a_swing_that_was_there_before_has_only_gone_on(before: float, ring: bool) -> None:
    """The swing before the move against the ring's size after it, of 2 dB."""
    level = np.where(T < 1.0, 2.0 * before * np.cos(2 * np.pi * 8.0 * (T - 1.0)), ring_db(2.0, 0.3, 8.0))
    assert settled(level).ring is ring


def test_how_far_the_level_swung_before_a_move() -> None:
    """In the 0.6 s before it, if it turned round five times; of less than 0.2 s nothing is said."""
    level = np.where(T < 1.35, 9.0, 1.5) / DB * np.cos(2 * np.pi * 8.0 * T)
    assert _swung_before(tone(level), 2.0) == pytest.approx(1.5, rel=0.15)
    assert _swung_before(tone(1.5 / DB * np.cos(2 * np.pi * 3.0 * T)), 2.0) == 0.0
    early = tone_on_grid(T, 440.0, 1.5 / DB * np.cos(2 * np.pi * 30.0 * T))
    assert _swung_before(early, 0.2) == 0.0
    assert _swung_before(early, 0.25) > 1.0


def test_levels_after_a_move_begin_with_the_first_frames_that_hold_none_of_it() -> None:
    t, level = _first_levels(tone(0.1 * T), 1.0, 300)
    assert (t[0], t[-1]) == (pytest.approx(0.01), pytest.approx(T[299] - 1.0))
    assert level[0] == pytest.approx(DB * (np.log(0.25) + 0.101))


@pytest.mark.parametrize(("glide_cents", "back", "taken"), [(11.0, 0.0, True), (9.0, 0.0, False), (30.0, 0.35, False)])
def test_a_level_follows_a_glide_one_way(glide_cents: float, back: float, taken: bool) -> None:
    """Tens of cents, and no fifth of it back: else the pitch follows the level."""
    course = np.where(T < 1.5, (1.5 - T) / 0.5, 0.0) * (T >= 1.0) - back * np.exp(-(((T - 1.5) / 0.1) ** 2))
    cents = glide_cents / max(float(np.ptp(course[198:500])), 1e-9) * course
    level = 6.0 / DB * cents / 1200
    left = _level_without_glide(tone(level, cents), 198, 500)
    assert (np.ptp(left) < 0.3 * np.ptp(DB * level[198:500])) == taken
