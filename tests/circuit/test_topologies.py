"""Other oscillators end to end, solved by SciPy: van der Pol's equation, and phase shift by three sections."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.integrate import solve_ivp

import listen
from listen.bench import Bench, BuildSettings, CaptureSettings, OpampSettings
from listen.circuit import Circuit

RATE_HZ = 48000
SILENCE_S = 0.3


def heard(y: np.ndarray, path: Path, build: BuildSettings) -> Circuit:
    silence = np.zeros(int(SILENCE_S * RATE_HZ))
    x = np.concatenate([silence, 0.4 * y / np.abs(y).max()])
    x += 1e-5 * np.random.default_rng(1).standard_normal(len(x))
    soundfile.write(path / "take.wav", x, RATE_HZ, subtype="PCM_24")
    bench = Bench(build=build, capture=CaptureSettings(ac_coupling_hz=0.0))
    circuit = listen.check(path / "take.wav", bench=bench).circuit
    assert circuit is not None
    return circuit


@pytest.mark.parametrize("e", [0.05, 0.1, 0.2])
def test_van_der_pol_grows_by_half_of_e(tmp_path: Path, e: float) -> None:
    """Perturbation texts: near zero x'' - e x' + x = 0, whose roots are e/2 +- j sqrt(1 - e^2/4)."""
    omega = 2 * np.pi * 1000.0
    t = np.arange(0.0, 0.25 + 30.0 / e / omega, 1.0 / RATE_HZ) * omega
    solution = solve_ivp(
        lambda _, s: [s[1], e * (1 - s[0] ** 2) * s[1] - s[0]], (0.0, t[-1]), [1e-4, 0.0], t_eval=t,
        method="DOP853", rtol=1e-8, atol=1e-10,
    )  # fmt: skip
    circuit = heard(solution.y[0], tmp_path, BuildSettings(topology="quadrature", gain_control="other"))
    growth = circuit.growth[0]
    assert growth.kind == "start"
    assert growth.per_radian == pytest.approx(e / 2, rel=0.01)
    assert growth.f0_hz == pytest.approx(1000.0 * np.sqrt(1 - e * e / 4), rel=1e-3)
    # of two integrators there is no per cent
    assert circuit.loop_gain_in_hand.value is None
    assert "integrators" in (circuit.loop_gain_in_hand.why or "")


@pytest.mark.parametrize("sections", ["buffered", "ladder"])
def test_phase_shift_gain_in_hand(tmp_path: Path, sections: str) -> None:
    """Gains needed: 8 with buffers, 29 without (handbook formulas; Fundamentals of Electronics 4)."""
    needed, factor = (8.0, np.sqrt(3.0)) if sections == "buffered" else (29.0, np.sqrt(6.0))
    f0_hz, excess = 400.0, 0.06
    step = 2 * np.pi * f0_hz / factor / RATE_HZ
    gain = needed * (1 + excess)

    def slope(_: float, v: np.ndarray) -> list[float]:
        drive = -np.tanh(gain * v[2])
        if sections == "buffered":
            return [drive - v[0], v[0] - v[1], v[1] - v[2]]
        return [drive - 2 * v[0] + v[1], v[0] - 2 * v[1] + v[2], v[1] - v[2]]

    t = np.arange(int(1.2 * RATE_HZ)) * step
    solution = solve_ivp(slope, (0.0, t[-1]), [1e-5, 0.0, 0.0], t_eval=t, method="DOP853", rtol=1e-8, atol=1e-10)
    build = BuildSettings(
        topology="phase-shift", gain_control="other", phase_shift_sections=sections, phase_shift_order="low-pass"
    )
    unstated = heard(solution.y[2], tmp_path, build).loop_gain_in_hand
    assert unstated.value is not None
    assert unstated.sigma is not None
    # the amplifier here has no pole: what an unstated one could move is in the uncertainty
    assert abs(unstated.value - 100 * excess) < 3 * unstated.sigma
    stated = replace(build, opamp=OpampSettings(gain_bandwidth_hz=1e10))
    quantity = heard(solution.y[2], tmp_path, stated).loop_gain_in_hand
    assert quantity.source == "start"
    assert quantity.value == pytest.approx(100 * excess, rel=0.02)
    assert quantity.sigma is not None
    assert quantity.sigma < 0.05 * 100 * excess
    wide = BuildSettings(topology="phase-shift", gain_control="other")
    assert "phase_shift_sections" in (heard(solution.y[2], tmp_path, wide).loop_gain_in_hand.why or "")
