"""Oscillators of the handbooks through the command: `listen check` of a WAV file with its bench file.

Sources: gain 3 and f0 = 1 / (2 pi sqrt(R1 R2 C1 C2)) of a Wien bridge, A0 = 1 + R1/R2 + C2/C1: J. M. Fiore's open
laboratory manual on operational amplifiers, chapter 17, and solved examples of open textbook companions; three RC
sections and the twin-T: Fundamentals of Electronics, book 4, eqs. 12.13 to 12.19. Growth is that of the roots, which a
circuit simulator (ngspice) gave as 499.996 for 500. Square law of a field-effect transistor, full-power frequency,
van der Pol's envelope: common textbooks.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.integrate import solve_ivp

from listen import cli
from listen.bench import BuildSettings
from listen.circuit.expected import nominal_hz
from tests.published.test_clipping import positive_clip, slewed
from tests.tones import RATE_HZ, bent, coupled, decimated, frames_of, middle, smooth_turn, steady, times, white

R_OHM, C_F = 10e3, 10e-9
TAU_S = R_OHM * C_F
WIEN = """
[build]
topology = "wien-bridge"
gain_control = "none"
[build.parts]
r1_ohm = [1e4, 1e4]
c1_f = 1e-8
[build.opamp]
gain_bandwidth_hz = 1e9
[capture]
ac_coupling_hz = 0.0
"""


def told(x: np.ndarray, folder: Path, bench: str = "", *options: str) -> dict[str, Any]:
    """The document that `listen check` writes of samples."""
    take, bench_file, out = (folder / name for name in ("take.wav", "bench.toml", "out.json"))
    soundfile.write(take, x, int(RATE_HZ), subtype="PCM_24")
    bench_file.write_text(bench, encoding="utf-8")
    status = cli.main(["check", str(take), "--bench", str(bench_file), "--json", str(out), "--quiet", *options])
    assert status in (0, 1)
    document: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    return document


def bridge(gain: float, seconds: float, state: tuple[float, float], peak: float = 5.0) -> np.ndarray:
    """Equal arms of 10 k and 10 nF, an ideal amplifier that is linear up to a peak; the charges start as stated."""

    def slope(_: float, v: np.ndarray) -> list[float]:
        across = np.clip(gain * v[1], -peak, peak) - v[1] - v[0]
        return [across / TAU_S, (across - v[1]) / TAU_S]

    t = times(seconds)
    solved = solve_ivp(slope, (0.0, t[-1]), state, t_eval=t, method="DOP853", rtol=1e-9, atol=1e-12, max_step=TAU_S)
    return np.asarray(np.clip(gain * solved.y[1], -peak, peak))


@pytest.mark.parametrize("kick_v", [1e-6, 1e-3])
@pytest.mark.parametrize(
    ("gain", "rate_per_s", "f0_hz"), [(3.03, 150.0, 1591.370), (3.1, 500.0, 1589.559), (3.3, 1500.0, 1573.543)]
)
def test_a_bridge_grows_as_its_roots_say(
    gain: float, rate_per_s: float, f0_hz: float, kick_v: float, tmp_path: Path
) -> None:
    """sigma = (A - 3) / (2 R C), f = f0 sqrt(1 - ((A - 3) / 2)^2), from under the noise and from 30 dB over it."""
    x = np.concatenate([np.zeros(14400), bridge(gain, 0.4 + 16.0 / rate_per_s, (kick_v, 0.0))]) / 10.0
    circuit = told(x + white(len(x), -106.0, 1), tmp_path, WIEN)["circuit"]
    (growth,) = circuit["growth"]
    assert growth["kind"] == "start"
    assert growth["rate_per_s"] == pytest.approx(rate_per_s, rel=0.01)
    assert growth["f0_hz"] == pytest.approx(f0_hz, rel=1e-3)
    assert circuit["loop_gain_in_hand"]["value"] == pytest.approx(100 * (gain / 3 - 1), rel=0.01)


def test_a_bridge_dies_as_its_roots_say(tmp_path: Path) -> None:
    """A gain of 2.97 with 10 k and 10 nF: -150 a second."""
    t = times(1.0)
    # it sings at 5 V; where the output passes a crest both capacitors hold a third of it
    sings = 5.0 * np.cos((t - t[-1] - 1.0 / RATE_HZ) / TAU_S)
    dies = bridge(2.97, 0.8, (5.0 / 3, 5.0 / 3), 6.0)
    x = np.concatenate([sings, dies]) / 10.0
    circuit = told(x + white(len(x), -110.0, 2), tmp_path, WIEN)["circuit"]
    (growth,) = (g for g in circuit["growth"] if g["kind"] == "decay")
    assert growth["rate_per_s"] == pytest.approx(-150.0, rel=0.01)
    # unequal gangs, which make most oscillators die, are in the value's own deviation
    in_hand = circuit["loop_gain_in_hand"]
    assert in_hand["value"] == pytest.approx(-1.0, rel=0.02)


@pytest.mark.parametrize(
    ("topology", "parts", "settings", "f0_hz"),
    [
        ("wien-bridge", {"r1_ohm": (1e4, 1e4), "c1_f": (7.96e-9, 7.96e-9)}, {}, 2000.0),
        ("wien-bridge", {"r1_ohm": (1e3, 1e3), "c1_f": (1e-8, 1e-8)}, {}, 15915.49),
        ("wien-bridge", {"r1_ohm": (1e5, 1e5), "c1_f": (1e-8, 1e-8)}, {}, 159.155),
        ("twin-t", {"r1_ohm": (1e4, 1e4), "c1_f": (1e-8, 1e-8)}, {}, 1591.549),
        ("phase-shift", {"r1_ohm": (1e4, 1e4), "c1_f": (1e-8, 1e-8)}, {"s": "ladder", "o": "low-pass"}, 3898.48),
        ("phase-shift", {"r1_ohm": (1e4, 1e4), "c1_f": (1e-8, 1e-8)}, {"s": "buffered", "o": "low-pass"}, 2756.64),
        ("phase-shift", {"r1_ohm": (1e4, 1e4), "c1_f": (1e-8, 1e-8)}, {"s": "buffered", "o": "high-pass"}, 918.88),
    ],
)
def test_nominal_pitches(topology: str, parts: Any, settings: dict[str, str], f0_hz: float) -> None:
    """Solved examples and formulas: sqrt 6 and sqrt 3 over 2 pi R C for three low-pass sections, one over it else."""
    build = BuildSettings(
        parts=parts,
        phase_shift_sections=settings.get("s"),  # type: ignore[arg-type]
        phase_shift_order=settings.get("o"),  # type: ignore[arg-type]
    )
    found = nominal_hz(topology, build)
    assert found is not None
    assert found[0] == pytest.approx(f0_hz, rel=3e-4)


@pytest.mark.parametrize(
    ("off", "cents"), [(-0.2, 193.16), (-0.1, 91.20), (-0.01, 8.70), (0.05, -42.23), (0.2, -157.82)]
)
def test_a_series_arm_that_is_off_moves_the_pitch(off: float, cents: float) -> None:
    """-600 log2(1 + d) cents, derived."""
    parts = {"r1_ohm": (1e4 * (1 + off),) * 2, "r2_ohm": (1e4, 1e4), "c1_f": (1e-8, 1e-8)}
    found = nominal_hz("wien-bridge", BuildSettings(parts=parts))  # type: ignore[arg-type]
    assert found is not None
    assert 1200 * np.log2(found[0] * 2 * np.pi * TAU_S) == pytest.approx(cents, abs=0.01)


def drain_current(v: np.ndarray, over_pinch_off: float, fed_back: float) -> np.ndarray:
    """Square law i = (Vg - Vp) v - v^2 / 2 with a part of v on the gate, times its resistance at zero."""
    return ((over_pinch_off + fed_back * v) * v - 0.5 * v**2) / over_pinch_off


def test_resistance_and_second_harmonic_of_the_square_law() -> None:
    """Idss 5 mA, Vp -2 V: 200, 266.7, 400, 800 ohm; H2 is V / (4 (Vg - Vp)): 0.1 V at 1 V is -32.04 dBc."""
    k = 2 * 5e-3 / 4.0
    for gate_v, ohm in ((0.0, 200.0), (-0.5, 266.7), (-1.0, 400.0), (-1.5, 800.0)):
        assert 1 / (k * (gate_v + 2.0)) == pytest.approx(ohm, rel=2e-4)
    for unequal, dbc in ((None, -32.04), (0.01, -66.0), (0.05, -52.0)):
        fed_back = 0.0 if unequal is None else 0.5 - unequal
        frames = frames_of(
            bent(lambda c, g=fed_back: 5 * drain_current(0.1 * c, 1.0, g), lambda r: steady(500.0, 1.0, r))
        )
        assert np.median(frames.harmonics_dbc[middle(frames), 0]) == pytest.approx(dbc, abs=0.05)


def test_a_control_element_without_its_feedback_pair_is_named_first(tmp_path: Path) -> None:
    """The channel's square law grows with the drain voltage and with its resistance; half of it at the gate ends it."""
    bench = (
        '[build]\ntopology = "wien-bridge"\ngain_control = "jfet"\n[capture]\nac_coupling_hz = 1.0\ninverted = false\n'
    )

    def take(fed_back: float) -> np.ndarray:
        # the control element takes the gain's surplus: toward the top it is pinched off further
        def wave(rate_hz: float) -> np.ndarray:
            phase, f0_hz = smooth_turn(150.0, 1200.0, 4.0, rate_hz)
            over = 1.4 - 0.25 * np.log2(f0_hz / 150.0)
            return np.asarray(4.0 * drain_current(0.1 * np.cos(2 * np.pi * phase), over, fed_back))

        x = decimated(wave(8 * RATE_HZ))
        return np.asarray(x + white(len(x), -96.0, 3))

    document = told(take(0.0), tmp_path, bench)
    (finding,) = (f for f in document["findings"] if f["kind"] == "even-order-distortion")
    assert finding["severity"] in ("attention", "fault")
    (causes,) = (c for c in document["circuit"]["causes"] if c["finding"] == "even-order-distortion")
    assert causes["ranked"][0]["id"] == "channel-square-law"
    healed = told(take(0.5), tmp_path, bench)
    assert not [f for f in healed["findings"] if f["kind"] == "even-order-distortion"]


def van_der_pol(e: float, seconds: float, start: float) -> np.ndarray:
    """x of x' = y + e (x - x^3 / 3), y' = -x, at 1 kHz, and its integral y."""
    omega = 2 * np.pi * 1000.0
    t = omega * times(seconds)
    solved = solve_ivp(
        lambda _, s: [s[1] + e * (s[0] - s[0] ** 3 / 3), -s[0]], (0.0, t[-1]), (start, 0.0), t_eval=t,
        method="DOP853", rtol=1e-8, atol=1e-10,
    )  # fmt: skip
    return np.asarray(solved.y)


def test_the_envelope_of_a_self_limiting_oscillator() -> None:
    """2 / sqrt(1 + (4 / a0^2 - 1) exp(-e t)): from 10 to 90 % in e t = 6.0451."""
    e = 0.005
    x = 0.2 * van_der_pol(e, 0.9, 0.02)[0]
    frames = frames_of(x + white(len(x), -110.0, 4))
    level = 10 ** (frames.fundamental_dbfs / 20)
    at = [float(np.interp(part * 0.4, level, frames.time_s)) for part in (0.1, 0.9)]
    assert (at[1] - at[0]) * e * 2 * np.pi * 1000.0 == pytest.approx(6.0451, rel=0.01)


@pytest.mark.parametrize("output", [0, 1])
@pytest.mark.parametrize("e", [0.05, 0.2])
def test_two_integrators_and_their_limiter(e: float, output: int, tmp_path: Path) -> None:
    """A start, e / 2 a radian; then the curve e (x - x^3 / 3) itself, whichever output is recorded."""
    x = 0.2 * van_der_pol(e, 0.4 + 18.0 / e / 6283.0, 1e-4)[output]
    x = np.concatenate([np.zeros(14400), x])
    bench = '[build]\ntopology = "quadrature"\ngain_control = "diodes"\n[capture]\nac_coupling_hz = 0.0\n'
    circuit = told(x + white(len(x), -106.0, 5), tmp_path, bench)["circuit"]
    assert circuit["growth"][0]["per_radian"] == pytest.approx(e / 2, rel=0.01)
    assert circuit["loop_gain_in_hand"]["value"] is None
    curve = circuit["amplifier_curve"]
    at = np.array(curve["input"])
    f = np.array(curve["output"]) - at
    scale = 0.2
    expected = e * (at - at * (at / scale) ** 2 / 3)
    # of the other output the fundamental is 0.25 % off at most
    assert np.abs(f - expected).max() < 0.03 * np.abs(expected).max()
    assert curve["needed_gain"] == [1.0, 1.0, 1.0]


def test_the_second_output_of_two_integrators(tmp_path: Path) -> None:
    """It is the integral of the first: 90 degrees, and every H_k times 1 / k (H2 -6.02, H3 -9.54 dB)."""
    lines = np.array([0.4, 0.02, 0.012j])
    k = np.arange(1, 4)
    phase, _ = smooth_turn(200.0, 1600.0, 3.0)
    turned = np.exp(2j * np.pi * np.outer(k, phase))
    both = np.real(np.stack([lines @ turned, (lines / (1j * k)) @ turned]))
    both += np.stack([white(len(phase), -100.0, 6), white(len(phase), -100.0, 7)])
    pair = told(both.T, tmp_path, '[build]\ntopology = "quadrature"\n', "--channel", "1")["circuit"]["second_channel"]
    assert pair["phase_deg"]["value"] == pytest.approx(-90.0, abs=0.1)
    first, second = (frames_of(x) for x in both)
    rows = middle(first) & middle(second)
    apart = np.median(second.harmonics_dbc[rows, :2] - first.harmonics_dbc[rows, :2], axis=0)
    np.testing.assert_allclose(apart, [-6.02, -9.54], atol=0.02)


def test_a_triangle_core_of_worked_values(tmp_path: Path) -> None:
    """f = (R2 / R3) / (4 R C): 10 k, 10 nF, 33 k over 10 k is 8250 Hz; a tenth of it with 100 nF, where slopes show."""
    saturates_v, ratio = 12.0, 3.3
    for c_f, f0_hz in ((10e-9, 8250.0), (100e-9, 825.0)):
        slope, threshold = saturates_v / (R_OHM * c_f), saturates_v / ratio
        # an integrator runs from one threshold to the other, and back
        half_s = 2 * threshold / slope
        place = np.mod(times(1.5, 8 * RATE_HZ) + 0.37 * half_s, 2 * half_s) / half_s
        x = decimated(threshold / 8.0 * np.where(place < 1, 2 * place - 1, 3 - 2 * place))
        x += white(len(x), -96.0, 8)
        frames = frames_of(x)
        assert np.median(frames.f0_hz[middle(frames)]) == pytest.approx(f0_hz, rel=1e-6)
    document = told(x, tmp_path, '[build]\ntopology = "triangle-core"\nwave = "triangle"\n')
    assert document["circuit"]["shape"]["rise_percent"]["value"] == pytest.approx(50.0, abs=0.1)
    assert document["verdict"] == "pass"


@pytest.mark.parametrize("corner_hz", [5.0, 20.0])
@pytest.mark.parametrize("f0_hz", [20.0, 100.0])
@pytest.mark.parametrize("half", ["positive", "negative"])
def test_no_half_is_named_wrongly_behind_a_coupling(f0_hz: float, corner_hz: float, half: str, tmp_path: Path) -> None:
    """One RC high-pass turns the harmonics: with its corner known the half is right, without it none is wrong."""
    sign = 1.0 if half == "positive" else -1.0
    x = sign * bent(positive_clip(0.9), lambda rate_hz: steady(f0_hz, 2.5, rate_hz))
    x = coupled(x, corner_hz)
    x += white(len(x), -90.0, 9)
    known = told(x, tmp_path, f"[capture]\nac_coupling_hz = {corner_hz}\ninverted = false\n")
    halves = {f["half"] for f in known["findings"] if f["kind"] in ("asymmetric-clipping", "even-order-distortion")}
    assert halves == {half}
    unknown = told(x, tmp_path, "[capture]\ninverted = false\n")
    assert not {f["half"] for f in unknown["findings"]} & ({"positive", "negative"} - {half})


@pytest.mark.parametrize(
    ("slew_v_per_us", "peak_v", "full_power_hz"), [(2.0, 12.0, 26526.0), (0.5, 1.5, 53052.0), (0.5, 10.0, 7957.7)]
)
def test_full_power_frequency_bounds_the_slew(slew_v_per_us: float, peak_v: float, full_power_hz: float) -> None:
    """fp = SR / (2 pi Vp): 26.5, 53 and 7.96 kHz (open lecture notes on op-amps; a textbook's worked example)."""
    assert 1e6 * slew_v_per_us / (2 * np.pi * peak_v) == pytest.approx(full_power_hz, rel=1e-4)


@pytest.mark.parametrize("over", [1.3, 1.5, 2.5])
def test_the_slew_rate_of_a_follower(over: float, tmp_path: Path) -> None:
    """0.02 V/us and 5 V: full power up to 637 Hz; driven beyond, the stated rate comes back within 3 %."""
    full_scale_v, slew_v_per_us = 10.0, 0.02
    full_power_hz = 1e6 * slew_v_per_us / (2 * np.pi * 5.0)
    rate_hz = 8 * RATE_HZ
    phase, _ = smooth_turn(0.5 * full_power_hz, over * full_power_hz, 3.0, rate_hz)
    x = decimated(slewed(phase, rate_hz, 1e6 * slew_v_per_us / full_scale_v))
    bench = f"[capture]\nvolts_per_full_scale = {full_scale_v}\nac_coupling_hz = 0.0\n"
    circuit = told(x + white(len(x), -86.0, 10), tmp_path, bench)["circuit"]
    assert circuit["slew_rate_v_per_us"]["bound"] is None
    assert circuit["slew_rate_v_per_us"]["value"] == pytest.approx(slew_v_per_us, rel=0.03)
