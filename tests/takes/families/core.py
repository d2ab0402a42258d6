"""Random ladders, integrator loops, cores and shapers: drawn parts, solved as circuits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import cores, expect, expect_circuit, truth, waves
from listen.demo.take_specs import TakeSpec
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator


def ladder(rng: Rng) -> TakeSpec:
    """A phase-shift oscillator: soft or hard limit, equal or unequal halves."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=80.0)
    hardness = float(rng.choice([2.0, 4.0, 12.0, 30.0]))
    gain = 29.0 * (1.0 + pick.log_uniform(rng, 0.004, 0.15))
    high_v = float(rng.choice([9.0, 9.0, 7.5, 6.0]))

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        rate_hz = 1.0 / (time_s[1] - time_s[0])
        return cores.phase_shift_ladder(f0_hz, rate_hz, gain=gain, high_v=high_v, hardness=hardness, kick_v=1.0), None

    return TakeSpec(
        family="circuit-phase-shift",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        circuit=solve,
        circuit_text="phase-shift oscillator, three RC sections",
        preroll_s=3.0,
        remembers=True,
        expect=expect_circuit.circuit,
        values={"gain": gain, "hardness": hardness, "high_v": high_v},
    )


def quadrature(rng: Rng) -> TakeSpec:
    """Two integrators in a ring with a diode limiter: clean."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0)
    growth = pick.log_uniform(rng, 0.01, 0.25)

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        return cores.two_integrators(f0_hz, 1.0 / (time_s[1] - time_s[0]), growth=growth, kick_v=4.0), None

    return TakeSpec(
        family="circuit-quadrature",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        circuit=solve,
        circuit_text="quadrature oscillator, two integrators",
        remembers=True,
        expect=expect_circuit.circuit,
        values={"growth": growth},
    )


def core(rng: Rng) -> TakeSpec:
    """A triangle, square or sawtooth core: in order, or every other threshold missed."""
    wave = str(rng.choice(["triangle", "sawtooth", "square", "sawtooth-missed"]))
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=45.0, top_share=1 / 30)
    miss = pick.log_uniform(rng, 0.006, 0.04) if wave == "sawtooth-missed" else 0.0
    late = float(rng.uniform(0.0, 1.5e-6))
    setup = cores.Core(delay_s=late, reset_s=float(rng.uniform(1e-6, 4e-6)), miss_share=miss)

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, Floats | None]:
        rate_hz = 1.0 / (time_s[1] - time_s[0])
        if wave.startswith("sawtooth"):
            out = cores.sawtooth_core(f0_hz, rate_hz, setup)
            # The guide must not follow uneven cycles: the pitch is the mean of two of them.
            return out, truth.crossing_phase(out, every=2) if miss else None
        triangle, square = cores.triangle_core(f0_hz, rate_hz, setup)
        # A jump has no crossing that could be interpolated; the triangle beside it has.
        return (triangle, None) if wave == "triangle" else (square, truth.crossing_phase(triangle))

    def judge(_m: truth.Measured, spec: TakeSpec) -> list[dict[str, Any]]:
        if not miss:
            return []
        # A cycle of every two is longer and taller by this share: lines at half the pitch of about a third of it.
        return [expect.finding("subharmonic", "attention", [[0.02, round(spec.control.end_s - 0.02, 3)]])]

    return TakeSpec(
        family=f"circuit-core-{wave}",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -5.0)),
        wave=wave.split("-")[0],
        circuit=solve,
        circuit_text=f"{wave} core",
        expect=judge,
        allowed={
            kind: "every other cycle differs"
            for kind in ("pitch-instability", "parasitic-oscillation", "amplitude-hunting", "even-order-distortion")
        }
        if miss
        else {},
        values={"miss_share": miss, "delay_s": late, "reset_s": setup.reset_s},
    )


def shaper(rng: Rng) -> TakeSpec:
    """A triangle core and a sine shaper whose drive or offset is off."""
    rec = pick.plain_interface(rng)
    low, high = pick.pitch_range(rng, rec.sample_rate_hz, lowest_hz=60.0)
    drive = float(rng.choice([1.0, 1.0, 0.9, 0.82, 1.1, 1.2]))
    offset = float(rng.choice([0.0, 0.0, 0.01, 0.03, 0.06])) * float(rng.choice([-1.0, 1.0]))
    level_slope = float(rng.uniform(-0.03, 0.03))

    def shape(phase: Floats, f0_hz: Floats, _rate: float) -> Floats:
        grown = drive * (1.0 + level_slope * np.log2(f0_hz / low))
        return np.sin(0.5 * np.pi * np.clip(grown * waves.triangle(phase) + offset, -1.3, 1.3))

    return TakeSpec(
        family="circuit-shaper",
        control=pick.any_control(rng, low, high, float(rng.uniform(4.0, 6.0))),
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -4.0)),
        shape=shape,
        circuit_text="triangle core and sine shaper",
        expect=lambda m, spec: expect_circuit.merge(
            expect_circuit.shape(m, spec)
            + expect_circuit.level(m, spec, m.oscillating)
            + [expect.allowed("slew-limiting", "pointed crests")] * (drive < 1.0)
            + [expect.allowed("crossover-distortion", "pointed crests")] * (drive < 1.0)
        ),
        values={"drive": drive, "offset": offset, "level_slope": level_slope},
    )


FAMILIES = [ladder, quadrature, core, core, shaper]
