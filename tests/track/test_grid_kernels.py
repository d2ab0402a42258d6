"""The kernels of the even grid of phase against their plain twins, and against what they are for.

Tolerances: the signal on the grid is kept in single precision, 6e-8 of each value.
"""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from listen.track.resampling import FEW, PLACES, TAPS, middle_taps, tap_table
from tests.track.twins import both, single

POINTS = 96
START = 31


def _curve(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    knots = 100.0 + np.cumsum(rng.uniform(60.0, 140.0, 30))
    slopes = 0.01 * np.exp(np.cumsum(rng.normal(0.0, 0.02, 30)))
    turns = 4.2 + np.concatenate([[0.0], np.cumsum(np.diff(knots) * 0.5 * (slopes[1:] + slopes[:-1]))])
    return knots, turns, slopes


@pytest.mark.parametrize("reach", [0.0, 2.0])
def test_grid_places(reach: float) -> None:
    """Within the knots and beyond them."""
    knots, turns, slopes = _curve(1)
    start = int((turns[0] - reach) * POINTS)
    count = int((turns[-1] - turns[0] + 2 * reach) * POINTS)
    room = [np.full(count, np.nan), np.full(count, np.nan)]
    for compiled, plain in both("grid_places", knots, turns, slopes, POINTS, start, 50.0, out=room):
        np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-9)


def test_grid_places_undo_the_phase() -> None:
    """At a steady pitch point n lies at (n / points) / slope."""
    knots = np.array([0.0, 90.0, 200.0, 310.0])
    place, dphi = np.empty(200), np.empty(200)
    kernels.grid_places(knots, 0.02 * knots, np.full(4, 0.02), 40, 8, 5.0, place, dphi)
    np.testing.assert_allclose(place, (8 + np.arange(200)) / 40 / 0.02 - 5.0, atol=1e-10)
    np.testing.assert_allclose(dphi, 0.02, rtol=1e-12)


def room() -> tuple[np.ndarray, np.ndarray]:
    return np.empty((2, 96), dtype=np.int64), np.empty(96, dtype=np.float32)


@pytest.mark.parametrize("span", [30, 60, 320])
def test_interpolate(span: int) -> None:
    rng = np.random.default_rng(2)
    x = single(rng.standard_normal(900))
    place = np.sort(np.concatenate([[39.0, 39.5, 858.999], rng.uniform(39.0, 859.0, 2000)]))
    args = (x, place + 7.0, 7.0, middle_taps(), tap_table(), *room(), single(np.zeros(3 * span)))
    ((compiled, plain),) = both("interpolate", *args, out=[np.empty(len(place), dtype=np.float32)])
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=3e-6)


@pytest.mark.parametrize(
    "place", [[-60.0, -2.0, 5.0], [950.0, 2000.0], [3.0, 899.0], [450.0, 400.0, 10.0], [400.0] * 600]
)
def test_interpolate_stays_in_its_room_wherever_the_places_lie(place: list[float]) -> None:
    """Under a sanitizer this fails where a place is read or written that is not there."""
    x, out = single(np.ones(900)), single(np.full(len(place), 7.0))
    kernels.interpolate(x, np.array(place), 0.0, middle_taps(), tap_table(), *room(), single(np.zeros(96)), out)
    assert (out != 7.0).all()


@pytest.mark.parametrize("cycles_a_sample", [0.003, 0.11, 0.31, 0.44])
def test_interpolate_gives_the_sine_between_the_samples(cycles_a_sample: float) -> None:
    n = np.arange(400)
    place = np.sort(np.random.default_rng(3).uniform(40.0, 360.0, 2000))
    out = np.empty(2000, dtype=np.float32)
    x = single(np.cos(2 * np.pi * cycles_a_sample * n))
    kernels.interpolate(x, place, 0.0, middle_taps(), tap_table(), *room(), single(np.zeros(960)), out)
    # the windows, up to 0.45, and the parabolas between the table's rows
    assert np.abs(out - np.cos(2 * np.pi * cycles_a_sample * place)).max() < 3e-5


def test_the_taps_of_every_place_sum_to_one() -> None:
    table = tap_table()
    assert table.shape == (PLACES, 3, FEW)
    np.testing.assert_allclose(table.astype(float).sum(axis=2), np.tile([1.0, 0.0, 0.0], (PLACES, 1)), atol=1e-6)
    assert middle_taps().shape == (TAPS,)
    np.testing.assert_array_equal(middle_taps(), middle_taps()[::-1])
    assert middle_taps().astype(float).sum() == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("size", [1, 2, 3, 96, 1000])
def test_turn_table(size: int) -> None:
    for compiled, plain in both("turn_table", size, out=[np.full(1000, 7.0), np.full(1000, 7.0)]):
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-14)


@pytest.mark.parametrize("lap", [POINTS, 3 * POINTS])
def test_fold_frames(lap: int) -> None:
    rng = np.random.default_rng(4)
    y, dphi = single(rng.standard_normal(3000)), rng.uniform(0.01, 0.02, 3000)
    centres, cycles = np.array([300, 900, 1400, 2500]), np.array([4, 4, 2, 8])
    room = [np.full((4, lap), 7.0), np.full((4, lap), 7.0), np.empty((4, 2))]
    args = (y, dphi, START, POINTS, lap, centres, cycles, np.empty((2, 8 * POINTS)))
    for compiled, plain in both("sum_cycles", *args, out=room):
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-12)


@pytest.mark.parametrize("centres", [[200, 700, 1500], [-50, 700, 2600], [700], [-80, -20, 900]])
def test_leave(centres: list[int]) -> None:
    rng = np.random.default_rng(5)
    tables = single(rng.standard_normal((len(centres), 2 * POINTS)))
    args = (single(rng.standard_normal(2000)), START, np.array(centres), tables, rng.standard_normal(len(centres)))
    ((compiled, plain),) = both("leave", *args, out=[np.full(2000, 7.0, dtype=np.float32)])
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=3e-6)


def test_leave_takes_out_the_cycle_it_is_given() -> None:
    n = np.arange(1000)
    cycle = 0.5 * np.cos(2 * np.pi * np.arange(POINTS) / POINTS)
    y = single(0.1 + 0.5 * np.cos(2 * np.pi * (START + n) / POINTS))
    out = np.empty(1000, dtype=np.float32)
    kernels.leave(y, START, np.array([100, 500]), single(np.tile(cycle, (2, 1))), np.full(2, 0.1), out)
    np.testing.assert_allclose(out, 0.0, atol=1.5e-7)


@pytest.mark.parametrize("points", [8, 24, 96])
def test_fold_residual(points: int) -> None:
    r = single(np.random.default_rng(7).standard_normal(3000))
    lap = points * -(-64 // points)
    edges = np.array([0, 3, 900, 900, 3000])
    args = (r, START, points, lap, edges, np.array([0.0, 0.97, -0.4, 0.31]), 16, np.zeros((2, lap), dtype=np.float32))
    ((compiled, plain),) = both("residual_histogram", *args, out=[single(np.full((4, 2, 16), 7.0))])
    np.testing.assert_allclose(compiled, plain, rtol=1e-6, atol=1e-12)
    assert not compiled[2].any()


def test_fold_residual_of_white_noise_is_even() -> None:
    r = single(np.random.default_rng(8).standard_normal(300_000))
    out = np.empty((1, 2, 16), dtype=np.float32)
    edges = np.array([0, 300_000])
    kernels.residual_histogram(
        r, 0, POINTS, POINTS, edges, np.zeros(1), 16, np.empty((2, POINTS), dtype=np.float32), out
    )
    # variance 1, and 2 of a difference; 19000 values a part: 1 % of scatter, five times that
    np.testing.assert_allclose(out[0, 0], 1.0, rtol=0.05)
    np.testing.assert_allclose(out[0, 1], 2.0, rtol=0.06)


def test_gather_blocks() -> None:
    rng = np.random.default_rng(9)
    place = 40.0 + np.cumsum(rng.uniform(0.2, 1.4, 2000))
    r = single(rng.standard_normal(2000))
    for first, last, origin in ((0, 2000, 0.0), (17, 1500, 300.0), (5, 5, 0.0)):
        room = [np.tile([0.0, 1.0], (12, 1))]
        for compiled, plain in both("gather_blocks", r, place, first, last, origin, 64, out=room):
            np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-10)


def test_lay_points() -> None:
    """As the two kernels that it calls; a tone along the curve is the same cycle at every turn."""
    knots, turns, slopes = _curve(10)
    n = np.arange(60.0, 3200.0)
    dphi, phase = np.empty(len(n)), np.empty(len(n))
    kernels.phase_samples(knots, turns, slopes, 60, dphi, phase)
    count = int((turns[-2] - turns[1]) * POINTS)
    start = int(turns[1] * POINTS) + 1
    x, out = single(np.cos(2 * np.pi * phase)), [np.empty(count), np.empty(count), single(np.zeros(count))]
    args = (knots, turns, slopes, POINTS, start, x, 60.0, middle_taps(), tap_table(), *room(), single(np.zeros(960)))
    results = both("lay_points", *args, out=out)
    for (compiled, plain), atol in zip(results, (1e-9, 1e-12, 3e-6), strict=True):
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=atol)
    np.testing.assert_allclose(results[2][0], np.cos(2 * np.pi * (start + np.arange(count)) / POINTS), atol=2e-4)


def test_take_out() -> None:
    rng = np.random.default_rng(11)
    y, tables = single(rng.standard_normal(2000)), single(rng.standard_normal((2, POINTS)))
    place = 40.0 + np.cumsum(rng.uniform(0.2, 1.4, 2000))
    args = (y, place, START, POINTS, POINTS, np.array([500, 1500]), tables, np.array([0.1, 0.2]))
    args += (np.array([20, 1000, 1990]), np.array([0.0, 0.4]), 16, np.zeros((2, POINTS), dtype=np.float32), 30.0, 64)
    out = [single(np.zeros(2000)), np.zeros((20, 2)), single(np.zeros((2, 2, 16)))]
    for compiled, plain in both("subtract_mean_cycle", *args, out=out):
        np.testing.assert_allclose(compiled, plain, rtol=1e-5, atol=1e-5)
