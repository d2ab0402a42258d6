"""Solved circuits, in order and faulty: parts are drawn, the equations decide, the noise-free wave is the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo.recorder import decimate, record
from tests.takes import solvers
from tests.takes.extras import from_db
from tests.takes.families.pick import log_uniform
from tests.takes.files import Made, TakeClass
from tests.takes.needs import Needs, draw_recorder
from tests.takes.solved import Solution, judged
from tests.takes.solvers import Amplifier, Bridge
from tests.takes.strokes import Play, begin, clear_of_mains

Floats = NDArray[np.float64]
Rng = np.random.Generator
Error = Callable[[Floats], Floats]


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """A circuit to solve.

    Attributes
    ----------
    low_hz, high_hz : float
    solve : callable (pitch at the solver's rate, that rate, sample of power) -> volts
    gain_control : str or None
    rate_hz, oversampling : int
    first_rest_s : float
    warm_s : float
        The circuit ran so long before the recording; 0: the take shows silence and the start.
    values : dict
    """

    low_hz: float
    high_hz: float
    solve: Callable[[Floats, float, int], Floats]
    gain_control: str | None = None
    rate_hz: int = 48000
    oversampling: int = 4
    first_rest_s: float = 0.0
    warm_s: float = 0.0
    values: dict[str, Any] = field(default_factory=dict)


def circuit_play(rng: Rng, plan: Plan) -> Play:
    """Return a whole take, shorter than a hand's usual one: solving is dear."""
    power_s = float(rng.uniform(0.4, 0.7)) if plan.warm_s == 0.0 else 0.0
    score = begin(clear_of_mains(plan.low_hz))
    score.rest(power_s + plan.first_rest_s + 1.8)
    score.rests_s[-1] = (power_s + plan.first_rest_s + (0.7 if power_s else 0.1), score.now_s - 0.05)
    score.turn(clear_of_mains(plan.high_hz), float(rng.uniform(2.2, 3.0)), "resistance")
    score.rest(1.5)
    for semitones in (-4.0, -7.0):
        score.turn(clear_of_mains(plan.high_hz * 2.0 ** (semitones / 12.0)), float(rng.uniform(0.05, 0.12)), "smooth")
        score.rest(1.4, settled_after_s=0.3)
    score.turn(clear_of_mains(plan.low_hz), float(rng.uniform(1.8, 2.4)), "resistance")
    score.rest(0.9)
    return score.play(power_s)


def _no_error(f0_hz: Floats) -> Floats:
    return np.zeros_like(f0_hz)


def tracking(rng: Rng, low_hz: float, high_hz: float, size: float) -> Error:
    """Return the second track's error along the turn: a slope and a bump, at most ``size``."""
    centre, width, share = float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.15, 0.35)), float(rng.uniform(-1.0, 1.0))

    def raw(place: Floats) -> Floats:
        return np.exp(-0.5 * ((place - centre) / width) ** 2) + share * (place - 0.5)

    scale = float(rng.choice([-1.0, 1.0])) * size / float(np.max(np.abs(raw(np.linspace(0.0, 1.0, 100)))))
    return lambda f0_hz: scale * raw(np.clip(np.log2(f0_hz / low_hz) / np.log2(high_hz / low_hz), 0.0, 1.0))


def _ends(rng: Rng, lowest_hz: float = 140.0, highest_hz: float = 2600.0) -> tuple[float, float]:
    low_hz = log_uniform(rng, lowest_hz, 1.8 * lowest_hz)
    return low_hz, min(low_hz * 2.0 ** float(rng.uniform(1.7, 3.4)), highest_hz)


def _bridged(
    rng: Rng, bridge: Bridge, amplifier: Amplifier, error: Error, *, kick_v: float = 2e-3
) -> Callable[[Floats, float, int], Floats]:
    _ = rng

    def solve(f0_hz: Floats, rate_hz: float, power_sample: int) -> Floats:
        return solvers.solve_bridge(
            f0_hz, 1.0 + error(f0_hz), rate_hz, bridge, amplifier,
            power_sample=power_sample, kick_v=kick_v,
        )  # fmt: skip

    return solve


def _other(kind: int, numbers: tuple[float, ...], kick: float) -> Callable[[Floats, float, int], Floats]:
    def solve(f0_hz: Floats, rate_hz: float, power_sample: int) -> Floats:
        return solvers.solve_other(f0_hz, rate_hz, kind, numbers, power_sample=power_sample, kick=kick)

    return solve


def _integrators(rng: Rng, growth: float, rail_v: float) -> Callable[[Floats, float, int], Floats]:
    """One output of two integrators, the first or the second."""
    return _other(int(rng.choice([2, 3])), (growth, 1.0, 1e-9, 0.25, rail_v, -rail_v), 0.03)


def _vdp(rng: Rng, low_e: float, high_e: float) -> Plan:
    low_hz, high_hz = _ends(rng)
    e = float(rng.uniform(low_e, high_e))
    return Plan(low_hz=low_hz, high_hz=high_hz, solve=_other(0, (e,), 4e-3), values={"e": round(e, 4)})


def _diodes(rng: Rng, excess: float, rf2: float, error_size: float, stated: str | None, **amp: float) -> Plan:
    low_hz, high_hz = _ends(rng)
    error = tracking(rng, low_hz, high_hz, error_size)
    return Plan(
        low_hz=low_hz,
        high_hz=high_hz,
        solve=_bridged(rng, solvers.diode_bridge(excess, rf2), Amplifier(**amp), error),
        gain_control=stated,
        values={"excess": round(excess, 4), "rf2_ohm": round(rf2, 1), "mismatch": error_size, **amp},
    )


def wien_diodes(rng: Rng) -> Plan:
    """A bare diode limiter, stated, trimmed close, gangs matched."""
    excess = float(rng.uniform(0.05, 0.1))
    return _diodes(rng, excess, 10e3 * excess + float(rng.uniform(1800, 2600)), 0.004, "diodes")


def wien_hot(rng: Rng) -> Plan:
    """Far too much gain, which the diodes take back."""
    excess = float(rng.uniform(0.35, 0.8))
    return _diodes(rng, excess, 10e3 * excess + float(rng.uniform(2000, 4000)), 0.004, None)


def wien_rail_one(rng: Rng) -> Plan:
    """One rail too near."""
    excess, near = float(rng.uniform(0.1, 0.2)), float(rng.uniform(3.6, 5.2))
    sides = {"high_v": near, "low_v": -11.0} if rng.random() < 0.5 else {"high_v": 11.0, "low_v": -near}
    return _diodes(rng, excess, 10e3 * excess + 2600.0, 0.01, None, **sides)


def wien_rails(rng: Rng) -> Plan:
    """Both rails limit: the diodes come too late."""
    excess, near = float(rng.uniform(0.06, 0.16)), float(rng.uniform(3.2, 4.6))
    return _diodes(rng, excess, 10e3 * excess + 3500.0, 0.006, None, high_v=near, low_v=-near)


def wien_gang(rng: Rng) -> Plan:
    """Gangs that do not track."""
    excess = float(rng.uniform(0.07, 0.12))
    return _diodes(rng, excess, 10e3 * excess + 2400.0, float(rng.uniform(0.02, 0.05)), None)


def wien_bad_spot(rng: Rng) -> Plan:
    """A spot of the track where the gain no longer suffices."""
    low_hz, high_hz = _ends(rng)
    excess = float(rng.uniform(0.05, 0.09))
    deep, centre = float(rng.uniform(2.5, 5.0)) * excess, float(rng.uniform(0.45, 0.7))

    def error(f0_hz: Floats) -> Floats:
        at = np.log2(f0_hz / low_hz) / np.log2(high_hz / low_hz)
        return -deep * np.exp(-0.5 * ((at - centre) / 0.07) ** 2)

    bridge = solvers.diode_bridge(excess, 10e3 * excess + 2200.0)
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=_bridged(rng, bridge, Amplifier(), error),
        values={"excess": round(excess, 4), "deep": round(deep, 4)},
    )  # fmt: skip


def wien_slow_start(rng: Rng) -> Plan:
    """Gain barely over three."""
    low_hz, high_hz = _ends(rng, lowest_hz=150.0)
    rise_s = float(rng.uniform(0.9, 2.0))
    excess = 5.3 / (np.pi * low_hz * rise_s)
    bridge = solvers.diode_bridge(excess, 2000.0 + 10e3 * excess)
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=_bridged(rng, bridge, Amplifier(), _no_error, kick_v=8e-3),
        gain_control="diodes", first_rest_s=2.6 * rise_s, values={"excess": round(excess, 5)},
    )  # fmt: skip


def wien_slew(rng: Rng) -> Plan:
    """An amplifier too slow for its level at the top."""
    high_hz = log_uniform(rng, 3500.0, 8000.0)
    low_hz = high_hz / float(rng.uniform(5.0, 9.0))
    excess = 0.1
    slew = 2.0 * np.pi * high_hz * 4.8 / float(rng.choice([1.0, 1.25, 1.5]))
    bridge = solvers.diode_bridge(excess, 3000.0)
    return Plan(
        low_hz=low_hz, high_hz=high_hz, rate_hz=96000, oversampling=8,
        solve=_bridged(rng, bridge, Amplifier(slew_v_per_s=slew), _no_error),
        values={"slew_v_per_s": round(slew, 1)},
    )  # fmt: skip


def _jfet(rng: Rng, proportional: float, pair_error: float, stated: str | None, *, trimmer_ohm: float = 9300.0) -> Plan:
    low_hz = log_uniform(rng, 180.0, 300.0)
    high_hz = low_hz * float(rng.uniform(2.5, 6.0))
    bridge = solvers.jfet_bridge(
        proportional=proportional,
        pair_error=pair_error,
        reference_v=float(rng.uniform(2.0, 4.5)),
        trimmer_ohm=trimmer_ohm,
    )
    solve = _bridged(rng, bridge, Amplifier(), tracking(rng, low_hz, high_hz, 0.003), kick_v=0.3)
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=solve, gain_control=stated, warm_s=4.0,
        values={"proportional": proportional, "pair_error": pair_error},
    )  # fmt: skip


def wien_jfet(rng: Rng) -> Plan:
    """A JFET in a detector loop with margin."""
    return _jfet(rng, float(rng.uniform(0.06, 0.1)), 0.0, "jfet" if rng.random() < 0.5 else None)


def jfet_hunts(rng: Rng) -> Plan:
    """The same with too little damping."""
    return _jfet(rng, float(rng.uniform(0.0150, 0.0170)), 0.0, None)


def jfet_pair(rng: Rng) -> Plan:
    """The pair of resistors at the gate is unequal: the square law comes through."""
    return _jfet(rng, 0.08, float(rng.uniform(0.1, 0.5)), None, trimmer_ohm=8900.0)


def _jumping(high_hz: float, size: float) -> Error:
    """Return tracks that part by ``size`` one way and the other every third of an octave."""
    return lambda f0_hz: size * np.cos(3.0 * np.pi * np.log2(f0_hz / high_hz))


def _lamp(rng: Rng, error_size: float, compression: float, stated: str | None) -> Plan:
    low_hz, high_hz = 200.0, log_uniform(rng, 600.0, 1600.0)
    heat = float(rng.uniform(6e-6, 1.2e-5))
    bridge = solvers.lamp_bridge(float(rng.uniform(540.0, 600.0)), heat, compression)
    solve = _bridged(rng, bridge, Amplifier(), _jumping(high_hz, error_size), kick_v=1.7)
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=solve, gain_control=stated, warm_s=6.0,
        values={"heat_j_per_k": heat, "mismatch": error_size, "compression": compression},
    )  # fmt: skip


def wien_lamp(rng: Rng) -> Plan:
    """A lamp, stated, with matched gangs."""
    return _lamp(rng, float(rng.uniform(0.0005, 0.002)), float(rng.uniform(1e-4, 2e-4)), "lamp")


def lamp_bounces(rng: Rng) -> Plan:
    """A lamp with gangs that jump apart at each move, not stated."""
    return _lamp(rng, float(rng.uniform(0.01, 0.03)), log_uniform(rng, 0.8e-5, 4e-5), None)


def ladder(rng: Rng) -> Plan:
    """A phase-shift ladder; its amplifier meets its rails, one of them first at times."""
    low_hz, high_hz = _ends(rng)
    gain = 29.0 * (1.0 + log_uniform(rng, 0.004, 0.06))
    near = float(rng.uniform(5.0, 9.0))
    low_v = -near * float(rng.choice([1.0, 1.0, 1.3]))
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=_other(1, (gain, near, low_v), 0.02),
        values={"gain": round(gain, 4), "high_v": round(near, 2), "low_v": round(low_v, 2)},
    )  # fmt: skip


def quadrature(rng: Rng) -> Plan:
    """Two integrators with a diode limiter."""
    low_hz, high_hz = _ends(rng)
    growth = float(rng.uniform(0.02, 0.05))
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=_integrators(rng, growth, 1e3),
        values={"growth": round(growth, 4)},
    )  # fmt: skip


def quadrature_clipped(rng: Rng) -> Plan:
    """The same whose first integrator meets its rails: the level pins there, and the shape hardly shows it."""
    low_hz, high_hz = _ends(rng)
    growth, rail = float(rng.uniform(0.02, 0.08)), float(rng.uniform(2.0, 3.5))
    return Plan(
        low_hz=low_hz, high_hz=high_hz, solve=_integrators(rng, growth, rail),
        values={"growth": round(growth, 4), "rail_v": round(rail, 3)},
    )  # fmt: skip


CIRCUITS: dict[str, Callable[[Rng], Plan]] = {
    "vdp-soft": lambda rng: _vdp(rng, 0.035, 0.065),
    "vdp-hard": lambda rng: _vdp(rng, 0.12, 0.45),
    "ladder": ladder,
    "quadrature": quadrature,
    "quadrature-clipped": quadrature_clipped,
    "wien-diodes": wien_diodes,
    "wien-hot": wien_hot,
    "wien-rail-one": wien_rail_one,
    "wien-rails": wien_rails,
    "wien-gang": wien_gang,
    "wien-bad-spot": wien_bad_spot,
    "wien-slow-start": wien_slow_start,
    "wien-slew": wien_slew,
    "wien-jfet": wien_jfet,
    "jfet-hunts": jfet_hunts,
    "jfet-pair": jfet_pair,
    "wien-lamp": wien_lamp,
    "lamp-bounces": lamp_bounces,
}


def make(variant: str, _seed: int, rng: Rng) -> Made:
    """Solve, measure, record."""
    plan = CIRCUITS[variant](rng)
    play = circuit_play(rng, plan)
    level_dbfs = float(rng.uniform(-16.0, -4.0))
    recorder = draw_recorder(
        rng, plan.rate_hz, level_dbfs, Needs(), ac_coupling_hz=log_uniform(rng, 1.0, 4.0), dc_fs=0.0
    )
    solver_hz = float(plan.rate_hz * plan.oversampling)
    count = int(play.end_s * plan.rate_hz) * plan.oversampling
    warm = int(plan.warm_s * solver_hz)
    f0_hz = play.control.f0_hz((np.arange(warm + count) - warm) / solver_hz)
    wave = plan.solve(f0_hz, solver_hz, int(play.power_s * solver_hz))[warm:]
    truth = judged(
        Solution(
            wave=wave, rate_hz=solver_hz, file_rate_hz=float(plan.rate_hz), play=play,
            corner_hz=recorder.ac_coupling_hz, gain_control=plan.gain_control,
        )
    )  # fmt: skip
    if plan.gain_control is not None:
        truth.options["gain_control"] = plan.gain_control
    peak_v = float(np.max(np.abs(wave)))
    samples = record(decimate(wave, plan.oversampling) * (from_db(level_dbfs) / peak_v), recorder, rng)
    truth.parts |= {
        "circuit": variant, "rate_hz": plan.rate_hz, "low_hz": round(plan.low_hz, 2),
        "high_hz": round(plan.high_hz, 2), "power_s": round(play.power_s, 3), "peak_v": round(peak_v, 3),
        "level_dbfs": round(level_dbfs, 2), **plan.values,
    }  # fmt: skip
    return Made(samples=samples, rate_hz=plan.rate_hz, subtype=recorder.subtype, truth=truth)


CIRCUIT = TakeClass(name="circuit", variants=lambda: list(CIRCUITS), make=make)
