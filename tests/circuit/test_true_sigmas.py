"""Figures whose deviation hangs on what nobody states, or on rows that are not read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.curve.bins import Bins
from listen.account.waves.cycle import Cycle, bow_of, lines_of, parabola_error
from listen.bench import Bench, BuildSettings, CaptureSettings
from listen.circuit.shape import one_bend, overall
from listen.circuit.shaper import pair_lines, read_shaper
from listen.circuit.smoothing import median_of_take
from tests.circuit import sigma_waves
from tests.circuit.checking import told
from tests.circuit.sigma_waves import STEPS_HZ, Core, Gear, bowed_percent, recorded, wave_of
from tests.takes.analytic_waves import WaveTake, samples
from tests.tones import check_of

COUPLING_HZ = (3.0, 1.2)


def test_a_median_along_the_dial_holds_for_the_whole_take() -> None:
    """A dial that rests at both ends, whose first and last rows are not read."""
    heard_s = np.arange(0.0, 5.0, 0.02)
    place = np.clip((heard_s - 0.6) / 3.0, 0.0, 1.0) ** 2
    rows = slice(9, -5)
    found, sigma = median_of_take(heard_s[rows], place[rows], heard_s, np.zeros(len(heard_s), dtype=bool))
    assert found == pytest.approx(np.median(place), abs=1e-12)
    assert sigma == 0.0
    assert abs(np.median(place[rows]) - np.median(place)) > 0.01


def test_rows_beyond_the_ends_make_a_median_less_sure_where_the_dial_moves() -> None:
    heard_s = np.arange(0.0, 5.0, 0.02)
    rows, moved = slice(12, None), np.ones(len(heard_s), dtype=bool)
    # what comes from the other side of the median may have been there
    place = np.sin(4 * np.pi * (heard_s - 0.15) / 5.0)
    found, sigma = median_of_take(heard_s[rows], place[rows], heard_s, moved)
    assert abs(found - np.median(place)) < 2.0 * sigma < 0.4
    # at the end of a turn it was further out
    found, sigma = median_of_take(heard_s[rows], heard_s[rows], heard_s, moved)
    assert (found, sigma) == (pytest.approx(np.median(heard_s)), 0.0)


def test_a_gap_in_which_the_control_was_moved_makes_a_median_less_sure() -> None:
    """Up, and back while no row is read: whether soon or late is not known."""
    heard_s = np.arange(0.0, 3.0, 0.02)
    rows = (heard_s < 1.5) | (heard_s > 2.2)
    for back_s in (1.6, 1.85, 2.1):
        place = np.where(heard_s < back_s, heard_s / 1.5, 0.4)
        moved = np.abs(place - np.where(heard_s < 1.86, 1.0, 0.4)) > 0.01
        found, sigma = median_of_take(heard_s[rows], place[rows], heard_s, moved)
        assert abs(found - np.median(place)) < 2.0 * sigma
    assert sigma < 0.2
    # where it rested it is known
    assert median_of_take(heard_s[rows], place[rows], heard_s, np.zeros(150, dtype=bool))[1] == 0.0


@pytest.mark.parametrize("corner_hz", [1.2, 4.6])
def test_a_coupling_that_nobody_states_takes_its_share_of_the_bow(corner_hz: float) -> None:
    f0 = np.array([100.0])
    bend, sigma, _ = one_bend(0.03 + corner_hz / f0, np.array([1e-4]), f0, *COUPLING_HZ)
    assert sigma == pytest.approx(0.012, rel=0.01)
    assert abs(bend - 0.03) < 2.0 * sigma
    # a turn over two octaves tells the coupling's share by its fall with the pitch
    f0 = np.geomspace(100.0, 400.0, 8)
    bend, wide, misfit = one_bend(0.03 + corner_hz / f0, np.full(8, 1e-4), f0, *COUPLING_HZ)
    assert wide < 0.1 * sigma
    assert bend == pytest.approx(0.03, abs=2.0 * wide)
    assert misfit < 1.0


@pytest.mark.parametrize("recorder_pole_hz", [0.0, 110e3])
@pytest.mark.parametrize("corner_s", [12e-6, 30e-6])
def test_a_corner_holds_with_an_ordinary_recorder_and_without_one(corner_s: float, recorder_pole_hz: float) -> None:
    take = WaveTake(wave="square", low_hz=200.0, high_hz=300.0, corner_s=corner_s, recorder_pole_hz=recorder_pole_hz)
    capture = CaptureSettings(ac_coupling_hz=take.coupling_hz)
    bench = Bench(build=BuildSettings(wave="square"), capture=capture)
    figures = check_of(samples(take), take.rate_hz, bench=bench).wave_figures
    quantity = figures.corner_us
    off = abs(quantity.value - 1e6 * corner_s) / quantity.sigma
    assert quantity.bound is None
    assert off < 1.6
    # one part of the recorder's 1.45 us beside the corner's own, no more
    assert quantity.sigma < 0.6 * 1.447**2 / (2e6 * corner_s) + 0.1


@pytest.mark.parametrize("bow", [{"leak": 0.32}, {"parabola": 0.04}])
def test_a_bow_holds_for_a_leak_and_for_a_parabola(bow: dict[str, float]) -> None:
    core = Core(wave="triangle", **bow)
    gear = Gear(rate_hz=48000, coupling_hz=2.0, coupling_stated=True, pole_hz=0.0, pole_stated=False, ripple=0.0,
                echo=20, snr_db=75.0)  # fmt: skip
    rng = np.random.default_rng(3)
    x, capture = recorded(wave_of(core, np.full(int(2.1 * STEPS_HZ), 300.0), STEPS_HZ), gear, rng)
    quantity = told(x, gear.rate_hz, Bench(build=BuildSettings(wave="triangle"), capture=capture)).shape.bow_percent
    assert abs(quantity.value - bowed_percent(core, 300.0)) < 1.6 * quantity.sigma
    assert quantity.sigma > 0.001 * quantity.value**2


@pytest.mark.parametrize("share", [0.5, 0.53])
def test_harmonics_of_a_parabola_are_those_of_its_samples(share: float) -> None:
    t, bend, k = np.arange(1 << 16) / (1 << 16), 0.07, np.arange(1.0, 12.0)
    x = np.where(t < share, t / share, (1 - t) / (1 - share))
    height = bow_of(bend * share)
    bowed = np.fft.rfft(x + np.where(t < share, 4, -4) * height * x * (1 - x))[1:12] / (1 << 15)
    off = bowed - lines_of(Cycle(share=share, bend=bend), k)
    np.testing.assert_allclose(parabola_error(Cycle(share=share), k, bend), off, atol=1e-9)


@pytest.mark.parametrize(
    ("seed", "name", "most"),
    [(41000, "triangle: corner", 0.16), (41019, "triangle: corner", 0.08), (41020, "triangle: rise share", 0.0004)],
)
def test_a_bow_that_is_a_parabola_and_a_filters_ripple_are_in_the_deviations(seed: int, name: str, most: float) -> None:
    """Solved: a bow of 3.5 %; ripples of 0.005 dB whose period is 57 harmonics, and two."""
    found = next(f for f in sigma_waves.triangle(seed) if f.name == name)
    # both lay 2.6 and 4.7 deviations off where a ripple was held to be each harmonic's own
    assert abs(found.value - found.truth) < (4.0 if seed == 41020 else 2.5) * found.sigma
    assert found.sigma < most


def test_bins_that_agree_make_the_median_surer_and_those_that_do_not_less_sure() -> None:
    rng = np.random.default_rng(1)
    one = overall(np.array([1.0]), np.array([0.1]))
    assert one == pytest.approx((1.0, 0.1))
    z = [overall(1.0 + 0.1 * rng.standard_normal(8), np.full(8, 0.1)) for _ in range(200)]
    off = np.array([(value - 1.0) / sigma for value, sigma in z])
    assert 0.8 < np.std(off) < 1.2
    apart = overall(np.array([0.0, 1.0, 2.0]), np.full(3, 0.1))
    assert apart[1] > 0.4


def bins(
    offset: float, noise: float, seed: int, f0_hz: float = 250.0, corner_hz: float = 0.0, ripple: float = 0.0
) -> Bins:
    rng = np.random.default_rng(seed)
    k = np.arange(2, 11)
    r = pair_lines(1.4, offset, 0.505) * (1.0 + ripple * rng.standard_normal(9))
    passed = 1.0 / (1.0 - 1j * corner_hz / (f0_hz * np.arange(1, 11)))
    r = r * passed[1:] / np.abs(passed[0]) * np.exp(-1j * k * np.angle(passed[0]))
    r = (r + noise * (rng.standard_normal(9) + 1j * rng.standard_normal(9)))[None]
    flat = np.ones((1, 9))
    return Bins(
        f0_hz=np.array([f0_hz]),
        amplitude_fs=np.array([0.3]),
        r=r,
        sigma=noise * flat,
        # as the rows of a take overlap
        noise=1.7 * noise * flat,
        count=np.array([20]),
        own=np.array([0]),
        weight=1.0,
    )


def test_a_shapers_offset_errs_by_its_deviation() -> None:
    z = []
    for seed in range(40):
        found = read_shaper(bins(0.03, 3e-4, seed), "pair", True)
        assert found is not None
        z.append((found.offset[0] - 0.03) / found.offset_sigma[0])
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3


@pytest.mark.parametrize("shaper", ["pair", "other"])
def test_an_interfaces_ripple_and_distortion_are_in_the_shapers_deviations(shaper: str) -> None:
    z = []
    for seed in range(60):
        made = bins(0.03, 5e-6, seed, ripple=5e-4)
        # what is added as noise is the interface's own distortion
        found = read_shaper(replace(made, noise=0.0 * made.noise), shaper, True)
        assert found is not None
        if shaper == "pair":
            z.append((found.offset[0] - 0.03) / found.offset_sigma[0])
        second, third = pair_lines(1.4, 0.03, 0.505)[:2]
        # the second in phase with the crests
        true = 20 * np.log10([abs(second.real), abs(third)])
        z += [(found.h2_dbc[0] - true[0]) / found.h2_sigma_db[0], (found.h3_dbc[0] - true[1]) / found.h3_sigma_db[0]]
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.4


@pytest.mark.parametrize("octaves", [0.5, 1.5])
def test_a_ripple_that_neighbouring_bins_share_does_not_average_out(octaves: float) -> None:
    """An echo of 12 to 40 samples, as steep filters have, and one distortion in all bins of a turn."""
    z, rng, k = [], np.random.default_rng(5), np.arange(1, 11)
    second, third = pair_lines(1.4, 0.03, 0.505)[:2]
    true = 20 * np.log10([abs(second.real), abs(third)])
    for seed in range(60):
        delay_s = rng.integers(12, 40) / 48000.0
        f0 = float(rng.uniform(210.0, 800.0)) * 2.0 ** np.linspace(0.0, octaves, int(6 * octaves))
        passed = 1.0 + 4.6e-4 * np.cos(2 * np.pi * delay_s * f0[:, None] * k)
        one, n = bins(0.03, 1e-6, seed), len(f0)
        own = 5e-6 * rng.standard_normal(9)
        made = replace(
            one, f0_hz=f0, r=one.r * passed[:, 1:] / passed[:, :1] + own, amplitude_fs=np.full(n, 0.3),
            sigma=np.repeat(one.sigma, n, axis=0), noise=np.repeat(one.noise, n, axis=0), count=np.full(n, 20),
        )  # fmt: skip
        found = read_shaper(made, "pair", True)
        assert found is not None
        pairs = (found.h2_dbc, found.h2_sigma_db, true[0]), (found.h3_dbc, found.h3_sigma_db, true[1])
        for values, sigma, truth in pairs:
            value, spread = overall(values, sigma)
            z.append((value - truth) / spread)
        value, spread = overall(found.offset, found.offset_sigma)
        z.append((value - 0.03) / spread)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.4


@pytest.mark.parametrize("corner_hz", [1.0, 5.0])
def test_a_coupling_that_nobody_states_is_in_the_shapers_deviations(corner_hz: float) -> None:
    made = bins(0.03, 1e-5, 1, corner_hz=corner_hz)
    found, known = read_shaper(made, "pair", False), read_shaper(bins(0.03, 1e-5, 1), "pair", True)
    assert found is not None
    assert known is not None
    assert abs(found.offset[0] - 0.03) < 2.0 * found.offset_sigma[0]
    assert found.offset_sigma[0] > 1.5 * known.offset_sigma[0]
