"""Bridges whose amplifier is slow: the pitch says so, and the curve must not be read without its lag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import listen
from listen.circuit import limiter, loop
from listen.circuit.curve_fit import Common, OutputLines, completed
from listen.circuit.limiter import AmplifierStages
from tests.circuit.bridges import Bridge, record, resistors
from tests.circuit.sigma_takes import small_gain


def test_the_bandwidth_that_the_pitch_tells_is_the_curves(tmp_path: Path) -> None:
    bridge = Bridge(
        f0_hz=(120.0, 1100.0),
        gain=3.09,
        seconds=2.5,
        rest_s=0.4,
        pole_hz=90e3,
        snr_db=70.0,
        stated={"tolerance_percent": (0.5, 0.5), "measured": True},
    )
    bench = record(bridge, tmp_path / "take.wav")
    circuit = listen.check(tmp_path / "take.wav", bench=bench, threads=1).circuit
    assert circuit is not None
    assert circuit.gain_bandwidth_hz.value == pytest.approx(90e3, rel=0.25)
    # without the pole it reads 2 % too little, and the lag's share of the turn as unequal gangs, of 0.3 %
    assert circuit.loop_gain_in_hand.value == pytest.approx(100 * (small_gain(bridge) / 3.0 - 1.0), rel=0.01)
    assert circuit.gang_mismatch.spread_percent.value == pytest.approx(0.0, abs=0.1)


def test_the_slope_at_the_corners_of_a_slow_amplifiers_clip_is_in_its_node(tmp_path: Path) -> None:
    """Forty harmonics read half of the lag, and the rest as gangs that part: 7 % or 3.5 deviations too far."""
    bridge = Bridge(
        f0_hz=(318.0, 1908.0), gain=3.4749, rails_v=(-8.5, 11.2), gangs_percent=(-2.65, -0.76), seconds=2.0,
        pole_hz=0.66e6, snr_db=66.0,
    )  # fmt: skip
    bench = record(bridge, tmp_path / "take.wav")
    circuit = listen.check(tmp_path / "take.wav", bench=bench, threads=1).circuit
    assert circuit is not None
    spread, along = circuit.gang_mismatch.spread_percent, circuit.gang_mismatch.along
    r1, r2 = resistors(bridge)
    apart = 100 * (r1 / r2 - 1.0)[-int(bridge.seconds * bridge.rate_hz) :]
    true = [apart[int(row.time_s * bridge.rate_hz)] for row in along]
    assert spread.value is not None
    assert spread.sigma is not None
    assert abs(spread.value - (max(true) - min(true))) < 2.0 * spread.sigma
    assert spread.sigma < 0.03 * spread.value


def test_harmonics_that_a_slow_amplifier_makes_settle_at_any_note() -> None:
    """At 12 kHz its lag turns the higher harmonics by more than themselves: passes must not pile that up."""
    rails = AmplifierStages(rails=True)
    numbers = np.zeros(limiter.SIZE)
    numbers[limiter.LOG_GAIN] = 0.1
    numbers[[limiter.LOG_TOP, limiter.LOG_BOTTOM]] = np.log(0.95)
    numbers[limiter.LOG_KNEE] = np.log(1e-3)
    y = np.zeros((1, loop.ORDERS), dtype=complex)
    y[0, 0] = 1.0
    noise = np.full((1, loop.ORDERS), np.inf)
    noise[0, 0] = 1e-4
    lines = OutputLines(f0_hz=np.array([12e3]), y=y, noise=noise)
    common = Common(lag_s=0.7e-6, gangs=0.0, corner_hz=0.0, behind_s=0.0)
    moved, sizes = [], []
    for _ in range(12):
        before = lines.missing
        lines = completed(lines, rails, numbers, common, np.zeros(1))
        assert lines.missing is not None
        moved.append(np.inf if before is None else float(np.abs(lines.missing - before).max()))
        sizes.append(float(np.abs(lines.missing).max()))
    assert moved[-1] < 1e-4
    assert sizes[-1] < 0.1


def test_a_rail_that_is_rounded_bends_nothing_half_way_to_it() -> None:
    """An output stage that loses 4 % at its rail is straight at half of it: y / (1 + y^n)^(1/n), n of 20."""
    numbers = np.zeros(limiter.SIZE)
    numbers[limiter.LOG_KNEE] = np.log(0.068)
    u = np.linspace(0.0, 1.5, 301)
    found = limiter.output(AmplifierStages(rails=True), numbers, np.concatenate([-u[::-1], u]))[301:]
    np.testing.assert_allclose(found, u / (1.0 + u**20) ** (1.0 / 20.0), atol=5e-3)
    np.testing.assert_allclose(found[u < 0.5], u[u < 0.5], atol=1e-6)
