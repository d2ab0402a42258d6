"""Where the search for a wave's parts begins, what it tells from nothing, and the bounds at which its fits stop."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listen.account.waves.choose import (
    _as_good,
    _cost,
    _from_scratch,
    _gains,
    _like,
    _longer,
    _of_either_form,
    _plain,
    _shares,
    _shown,
    _sizes,
    _spike_of,
    _sudden,
    carried_up,
    choose,
    explained,
    own_parts,
    with_form,
)
from listen.account.waves.cycle import Cycle, bow_error, bow_of, changed, form_error, lines_of
from listen.account.waves.edge import _below, _edge_alone
from listen.account.waves.fit import CycleFit, fit_cycle, line_sigma, used_lines
from tests.account.test_wave_fit import bin_of

K = np.arange(1.0, 61.0)
TRIANGLE = ("share", "bend", "corner")
RAMP = ("share", "bend")
BELL = ("spike_area", "spike_at", "spike_width")


def fit_with(chi_square: float, independent: int = 100, free: tuple[str, ...] = TRIANGLE) -> Any:
    return SimpleNamespace(chi_square=chi_square, independent=independent, free=free)


@pytest.mark.parametrize(
    ("chi_square", "independent", "enough"),
    [(19.0, 20, True), (21.0, 20, False), (28.0, 200, True), (32.0, 200, False)],
)
def test_what_leaves_too_little_for_another_part_is_explained(
    chi_square: float, independent: int, enough: bool
) -> None:
    """Four standard deviations and a half; or a seventh of what the lines' stated error would leave."""
    assert explained(fit_with(chi_square, independent)) == enough


@pytest.mark.parametrize(
    ("before", "after", "gains"),
    [(30.0, 5.0, True), (30.0, 12.0, False), (1_000.0, 640.0, True), (1_000.0, 660.0, False), (1_000.0, 500.0, True)],
)
def test_a_part_gains_by_deviations_and_by_share(before: float, after: float, gains: bool) -> None:
    assert _gains(fit_with(before), fit_with(after)) == gains


def test_each_parameter_costs_as_much_as_it_must_gain() -> None:
    plain, more = fit_with(100.0), fit_with(79.0, free=(*TRIANGLE, "cut_top"))
    assert _cost(more) < _cost(plain) < _cost(fit_with(81.0, free=more.free))
    assert _cost(fit_with(75.0, free=(*TRIANGLE, "cut_top", "cut_bottom"))) > _cost(plain)


@pytest.mark.parametrize(
    ("here", "before", "free", "good"),
    [
        (140.0, 100.0, TRIANGLE, True),
        (160.0, 100.0, TRIANGLE, False),
        (210.0, 100.0, TRIANGLE, False),
        # much is left there and nothing helped: tried anew
        (600.0, 490.0, TRIANGLE, True),
        (300.0, 510.0, TRIANGLE, False),
        (300.0, 700.0, TRIANGLE, False),
        (300.0, 700.0, (*TRIANGLE, "cut_top"), True),
    ],
)
def test_a_fit_is_as_good_as_at_the_adjacent_pitch(here: float, before: float, free: Any, good: bool) -> None:
    assert _as_good(fit_with(here), fit_with(before, free=free), "triangle") == good


def test_parts_of_the_adjacent_pitch_are_tried_from_six_harmonics_on() -> None:
    cycle = Cycle(share=0.5, cut_top=0.1)
    before = choose(bin_of(cycle, orders=12), "triangle", None)
    assert _like(bin_of(cycle, orders=12), None) is None
    assert _like(bin_of(cycle, orders=5), before) is None
    like = _like(bin_of(cycle, orders=6), before)
    assert like is not None
    assert like.cycle.cut_top == pytest.approx(0.1, abs=2e-3)
    # fewer are told by the plain wave alone
    assert choose(bin_of(cycle, orders=5), "triangle", None).free == TRIANGLE
    assert "cut_top" in choose(bin_of(cycle, orders=6), "triangle", None).free
    assert choose(bin_of(Cycle(share=0.5), orders=2), "triangle", None).free == RAMP


def test_what_was_found_at_the_adjacent_pitch_is_left_where_it_is_not() -> None:
    cut, whole = bin_of(Cycle(share=0.5, cut_top=0.1), orders=12), bin_of(Cycle(share=0.5), orders=12)
    before = choose(cut, "triangle", None)
    assert "cut_top" in before.free
    assert choose(cut, "triangle", before).free == before.free
    assert "cut_top" not in choose(whole, "triangle", before).free


def test_a_part_within_four_of_its_deviations_is_none() -> None:
    bin_ = bin_of(Cycle(share=0.45), orders=40)
    free = (*TRIANGLE, "cut_top")
    for over, told in ((3.0, False), (3.8, False), (4.2, True), (5.0, True)):
        fit = fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.45, cut_top=0.02), free)
        fit = replace(fit, cycle=changed(fit.cycle, {"cut_top": 0.02}), sigma=fit.sigma | {"cut_top": 0.02 / over})
        shown = _shown(bin_, fit)
        assert ("cut_top" in shown.free) == told
        if not told:
            assert shown.cycle.cut_top == 0.0
            assert shown.cycle.share == pytest.approx(0.45, abs=1e-4)
    spiked = changed(Cycle(share=0.45), {"spike_area": 1e-3, "spike_at": 0.2, "spike_width": 0.01})
    fit = fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.45), (*TRIANGLE, *BELL))
    shown = _shown(bin_, replace(fit, cycle=spiked, sigma=fit.sigma | {"spike_area": 1e-3}))
    assert shown.free == TRIANGLE
    assert (shown.cycle.spike_area, shown.cycle.spike_width) == (0.0, 0.0)
    assert own_parts(fit) == 1
    assert own_parts(fit_with(0.0, free=("cut_top", "cut_bottom", *BELL))) == 3
    assert own_parts(fit_with(0.0)) == 0


@pytest.mark.parametrize("share", [0.985, 0.02])
@pytest.mark.parametrize("length", [0.03, 0.01])
def test_a_sudden_reset_behind_a_pole_takes_as_much_off_the_low_harmonics(share: float, length: float) -> None:
    """Beside a ramp as long: the sizes agree to the second order of k times the length."""
    slow = Cycle(share=1 - length if share > 0.5 else length, bend=0.1)
    sudden = _sudden(slow)
    assert 0.0 <= min(sudden.share, 1 - sudden.share) < 1e-5
    assert (sudden.share > 0.5) == (share > 0.5)
    assert sudden.bend == 0.0
    k = np.array([2.0, 4.0])
    first = np.array([1.0])
    ratio = [
        np.abs(lines_of(c, k) / lines_of(c, first)) for c in (changed(slow, {"bend": 0.0}), sudden, Cycle(share=1.0))
    ]
    took = [1 - r / ratio[2] for r in ratio]
    assert took[1] == pytest.approx(took[0], rel=0.05)


@pytest.mark.parametrize(
    ("cuts", "share"), [((0.3, 0.0), 0.5), ((0.0, 0.3), 0.5), ((0.25, 0.3), 0.5), ((0.3, 0.0), 0.02)]
)
def test_deep_cuts_are_begun_with(cuts: tuple[float, float], share: float) -> None:
    cycle = Cycle(share=share, cut_top=cuts[0], cut_bottom=cuts[1])
    bin_ = bin_of(cycle, orders=30)
    begun = _from_scratch(bin_, "triangle" if share == 0.5 else "sawtooth")
    assert len(begun) == (3 if share == 0.5 else 6)
    best = min(begun, key=lambda fit: fit.chi_square / 100 + len(fit.free))
    assert (best.cycle.cut_top, best.cycle.cut_bottom) == pytest.approx(cuts, abs=2e-3)
    assert _from_scratch(bin_, "square") == []


@pytest.mark.parametrize("wave", ["triangle", "square"])
@pytest.mark.parametrize("share", [0.5, 0.12, 0.7])
def test_the_plain_wave_is_found_from_sizes_alone(wave: str, share: float) -> None:
    pulse = wave == "square"
    size = np.abs(np.sin(np.pi * K * share)) / K ** (1 if pulse else 2)
    assert _sizes(pulse, share, K) == pytest.approx(size / size[0])
    bin_ = bin_of(Cycle(pulse=pulse, share=share), orders=30)
    assert min(abs(begin - share) for begin in _shares(bin_, wave)) < 0.006
    plain = _plain(bin_, wave, None)
    assert plain.cycle.share == pytest.approx(share, abs=1e-4)
    assert plain.chi_square < plain.independent
    # far off shares of the adjacent pitch lead nowhere
    wrong: Any = SimpleNamespace(cycle=Cycle(pulse=pulse, share=0.93))
    assert _plain(bin_, wave, wrong).cycle.share == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize("share", [0.99, 0.9, 0.012, 0.08])
def test_a_sawtooth_begins_up_and_down(share: float) -> None:
    plain = _plain(bin_of(Cycle(share=share), orders=30), "sawtooth", None)
    assert plain.cycle.share == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize("width", [1e-5, 0.004, 0.015, 0.03])
@pytest.mark.parametrize(("area", "at"), [(1e-3, 0.3), (-2e-3, 0.72), (1e-3, 0.01)])
def test_the_tallest_spike_of_the_rest_has_its_area_place_and_width(area: float, at: float, width: float) -> None:
    bin_ = bin_of(Cycle(share=0.5, spike_area=area, spike_at=at, spike_width=width), noise=0.0)
    scale = 2 / abs(lines_of(Cycle(share=0.5, spike_area=area, spike_at=at, spike_width=width), np.ones(1))[0])
    plain = CycleFit(
        cycle=Cycle(share=0.5),
        free=TRIANGLE,
        sigma={},
        delay=0.3,
        gain=scale / 2,
        chi_square=1.0,
        independent=1,
        step=np.empty((0, 0)),
        used=np.arange(1, 61),
    )
    found_area, found_at, found_width = _spike_of(bin_, plain)
    assert found_at == pytest.approx(at, abs=1e-3)
    assert found_area == pytest.approx(area, rel=0.06 if width < 0.01 else 0.2)
    # a tenth of it lies beyond its foot
    assert found_width == pytest.approx(width, rel=0.13, abs=0.0015)


def test_a_longer_fit_needs_something_new_and_enough_harmonics() -> None:
    bin_ = bin_of(Cycle(share=0.5, cut_top=0.1), orders=30)
    plain = fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.5), TRIANGLE)
    (cut,) = _longer(bin_, plain, ("cut_top",))
    assert cut.cycle.cut_top == pytest.approx(0.1, abs=5e-3)
    assert _longer(bin_, cut, ("cut_top",)) == []
    assert len(_longer(bin_, plain, BELL)) == 3
    assert _longer(bin_, replace(plain, free=(*TRIANGLE, *BELL)), ("spike_area", "spike_at", "spike_tail")) == []
    for independent, some in ((3, False), (4, True)):
        assert bool(_longer(bin_, replace(plain, independent=independent), ("cut_top",))) == some


def test_times_are_carried_up_to_higher_pitches() -> None:
    """A spike of 20 us is twice as much of the cycle an octave higher."""
    low, high = (
        bin_of(Cycle(share=0.47, spike_area=a, spike_at=0.3, spike_width=w), orders=40)
        for a, w in ((8e-4, 0.008), (1.6e-3, 0.016))
    )
    low, high = replace(low, f0_hz=300.0), replace(high, f0_hz=600.0)
    below = fit_cycle(
        low.lines, low.sigma, Cycle(share=0.47, spike_area=8e-4, spike_at=0.3, spike_width=0.008), (*TRIANGLE, *BELL)
    )
    plain = fit_cycle(high.lines, high.sigma, Cycle(share=0.47), TRIANGLE)
    assert not explained(plain)
    _, found = carried_up((low, high), (below, plain))
    assert found.cycle.spike_area == pytest.approx(1.6e-3, rel=0.05)
    assert found.cycle.spike_width == pytest.approx(0.016, rel=0.1)
    # what is explained, and of fewer than six harmonics, stays as it is
    whole = bin_of(Cycle(share=0.47), orders=40)
    fine = fit_cycle(whole.lines, whole.sigma, Cycle(share=0.47), TRIANGLE)
    assert carried_up((low, replace(whole, f0_hz=600.0)), (below, fine))[1] is fine
    few = replace(high, lines=high.lines[:5], sigma=high.sigma[:5])
    short = fit_cycle(few.lines, few.sigma, Cycle(share=0.47), TRIANGLE)
    assert carried_up((low, few), (below, replace(short, chi_square=500.0)))[1].free == TRIANGLE


@pytest.mark.parametrize("true", ["spike_width", "spike_tail"])
def test_a_spikes_form_is_the_one_that_leaves_less(true: str) -> None:
    cycle = Cycle(share=0.999, spike_area=3e-3, spike_at=0.4, **{true: 0.02})
    bin_ = bin_of(cycle, orders=50)
    other = "spike_tail" if true == "spike_width" else "spike_width"
    shift = 0.02 if true == "spike_tail" else -0.02
    start = Cycle(share=0.999, spike_area=3e-3, spike_at=0.4 + shift, **{other: 0.02})
    fit = fit_cycle(bin_.lines, bin_.sigma, start, (*RAMP, "spike_area", "spike_at", other))
    found = _of_either_form(bin_, fit)
    assert true in found.free
    assert getattr(found.cycle, true) == pytest.approx(0.02, rel=0.05)
    assert found.cycle.spike_at == pytest.approx(0.4, abs=1e-3)
    good = fit_cycle(bin_.lines, bin_.sigma, cycle, (*RAMP, "spike_area", "spike_at", true))
    assert _of_either_form(bin_, good) is good
    assert with_form(bin_, good).sigma["spike_area"] > 1.2 * good.sigma["spike_area"]
    plain = fit_cycle(bin_.lines, bin_.sigma, Cycle(share=0.999), RAMP)
    assert with_form(bin_, plain) is plain


def test_a_cycle_is_a_whole_triangle_unless_it_is_said_to_be_other() -> None:
    """4 / (pi k)^2 of odd harmonics, any handbook's; a spike of no length has the same lines at all orders."""
    plain = lines_of(Cycle(), K)
    np.testing.assert_allclose(np.abs(plain), np.where(K % 2, 4 / (np.pi * K) ** 2, 0.0), atol=1e-9)
    np.testing.assert_allclose(lines_of(Cycle(spike_area=0.01), K) - plain, 0.02, atol=1e-12)


def test_what_the_form_of_a_spike_and_of_a_bow_may_err_by() -> None:
    """A bell against a triangle of its area and spread: 7 % of a spike of no length at the most, by their series."""
    x = np.linspace(0.01, 12.0, 4000)
    apart = np.max(np.abs(np.exp(-0.5 * x**2) - np.sinc(x * np.sqrt(6.0) / (2 * np.pi)) ** 2))
    cycle = Cycle(spike_area=-0.01, spike_width=0.05)
    most = form_error(cycle, np.array([40.0]))[0]
    assert most == pytest.approx(2 * 0.01 * apart, rel=0.2)
    assert form_error(cycle, np.array([1e-3]))[0] < 1e-3 * most
    # slopes of 49 and 51 % bow by 4 % more or less than each other if a leak bends them, and alike if a source does
    slopes = bow_of(0.02 * 0.51) / bow_of(0.02 * 0.49) - 1
    assert bow_error(Cycle(bend=-0.02), np.array([1.0, 2.0])) / 0.02 == pytest.approx([slopes, slopes / 4], rel=0.3)
    # beyond a bow of 10 % it is no bow, and errs no further
    beyond = bow_error(Cycle(bend=2.0), np.ones(1))[0] / bow_error(Cycle(bend=0.01), np.ones(1))[0] * 0.01
    assert bow_of(beyond) == pytest.approx(0.1, abs=0.004)
    assert bow_of(1e-8) == pytest.approx(2 * np.pi * 1e-8 / 8)


BOUNDS = [
    ("cut_top", 0.43, 0.49, (), {}),
    ("cut_bottom", 0.43, 0.49, (), {}),
    ("bend", 1.1, 1.6, (), {}),
    ("bend", -1.1, -1.6, (), {}),
    ("corner", 0.18, 0.28, (), {}),
    ("spike_area", 0.18, 0.28, ("spike_area",), {"spike_at": 0.2, "spike_width": 0.02}),
    ("spike_area", -0.18, -0.28, ("spike_area",), {"spike_at": 0.2, "spike_width": 0.02}),
    ("spike_width", 0.046, 0.07, ("spike_area", "spike_width"), {"spike_at": 0.2, "spike_area": 0.02}),
    ("spike_tail", 0.046, 0.07, ("spike_area", "spike_tail"), {"spike_at": 0.2, "spike_area": 0.02}),
]


@pytest.mark.parametrize(("name", "within", "beyond", "more", "fixed"), BOUNDS)
def test_a_fit_stops_where_it_would_be_another_wave(
    name: str, within: float, beyond: float, more: tuple[str, ...], fixed: dict[str, float]
) -> None:
    """What lies just within is found; what lies beyond is not followed there."""
    for value in (within, beyond):
        cycle = changed(Cycle(share=0.45), {**fixed, name: value})
        bin_ = bin_of(cycle, orders=40)
        start = changed(cycle, {name: 0.8 * within})
        free = ("share", *dict.fromkeys((*more, name)))
        found = getattr(fit_cycle(bin_.lines, bin_.sigma, start, free, gradual=False).cycle, name)
        if value == within:
            assert found == pytest.approx(within, rel=0.01)
        else:
            assert abs(found) < 0.5 * abs(within + beyond)
            assert abs(found) > abs(within) or name == "spike_area"


def test_high_harmonics_are_thinned_and_low_ones_kept() -> None:
    np.testing.assert_array_equal(used_lines(192), np.arange(1, 193))
    some = used_lines(1000)
    assert len(some) <= 192
    np.testing.assert_array_equal(some[:48], np.arange(1, 49))
    assert some[-1] == 1000
    assert (np.diff(some) > 0).all()


def test_each_line_errs_by_noise_ripple_and_distortion() -> None:
    """0.013 dB of ripple is 0.15 % of a line; the three add as squares."""
    ripple = 10 ** (0.013 / 20) - 1
    assert line_sigma(np.array([1.0 + 0j]), np.zeros(1))[0] == pytest.approx(ripple, rel=0.02)
    assert line_sigma(np.zeros(1, dtype=complex), np.array([1e-3]))[0] == pytest.approx(1e-3, rel=1e-3)
    assert 1e-5 < line_sigma(np.zeros(1, dtype=complex), np.zeros(1))[0] < 2.5e-5


def test_harmonics_below_the_edge_alone() -> None:
    bin_ = replace(bin_of(Cycle(share=0.5), orders=40), f0_hz=500.0)
    for edge_hz, count in ((1e6, 40), (10_400.0, 20), (700.0, 3)):
        below = _below(bin_, edge_hz)
        assert (len(below.lines), len(below.sigma), below.row_lines.shape[1]) == (count, count, count)
    for whole, below, alone in ((50.0, 0.9, True), (50.0, 1.1, False), (4.0, 0.7, True), (4.0, 0.9, False)):
        assert _edge_alone(bin_, fit_with(100 * whole), fit_with(100 * below)) == alone
    assert not _edge_alone(bin_, fit_with(5_000.0), fit_with(1.0, free=(*TRIANGLE, "cut_top")))
    assert _edge_alone(bin_, fit_with(5_000.0, free=(*TRIANGLE, "cut_top")), fit_with(1.0))
