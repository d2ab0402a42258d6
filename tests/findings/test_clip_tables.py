"""Tables of clipped, slewed and dead-banded sines and of cut triangles against the waves, drawn and transformed.

Outside checks: Fourier series by numpy's transform of one cycle of 16384 points; a follower of limited slope, stepped;
SciPy's triangle (scipy.signal.sawtooth).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy import signal

from listen.findings.flattened import (
    clip_table,
    dead_band_harmonics,
    dead_band_ratio,
    dead_band_table,
    hard_share,
    put_back,
    slew_lines,
    slew_table,
    tapered_slope,
    true_loss,
)
from listen.findings.triangles import tabled, tip_loss, tip_table, whole_triangle
from tests.findings.slewing import followed_sine

POINTS = 1 << 14
PHASE = 2 * np.pi * np.arange(POINTS) / POINTS
SINE, TRIANGLE = np.cos(PHASE), signal.sawtooth(PHASE + np.pi, 0.5)
SINE_FLAT = np.arccos(0.98) / np.pi
"""Part of the cycle in which a sine is above 98 % of its crest."""


def clipped(wave: np.ndarray, level: float, both: bool) -> np.ndarray:
    return np.clip(wave, -level if both else -1.0, level)


def seen(wave: np.ndarray, orders: int) -> tuple[float, float, float]:
    """Both crests over the fundamental, and the upper one's flat span over a sine's, of so many harmonics."""
    spectrum = np.fft.rfft(wave)
    spectrum[0], spectrum[orders + 1 :] = 0.0, 0.0
    sum_ = np.fft.irfft(spectrum)
    first = 2 * abs(spectrum[1]) / POINTS
    return sum_.max() / first, -sum_.min() / first, float(np.mean(sum_ >= 0.98 * sum_.max())) / SINE_FLAT


def losses(wave: np.ndarray, whole: np.ndarray, orders: int, both: bool) -> tuple[float, float, float]:
    """Loss of the whole wave, the loss and the flat span that so many harmonics show."""
    up, down, _ = seen(wave, POINTS // 2 - 1)
    read_up, read_down, flat = seen(wave, orders)
    if not both:
        return 1 - up / down, 1 - read_up / read_down, flat
    return 1 - up / seen(whole, POINTS // 2 - 1)[0], 1 - read_up / seen(whole, orders)[0], flat


def one(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("orders", [3, 5, 8, 14, 40])
@pytest.mark.parametrize("level", [0.999, 0.97, 0.92, 0.897, 0.75, 0.4, 0.31])
def test_a_clipped_sine_is_put_back_to_its_whole_wave(level: float, orders: int, both: bool) -> None:
    if both and level < 0.5 and orders < 40:
        return  # the ripple of a square's few harmonics grows as fast as the loss
    true, read, flat = losses(clipped(SINE, level, both), SINE, orders, both)
    (found,) = true_loss(one(read), np.array([orders]), both)
    # what is clipped less than Gibbs' ripple of so few harmonics is not told from nothing
    assert found == pytest.approx(true, abs=0.02 if orders < 8 else 0.006)
    if orders >= 4 and true > 0.02:
        assert hard_share(one(read), one(flat), np.array([orders]), both)[0] == pytest.approx(1.0, abs=0.12)
    # a sine's own flat span is none of a clip's
    share = hard_share(one(read), one(1.0), np.array([orders]), both)[0]
    assert np.isnan(share) or share == 0.0


def test_fewer_harmonics_than_a_table_tell_nothing() -> None:
    """With H2 alone the loss stays as read; three lines have no flat span, and four do."""
    read = np.array([0.1, 0.1, 0.1, 0.1])
    orders = np.array([2, 3, 4, 2])
    found = true_loss(read, orders, False)
    assert found[[0, 3]].tolist() == [0.1, 0.1]
    assert found[1] == put_back(read[:1], clip_table(3, False))[0] != 0.1
    assert found[2] == put_back(read[:1], clip_table(4, False))[0] != 0.1
    flat = np.full(4, 1.5)
    assert np.isfinite(hard_share(read, flat, orders, False)).tolist() == [False, False, True, False]


@pytest.mark.parametrize("both", [False, True])
def test_how_flat_a_top_is_is_known_where_a_clip_is_flatter_than_a_sine(both: bool) -> None:
    """Told where a hard clip of the loss is 2 % flatter than a sine, not where it is less."""
    orders = 12
    for level in np.concatenate([np.linspace(0.9995, 0.98, 60), np.linspace(0.97, 0.7, 10)]).tolist():
        _, read, flat = losses(clipped(SINE, level, both), SINE, orders, both)
        share = hard_share(one(read), one(flat), np.array([orders]), both)[0]
        if flat > 1.05:
            assert np.isfinite(share)
        elif flat < 0.99:
            assert np.isnan(share)


def test_nothing_lost_is_nothing_put_back() -> None:
    for both in (False, True):
        table = clip_table(10, both)
        assert put_back(np.array([0.0, -0.1]), table).tolist() == [0.0, 0.0]
        # between nothing and the first entry in proportion, and deeper than the last one as deep as that
        first = int(np.flatnonzero(table.read_loss > 0)[0])
        half = put_back(0.5 * table.read_loss[first : first + 1], table)[0]
        assert half == pytest.approx(0.5 * table.loss[first])
        assert put_back(one(0.9), table)[0] == table.loss[-1]
        assert (np.diff(table.loss) > 0).all()


@pytest.mark.parametrize("both", [False, True])
def test_second_and_third_harmonics_of_a_clip_go_with_its_loss(both: bool) -> None:
    table = clip_table(20, both)
    for level in (0.95, 0.6, 0.35):
        wave = clipped(SINE, level, both)
        lines = np.abs(np.fft.rfft(wave)[1:4])
        true = losses(wave, SINE, 20, both)[0]
        assert np.interp(true, table.loss, table.h2) == pytest.approx(lines[1] / lines[0], abs=4e-4)
        assert np.interp(true, table.loss, table.h3) == pytest.approx(lines[2] / lines[0], abs=4e-4)


@lru_cache(maxsize=16)
def follower(ratio: float) -> tuple[np.ndarray, float]:
    """Harmonics 1 .. 64 of a stepped follower whose limit is 1 / ratio of a unit sine's slope, and that limit."""
    return followed_sine(ratio, 1 << 12)[1:65], 1.0 / ratio


def steepest(lines: np.ndarray) -> float:
    """Largest slope of a sum with Lanczos' taper over that of its fundamental, itself tapered."""
    k = np.arange(1, len(lines) + 1)
    taper = np.sinc(k / (len(lines) + 1)) / np.sinc(1 / (len(lines) + 1))
    turn = np.exp(1j * np.outer(PHASE[::8], k))
    return float(np.abs((turn @ (1j * k * lines * taper)).real).max() / abs(lines[0]))


@pytest.mark.parametrize("orders", [5, 15])
@pytest.mark.parametrize("ratio", [1.01, 1.035, 1.08, 1.12, 1.18, 1.25, 1.4, 1.6, 1.8])
def test_the_slope_of_a_slewed_sine_is_read_from_its_third_harmonic(ratio: float, orders: int) -> None:
    lines, limit = follower(ratio)
    third = abs(lines[2] / lines[0])
    read, true, thirds = slew_table(orders)
    assert (np.diff(thirds) > 0).all()
    assert thirds[0] < 1e-9
    assert np.interp(third, thirds, read) == pytest.approx(steepest(lines[:orders]), abs=0.012)
    assert np.interp(third, thirds, true) == pytest.approx(min(limit / abs(lines[0]), 1.0), abs=0.012)
    assert tapered_slope(lines[:orders]) == pytest.approx(steepest(lines[:orders]), abs=1e-3)


def test_a_sine_that_just_reaches_its_limit_is_a_sine() -> None:
    read, true, third = (column[0] for column in slew_table(10))
    assert (read, true, third) == pytest.approx((1.0, 1.0, 0.0), abs=1e-9)
    # the full triangle's slope over its fundamental's: pi / 4, from its series
    assert slew_table(10)[1][-1] == pytest.approx(np.pi / 4, abs=1e-3)


@pytest.mark.parametrize("ratio", [1.03, 1.06, 1.09, 1.11, 1.14, 1.17, 1.25, 1.4, 1.48])
def test_third_and_fifth_of_a_slewed_sine_lie_on_one_line(ratio: float) -> None:
    lines = follower(ratio)[0]
    turn = np.exp(-1j * np.angle(lines[0]) * np.arange(1, 6))
    third, fifth = (lines[:5] * turn / abs(lines[0]))[[2, 4]]
    thirds, phase, fifths = slew_lines()
    assert (np.diff(thirds) > 0).all()
    assert np.interp(abs(third), thirds, phase) == pytest.approx(np.angle(third), abs=0.06)
    assert np.interp(abs(third), thirds, fifths) == pytest.approx(abs(fifth), abs=0.003)


def banded(band: float) -> np.ndarray:
    """Harmonics 1 .. of a sine through a dead band."""
    return np.fft.rfft(np.sign(SINE) * np.maximum(np.abs(SINE) - band, 0.0))[1:40] * 2 / POINTS


@pytest.mark.parametrize("band", [3e-4, 2e-3, 0.01, 0.05, 0.12, 0.25, 0.39])
def test_a_dead_band_is_read_from_its_third_harmonic(band: float) -> None:
    lines = banded(band)
    third = abs(lines[2] / lines[0])
    assert dead_band_ratio(one(third))[0] == pytest.approx(band, rel=0.02)
    assert dead_band_harmonics(band, 5)[2] == pytest.approx(third, rel=1e-3)
    if band >= 2e-3:
        for orders in (2, 7, 20):
            thirds, slope = dead_band_table(orders)
            assert thirds[0] < abs(np.divide(*banded(1.2e-3)[[2, 0]]))
            assert (np.diff(thirds) > 0).all()
            assert np.interp(third, thirds, slope) == pytest.approx(steepest(lines[:orders]), abs=2e-3)
    assert dead_band_ratio(np.zeros(1))[0] == 0.0


@pytest.mark.parametrize("band", [0.45, 0.7])
def test_a_wider_dead_band_is_told_as_two_fifths_of_the_peak(band: float) -> None:
    """A wave that is at rest for a quarter of the cycle and more is no sine any longer: the table ends there."""
    lines = banded(band)
    assert dead_band_ratio(one(abs(lines[2] / lines[0])))[0] == pytest.approx(0.4)


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("orders", [3, 6, 12, 32, 60])
@pytest.mark.parametrize("level", [0.99, 0.95, 0.895, 0.7, 0.4, 0.22])
def test_a_cut_triangle_is_put_back_to_its_whole_wave(level: float, orders: int, both: bool) -> None:
    if both and level < 0.5 and orders < 12:
        return  # the ripple of a square's few harmonics grows as fast as the loss
    wave = clipped(TRIANGLE, level, both)
    wave = wave - wave.mean()
    true, read, flat = losses(wave, TRIANGLE, orders, both)
    loss, share = tip_loss(one(read), one(flat), np.array([orders]), both)
    if orders >= 12 or read > 0.02:
        assert loss[0] == pytest.approx(true, abs=0.01 if orders >= 12 else 0.03)
    own = seen(TRIANGLE, orders)[2]
    if np.isfinite(share[0]) and flat - own > 0.3:
        assert share[0] == pytest.approx(1.0, abs=0.15)
    if flat - own > 0.5:
        assert np.isfinite(share[0])
    # as flat as a whole tip of so many harmonics is no cut
    whole = tip_loss(one(read), one(own), np.array([orders]), both)[1][0]
    assert np.isnan(whole) or whole == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("both", "least"), [(False, 0.02), (True, 0.3)])
@pytest.mark.parametrize("orders", [6, 24])
def test_the_flatness_of_a_tip_is_known_where_a_clip_is_that_much_flatter(
    both: bool, least: float, orders: int
) -> None:
    """Both tips are rounded by a low-pass, one tip is not: so both ask more."""
    table, own = tip_table(orders, both), whole_triangle(orders)[1]
    more = table.read_flat - own
    rising = np.diff(table.read_loss, prepend=-1.0) > 1e-6
    share = tip_loss(table.read_loss, table.read_flat, np.full(len(more), orders), both)[1]
    clear, none = rising & (more > 1.05 * least) & (more < 1.45 * least), rising & (more < 0.95 * least)
    assert np.isfinite(share[clear]).all()
    assert np.isnan(share[none]).all()
    assert np.isfinite(share[rising & (more > 1.5 * least)]).all()


def test_tips_of_fewer_than_three_harmonics_stay_as_measured() -> None:
    loss, share = tip_loss(np.full(3, 0.1), np.full(3, 3.0), np.array([2, 3, 0]), False)
    assert loss[[0, 2]].tolist() == [0.1, 0.1]
    assert np.isnan(share[[0, 2]]).all()
    assert loss[1] == put_back(one(0.1), tip_table(3, False))[0] != 0.1


def test_tables_are_made_for_no_more_harmonics_than_there_are() -> None:
    orders = np.arange(0, 300)
    found = tabled(orders)
    assert (found[1:] <= orders[1:]).all()
    assert (found[1:] > orders[1:] / 1.25)[:260].all()
    np.testing.assert_array_equal(found[1:33], orders[1:33])
    assert found[0] == 1
