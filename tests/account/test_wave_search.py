"""What the search for a wave's parts must not mistake for another part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.waves.choose import _longer, carried_up, choose, with_form
from listen.account.waves.cycle import Cycle, lines_of
from listen.account.waves.fit import CycleFit, fit_cycle
from listen.account.waves.gather import WaveBin
from tests.account.test_wave_fit import bin_of
from tests.takes.analytic_waves import WaveTake
from tests.takes.wave_takes import checked


def with_spike(cycle: Cycle, spike: np.ndarray, orders: int, f0_hz: float = 440.0) -> WaveBin:
    """A bin whose wave has some more lines, over its height and counted from its foot."""
    k = np.arange(1.0, orders + 1)
    plain = bin_of(cycle, orders=orders)
    scale = 1.0 / float(np.abs(lines_of(cycle, k)[0]))
    lines = plain.lines + scale * spike * np.exp(-2j * np.pi * k * 0.3)
    return replace(plain, f0_hz=f0_hz, lines=lines, sigma=np.full(orders, 3e-5))


def triangular(at: float, half: float, height: float, orders: int) -> np.ndarray:
    """A spike of two straight flanks, each ``half`` a cycle long: sinc squared, any handbook's series."""
    k = np.arange(1.0, orders + 1)
    return 2.0 * height * half * np.sinc(k * half) ** 2 * np.exp(-2j * np.pi * k * at)


@pytest.mark.parametrize(("corner", "orders"), [(0.06, 28), (0.053, 24), (0.04, 41), (0.012, 120)])
@pytest.mark.parametrize("falls", [False, True])
def test_a_sudden_reset_behind_a_pole_is_a_round_corner_alone(corner: float, orders: int, falls: bool) -> None:
    share = 0.001 if falls else 0.999
    found = choose(bin_of(Cycle(share=share, corner=corner), orders=orders), "sawtooth", None)
    assert found.cycle.corner == pytest.approx(corner, rel=0.01)
    assert min(found.cycle.share, 1.0 - found.cycle.share) < 0.3 * corner
    assert not set(found.free) & {"cut_top", "cut_bottom", "spike_area"}


@pytest.mark.parametrize(("corner", "orders"), [(0.05, 60), (0.03, 100)])
def test_the_low_pass_behind_a_sudden_reset_is_found_from_the_slow_one(corner: float, orders: int) -> None:
    bin_ = bin_of(Cycle(share=0.999, corner=corner), orders=orders)
    plain = fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.985), ("share", "bend"))
    assert plain.chi_square > 1e5
    found = min(_longer(bin_, plain, ("corner",)), key=lambda fit: fit.chi_square)
    assert found.chi_square < found.independent
    assert found.cycle.corner == pytest.approx(corner, rel=0.01)


@pytest.mark.parametrize(("share", "orders"), [(0.47, 60), (0.49, 60), (0.49, 200)])
def test_slopes_that_bow_alike_have_no_further_part(share: float, orders: int) -> None:
    """Parabolas over both slopes, 5 % of the height: no leak bends slopes of unlike length so."""
    phase = np.arange(32768) / 32768
    rises = phase < share
    s = np.where(rises, phase / share, (phase - share) / (1.0 - share))
    q = s + 4 * 0.05 * s * (1 - s)
    k = np.arange(1.0, orders + 1)
    lines = (
        np.fft.rfft(np.where(rises, q, 1.0 - q))[1 : orders + 1] * (2.0 / len(phase)) / (1.0 + 2j * np.pi * k * 0.005)
    )
    found = choose(replace(bin_of(Cycle(), orders=orders), lines=lines / abs(lines[0])), "triangle", None)
    assert set(found.free) == {"share", "bend", "corner"}
    assert found.chi_square < found.independent
    assert found.cycle.corner == pytest.approx(0.005, rel=0.02)
    assert found.cycle.share == pytest.approx(share, abs=5e-4)


def plain_fit(bin_: WaveBin) -> CycleFit:
    return fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.5), ("share", "bend", "corner"))


def test_a_spike_that_a_low_pitch_shows_is_found_at_the_high_one_too() -> None:
    low, high = (
        with_spike(Cycle(share=0.515), triangular(0.3, 25e-6 * f0_hz, 0.12, orders), orders, f0_hz)
        for f0_hz, orders in ((150.0, 120), (600.0, 60))
    )
    fits = carried_up((low, high), (choose(low, "triangle", None), plain_fit(high)))
    for bin_, fit in zip((low, high), fits, strict=True):
        assert fit.cycle.spike_area == pytest.approx(0.12 * 25e-6 * bin_.f0_hz, rel=0.1)
        assert fit.cycle.spike_at == pytest.approx(0.3, abs=0.002)


def test_a_spike_is_no_decay_because_the_search_met_that_first() -> None:
    bin_ = with_spike(Cycle(share=0.9998), -triangular(0.6, 25e-6 * 300.0, 0.11, 70), 70, 300.0)
    free = ("share", "bend", "spike_area", "spike_at", "spike_tail")
    area = 0.11 * 25e-6 * 300.0
    decay = fit_cycle(
        bin_.lines, bin_.sigma, Cycle(share=0.9998, spike_area=-area, spike_at=0.6, spike_tail=0.003), free
    )
    (found,) = carried_up((bin_,), (decay,))
    assert "spike_width" in found.free
    assert found.cycle.spike_at == pytest.approx(0.6, abs=5e-4)


def test_a_spike_shows_nothing_of_the_corners() -> None:
    """Beside it the corner of a triangle is as unsure as without it."""
    orders, cycle = 300, Cycle(share=0.5)
    bare, beside = (with_spike(cycle, triangular(0.23, 0.002, height, orders), orders) for height in (0.0, 0.1))
    free = ("share", "bend", "corner", "spike_area", "spike_at", "spike_width")
    start = replace(cycle, spike_area=2e-4, spike_at=0.23, spike_width=8e-4)
    found = with_form(beside, fit_cycle(beside.lines, beside.sigma, start, free))
    assert found.sigma["corner"] > 0.7 * plain_fit(bare).sigma["corner"]


def test_a_reset_of_no_length_leaves_the_place_of_a_spike_known() -> None:
    bin_ = with_spike(Cycle(share=1.0 - 2e-6), triangular(0.6, 0.01, 0.1, 40), 40)
    free = ("share", "bend", "spike_area", "spike_at", "spike_width")
    start = Cycle(share=1.0 - 2e-6, spike_area=1e-3, spike_at=0.6, spike_width=0.004)
    found = fit_cycle(bin_.lines, bin_.sigma, start, free)
    assert found.sigma["spike_at"] < 1e-3
    assert found.sigma["spike_area"] < 0.05 * found.cycle.spike_area


PLAIN_TAKE = WaveTake(
    wave="sawtooth",
    share=0.5,
    low_hz=100.0,
    high_hz=2000.0,
    seconds=3.5,
    rate_hz=48000,
    coupling_hz=2.0,
    level_fs=0.3,
    snr_db=70.0,
    falling=False,
    reset_s=0.5e-6,
    corner_s=40e-6,
    recorder_pole_hz=0.0,
    comparator_delay_s=0.0,
)


def test_what_rounds_a_wave_is_no_drift_of_its_level() -> None:
    """A pole of 40 us takes 1.7 dB off a sawtooth's level between 100 Hz and 2 kHz."""
    found = {finding.kind for finding in checked(PLAIN_TAKE, True, 1).findings if finding.severity != "note"}
    assert found == {"corner-rounding"}


def test_a_long_decay_on_a_ramp_is_no_cut() -> None:
    """Of 10 % and 75 us at 690 Hz: 5 % of the cycle."""
    cycle = Cycle(share=0.9985, spike_area=0.0052, spike_at=0.7, spike_tail=0.052)
    found = choose(bin_of(cycle, orders=63), "sawtooth", None)
    assert not set(found.free) & {"cut_top", "cut_bottom"}
    assert found.cycle.spike_area == pytest.approx(0.0052, rel=0.05)


def test_a_fit_that_leaves_as_much_as_the_plain_wave_tells_no_cut() -> None:
    """Hum and clicks of no wave's form: whatever cut leaves the least of them is none."""
    k = np.arange(1.0, 61)
    noise = np.random.default_rng(3).standard_normal((60, 2)) @ (1.0, 1j) * 0.02
    plain = bin_of(Cycle(share=0.998))
    found = choose(replace(plain, lines=plain.lines + noise, sigma=np.full(len(k), 1e-5)), "sawtooth", None)
    assert not set(found.free) & {"cut_top", "cut_bottom"}


def test_a_bow_of_another_form_leaves_the_corner_within_its_sigma() -> None:
    take = replace(
        PLAIN_TAKE, wave="triangle", share=0.49, low_hz=150.0, high_hz=600.0, seconds=2.0, corner_s=25e-6, bow=0.05
    )
    shape = checked(take, True, 1).judgement.account.wave_shape
    assert shape is not None
    # the turn rests at both ends
    at = [0, -1]
    assert np.all(np.abs(shape.corner_s[at] - 25e-6) < 2.0 * shape.corner_sigma_s[at])
    assert np.all(shape.corner_sigma_s[at] < 0.5e-6)
