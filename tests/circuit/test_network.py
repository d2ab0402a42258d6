"""Growth and the gain behind it, against published values and roots found apart from the code."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from listen.bench import BuildSettings
from listen.circuit.expected import Pulled, RangeEnd, _product, gain_bandwidth, nominal_hz, wien_lag
from listen.circuit.network import Network, WienArms, gain_of_growth, growth_per_excess, network_of
from listen.circuit.types import ExpectedPitch, PitchEnd, Quantity, Where, unknown

WHERE = Where(start_s=0.0, end_s=1.0, f0_low_hz=1e3, f0_high_hz=2e4)


def network(topology: str, **settings: str) -> Network:
    found = network_of(topology, BuildSettings(**settings))  # type: ignore[arg-type]
    assert isinstance(found, Network)
    return found


@pytest.mark.parametrize(
    ("gain", "rate_per_s", "f_hz"), [(3.03, 150.0, 1591.370), (3.1, 500.0, 1589.559), (3.3, 1500.0, 1573.543)]
)
def test_wien_growth_of_10k_and_10_nf(gain: float, rate_per_s: float, f_hz: float) -> None:
    """Roots of the Wien loop (A - 3) / (2 R C); the circuit simulator ngspice gave 499.996 for 500."""
    excess = gain_of_growth(network("wien-bridge"), rate_per_s, f_hz, None)
    assert excess == pytest.approx(gain / 3 - 1, rel=1e-5)


@pytest.mark.parametrize(("percent", "apart"), [(0.01, 0.5), (0.4, 0.5)])
def test_a_product_that_the_ends_do_not_agree_on_is_as_unsure_as_they_differ(percent: float, apart: float) -> None:
    """Ends known to 0.02 cents that are off by 1 and by 2 per cent, as gangs that part leave them."""
    ends = tuple(RangeEnd(f0_hz=f / off, own_cents=0.02, hidden_cents=0.0) for f, off in ((100.0, 1.01), (1e3, 1.02)))
    pulled = Pulled(ratio=(1.0, 1.0), lag_sigma_s=0.0, percent=percent)
    found = _product(ends, (100.0, 1e3), pulled, False, WHERE)  # type: ignore[arg-type]
    assert found.value == pytest.approx(1.5, abs=0.01)
    assert found.sigma == pytest.approx(np.hypot(apart, percent / 2**0.5), rel=0.02)


def test_decay_is_negative_and_exact() -> None:
    # A = 2.97: -150 1/s at 10 k, 10 nF, the same roots
    excess = gain_of_growth(network("wien-bridge"), -150.0, 1591.370, None)
    assert excess == pytest.approx(2.97 / 3 - 1, rel=1e-4)


@pytest.mark.parametrize("sections", ["buffered", "ladder"])
@pytest.mark.parametrize("order", ["low-pass", "high-pass"])
def test_phase_shift_by_numpys_roots(sections: str, order: str) -> None:
    """The characteristic polynomial's roots by numpy.roots; gains needed 8 and 29 as in handbooks."""
    # denominators of the low-pass in x = p R C; a high-pass has the same with x turned into 1 / x
    polynomial = np.array([1.0, 3.0, 3.0, 1.0]) if sections == "buffered" else np.array([1.0, 5.0, 6.0, 1.0])
    needed = 8.0 if sections == "buffered" else 29.0
    for excess in (0.01, 0.08, 0.3):
        a = polynomial.copy() if order == "low-pass" else polynomial[::-1].copy()
        a[-1 if order == "low-pass" else 0] += needed * (1 + excess)
        root = max(np.roots(a), key=lambda p: (p.real, p.imag))
        net = network("phase-shift", phase_shift_sections=sections, phase_shift_order=order)
        found = gain_of_growth(net, 1000 * root.real, 1000 * abs(root.imag) / (2 * np.pi), None)
        assert found == pytest.approx(excess, rel=1e-6)


def test_growth_of_small_excess_is_1_5_a_radian() -> None:
    # e / (2 Q) with Q = 1/3 for a Wien bridge
    assert growth_per_excess(network("wien-bridge")) == pytest.approx(1.5, rel=1e-3)


def test_a_pole_lowers_what_growth_tells() -> None:
    """One pole solved apart: p^2 + (3 - A/(1 + p A / w_t)) p + 1 = 0 as a cubic, by numpy.roots."""
    f0_hz, gain, pole_hz = 5000.0, 3.9, 1e6
    w0, lag = 2 * np.pi * f0_hz, gain / (2 * np.pi * pole_hz)
    x = lag * w0
    root = max(np.roots([x, 1 + 3 * x, 3 - gain + x, 1.0]), key=lambda p: (p.real, p.imag))
    rate, f = w0 * root.real, w0 * abs(root.imag) / (2 * np.pi)
    wien = network("wien-bridge")
    assert gain_of_growth(wien, rate, f, pole_hz) == pytest.approx(0.3, rel=1e-6)
    blind = gain_of_growth(wien, rate, f, None)
    assert blind is not None
    assert blind < 0.29


@pytest.mark.parametrize(
    ("topology", "says"),
    [(None, "state the topology"), ("quadrature", "integrators"), ("phase-shift", "phase_shift_sections")],
)
def test_where_growth_tells_no_per_cent_it_says_why(topology: str | None, says: str) -> None:
    found = network_of(topology, BuildSettings())
    assert isinstance(found, str)
    assert says in found


@pytest.mark.parametrize(
    ("topology", "parts", "settings", "f_hz"),
    [
        # solved examples of open textbook companions (10 k, 10 nF; 10 k, 2.4 nF) and Fundamentals of Electronics 4
        ("wien-bridge", (1e4, 10e-9), {}, 1591.549),
        ("wien-bridge", (1e4, 2.4e-9), {}, 6631.456),
        ("phase-shift", (1e4, 1e-9), {"phase_shift_sections": "ladder", "phase_shift_order": "high-pass"}, 6497.473),
        ("phase-shift", (2.5e3, 50e-9), {"phase_shift_sections": "ladder", "phase_shift_order": "high-pass"}, 519.798),
        ("quadrature", (100.1e3, 10e-9), {}, 159.0),
    ],
)
def test_nominal_pitch_of_worked_examples(
    topology: str, parts: tuple[float, float], settings: dict[str, str], f_hz: float
) -> None:
    r, c = parts
    build = BuildSettings(parts={"r1_ohm": (r, r), "c1_f": (c, c)}, **settings)  # type: ignore[arg-type]
    found = nominal_hz(topology, build)
    assert found is not None
    assert found[0] == pytest.approx(f_hz, rel=1e-5 if topology != "quadrature" else 1e-3)


def held_pitch(ratio: float) -> float:
    """Pitch over that of the network, from the eigenvalues of both capacitors and the amplifier, ft over it given."""

    def root(gain: float) -> complex:
        # a' = y - a - b, b' = y - a - 2 b, y' = ft (b - y / gain)
        matrix = [[-1.0, -1.0, 1.0], [-1.0, -2.0, 1.0], [0.0, ratio, -ratio / gain]]
        return complex(max(np.linalg.eigvals(matrix), key=lambda s: (s.imag > 0, s.real)))

    return root(float(optimize.brentq(lambda gain: root(gain).real, 2.5, 6.0, xtol=1e-13))).imag


@pytest.mark.parametrize("ratio", [12.0, 30.0, 100.0, 300.0, 1000.0, 3000.0])
def test_finite_bandwidth_lowers_a_wien_bridge(ratio: float) -> None:
    assert wien_lag(1.0, ratio) == pytest.approx(held_pitch(ratio), abs=1e-9)


@pytest.mark.parametrize("c2_over_c1", [0.5, 2.0])
@pytest.mark.parametrize("ratio", [30.0, 300.0])
def test_finite_bandwidth_lowers_a_bridge_of_unequal_arms(ratio: float, c2_over_c1: float) -> None:
    arms = WienArms(r1_over_r2=1.1, c2_over_c1=c2_over_c1)

    def root(gain: float) -> complex:
        # C1 = R2 = 1, and time in 1 / sqrt(R1 R2 C1 C2): a' = (y - a - b) / R1, b' = (a' - b) / C2
        r, c = arms.r1_over_r2, c2_over_c1
        own = np.sqrt(r * c)
        in_ = np.array([-1.0, -1.0, 1.0]) / r * own
        shunt = (in_ - own * np.array([0.0, 1.0, 0.0])) / c
        matrix = [in_, shunt, [0.0, ratio, -ratio / gain]]
        return complex(max(np.linalg.eigvals(matrix), key=lambda s: (s.imag > 0, s.real)))

    needed = float(optimize.brentq(lambda gain: root(gain).real, 2.0, 7.0, xtol=1e-13))
    assert wien_lag(1.0, ratio, arms) == pytest.approx(root(needed).imag, abs=1e-9)


@pytest.mark.parametrize("octaves", [1.0, np.log2(10.0), 5.0])
@pytest.mark.parametrize("ratio", [15.0, 40.0, 90.0])
def test_the_bottom_of_the_range_is_pulled_down_too(octaves: float, ratio: float) -> None:
    """The bandwidth from both ends of a dial, each pulled as the eigenvalues say."""
    top_hz = 20e3
    ends_hz = top_hz / 2.0**octaves, top_hz
    low, high = (
        Quantity(value=1200 * np.log2(held_pitch(ratio * top_hz / f)), sigma=0.1, where=WHERE) for f in ends_hz
    )
    pitch = [PitchEnd(nominal=f, least=f, most=f) for f in ends_hz]
    expected = ExpectedPitch(
        low_hz=pitch[0], high_hz=pitch[1], low_cents=low, high_cents=high, rc_product_off_percent=unknown("not asked")
    )
    build = BuildSettings(measured=True, tolerance_percent=(0.01, 0.01))
    found = gain_bandwidth(expected, "wien-bridge", build, slews=False)
    assert found.bound is None
    assert found.value == pytest.approx(ratio * top_hz, rel=1e-6)


def test_one_pitch_tells_no_bandwidth() -> None:
    end = PitchEnd(nominal=1600.0, least=1600.0, most=1600.0)
    cents = Quantity(value=0.0, sigma=0.1, where=WHERE)
    expected = ExpectedPitch(
        low_hz=end, high_hz=end, low_cents=cents, high_cents=cents, rc_product_off_percent=unknown("not asked")
    )
    found = gain_bandwidth(expected, "wien-bridge", BuildSettings(measured=True), slews=False)
    assert found.value is None
    assert "too narrow" in (found.why or "")
