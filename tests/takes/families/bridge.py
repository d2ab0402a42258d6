"""Random Wien bridges: parts, mismatch and op-amp are drawn, the equations decide what is wrong with them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect_circuit, truth, wien
from listen.demo.take_specs import TakeSpec
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator

OVERSAMPLE = 8


def mismatch(rng: Rng, low_hz: float, high_hz: float, size: float) -> Any:
    """Return a law of the second track's error along the turn: a slope or one or two bumps, at most ``size``."""
    octaves = np.log2(high_hz / low_hz)
    centres, widths = rng.uniform(0.0, 1.0, 2), rng.uniform(0.08, 0.35, 2)
    sizes = rng.uniform(-1.0, 1.0, 3)
    grid = np.linspace(0.0, 1.0, 200)

    def raw(place: Floats) -> Floats:
        bumps = sum(
            s * np.exp(-0.5 * ((place - c) / w) ** 2) for s, c, w in zip(sizes[:2], centres, widths, strict=True)
        )
        return np.asarray(bumps + sizes[2] * (place - 0.5))

    scale = size / np.max(np.abs(raw(grid)))
    return lambda f0_hz: scale * raw(np.clip(np.log2(f0_hz / low_hz) / octaves, 0.0, 1.0))


def bridge(
    gain: wien.Gain, amp: wien.OpAmp, rate_hz: int, c_f: float, error: Any, kick_v: float = 1e-3, lead_s: float = 0.0
) -> Any:
    """Return a solver of a Wien bridge for a take: the tracks follow the wanted pitch, the second with an error.

    With ``lead_s`` the power comes at that time of the take; before it there is silence.
    """

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        first = int(np.searchsorted(time_s, lead_s - 1e-9)) if lead_s > 0.0 else 0
        first -= first % OVERSAMPLE
        f0_rows = f0_hz[first::OVERSAMPLE]
        f0_rows = np.append(f0_rows, f0_rows[-1])
        r1 = 1.0 / (2.0 * np.pi * c_f * f0_rows)
        r2 = r1 * (1.0 + error(f0_rows))
        wave = wien.solve_wien(r1, r2, c_f, c_f, gain=gain, amp=amp, sample_rate_hz=rate_hz, kick_v=kick_v)
        return np.concatenate((np.zeros(first), wave[: len(f0_hz) - first])), None

    return solve


def _no_error(f0_hz: Floats) -> Floats:
    return np.zeros_like(f0_hz)


def _op_amp(rng: Rng, **fixed: Any) -> wien.OpAmp:
    rail = float(rng.uniform(9.0, 13.5))
    settings = {
        "gain_bandwidth_hz": float(rng.choice([1e6, 1e6, 1.5e6])),
        "slew_up_v_per_s": 2e6,
        "slew_down_v_per_s": 2e6,
        "rail_high_v": rail,
        "rail_low_v": -rail,
    }
    return wien.OpAmp(**(settings | fixed))


def diode_leg(excess: float, rf2_ohm: float, **more: float) -> wien.Gain:
    """Return a diode limiter with a small-signal gain of 3 + excess."""
    return wien.Gain(element="diodes", rg_ohm=10e3, rf2_ohm=rf2_ohm, rf1_ohm=(2.0 + excess) * 10e3 - rf2_ohm, **more)


def diode_bridge(rng: Rng) -> TakeSpec:
    """Diode limiter: from close to hot, gangs from matched to poor, rails equal or not."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=90.0)
    excess = pick.log_uniform(rng, 0.05, 0.5)
    poor = float(rng.choice([0.003, 0.01, 0.03, 0.06]))
    rf2 = 10e3 * excess + float(rng.uniform(2000.0, 3500.0))
    lopsided = float(rng.choice([1.0, 1.0, 1.0, 8.0, 40.0]))
    gain = diode_leg(excess, rf2, saturation_up_a=3e-9 * lopsided)
    amp = _op_amp(rng)
    control = pick.any_control(rng, low, high, float(rng.uniform(4.0, 7.0)))
    if control.retunes_s() and poor > 0.02:
        control = pick.hand(rng, low, high, 5.0)
    return TakeSpec(
        family="circuit-diodes",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        gain_control="diodes" if rng.random() < 0.3 else None,
        circuit=bridge(gain, amp, rec.sample_rate_hz, 10e-9, mismatch(rng, low, high, poor)),
        circuit_text="Wien bridge, antiparallel diodes in the feedback",
        remembers=True,
        expect=expect_circuit.circuit,
        values={"excess": excess, "mismatch": poor, "rf2_ohm": rf2, "diodes_unequal": lopsided},
    )


def railed_bridge(rng: Rng) -> TakeSpec:
    """Rails limit one half or both, because the level grows along the tuning or the diodes do too little."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=90.0)
    excess = float(rng.uniform(0.08, 0.25))
    gain = diode_leg(excess, 10e3 * excess + float(rng.uniform(2000.0, 2600.0)))
    rail = float(rng.uniform(5.5, 9.0))
    kind = str(rng.choice(["high", "low", "both"]))
    amp = _op_amp(
        rng, rail_high_v=rail if kind != "low" else rail * 1.6, rail_low_v=-rail if kind != "high" else -rail * 1.6
    )
    return TakeSpec(
        family="circuit-rails",
        control=pick.hand(rng, low, high, float(rng.uniform(5.0, 7.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        circuit=bridge(gain, amp, rec.sample_rate_hz, 10e-9, mismatch(rng, low, high, 0.04)),
        circuit_text=f"Wien bridge, diode limiter, {kind} rail too near",
        remembers=True,
        expect=expect_circuit.circuit,
        values={"excess": excess, "rail_v": rail, "rails": kind},
    )


def bad_spot(rng: Rng) -> TakeSpec:
    """A spot of the gang where the gain no longer suffices."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=120.0)
    excess = float(rng.uniform(0.04, 0.1))
    depth = float(rng.uniform(0.8, 3.0)) * excess
    centre, width = float(rng.uniform(0.4, 0.75)), float(rng.uniform(0.06, 0.15))
    octaves = np.log2(high / low)

    def error(f0_hz: Floats) -> Floats:
        place = np.log2(f0_hz / low) / octaves
        return np.asarray(-depth * np.exp(-0.5 * ((place - centre) / width) ** 2))

    spot = low * 2.0 ** (octaves * centre)
    control = controls.turn([low, high, spot], [0.8, 1.8, 0.9, 1.2, 1.5])
    if rng.random() < 0.5:
        control = controls.turn([low, spot, high], [0.8, 1.2, 1.2, 1.2, 1.2])
    return TakeSpec(
        family="circuit-bad-spot",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        circuit=bridge(diode_leg(excess, 10e3 * excess + 2500.0), _op_amp(rng), rec.sample_rate_hz, 10e-9, error),
        circuit_text="Wien bridge, diode limiter, a bad spot of the gang",
        remembers=True,
        expect=expect_circuit.circuit,
        values={"excess": excess, "depth": depth, "spot_hz": spot},
    )


def power_on(rng: Rng) -> TakeSpec:
    """From the moment of power; with little excess gain the start is slow."""
    rec = pick.plain_interface(rng)
    f0_hz = pick.log_uniform(rng, 100.0, 700.0)
    rise_s = float(rng.choice([0.05, 0.15, 0.3, 0.8, 1.3, 2.4]))
    excess = 5.3 / (np.pi * f0_hz * rise_s)
    lead_s = float(rng.choice([0.3, 0.6, 1.2]))
    length = lead_s + 3.0 * rise_s + 1.5
    control = controls.rest(f0_hz, length)
    if rng.random() < 0.4:
        control = controls.turn([f0_hz, 3.0 * f0_hz], [length, 1.5, 0.6])

    def judge(m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        up = np.nan_to_num(m.amplitude_fs) > 0.9 * np.nanquantile(m.amplitude_fs, 0.9)
        settled = expect_circuit.only(m, up & (m.time_s > lead_s))
        return expect_circuit.merge(expect_circuit.start(m, lead_s) + expect_circuit.shape(settled, spec))

    return TakeSpec(
        family="circuit-power-on",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -6.0)),
        circuit=bridge(
            diode_leg(excess, 2200.0 + 10e3 * excess),
            _op_amp(rng),
            rec.sample_rate_hz,
            10e-9,
            _no_error,
            kick_v=float(rng.uniform(0.002, 0.01)),
            lead_s=lead_s,
        ),
        circuit_text="Wien bridge, diode limiter, from the moment of power",
        preroll_s=0.2,
        remembers=True,
        expect=judge,
        values={"excess": excess, "lead_s": lead_s},
    )


def jfet_selfbias(rng: Rng) -> TakeSpec:
    """The channel itself limits, on one half."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=100.0)
    r_s = float(rng.uniform(300.0, 700.0))
    pinch, beta = float(rng.uniform(-1.6, -1.0)), float(rng.uniform(0.0009, 0.0016))
    # Small-signal resistance of the leg at zero swing; the trimmer leaves a little excess gain.
    channel = 1.0 / (2.0 * beta * -pinch)
    rf = float(rng.uniform(4000.0, 6000.0))
    excess = float(rng.uniform(0.03, 0.12))
    rt = rf / (2.0 + excess) - channel - r_s
    gain = wien.Gain(element="jfet-selfbias", rf_ohm=rf, rt_ohm=rt, rs_ohm=r_s, pinch_off_v=pinch, beta_a_per_v2=beta)
    size = float(rng.choice([0.003, 0.01, 0.02])) if excess > 0.05 else 0.002
    return TakeSpec(
        family="circuit-jfet-selfbias",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        circuit=bridge(gain, _op_amp(rng), rec.sample_rate_hz, 10e-9, mismatch(rng, low, high, size), kick_v=0.5),
        circuit_text="Wien bridge, self-biased JFET in the gain leg",
        remembers=True,
        expect=expect_circuit.circuit,
        values={"excess": excess, "rs_ohm": r_s, "rt_ohm": rt, "mismatch": size},
    )


def jfet_loop(rng: Rng) -> TakeSpec:
    """JFET in a detector loop: steady, ringing, or hunting; the feedback pair equal or not."""
    rec = pick.plain_interface(rng)
    low = pick.log_uniform(rng, 150.0, 400.0)
    high = low * float(rng.uniform(2.0, 5.0))
    proportional = float(rng.choice([0.012, 0.0145, 0.02, 0.06, 0.1]))
    pair = float(rng.choice([0.0, 0.0, 0.05, 0.2]))
    gain = wien.Gain(
        element="jfet-loop",
        rt_ohm=9300.0,
        proportional=proportional,
        pair_error=pair,
        control_v=-2.0 + 1.0 / (2.0 * 0.001 * 700.0),
        reference_v=float(rng.uniform(2.0, 5.0)),
        integrator_per_s=1.5,
    )
    control = controls.turn([low, high], [2.6, 1.2, 2.6])
    return TakeSpec(
        family="circuit-jfet-loop",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -6.0)),
        gain_control="jfet" if rng.random() < 0.4 else None,
        circuit=bridge(gain, _op_amp(rng), rec.sample_rate_hz, 10e-9, mismatch(rng, low, high, 0.004), kick_v=1.0),
        circuit_text="Wien bridge, JFET with rectifier, filter and integrator",
        preroll_s=3.0,
        remembers=True,
        expect=expect_circuit.circuit,
        values={"proportional": proportional, "pair_error": pair},
    )


def lamp(rng: Rng) -> TakeSpec:
    """A filament: left alone, turned slowly, or stepped by a switch with pairs that match to a few per cent."""
    rec = pick.plain_interface(rng)
    low, high = 200.0, pick.log_uniform(rng, 600.0, 1800.0)
    kind = str(rng.choice(["rest", "hand", "steps", "steps"]))
    if kind == "rest":
        control = controls.rest(pick.log_uniform(rng, low, high), 4.0)
    elif kind == "hand":
        control = controls.turn([low, high], [1.5, 3.5, 1.5])
    else:
        control = pick.steps(rng, low, high, 6.0, hold_s=1.5)
    size = float(rng.choice([0.002, 0.01, 0.03])) if kind == "steps" else 0.002
    gain = wien.Gain(
        element="lamp",
        rf_ohm=float(rng.uniform(540.0, 630.0)),
        heat_j_per_k=float(rng.uniform(6e-6, 1.5e-5)),
        warm_k=180.0,
    )
    return TakeSpec(
        family=f"circuit-lamp-{kind}",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-18.0, -9.0)),
        gain_control="lamp" if rng.random() < 0.4 else None,
        circuit=bridge(gain, _op_amp(rng), rec.sample_rate_hz, 10e-9, mismatch(rng, low, high, size), kick_v=1.7),
        circuit_text="Wien bridge, lamp in the gain leg",
        preroll_s=4.0,
        remembers=True,
        expect=expect_circuit.circuit,
        values={"mismatch": size, "heat_j_per_k": gain.heat_j_per_k, "rf_ohm": gain.rf_ohm},
    )


def slow_amp(rng: Rng) -> TakeSpec:
    """An op-amp too slow for its level at the top."""
    rec = pick.interface(rng, sample_rate_hz=96000)
    high = pick.log_uniform(rng, 4000.0, 9000.0)
    low = high / float(rng.uniform(4.0, 7.0))
    gain = diode_leg(0.1, 3000.0)
    slew = 2.0 * np.pi * high * 7.5 / float(rng.choice([0.8, 1.1, 1.3, 1.6]))
    down = slew * float(rng.choice([1.0, 1.0, 1.5]))
    amp = _op_amp(
        rng, gain_bandwidth_hz=1e6, slew_up_v_per_s=slew, slew_down_v_per_s=down, rail_high_v=13.5, rail_low_v=-13.5
    )
    return TakeSpec(
        family="circuit-slew",
        control=pick.hand(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -5.0)),
        circuit=bridge(gain, amp, rec.sample_rate_hz, 1e-9, mismatch(rng, low, high, 0.004)),
        circuit_text="Wien bridge, diode limiter, a slow op-amp",
        remembers=True,
        expect=expect_circuit.circuit,
        allowed={"level-drift": "which the slewing explains", "even-order-distortion": "unequal slopes"},
        values={"slew_up_v_per_s": slew, "slew_down_v_per_s": down},
    )


def cells(rng: Rng) -> TakeSpec:
    """Two light-dependent resistors that follow steps of the light slowly and not quite alike."""
    rec = pick.plain_interface(rng)
    low, high = 300.0, pick.log_uniform(rng, 900.0, 1600.0)
    control = pick.steps(rng, low, high, 7.0, hold_s=1.2)
    rise_s, fall_s = float(rng.uniform(0.005, 0.02)), float(rng.uniform(0.02, 0.06))
    unlike = float(rng.choice([0.0, 0.01, 0.02]))
    cell_excess = float(rng.uniform(0.06, 0.15))
    gain = diode_leg(cell_excess, 10e3 * cell_excess + 2500.0)
    amp = _op_amp(rng)

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        octaves = np.log2(f0_hz[::OVERSAMPLE])
        lagged = np.empty_like(octaves)
        now = octaves[0]
        for n, wanted in enumerate(octaves):
            now += (wanted - now) / ((rise_s if wanted > now else fall_s) * rec.sample_rate_hz)
            lagged[n] = now
        lagged = np.append(lagged, lagged[-1])
        r1 = 1.0 / (2.0 * np.pi * 6.8e-9 * np.exp2(lagged))
        wave = wien.solve_wien(
            r1, r1 * (1.0 + unlike * (lagged - lagged.min())), 6.8e-9, 6.8e-9,
            gain=gain, amp=amp, sample_rate_hz=rec.sample_rate_hz,
        )  # fmt: skip
        return wave[: len(time_s)], None

    def judge(m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        return expect_circuit.circuit(m, spec)

    return TakeSpec(
        family="circuit-cells",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -6.0)),
        circuit=solve,
        circuit_text="Wien bridge, two light-dependent resistors, diode limiter",
        remembers=True,
        expect=judge,
        allowed={"pitch-instability": "the cells creep", "amplitude-bounce": "the cells are not alike"},
        values={"rise_s": rise_s, "fall_s": fall_s, "unlike": unlike},
    )


FAMILIES = [
    diode_bridge,
    diode_bridge,
    railed_bridge,
    bad_spot,
    power_on,
    jfet_selfbias,
    jfet_loop,
    lamp,
    slow_amp,
    cells,
]
