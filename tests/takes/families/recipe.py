"""Random circuits as a careful builder records them (silence, power, rest, turn), and as a careless one does."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, expect, expect_circuit, truth, wien
from listen.demo.take_specs import TakeSpec
from listen.units import db_from_ratio, ratio_from_db
from tests.takes.families import added as families_added
from tests.takes.families import bridge as families_bridge
from tests.takes.families import pick

Floats = NDArray[np.float64]
Rng = np.random.Generator
Found = list[dict[str, Any]]


def whole_recipe(rng: Rng) -> TakeSpec:
    """Silence, power, rest, up, rest, down: a diode bridge whose gangs, rails and gain are drawn."""
    rec = pick.plain_interface(rng)
    low = pick.log_uniform(rng, 110.0, 260.0)
    high = low * float(rng.uniform(5.0, 14.0))
    lead_s = float(rng.uniform(0.6, 1.2))
    control = controls.turn(
        [low, high, low],
        [lead_s + 1.8, float(rng.uniform(2.0, 3.5)), 0.8, float(rng.uniform(1.5, 3.0)), 0.7],
        shape="resistance" if rng.random() < 0.5 else "smooth",
    )
    rise_s = float(rng.choice([0.1, 0.2, 0.3, 0.9]))
    excess = 5.3 / (np.pi * low * rise_s)
    tired = str(rng.choice(["none", "none", "high", "low"]))
    rail = float(rng.uniform(6.5, 8.5))
    amp = wien.OpAmp(
        gain_bandwidth_hz=float(rng.choice([1e6, 1.5e6])),
        slew_up_v_per_s=2e6,
        slew_down_v_per_s=2e6,
        rail_high_v=rail if tired == "high" else 13.0,
        rail_low_v=-rail if tired == "low" else -13.0,
    )
    size = float(rng.choice([0.003, 0.01, 0.02]))
    gain = families_bridge.diode_leg(excess, 10e3 * excess + float(rng.uniform(2100.0, 2800.0)))
    error = families_bridge.mismatch(rng, low, high, min(size, 0.6 * excess))
    knock, settle_s = float(rng.choice([0.0, 0.03, 0.15])), float(rng.uniform(0.01, 0.05))

    def added(time_s: Floats, _phase: Floats, _f0: Floats) -> Floats:
        after = np.maximum(time_s - lead_s, 0.0)
        return np.where(time_s >= lead_s, knock * np.exp(-after / settle_s), 0.0)

    return TakeSpec(
        family="recipe-diodes",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-14.0, -5.0)),
        circuit=families_bridge.bridge(
            gain, amp, rec.sample_rate_hz, 10e-9, error, kick_v=float(rng.uniform(0.003, 0.01)), lead_s=lead_s
        ),
        circuit_text="Wien bridge, diode limiter, from silence through power-on to a turn up and down",
        added=added if knock else None,
        preroll_s=0.2,
        remembers=True,
        expect=lambda m, spec: expect_circuit.recipe(m, spec, lead_s),
        values={"excess": excess, "mismatch": size, "tired": tired, "rail_v": rail, "lead_s": lead_s, "knock": knock},
    )


def _hummed(rng: Rng, base: TakeSpec) -> TakeSpec:
    dbc = float(rng.uniform(-43.0, -26.0))

    def judge(m: truth.Measured, spec: TakeSpec) -> Found:
        evidence = {"level_dbc": dbc, "mains_hz": base.recorder.hum_hz}
        whole = [[0.02, round(spec.control.end_s - 0.02, 3)]]
        severity = "fault" if dbc >= -30.0 else "attention"
        return [*base.expect(m, spec), expect.finding("mains-hum", severity, whole, evidence=evidence)]

    return replace(
        base, family="hum-" + base.family, recorder=replace(base.recorder, hum_dbfs=base.level_dbfs + dbc), expect=judge
    )


def _overloaded(rng: Rng, base: TakeSpec) -> TakeSpec:
    over = float(rng.uniform(1.1, 1.6))

    def judge(m: truth.Measured, spec: TakeSpec) -> Found:
        pieces = expect.intervals(m.time_s, m.oscillating & (m.amplitude_fs * m.crest_positive > 1.02))
        found = [expect.finding("capture-overload", "attention", pieces)] if pieces else []
        # What the circuit itself does can hardly be seen behind the interface's own tops.
        kinds = {item["kind"] for item in base.expect(m, spec)} | {"level-drift"}
        return found + [expect.allowed(kind, "behind the overload") for kind in sorted(kinds)]

    return replace(base, family="overload-" + base.family, level_dbfs=db_from_ratio(over), expect=judge)


def _coupled_high(rng: Rng, base: TakeSpec) -> TakeSpec:
    return replace(
        base,
        family="coupled-high-" + base.family,
        recorder=replace(base.recorder, ac_coupling_hz=float(rng.uniform(8.0, 20.0))),
    )


def _gapped(rng: Rng, base: TakeSpec) -> TakeSpec:
    time_s, length = float(rng.uniform(0.3, 0.7)) * base.control.end_s, int(rng.integers(60, 900))

    def break_it(samples: Floats, rate_hz: float) -> Floats:
        out = samples.copy()
        n = int(time_s * rate_hz)
        out[n : n + length] = 0.0
        return out

    def judge(m: truth.Measured, spec: TakeSpec) -> Found:
        piece = [[round(time_s - 0.05, 3), round(time_s + 0.05, 3)]]
        return [*base.expect(m, spec), expect.finding("capture-gap", "attention", piece)]

    return replace(base, family="gap-" + base.family, damage=break_it, expect=judge)


def _parasite(rng: Rng, base: TakeSpec) -> TakeSpec:
    place, width = float(rng.choice([0.0, 0.5])), float(rng.uniform(0.05, 0.12))
    dbc = float(rng.uniform(-42.0, -24.0))
    burst_hz = float(rng.uniform(9000.0, 18000.0))
    low, high = np.min(base.control.f0_hz(_times(base))), np.max(base.control.f0_hz(_times(base)))
    onset_hz = float(low * (high / low) ** rng.uniform(0.0, 0.5))

    def added(time_s: Floats, phase: Floats, f0_hz: Floats) -> Floats:
        turns = phase / (2.0 * np.pi) - place
        away = turns - np.rint(turns)
        window = np.where(np.abs(away) < width, np.cos(0.5 * np.pi * away / width) ** 2, 0.0)
        size = ratio_from_db(dbc) / np.sqrt(width * 0.75)
        return np.asarray(np.where(f0_hz > onset_hz, size, 0.0) * window * np.sin(2.0 * np.pi * burst_hz * time_s))

    def judge(m: truth.Measured, spec: TakeSpec) -> Found:
        pieces = expect.intervals(m.time_s, m.oscillating & (m.f0_hz > onset_hz))
        found = base.expect(m, spec)
        if not pieces:
            return found
        evidence = {
            "burst_rms_dbc": dbc,
            "burst_hz": burst_hz,
            "burst_half": "positive" if place == 0.0 else "negative",
        }
        burst = expect.finding(
            "parasitic-oscillation", "fault" if dbc >= -30.0 else "attention", pieces, evidence=evidence
        )
        if dbc > -34.0:
            # So large a burst on a crest hides how that crest is bent.
            shapes = [item["kind"] for item in found if item["kind"] in expect_circuit.SHAPES]
            found = expect_circuit.merge([*found, *(expect.allowed(kind, "behind the burst") for kind in shapes)])
        return [*found, burst, *(expect.allowed(kind, why) for kind, why in families_added.HARD_TO_NAME.items())]

    return replace(base, family="burst-" + base.family, added=added, expect=judge)


def _times(base: TakeSpec) -> Floats:
    return np.arange(0.0, base.control.end_s, 0.01)


def careless(rng: Rng) -> TakeSpec:
    """A circuit with its own faults, and a recording with others."""
    makers = [
        families_bridge.diode_bridge,
        families_bridge.railed_bridge,
        families_bridge.jfet_selfbias,
        families_bridge.jfet_loop,
        families_bridge.cells,
    ]
    base = makers[int(rng.integers(len(makers)))](rng)
    spoil = [_hummed, _overloaded, _coupled_high, _gapped, _parasite][int(rng.integers(5))]
    return spoil(rng, base)


def stepped_loop(rng: Rng) -> TakeSpec:
    """A JFET or a cell in a detector loop, stepped: it settles at once, rings, or takes seconds."""
    rec = pick.plain_interface(rng)
    low = pick.log_uniform(rng, 150.0, 350.0)
    high = low * float(rng.uniform(2.5, 5.0))
    control = pick.steps(rng, low, high, 6.5, hold_s=float(rng.uniform(1.3, 1.7)))
    gain = wien.Gain(
        element="jfet-loop",
        rt_ohm=9300.0,
        proportional=float(rng.choice([0.02, 0.03, 0.06, 0.1])),
        filter_s=float(rng.choice([0.01, 0.02, 0.03])),
        control_v=-2.0 + 1.0 / (2.0 * 0.001 * 700.0),
        reference_v=float(rng.uniform(2.0, 4.0)),
        integrator_per_s=float(rng.choice([0.6, 1.5])),
    )
    size = float(rng.choice([0.002, 0.006, 0.012]))
    return TakeSpec(
        family="circuit-loop-steps",
        control=control,
        recorder=rec,
        level_dbfs=float(rng.uniform(-16.0, -9.0)),
        circuit=families_bridge.bridge(
            gain,
            wien.OpAmp(gain_bandwidth_hz=1e6),
            rec.sample_rate_hz,
            10e-9,
            families_bridge.mismatch(rng, low, high, size),
            kick_v=1.0,
        ),
        circuit_text="Wien bridge, JFET with rectifier, filter and integrator, stepped",
        preroll_s=4.0,
        remembers=True,
        expect=expect_circuit.circuit,
        values={"proportional": gain.proportional, "filter_s": gain.filter_s, "mismatch": size},
    )


FAMILIES = [whole_recipe, whole_recipe, careless, careless, careless, stepped_loop]
