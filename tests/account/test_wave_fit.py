"""A cycle of straight pieces is found again from its harmonics, noise and a recorder's ripple in them."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from listen.account.waves.choose import _shares, choose
from listen.account.waves.cycle import Cycle, changed, lines_of
from listen.account.waves.fit import CycleFit
from listen.account.waves.gather import WaveBin
from listen.account.waves.read import WaveShape, _spike
from listen.circuit.shape import overall


def bin_of(cycle: Cycle, orders: int = 60, noise: float = 1e-5, seed: int = 0, delay: float = 0.3) -> WaveBin:
    rng = np.random.default_rng(seed)
    k = np.arange(1.0, orders + 1)
    lines = lines_of(cycle, k) * np.exp(-2j * np.pi * k * delay)
    lines = lines / np.abs(lines[0])
    lines = lines + noise * (rng.standard_normal(orders) + 1j * rng.standard_normal(orders))
    return WaveBin(
        f0_hz=440.0,
        rows=np.arange(3),
        row_lines=np.array([lines] * 3),
        lines=lines,
        sigma=np.full(orders, noise),
        amplitude_fs=0.3,
        smear=0.0,
        width_octaves=0.0,
    )


def found_in(cycle: Cycle, wave: str, **options: float) -> CycleFit:
    return choose(bin_of(cycle, **options), wave, None)


@pytest.mark.parametrize(("at", "orders", "f0_hz"), [(0.2, 28, 1500.0), (0.5, 28, 1500.0), (0.8, 40, 966.0)])
def test_a_wide_spike_on_a_ramp_is_found_at_a_high_pitch(at: float, orders: int, f0_hz: float) -> None:
    """Of 12 % and 40 us base, a triangle: its series has the square of sinc, any handbook's."""
    k, half = np.arange(1.0, orders + 1), 20e-6 * f0_hz
    plain = bin_of(Cycle(share=0.9995), orders=orders)
    scale = 1.0 / float(np.abs(lines_of(Cycle(share=0.9995), k)[0]))
    spike = 2.0 * 0.12 * half * np.sinc(k * half) ** 2 * np.exp(-2j * np.pi * k * (at + 0.3)) * scale
    found = choose(replace(plain, lines=plain.lines + spike, sigma=np.full(orders, 3e-5)), "sawtooth", None).cycle
    assert found.spike_area == pytest.approx(0.12 * half, rel=0.1)
    assert found.spike_at == pytest.approx(at, abs=0.01)


@pytest.mark.parametrize(
    ("wave", "cycle"),
    [
        ("triangle", Cycle(share=0.512)),
        ("triangle", Cycle(share=0.2, bend=0.05)),
        ("triangle", Cycle(share=0.5, corner=0.01)),
        ("triangle", Cycle(share=0.5, cut_top=0.1)),
        ("triangle", Cycle(share=0.49, cut_top=0.15, cut_bottom=0.15)),
        ("sawtooth", Cycle(share=0.996)),
        ("sawtooth", Cycle(share=0.004, bend=0.02)),
        ("sawtooth", Cycle(share=0.99, cut_top=0.03)),
        ("square", Cycle(pulse=True, share=0.494, corner=0.004)),
        ("pulse", Cycle(pulse=True, share=0.08)),
        ("pulse", Cycle(pulse=True, share=0.92, corner=0.002, bend=0.1)),
    ],
    ids=str,
)
@pytest.mark.parametrize("orders", [12, 60])
def test_what_was_made_is_found(wave: str, cycle: Cycle, orders: int) -> None:
    found = found_in(cycle, wave, orders=orders).cycle
    for name, near in (("share", 2e-4), ("cut_top", 2e-3), ("cut_bottom", 2e-3), ("bend", 2e-3), ("corner", 5e-4)):
        assert getattr(found, name) == pytest.approx(getattr(cycle, name), abs=near), name


@pytest.mark.parametrize("at", [0.1, 0.97])
@pytest.mark.parametrize("form", ["spike_width", "spike_tail"])
def test_a_spike_is_found_with_its_area_and_place(at: float, form: str) -> None:
    cycle = Cycle(share=0.998, spike_area=4e-4, spike_at=at, **{form: 0.006})
    found = found_in(cycle, "sawtooth", orders=80)
    assert found.cycle.spike_area == pytest.approx(4e-4, rel=0.1)
    assert found.cycle.spike_at % 1.0 == pytest.approx(at, abs=3e-3)


@pytest.mark.parametrize("wave", ["triangle", "sawtooth", "square", "pulse"])
@pytest.mark.parametrize("orders", [6, 40])
def test_a_whole_wave_has_no_further_part(wave: str, orders: int) -> None:
    share = {"triangle": 0.5, "sawtooth": 0.9985, "square": 0.5, "pulse": 0.3}[wave]
    cycle = Cycle(pulse=wave in ("square", "pulse"), share=share, bend=0.01)
    for seed in range(3):
        found = found_in(cycle, wave, orders=orders, noise=1e-4, seed=seed)
        assert not set(found.free) & {"cut_top", "cut_bottom", "spike_area"}


def test_sigmas_are_those_of_the_scatter() -> None:
    """Of 24 draws of noise, far above the ripple allowed for, errors over their sigmas have a spread of one."""
    cycle = Cycle(share=0.52, corner=0.02)
    off = []
    for seed in range(24):
        fit = found_in(cycle, "triangle", orders=16, noise=2e-3, seed=seed)
        off.append((fit.cycle.share - 0.52) / fit.sigma["share"])
    # 24 draws: the spread is known to 15 %
    assert np.std(off) == pytest.approx(1.0, abs=0.45)
    assert abs(np.mean(off)) < 0.5


def test_the_overall_value_is_a_weighted_median() -> None:
    values, sigma = np.array([1.0, 1.1, 50.0, np.nan]), np.array([0.1, 0.1, 30.0, 0.1])
    value, spread = overall(values, sigma)
    assert value in (1.0, 1.1)
    assert 0.1 <= spread < 0.2
    assert np.isnan(overall(np.array([np.nan]), np.array([0.1]))[0])


@pytest.mark.parametrize(
    ("wave", "share"), [("sawtooth", 0.997), ("sawtooth", 0.003), ("triangle", 0.5), ("pulse", 0.3), ("square", 0.5)]
)
def test_one_cycle_lies_upon_the_plain_wave(wave: str, share: float) -> None:
    """A healthy wave beside the ideal one: they differ at the edges alone, whichever way a sawtooth runs."""
    cycle = Cycle(pulse=wave in ("square", "pulse"), share=share)
    bin_ = bin_of(cycle)
    shape = SimpleNamespace(wave=wave, bins=(bin_,), fits=(choose(bin_, wave, None),))
    measured, ideal = WaveShape.mean_cycle(shape, 0)
    assert np.sqrt(np.mean((measured - ideal) ** 2)) < 0.05 * np.sqrt(np.mean(ideal**2))


@pytest.mark.parametrize("share", [0.02, 0.03, 0.25, 0.5, 0.75, 0.98])
def test_sizes_of_a_pulse_tell_where_to_begin(share: float) -> None:
    """sin(pi k d) / k, any handbook's series: on one side of the half or the other."""
    k = np.arange(1, 41)
    begins = _shares(SimpleNamespace(lines=np.sin(np.pi * k * share) / (k * np.sin(np.pi * share)) * 1j), "pulse")
    assert min(abs(begin - share) for begin in begins) < 1e-9


@pytest.mark.parametrize("width", [1e-4, 0.002, 0.01, 0.05])
def test_a_spike_is_no_taller_than_the_band_shows(width: float) -> None:
    """A bell of an area is area / (width sqrt 2 pi) tall; n lines show a spike no shorter than 1 / 2n of the cycle."""
    orders, area = 40, 0.002
    cycle = changed(Cycle(share=0.5), {"spike_area": -area, "spike_at": 1.3, "spike_width": width})
    fit = SimpleNamespace(cycle=cycle, free=("share", "spike_area", "spike_at", "spike_width"))
    height, resolved, seen_area, at = _spike(bin_of(Cycle(share=0.5), orders), fit)
    spread, shortest = width * np.sqrt(2 * np.pi), 1 / (2 * orders)
    assert resolved == (spread > shortest)
    assert height == pytest.approx(area / (spread if resolved else np.hypot(spread, shortest)))
    assert (seen_area, at) == pytest.approx((area, 0.3))
    assert _spike(bin_of(Cycle(share=0.5)), SimpleNamespace(cycle=cycle, free=("share",)))[:3] == (0.0, True, 0.0)
