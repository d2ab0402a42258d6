"""A bridge whose amplifier is slower than any in use: the pitch says so, and the curve must not be read without it."""

from __future__ import annotations

from pathlib import Path

import pytest

import listen
from tests.circuit.bridges import Bridge, record
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
