"""Oscillators whose behaviour theory gives: start-up of a Wien bridge, the van der Pol oscillator.

Sources: gain of 3 and f0 = 1 / (2 pi R C): J. M. Fiore's open laboratory manual on operational amplifiers; growth rate
(A - A0) / (2 R C), derived from the roots and checked by a circuit simulator (499.996 for 500.000 a second). Van der
Pol: perturbation texts (amplitude 2, omega = 1 - e^2/16 + 17 e^4/3072, H3/H1 = e/8), checked by integration at 1e-11.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.tones import RATE_HZ, cents, check_of, frames_of, kinds, middle, times, white

R_OHM, C_F = 10e3, 10e-9
OMEGA_0 = 1 / (R_OHM * C_F)


def growth(gain: float) -> tuple[float, float]:
    """Rate (1/s) and pitch (Hz) of a Wien bridge with equal parts and an amplifier of some gain."""
    excess = gain - 3.0
    return excess / (2 * R_OHM * C_F), OMEGA_0 * np.sqrt(1 - (excess / 2) ** 2) / (2 * np.pi)


@pytest.mark.parametrize(
    ("gain", "rate_per_s", "f0_hz"), [(3.03, 150.0, 1591.370), (3.1, 500.0, 1589.559), (3.3, 1500.0, 1573.543)]
)
def test_the_rates_in_figures(gain: float, rate_per_s: float, f0_hz: float) -> None:
    assert growth(gain) == pytest.approx((rate_per_s, f0_hz), rel=1e-6)


def limited(rate_per_s: float, f0_hz: float, seconds: float, start: float, size: float = 0.4) -> np.ndarray:
    """An oscillation that grows and limits itself: size / sqrt(1 + (1 / start^2 - 1) exp(-2 rate t))."""
    t = times(seconds)
    envelope = size / np.sqrt(1 + (1 / start**2 - 1) * np.exp(-2 * rate_per_s * t))
    return envelope * np.cos(2 * np.pi * f0_hz * t)


@pytest.mark.parametrize("rate_per_s", [3.0, 6.0])
def test_slow_start_tells_the_gain_in_hand(rate_per_s: float) -> None:
    """Growth, excess gain 2 sigma / omega_0, time from 1 % to 90 % of the level ln(9999 / 0.2346) / 2 sigma."""
    _, f0_hz = growth(3.0 + 2 * rate_per_s / OMEGA_0)
    lead = np.zeros(round(0.5 * RATE_HZ))
    x = np.concatenate([lead, limited(rate_per_s, f0_hz, 20.0 / rate_per_s, 1e-5)])
    result = check_of(x + white(len(x), -100.0, 41))
    assert kinds(result) == {"slow-start"}
    facts = next(f.evidence for f in result.findings if f.kind == "slow-start")
    # up to 40 % of the level the envelope bends by 3 % from the exponential: 2 % for the fit over that
    assert facts["growth_per_s"] == pytest.approx(rate_per_s, rel=0.02)
    assert facts["excess_gain"] == pytest.approx(2 * rate_per_s / OMEGA_0, rel=0.02)
    assert facts["rise_s"] == pytest.approx(np.log(9999 / 0.2346) / (2 * rate_per_s), rel=0.01)
    assert facts["cycles"] == pytest.approx(facts["rise_s"] * f0_hz, rel=0.01)


def test_growth_of_a_linear_start_is_read_within_one_per_cent() -> None:
    """A bridge grows exactly exponentially until its rail: ideal limiter at the fundamental."""
    rate_per_s, f0_hz = 5.0, 1591.5
    t = times(3.5)
    envelope = 0.4 * np.minimum(1.0, np.exp(rate_per_s * (t - 2.5)))
    x = envelope * np.cos(2 * np.pi * f0_hz * t) * (t > 0.3) + white(len(t), -100.0, 42)
    facts = next(f.evidence for f in check_of(x).findings if f.kind == "slow-start")
    assert facts["growth_per_s"] == pytest.approx(rate_per_s, rel=0.01)
    assert facts["rise_s"] == pytest.approx(np.log(90.0) / rate_per_s, rel=0.01)


@pytest.mark.parametrize("rate_per_s", [10.0, 30.0])
def test_decay_of_an_oscillation_that_dies(rate_per_s: float) -> None:
    """A gain of 2.97 dies as exp(-150 t); slower here, so that the envelope shows it."""
    t = times(4.0)
    envelope = 0.4 * np.exp(-rate_per_s * np.maximum(t - 1.5, 0.0))
    result = check_of(envelope * np.cos(2 * np.pi * 1591.5 * t) + white(len(t), -95.0, 43))
    assert kinds(result) == {"oscillation-dropout"}
    facts = next(f.evidence for f in result.findings if f.kind == "oscillation-dropout")
    assert facts["comes_back"] is False
    assert facts["decay_per_s"] == pytest.approx(rate_per_s, rel=0.02)


VAN_DER_POL = {
    # keyed by e: omega, then H3 in dBc, then psi_3 in degrees
    0.05: (0.99984378, -44.08, None),
    0.1: (0.99937555, -38.06, 92.2),
    0.2: (0.99750886, -32.05, 94.3),
}


@pytest.mark.parametrize("e", VAN_DER_POL)
def test_a_self_limiting_oscillator(e: float) -> None:
    """x'' - e (1 - x^2) x' + x = 0 at 1 kHz: pitch within 0.01 cents, H3 within 0.05 dB, no half called flattened."""
    omega, third, psi = VAN_DER_POL[e]
    scale = 2 * np.pi * 1000.0
    t = times(0.6)
    solved = solve_ivp(
        lambda _, y: (y[1], e * (1 - y[0] ** 2) * y[1] - y[0]),
        (0.0, scale * t[-1]),
        (2.0, 0.0),
        method="DOP853",
        t_eval=scale * t,
        rtol=1e-9,
        atol=1e-9,
    )
    x = 0.2 * solved.y[0]
    frames = frames_of(x)
    rows = middle(frames, 0.2)
    assert np.median(cents(frames.f0_hz[rows], 1000.0 * omega)) == pytest.approx(0.0, abs=0.01)
    # perturbation theory: its next term is of order e^2
    assert np.median(frames.harmonics_dbc[rows, 1]) == pytest.approx(third, abs=0.05)
    assert 10 ** (np.median(frames.fundamental_dbfs[rows]) / 20) == pytest.approx(0.4, rel=1e-3)
    if psi is not None:
        found = np.degrees(np.median(frames.harmonic_phase_rad[rows, 1])) % 360
        assert min(found, 360 - found) == pytest.approx(psi, abs=0.3)
    assert not kinds(check_of(x)) & {"symmetric-clipping", "asymmetric-clipping"}


@pytest.mark.parametrize(
    ("wrong_percent", "cents_off", "series_gain", "shunt_gain"),
    [(-20, 193.16, 2.800, 3.250), (-5, 44.40, 2.950, 3.0526), (5, -42.23, 3.050, 2.9524), (10, -82.50, 3.100, 2.909)],
)
def test_a_mismatched_gang_in_the_simulated_bridge(
    wrong_percent: float, cents_off: float, series_gain: float, shunt_gain: float
) -> None:
    """A0 = 1 + R1/R2 + C2/C1; series arm R (1 + d): f by -600 log2(1 + d) cents, gain needed 3 + d (derived)."""
    d = wrong_percent / 100
    assert -600 * np.log2(1 + d) == pytest.approx(cents_off, abs=0.006)
    for r1, r2, want in ((1 + d, 1.0, series_gain), (1.0, 1 + d, shunt_gain)):
        # growth of the linear bridge changes its sign at the gain needed: roots of s^2 + (A0 - A) s / (r1 c1) + ..
        for gain, sign in ((want - 0.01, -1), (want + 0.01, 1)):
            roots = np.roots([r1 * r2, r1 + r2 + r2 * (1 - gain), 1.0])
            assert np.sign(roots.real).tolist() == [sign, sign]
            assert abs(roots[0].imag) == pytest.approx(1 / np.sqrt(r1 * r2), rel=1e-4)
