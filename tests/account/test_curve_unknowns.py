"""The unknowns of a curve: where they begin, what they mean, how far they may go, and what is likely of them.

Physics: a first-order high-pass of corner f_c turns by f_c / f, a low-pass of time constant t by 2 pi f t; what is
fixed in volts is less of a larger amplitude. The prior's widths are stated in words beside each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.curve.bins import Bins
from listen.account.curve.model import Stages
from listen.account.curve.parameters import LEFTOVER_SIGMA, LEFTOVERS, Layout, unknowns_of
from listen.account.curve.wave import NO_KNEE, Values

F0_HZ, AMPLITUDE = np.array([100.0, 200.0, 800.0]), np.array([0.4, 0.5, 0.2])
ALL = Stages(parts="BDNPSeo", knee="share", slope="hz", inside=True)


def bins_of(f0_hz: np.ndarray = F0_HZ, amplitude_fs: np.ndarray | None = None, own: int = -1) -> Bins:
    n = len(f0_hz)
    level = AMPLITUDE[:n] if amplitude_fs is None else amplitude_fs
    known: dict[str, Any] = {"sigma": np.full((n, 9), 1e-3), "noise": np.full((n, 9), 1e-4), "count": np.full(n, 9)}
    own_bins = np.full(20, own, dtype=np.int64)
    return Bins(f0_hz=f0_hz, amplitude_fs=level, r=np.zeros((n, 9), dtype=complex), own=own_bins, weight=1.0, **known)


def layout_of(parts: str, own: int = -1, f0_hz: np.ndarray = F0_HZ, **ways: Any) -> Layout:
    return Layout(Stages(parts=parts, **ways), bins_of(f0_hz, own=own))


def values_with(layout: Layout, **unknowns: Any) -> Values:
    vector = layout.start()
    for name, value in unknowns.items():
        vector[layout.at[name]] = value
    return layout.values(vector)


def cost_of(layout: Layout, **unknowns: Any) -> float:
    """What the prior asks for values that are not where it expects them."""
    vector = layout.start()
    for name, value in unknowns.items():
        vector[layout.at[name]] = value
    rest = layout.prior(vector)[1]
    return float(rest @ rest)


@pytest.mark.parametrize(
    ("parts", "ways", "lowest_hz", "names"),
    [
        ("", {}, 500.0, ""),
        ("", {}, 390.0, "corner"),
        ("", {}, 410.0, ""),
        ("", {"inside": True}, 500.0, "lag"),
        ("P", {}, 500.0, "knee P"),
        ("T", {}, 500.0, "knee T"),
        ("e", {}, 500.0, "er ei"),
        ("O", {}, 500.0, "Or Oi"),
        ("B", {}, 500.0, "B q w"),
        ("D", {}, 500.0, "D"),
        ("d", {}, 500.0, "d"),
        ("S", {}, 500.0, "S lean"),
        ("DNPSeo", {"inside": True}, 200.0, "knee corner lag P N er ei or oi D S lean"),
    ],
)
def test_each_part_has_its_unknowns(parts: str, ways: dict[str, Any], lowest_hz: float, names: str) -> None:
    """A coupling of a few hertz turns nothing above 400 Hz."""
    found = unknowns_of(Stages(parts=parts, **ways), bins_of(lowest_hz * np.array([1.0, 2.0, 3.0])))
    assert [u.name for u in found] == names.split()
    local = [u.name for u in found if u.local]
    assert local == [name for name in names.split() if name in ("d", "Or", "Oi")]
    place = LEFTOVERS
    for u in found:
        assert (u.place.start, u.place.stop) == (place, place + (3 if u.local else 1))
        place = u.place.stop


def test_levels_that_are_free_along_the_pitch_have_one_in_each_bin() -> None:
    for knee, size in (("share", 1), ("fs", 1), ("along", 3)):
        layout = layout_of("P", knee=knee, f0_hz=5 * F0_HZ)
        assert layout.at["P"].stop - layout.at["P"].start == size
        assert layout.size == LEFTOVERS + 1 + size


def test_a_fit_begins_where_the_prior_expects_it() -> None:
    """But for levels, bands and diodes, which begin where a derivative can find the way: at the crest, small."""
    layout = Layout(ALL, bins_of())
    start = layout.start()
    rest = layout.prior(start)[1]
    assert rest == pytest.approx(0.0, abs=1e-12)
    found = layout.values(start)
    assert found.top == pytest.approx(1.0)
    assert found.bottom == pytest.approx(1.0)
    assert ((found.dead > 0.01) & (found.dead < 0.025)).all()
    assert 0.03 < found.bend.min() < 0.06
    assert np.abs(found.even).max() == np.abs(found.odd).max() == 0.0
    assert found.steep == pytest.approx(F0_HZ / 800.0)
    assert found.lean == pytest.approx(0.0)
    # the steps of a derivative: small against what a fit may tell, large over the rounding of 64 points
    steps = {u.name: u.step for u in layout.unknowns}
    assert all(1e-4 < step < 0.1 for step in steps.values())


def test_values_are_what_physics_makes_of_them() -> None:
    layout = Layout(ALL, bins_of())
    found = values_with(
        layout,
        corner=5.0,
        lag=0.3,
        knee=np.log(0.05),
        P=0.9,
        N=0.8,
        B=0.2,
        q=np.log(0.3),
        w=np.log(0.1),
        S=0.5,
        lean=0.2,
    )
    assert found.corner == pytest.approx(5.0 / F0_HZ)
    assert found.lag == pytest.approx(2 * np.pi * F0_HZ * 0.3e-6)
    assert found.knee == pytest.approx(0.05)
    assert (found.top, found.bottom) == (pytest.approx(0.9), pytest.approx(0.8))
    # diodes are fixed in volts: half as much of twice the amplitude
    assert found.bend == pytest.approx(0.2 * 0.5 / AMPLITUDE)
    assert found.bend_at == pytest.approx(0.3 * 0.5 / AMPLITUDE)
    assert found.bend_width == pytest.approx(0.1)
    # the limit is reached at exp(0.5) times the highest pitch
    assert found.steep == pytest.approx(F0_HZ / 800.0 * np.exp(-0.5))
    assert found.lean == pytest.approx(0.2)


def test_a_limit_in_volts_goes_with_slope_and_level() -> None:
    layout = layout_of("PS", knee="fs", slope="fs")
    found = values_with(layout, S=0.0, P=0.95)
    slope = F0_HZ * AMPLITUDE
    assert found.steep == pytest.approx(slope / slope.max())
    assert found.top == pytest.approx(0.95 * 0.5 / AMPLITUDE)
    assert found.knee == pytest.approx(values_with(layout_of("P")).knee * 0.5 / AMPLITUDE)
    assert (found.bottom == NO_KNEE).all()
    # a level of three times the amplitude of a quiet row is none
    assert values_with(layout, P=2.9).top == pytest.approx(np.minimum(2.9 * 0.5 / AMPLITUDE, NO_KNEE))


@pytest.mark.parametrize(
    ("parts", "ways", "flags"),
    [
        ("P", {}, (False, True, False, False, False)),
        ("P", {"knee": "fs"}, (True, False, False, False, False)),
        ("D", {"knee": "fs"}, (False, False, False, False, False)),
        ("P", {"knee": "along"}, (False, True, False, False, False)),
        ("S", {}, (True, True, False, False, False)),
        ("S", {"slope": "hz"}, (False, True, True, False, False)),
        ("B", {}, (True, True, False, False, False)),
        ("o", {"inside": True}, (False, True, False, True, False)),
        ("Te", {"second_stage": True}, (False, True, False, False, True)),
    ],
)
def test_what_is_fixed_in_volts_needs_the_stages_own_amplitude(parts: str, ways: Any, flags: tuple[bool, ...]) -> None:
    assert layout_of(parts, **ways).flags == flags


BOUNDS = [
    # sharper is not in ten harmonics, rounder is a curve
    ("P", {}, "knee", "knee", -20.0, 5.0, 0.001, 0.4),
    ("P", {}, "P", "top", -1.0, 9.0, 0.2, 1.35),
    ("T", {}, "T", "bottom", -1.0, 9.0, 0.2, 1.35),
    ("P", {"knee": "along"}, "P", "top", -1.0, 9.0, 0.2, 1.35),
    # half of the peak leaves no sine to speak of; diodes that hold all of it neither
    ("D", {}, "D", "dead", -1.0, 9.0, 0.0, 0.5),
    ("d", {}, "d", "dead", -1.0, 9.0, 0.0, 0.5),
    ("B", {}, "B", "bend", -1.0, 9.0, 0.0, 1.0),
    ("B", {}, "q", "bend_at", -9.0, 9.0, np.exp(-4.0), np.e),
    # a light-emitting diode's 2 %, and three times the widest of the others
    ("B", {}, "w", "bend_width", -9.0, 9.0, 0.02, 0.3),
    # 4.5 times the limit is a full triangle, a twentieth of it bends nothing
    ("S", {"slope": "hz"}, "S", "steep", 9.0, -9.0, 1 / 20.1, 4.48),
    ("S", {"slope": "hz"}, "lean", "lean", -9.0, 9.0, -0.5, 0.5),
]


@pytest.mark.parametrize(("parts", "ways", "name", "column", "low", "high", "least", "most"), BOUNDS)
def test_beyond_its_bounds_a_value_would_mean_nothing(
    parts: str, ways: Any, name: str, column: str, low: float, high: float, least: float, most: float
) -> None:
    layout = Layout(Stages(parts=parts, **ways), bins_of(amplitude_fs=np.full(3, 0.5)))
    top = -1 if column == "steep" else slice(None)
    assert getattr(values_with(layout, **{name: low}), column)[top] == pytest.approx(least, rel=2e-3)
    assert getattr(values_with(layout, **{name: high}), column)[top] == pytest.approx(most, rel=2e-3)


def test_a_corner_and_a_lag_turn_no_further_than_half_a_radian() -> None:
    """An input's corner is up to 30 Hz; at a low pitch it is half of it at the most."""
    low = layout_of("", f0_hz=np.array([40.0, 200.0, 300.0]))
    assert values_with(low, corner=99.0).corner == pytest.approx([0.5, 30 / 200, 30 / 300])
    assert values_with(low, corner=-9.0).corner == pytest.approx(0.0)
    assert values_with(low, corner=26.0).corner == pytest.approx([0.5, 26 / 200, 26 / 300])
    slow = layout_of("", inside=True)
    assert values_with(slow, lag=1e4).lag == pytest.approx(0.5)
    assert values_with(slow, lag=-1.0).lag == pytest.approx(0.0)
    fixed = Layout(Stages(parts="P", knee="fs"), bins_of(amplitude_fs=np.full(3, 0.5)))
    assert values_with(fixed, P=0.01).top == pytest.approx(0.1)
    assert values_with(fixed, P=9.0).top == pytest.approx(3.0)
    assert values_with(fixed, P=0.13).top == pytest.approx(0.13)


ONE_SIGMA = [
    # a factor of e either way
    ("P", {}, "knee", np.log(0.012) + 1, np.log(0.012) - 1),
    # direct coupling is well within a deviation of 2 Hz, 4.5 Hz just
    ("", {}, "corner", 4.5, -0.5),
    # 0 and 0.4 us about 0.2
    ("", {"inside": True}, "lag", 0.4, 0.0),
    # a factor of two about a fifth of the amplitude
    ("B", {}, "q", np.log(0.403), np.log(0.0993)),
    ("B", {}, "w", np.log(0.1044), np.log(0.0469)),
    ("S", {"slope": "hz"}, "S", 1.0, -1.0),
    ("S", {"slope": "hz"}, "lean", 1.0, -1.0),
    ("e", {}, "er", 0.3, -0.3),
    ("e", {}, "ei", 0.3, -0.3),
    ("o", {}, "or", 0.3, -0.3),
    ("o", {}, "oi", 0.3, -0.3),
]


@pytest.mark.parametrize(("parts", "ways", "name", "above", "below"), ONE_SIGMA)
def test_what_is_likely_of_an_unknown(parts: str, ways: Any, name: str, above: float, below: float) -> None:
    layout = layout_of(parts, **ways)
    others = cost_of(layout)
    assert others == pytest.approx(0.0, abs=1e-12)
    assert cost_of(layout, **{name: above}) == pytest.approx(1.0, rel=0.02)
    assert cost_of(layout, **{name: below}) == pytest.approx(1.0, rel=0.02)


def test_levels_bands_and_diodes_that_are_one_for_the_take_are_not_bound() -> None:
    for parts, name in (("P", "P"), ("T", "T"), ("D", "D"), ("B", "B")):
        assert cost_of(layout_of(parts), **{name: 0.4}) == pytest.approx(0.0, abs=1e-12)


LOCAL = [
    # name, expected, one deviation, and what an octave adds
    ("P", {"knee": "along"}, "P", 1.1, 0.6, 0.294),
    ("N", {"knee": "along"}, "N", 1.1, 0.6, 0.294),
    ("T", {"knee": "along"}, "T", 1.1, 0.6, 0.294),
    ("d", {}, "d", 0.0, 0.3, 0.0245),
    ("E", {}, "Er", 0.0, 0.3, 0.00735),
    ("O", {}, "Oi", 0.0, 0.3, 0.00735),
]


@pytest.mark.parametrize(("parts", "ways", "name", "mean", "sigma", "octave"), LOCAL)
def test_what_goes_along_the_pitch_walks(
    parts: str, ways: Any, name: str, mean: float, sigma: float, octave: float
) -> None:
    """Each bin's value has a width of its own; neighbours an octave apart differ by a walk's width, two by sqrt 2."""
    layout = layout_of(parts, f0_hz=np.array([400.0, 800.0, 3_200.0]), **ways)
    other = {"Er": {"Ei": 0.0}, "Oi": {"Or": 0.0}}.get(name, {})
    level = np.full(3, mean)
    assert cost_of(layout, **{name: level, **other}) == pytest.approx(0.0, abs=1e-12)
    assert cost_of(layout, **{name: level + sigma, **other}) == pytest.approx(3.0)
    for bin_, apart in ((0, 1.0), (2, 2.0)):
        step = level.copy()
        step[bin_] += octave * np.sqrt(apart)
        own = (octave * np.sqrt(apart) / sigma) ** 2
        assert cost_of(layout, **{name: step, **other}) == pytest.approx(1.0 + own, rel=0.01)


@pytest.mark.parametrize(
    ("apart", "own", "bound"), [(0.04, -1, True), (0.04, 2, False), (0.06, 2, True), (0.06, -1, True)]
)
def test_states_at_one_pitch_do_not_go_over_by_degrees(apart: float, own: int, bound: bool) -> None:
    """Within a twentieth of an octave, where rows have states of their own."""
    f0 = 500.0 * 2.0 ** np.array([0.0, apart, 2.0])
    layout = layout_of("P", own=own, f0_hz=f0, knee="along")
    far = cost_of(layout, P=np.array([0.8, 1.4, 1.1])) - cost_of(layout, P=np.full(3, 1.1))
    assert (far > 10.0) == bound


def test_bins_next_to_each_other_may_differ_by_a_hundredth_of_an_octaves_walk() -> None:
    """1 / 120 of an octave at the least: of bins at one pitch nothing would be left free."""
    same, least = (layout_of("d", f0_hz=500.0 * 2.0 ** np.array([0.0, apart, 2.0])) for apart in (1e-6, 1.0 / 120.0))
    values = np.array([0.02, 0.021, 0.02])
    assert cost_of(same, d=values) == pytest.approx(cost_of(least, d=values), rel=1e-3)
    walk = 0.0245 * np.sqrt(1.0 / 120.0)
    assert cost_of(least, d=values) == pytest.approx((0.001 / walk) ** 2, rel=0.1)


def test_the_builds_own_harmonics_have_their_widths() -> None:
    layout = layout_of("")
    for order in range(9):
        for part in (0, 1):
            vector = layout.start()
            vector[2 * order + part] = LEFTOVER_SIGMA[order]
            assert float(np.sum(layout.prior(vector)[1] ** 2)) == pytest.approx(1.0)
    # under the limit of 0.3 % that a lamp's harmonics have, and falling as a gentle curve's do
    assert LEFTOVER_SIGMA[0] < 0.003
    assert (np.diff(LEFTOVER_SIGMA) <= 0).all()


@pytest.mark.parametrize("slope", ["fs", "hz"])
def test_no_fundamental_is_steeper_than_a_full_triangles(slope: Any) -> None:
    """Its slope is 4 / pi of the limit, its level then known to 2 %; below, nothing is asked."""
    layout = layout_of("S", slope=slope)
    for over in (0.9, 0.99, 1.02, 1.1):
        onset = -np.log(4 / np.pi * over)
        beyond = max(over - 1.0, 0.0) / 0.02 if slope == "fs" else 0.0
        assert cost_of(layout, S=onset) == pytest.approx(onset**2 + beyond**2, rel=1e-6)


@pytest.mark.parametrize("onset", [0.2, -0.2, -0.3, -0.8])
def test_rows_of_the_prior_are_the_slopes_of_its_residual(onset: float) -> None:
    """By differences."""
    layout = layout_of("PSe", slope="fs")
    vector = layout.start()
    vector[layout.at["S"]] = onset
    rows, rest = layout.prior(vector)
    for i in range(layout.size):
        moved = vector.copy()
        moved[i] += 1e-6
        assert rows[:, i] == pytest.approx((layout.prior(moved)[1] - rest) / 1e-6, abs=0.02, rel=1e-4)


def test_many_vectors_are_tabled_at_once() -> None:
    layout = Layout(ALL, bins_of())
    vectors = np.array([layout.start(), layout.start()])
    vectors[1, layout.at["P"]] = 0.7
    table = layout.table(vectors)
    np.testing.assert_array_equal(table[:3], layout.table(vectors[:1]))
    np.testing.assert_array_equal(table[3:], layout.table(vectors[1:]))
