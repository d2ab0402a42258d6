"""Other oscillators end to end, solved by SciPy: van der Pol's equation, and phase shift by three sections."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numba import njit
from scipy import signal
from scipy.integrate import solve_ivp

import listen
from listen import cli
from listen.bench import Bench, BuildSettings, CaptureSettings, OpampSettings
from listen.circuit import Circuit
from listen.circuit.loop import loop_network

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


def started(sections: str, excess: float) -> np.ndarray:
    """Three low-pass sections of 400 Hz behind a tanh of so much more gain than they need, from 10 uV on."""
    needed, factor = (8.0, np.sqrt(3.0)) if sections == "buffered" else (29.0, np.sqrt(6.0))
    step = 2 * np.pi * 400.0 / factor / RATE_HZ
    gain = needed * (1 + excess)

    def slope(_: float, v: np.ndarray) -> list[float]:
        drive = -np.tanh(gain * v[2])
        if sections == "buffered":
            return [drive - v[0], v[0] - v[1], v[1] - v[2]]
        return [drive - 2 * v[0] + v[1], v[0] - 2 * v[1] + v[2], v[1] - v[2]]

    t = np.arange(int(1.2 * RATE_HZ)) * step
    solution = solve_ivp(slope, (0.0, t[-1]), [1e-5, 0.0, 0.0], t_eval=t, method="DOP853", rtol=1e-8, atol=1e-10)
    return np.asarray(solution.y[2])


@pytest.mark.parametrize("sections", ["buffered", "ladder"])
def test_phase_shift_gain_in_hand(tmp_path: Path, sections: str) -> None:
    """Gains needed: 8 with buffers, 29 without (handbook formulas; Fundamentals of Electronics 4)."""
    excess = 0.06
    y = started(sections, excess)
    build = BuildSettings(
        topology="phase-shift", gain_control="other", phase_shift_sections=sections, phase_shift_order="low-pass"
    )
    unstated = heard(y, tmp_path, build).loop_gain_in_hand
    assert unstated.value is not None
    assert unstated.sigma is not None
    # the amplifier here has no pole: what an unstated one could move is in the uncertainty
    assert abs(unstated.value - 100 * excess) < 3 * unstated.sigma
    stated = replace(build, opamp=OpampSettings(gain_bandwidth_hz=1e10))
    quantity = heard(y, tmp_path, stated).loop_gain_in_hand
    assert quantity.source == "start"
    assert quantity.value == pytest.approx(100 * excess, rel=0.02)
    assert quantity.sigma is not None
    assert quantity.sigma < 0.05 * 100 * excess
    wide = BuildSettings(topology="phase-shift", gain_control="other")
    assert "phase_shift_sections" in (heard(y, tmp_path, wide).loop_gain_in_hand.why or "")


@pytest.mark.parametrize("sections", ["buffered", "ladder"])
def test_phase_shift_by_the_command(tmp_path: Path, sections: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same start as a user has it: a file, a bench file beside it, the command, its document and its page."""
    y = started(sections, 0.06)
    silence = np.zeros(int(SILENCE_S * RATE_HZ))
    x = np.concatenate([silence, 0.4 * y / np.abs(y).max()])
    x += 1e-5 * np.random.default_rng(1).standard_normal(len(x))
    soundfile.write(tmp_path / "take.wav", x, RATE_HZ, subtype="PCM_24")
    order = 'phase_shift_order = "low-pass"'
    for text, stated in ((f'phase_shift_sections = "{sections}"\n{order}', True), ("", False)):
        (tmp_path / "bench.toml").write_text(
            f'[build]\ngain_control = "other"\n{text}\n[build.opamp]\ngain_bandwidth_hz = 1e10\n'
            "[capture]\nac_coupling_hz = 0.0\n"
        )
        options = ["--bench", str(tmp_path / "bench.toml"), "--topology", "phase-shift", "--json", "-"]
        status = cli.main(["check", str(tmp_path / "take.wav"), *options])
        out = capsys.readouterr()
        assert status in (0, 1), out.err
        circuit = json.loads(out.out)["circuit"]
        in_hand = circuit["loop_gain_in_hand"]
        assert circuit["growth"][0]["kind"] == "start"
        if stated:
            assert in_hand["value"] == pytest.approx(6.0, rel=0.02)
            assert abs(in_hand["value"] - 6.0) < 3 * in_hand["sigma"]
        else:
            assert in_hand["value"] is None
            assert "phase_shift_sections" in in_hand["why"]


@njit
def low_pass_sections(omega_per_s: np.ndarray, step_s: float, gain: float, high_v: float, low_v: float) -> np.ndarray:
    """Three buffered low-pass sections behind an inverting amplifier with rails, by Heun's method."""
    out, v, slope = np.zeros(len(omega_per_s)), np.array([1.0, 0.0, 0.0]), np.zeros((2, 3))
    for n in range(len(out)):
        now = v.copy()
        for j in range(2):
            amplified = min(max(-gain * now[2], low_v), high_v)
            if j == 0:
                out[n] = amplified
            slope[j] = omega_per_s[n] * np.array([amplified - now[0], now[0] - now[1], now[1] - now[2]])
            now = v + step_s * slope[0]
        v = v + 0.5 * step_s * (slope[0] + slope[1])
    return out


def turned(
    order: str, wave: Callable[[np.ndarray, float], np.ndarray], path: Path, bandwidth_hz: float | None = None
) -> Circuit:
    """A take of three buffered sections turned from 300 to 900 Hz."""
    over, full_scale_v = 16, 12.0
    f0_hz = 300.0 * 3.0 ** np.clip((np.arange(int(2.4 * over * RATE_HZ)) / RATE_HZ / over - 0.5) / 1.5, 0.0, 1.0)
    x = signal.decimate(wave(f0_hz, 1.0 / over / RATE_HZ), over, ftype="fir")[RATE_HZ // 4 :] / full_scale_v
    x += 1e-5 * np.random.default_rng(1).standard_normal(len(x))
    soundfile.write(path / "take.wav", x, RATE_HZ, subtype="PCM_24")
    build = BuildSettings(
        topology="phase-shift",
        phase_shift_sections="buffered",
        phase_shift_order=order,
        gain_control="none",
        opamp=OpampSettings(gain_bandwidth_hz=bandwidth_hz),
    )
    bench = Bench(build=build, capture=CaptureSettings(ac_coupling_hz=0.0, volts_per_full_scale=full_scale_v))
    circuit = listen.check(path / "take.wav", bench=bench).circuit
    assert circuit is not None
    return circuit


@pytest.mark.parametrize(("excess", "rails_v"), [(0.05, (-7.0, 7.0)), (0.12, (-8.45, 8.45))])
def test_the_curve_of_three_low_pass_sections(tmp_path: Path, excess: float, rails_v: tuple[float, float]) -> None:
    """The pitch is sqrt 3 / (2 pi R C), the gain needed 8 (handbook formulas)."""

    def wave(f0_hz: np.ndarray, step_s: float) -> np.ndarray:
        omega = 2 * np.pi * f0_hz / np.sqrt(3.0)
        return low_pass_sections(omega, step_s, 8.0 * (1 + excess), rails_v[1], rails_v[0])

    unstated = turned("low-pass", wave, tmp_path).loop_gain_in_hand
    # an unknown pole moves the pitch, and with it what low-pass sections let through: the sigma says so
    assert unstated.value == pytest.approx(100 * excess, abs=3 * (unstated.sigma or 0.0))
    circuit = turned("low-pass", wave, tmp_path, 1e9)
    in_hand = circuit.loop_gain_in_hand
    assert in_hand.source == "curve"
    assert in_hand.value == pytest.approx(100 * excess, rel=0.03)
    assert (in_hand.sigma or 0.0) < 0.7 * (unstated.sigma or 0.0)
    for clip, rail in ((circuit.clip_negative_v, rails_v[0]), (circuit.clip_positive_v, rails_v[1])):
        assert clip.value == pytest.approx(rail, rel=0.01)
    assert circuit.amplifier_curve is not None
    assert circuit.amplifier_curve.needed_gain[1] == pytest.approx(8.0, rel=0.01)
    assert "three sections" in (circuit.gang_mismatch.spread_percent.why or "")


def test_unequal_rails_of_low_pass_sections_are_not_guessed(tmp_path: Path) -> None:
    """They shift the mean, which the sections hand back and no recording holds: the gain would come out 5 % off."""

    def wave(f0_hz: np.ndarray, step_s: float) -> np.ndarray:
        return low_pass_sections(2 * np.pi * f0_hz / np.sqrt(3.0), step_s, 8.64, 6.5, -8.45)

    circuit = turned("low-pass", wave, tmp_path)
    assert circuit.amplifier_curve is None
    assert "mean" in (circuit.loop_gain_in_hand.why or "")


def test_high_pass_sections_and_integrators_say_why_they_show_no_curve() -> None:
    for sections in ("buffered", "ladder"):
        build = BuildSettings(phase_shift_sections=sections, phase_shift_order="high-pass")
        assert "amplified" in str(loop_network("phase-shift", build))
    assert "integrators" in str(loop_network("quadrature", BuildSettings()))
    assert "phase_shift_sections" in str(loop_network("phase-shift", BuildSettings()))
    assert "twin-t" in str(loop_network("twin-t", BuildSettings()))
