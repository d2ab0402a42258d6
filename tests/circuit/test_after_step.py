"""Growth right after a quick retune, from levels and from a recording whose level is known at every instant."""

from __future__ import annotations

import numpy as np
import pytest

from listen.bench import Bench, BuildSettings
from listen.circuit.after_step import first_slope
from tests.tones import RATE_HZ, check_of, white

STEP_S = 0.005


@pytest.mark.parametrize("noise", [1e-4, 1e-3])
@pytest.mark.parametrize("turns_hz", [0.0, 3.0, 8.0])
def test_the_first_slope_of_a_ring_errs_by_its_deviation(noise: float, turns_hz: float) -> None:
    t, omega = STEP_S * np.arange(48), 2 * np.pi * turns_hz
    y = 0.2 * np.exp(-t / 0.15) * np.cos(omega * t + 0.6)
    true = -0.2 * (np.cos(0.6) / 0.15 + omega * np.sin(0.6))
    z = []
    for seed in range(40):
        slope, sigma, _ = first_slope(y + noise * np.random.default_rng(seed).standard_normal(48), STEP_S, noise)
        z.append((slope - true) / sigma)
    # frames that overlap are noisier than these by the root of three
    assert np.sqrt(np.mean(np.square(z))) < 1.4
    assert np.max(np.abs(z)) < 4.0


def stepped(build: BuildSettings):
    """A retune from 300 to 450 Hz at 1.2 s, in 30 ms, after which the level rings at 4 Hz by 0.15 either way."""
    t = np.arange(int(2.6 * RATE_HZ)) / RATE_HZ
    place = np.clip((t - 1.2) / 0.03, 0.0, 1.0)
    phase = 2 * np.pi * np.cumsum(300.0 * 1.5 ** (0.5 - 0.5 * np.cos(np.pi * place))) / RATE_HZ
    after = np.maximum(t - 1.23, 0.0)
    level = 0.15 * np.exp(-after / 0.2) * np.sin(2 * np.pi * 4.0 * after)
    x = 0.3 * np.exp(level) * np.cos(phase)
    return check_of(x + white(len(x), -90.0), bench=Bench(build=build)).circuit, np.gradient(level, 1.0 / RATE_HZ)


def test_a_step_shows_the_gain_of_the_moment_and_not_the_gain_in_hand() -> None:
    circuit, rate = stepped(BuildSettings(topology="wien-bridge", gain_control="jfet"))
    (growth,) = circuit.growth
    assert growth.kind == "after-step"
    assert 1.23 < growth.start_s < 1.29
    true = float(rate[int(growth.start_s * RATE_HZ)])
    assert growth.rate_per_s == pytest.approx(true, rel=0.05)
    assert abs(growth.rate_per_s - true) < 3.0 * growth.sigma_per_s < 0.2 * true
    # of a Wien bridge 1.5 radians a unit of excess (handbook: growth (A - 3) / 2 a radian, A0 = 3)
    assert growth.gain_percent == pytest.approx(100 * true / (1.5 * 2 * np.pi * 450.0), rel=0.05)
    assert circuit.loop_gain_in_hand.value is None
    assert circuit.loop_gain_along == ()
    assert "growth after a step" in circuit.gang_mismatch.spread_percent.why


def test_without_a_topology_a_step_has_a_rate_and_no_gain() -> None:
    circuit, _ = stepped(BuildSettings(gain_control="lamp"))
    (growth,) = circuit.growth
    assert growth.gain_percent is None
    assert growth.rate_per_s > 1.0
