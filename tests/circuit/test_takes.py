"""Solved Wien bridges end to end: what the check says of the circuit against the parts that were put in."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import numpy as np
import pytest

import listen
from listen.circuit import Circuit
from listen.report import check_document, check_schema
from tests.circuit.bridges import Bridge, record
from tests.circuit.sigma_takes import small_gain


def read(bridge: Bridge, path: Path, **options: str) -> Circuit:
    bench = record(bridge, path / "take.wav")
    result = listen.check(path / "take.wav", bench=bench, **options)
    jsonschema.validate(check_document(result), check_schema())
    assert result.circuit is not None
    return result.circuit


@pytest.mark.parametrize("snr_db", [80.0, 40.0])
def test_gain_in_hand_and_gangs_of_diodes_in_a_sweep(tmp_path: Path, snr_db: float) -> None:
    bridge = Bridge(f0_hz=(180.0, 1800.0), gain=3.12, gangs_percent=(0.0, 4.0), seconds=3.0, pole_hz=1e6, snr_db=snr_db)
    circuit = read(bridge, tmp_path)
    in_hand = circuit.loop_gain_in_hand
    assert in_hand.value is not None
    assert in_hand.value == pytest.approx(100 * (3.12 / 3.02 - 1), rel=0.02)
    along = circuit.gang_mismatch.along
    # the gangs part in proportion to time; rows within 80 ms of the ends are not read
    wanted = 4.0 * (along[-1].time_s - along[0].time_s) / 3.0
    spread = circuit.gang_mismatch.spread_percent
    assert spread.value == pytest.approx(wanted, rel=0.05)
    # its ends are averaged over a frame, however little noise there is
    assert spread.sigma is not None
    assert spread.sigma > 0.0015 * wanted
    assert along[-1].percent > along[0].percent
    assert along[-1].ohm == pytest.approx(along[-1].percent / 100 / (2 * np.pi * along[-1].f0_hz * 1e-8), rel=1e-6)
    assert circuit.gang_mismatch.constant_percent.value is None


@pytest.mark.parametrize("c2_over_c1", [0.5, 2.0])
def test_capacitors_that_are_stated_unequal_need_another_gain(tmp_path: Path, c2_over_c1: float) -> None:
    """1 + R1/R2 + C2/C1 (J. M. Fiore, op-amp text, chapter 17): 2.5 and 4 in the place of 3."""
    needed = 2.0 + c2_over_c1
    bridge = Bridge(
        f0_hz=(180.0, 1800.0), gain=1.05 * needed, gangs_percent=(-2.0, 2.0), c2_over_c1=c2_over_c1, seconds=3.0,
        diode_share=0.16,
    )  # fmt: skip
    circuit = read(bridge, tmp_path)
    found, spread = circuit.loop_gain_in_hand, circuit.gang_mismatch.spread_percent
    along = circuit.gang_mismatch.along
    assert found.value == pytest.approx(100 * (small_gain(bridge) / needed - 1.0), rel=0.02)
    # the gangs part in proportion to time; rows within 80 ms of the ends are not read
    assert spread.value == pytest.approx(4.0 * (along[-1].time_s - along[0].time_s) / 3.0, rel=0.02)


@pytest.mark.parametrize("seconds", [1.0, 1.001, 1.01])
def test_the_middle_of_a_quick_turn_is_as_unsure_as_its_ends(tmp_path: Path, seconds: float) -> None:
    """Gangs that part by 3.6 % a second: half a row of the take more at one end moves the gain in hand by 0.012 %."""
    bridge = Bridge(
        f0_hz=(300.0, 1200.0), gain=3.09, diode_share=0.15, gangs_percent=(-1.8, 1.8), seconds=seconds, snr_db=85.0
    )  # fmt: skip
    found = read(bridge, tmp_path).loop_gain_in_hand
    assert found.value is not None
    assert found.sigma is not None
    assert abs(found.value - 100 * (small_gain(bridge) / 3.0 - 1.0)) < 2.0 * found.sigma
    assert found.sigma < 0.01


@pytest.mark.parametrize(("gain", "f0_hz"), [(3.25, (200.0, 2000.0)), (3.9, (600.0, 600.0)), (3.12, (600.0, 600.0))])
def test_gain_in_hand_and_clip_levels_of_rails(tmp_path: Path, gain: float, f0_hz: tuple[float, float]) -> None:
    bridge = Bridge(f0_hz=f0_hz, gain=gain, rails_v=(-10.35, 8.45), seconds=2.0 if f0_hz[1] > 600 else 1.0)
    circuit = read(bridge, tmp_path)
    assert circuit.loop_gain_in_hand.value == pytest.approx(100 * (gain / 3 - 1), rel=0.02)
    assert circuit.clip_positive_v.value == pytest.approx(8.45, rel=0.002)
    assert circuit.clip_negative_v.value == pytest.approx(-10.35, rel=0.002)


@pytest.mark.parametrize(("gain", "snr_db"), [(3.025, 60.0), (3.04, 60.0), (3.04, 80.0)])
def test_a_rail_that_the_wave_does_not_reach_is_no_clip_level(tmp_path: Path, gain: float, snr_db: float) -> None:
    bridge = Bridge(
        f0_hz=(290.0, 2320.0), gain=gain, rails_v=(-20.0, 7.832), seconds=2.0, pole_hz=2e6, snr_db=snr_db
    )  # fmt: skip
    circuit = read(bridge, tmp_path)
    assert circuit.clip_negative_v.value is None
    assert circuit.clip_positive_v.value == pytest.approx(7.832, rel=0.002)


def test_a_rail_that_the_wave_just_reaches_is_one(tmp_path: Path) -> None:
    """With the other rail alone the lower crest would lie at -8.43 V (solved)."""
    bridge = Bridge(f0_hz=(290.0, 2320.0), gain=3.03, rails_v=(-8.3, 7.8), seconds=2.0, pole_hz=2e6, snr_db=60.0)
    circuit = read(bridge, tmp_path)
    assert circuit.clip_negative_v.value == pytest.approx(-8.3, rel=0.003)
    assert circuit.clip_positive_v.value == pytest.approx(7.8, rel=0.002)


@pytest.mark.parametrize(("f0_hz", "gain"), [(300.0, 3.03), (1000.0, 3.1), (5000.0, 3.9)])
def test_gain_in_hand_at_the_start(tmp_path: Path, f0_hz: float, gain: float) -> None:
    bridge = Bridge(f0_hz=(f0_hz, f0_hz), gain=gain, kick_v=1e-4, rails_v=(-10.0, 10.0), seconds=2.0, pole_hz=5e6)
    circuit = read(bridge, tmp_path)
    quantity = circuit.loop_gain_in_hand
    assert quantity.source == "start"
    assert quantity.value is not None
    assert quantity.sigma is not None
    assert quantity.value == pytest.approx(100 * (gain / 3 - 1), abs=max(3 * quantity.sigma, 0.02))
    assert quantity.sigma < 0.05 * quantity.value
    assert circuit.growth[0].per_radian == pytest.approx(
        circuit.growth[0].rate_per_s / np.hypot(2 * np.pi * circuit.growth[0].f0_hz, circuit.growth[0].rate_per_s)
    )


def test_a_tone_that_dies_has_too_little(tmp_path: Path) -> None:
    bridge = Bridge(f0_hz=(620.0, 620.0), gangs_percent=(0.0, 13.1), gangs_step_s=0.5, seconds=1.6, snr_db=70.0)
    circuit = read(bridge, tmp_path)
    assert circuit.growth[0].kind == "decay"
    assert circuit.growth[0].rate_per_s < 0
    assert circuit.loop_gain_in_hand.value == pytest.approx(-0.99, abs=0.04)


def test_what_is_not_stated_is_asked_for(tmp_path: Path) -> None:
    bridge = Bridge(f0_hz=(200.0, 2000.0), rails_v=(-10.0, 10.0), gain=3.2, stated={"topology": None})
    circuit = read(bridge, tmp_path)
    assert circuit.loop_gain_in_hand.value is None
    assert circuit.loop_gain_in_hand.why == "state the topology"
    assert circuit.expected_pitch is None
    again = read(bridge, tmp_path, topology="wien-bridge")
    assert again.loop_gain_in_hand.value == pytest.approx(100 * (3.2 / 3 - 1), rel=0.02)


@pytest.mark.parametrize("gain_control", ["jfet", "lamp", "ldr"])
def test_a_limiter_with_memory_hides_it(tmp_path: Path, gain_control: str) -> None:
    circuit = read(Bridge(f0_hz=(200.0, 2000.0), stated={"gain_control": gain_control}), tmp_path)
    assert circuit.loop_gain_in_hand.value is None
    assert "memory" in (circuit.loop_gain_in_hand.why or "")
    assert circuit.gang_mismatch.spread_percent.value is None
