"""At which difference of its levels a wave is told to be another one, on harmonics made by hand.

Fourier series of a triangle 1 / k^2, a square 1 / k, a sawtooth 1 / k of all orders, a pulse sin(pi k d) / k: any
handbook.
"""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.curve.bins import Bins
from listen.account.waves.standard import other_wave

K = np.arange(2, 11)
ODD = K % 2 == 1
N = 10
FALLS_DB = np.where(ODD, -40 * np.log10(K), -60.0)
SQUARE_DB = np.where(ODD, -20 * np.log10(K), -60.0)


def bins_of(
    levels_db: np.ndarray, sign: float = 1.0, orders: int = 10, span: float = 4.0, slope_db: float = 0.0
) -> Bins:
    """Ten bins over ``span`` in pitch, whose level falls by so much in an octave; a row of levels, or one a bin."""
    r = sign * 10 ** (np.broadcast_to(levels_db, (N, 9)) / 20) + 0j
    sigma = np.full((N, 9), 1e-3)
    sigma[:, orders - 1 :] = np.inf
    f0 = 200.0 * np.geomspace(1.0, span, N)
    return Bins(
        f0_hz=f0,
        amplitude_fs=0.3 * 10 ** (slope_db * np.log2(f0 / f0[0]) / 20),
        r=np.where(np.isfinite(sigma), r, 0),
        sigma=sigma,
        noise=sigma,
        count=np.full(N, 9),
        own=np.full(5, -1),
        weight=0.8,
    )


@pytest.mark.parametrize(("off_db", "found"), [(0.0, "triangle"), (3.0, "triangle"), (4.2, None), (-3.0, "triangle")])
def test_another_wave_is_within_two_and_a_half_decibels(off_db: float, found: str | None) -> None:
    """Half of the lines are odd: 3 dB of them are 2.1 dB r.m.s."""
    assert other_wave(bins_of(FALLS_DB + off_db * ODD), "sine") == found


@pytest.mark.parametrize(("even_db", "found"), [(-44.0, "triangle"), (-60.0, "triangle"), (-37.0, None)])
def test_lines_under_an_ordinary_floor_say_nothing(even_db: float, found: str | None) -> None:
    assert other_wave(bins_of(np.where(ODD, FALLS_DB, even_db)), "sine") == found


@pytest.mark.parametrize(("way", "found"), [(0.5, None), (0.58, None), (0.8, "triangle"), (1.0, "triangle")])
def test_it_is_not_the_stated_one_from_six_decibels_on(way: float, found: str | None) -> None:
    """From a square to a triangle, 9.8 dB apart."""
    levels = (1 - way) * SQUARE_DB + way * FALLS_DB
    assert other_wave(bins_of(levels), "square") == found


@pytest.mark.parametrize(("third_db", "found"), [(-40.0, "sine"), (-32.0, "sine"), (-27.3, None)])
def test_a_sine_may_be_distorted_and_is_a_sine(third_db: float, found: str | None) -> None:
    levels = np.where(K == 3, third_db, -60.0)
    assert other_wave(bins_of(levels), "triangle") == found
    assert other_wave(bins_of(levels), "sine") is None


def test_nine_in_ten_bins_must_be_like_it() -> None:
    for unlike, found in ((0, "triangle"), (1, "triangle"), (2, None), (4, None)):
        levels = np.tile(FALLS_DB, (N, 1))
        levels[:unlike] = FALLS_DB + 14.0 * ODD
        assert other_wave(bins_of(levels), "sine") == found


@pytest.mark.parametrize(("orders", "found"), [(2, None), (3, None), (4, "triangle"), (5, "triangle")])
def test_of_fewer_than_three_harmonics_nothing_is_told(orders: int, found: str | None) -> None:
    assert other_wave(bins_of(FALLS_DB, orders=orders), "sine") == found


@pytest.mark.parametrize(
    ("slope_db", "span", "found"),
    [
        (-6.0, 4.0, None),
        (-5.0, 4.0, None),
        (-4.0, 4.0, "triangle"),
        (0.0, 4.0, "triangle"),
        (-6.0, 1.6, None),
        (-6.0, 1.4, "triangle"),
    ],
)
def test_a_triangle_whose_level_falls_as_a_slewing_sines_is_one(
    slope_db: float, span: float, found: str | None
) -> None:
    """1 / f is 6 dB an octave; over less than half an octave there is no slope to speak of."""
    assert other_wave(bins_of(FALLS_DB, slope_db=slope_db, span=span), "sine") == found
    # where no sine was to come, it is a triangle however its level goes
    assert other_wave(bins_of(FALLS_DB, slope_db=slope_db, span=span), "square") == "triangle"


def test_tops_that_are_cut_are_no_triangle() -> None:
    """A triangle's third harmonic raises its crests, a clip's lowers them."""
    assert other_wave(bins_of(FALLS_DB, sign=-1.0), "sine") is None
    assert other_wave(bins_of(SQUARE_DB, sign=-1.0), "sine") == "square"


@pytest.mark.parametrize(("rss", "found"), [(0.4, None), (0.5, "any"), (0.6, "any")])
def test_more_distortion_than_a_squares_is_no_sines(rss: float, found: str | None) -> None:
    """A square's harmonics up to the seventh come to 0.41; none has six that are alike."""
    assert np.sqrt(np.sum(1.0 / np.array([3.0, 5.0, 7.0]) ** 2)) == pytest.approx(0.41, abs=0.005)
    levels = np.where(K <= 7, 20 * np.log10(rss / np.sqrt(6)), -60.0)
    assert other_wave(bins_of(levels), "sine") == found
    assert other_wave(bins_of(levels), "pulse") is None
    assert other_wave(bins_of(levels), "any") is None


@pytest.mark.parametrize("share", [0.03, 0.2, 0.35])
def test_a_pulse_is_one_of_any_duty(share: float) -> None:
    lines = np.abs(np.sin(np.pi * K * share)) / (K * np.sin(np.pi * share))
    levels = 20 * np.log10(np.maximum(lines, 1e-4))
    assert other_wave(bins_of(levels), "sine") == "pulse"
    assert other_wave(bins_of(levels), "pulse") is None
    # of the pulse's levels alone nine in ten bins
    mixed = np.tile(levels, (N, 1))
    mixed[:3, :] = -3.0 - K
    assert other_wave(bins_of(mixed), "sine") == "any"
