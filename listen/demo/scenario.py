"""The demonstration: a sine board on unequal supplies whose positive half flattens as its level grows with the pitch.

The story, all of it invented: a Wien bridge on two batteries, one of them tired. The second track of its ganged control
reads higher and higher toward the top, so the bridge wants less gain there and the level grows, until the positive
half meets its rail. The mended board has a fresh battery and a matched pair. A triangle and a sawtooth board of the
same rack are in order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, cores, expect_circuit, take_specs, wien
from listen.demo.recorder import Recorder

Floats = NDArray[np.float64]

POWER_S = 1.0
"""Silence first, then the supply is switched on."""

RATE_HZ = 48000
CAPACITOR_F = 10e-9
LOW_HZ, HIGH_HZ = 165.0, 2350.0

NAME = "sine-board-unequal-supplies"


def _turn() -> controls.Control:
    """Switch on and rest, turn up in one stroke, rest, turn down: the recipe of a good take."""
    return controls.turn([LOW_HZ, HIGH_HZ, LOW_HZ], [3.0, 4.0, 1.2, 2.8, 1.0], shape="resistance")


def _track_error(top: float) -> Callable[[Floats], Floats]:
    """Return how much the second track reads too high, growing from nothing at the bottom to ``top``."""

    def error(f0_hz: Floats) -> Floats:
        place = np.clip(np.log2(f0_hz / LOW_HZ) / np.log2(HIGH_HZ / LOW_HZ), 0.0, 1.0)
        return np.asarray(top * place**1.5)

    return error


def _sine_board(error: Callable[[Floats], Floats], amp: wien.OpAmp, gain: wien.Gain) -> take_specs.CircuitModel:
    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        first = int(np.searchsorted(time_s, POWER_S - 1e-9))
        first -= first % wien.OUTPUT_OVERSAMPLING
        rows = f0_hz[first :: wien.OUTPUT_OVERSAMPLING]
        rows = np.append(rows, rows[-1])
        r1_ohm = 1.0 / (2.0 * np.pi * CAPACITOR_F * rows)
        volts = wien.solve_wien(
            r1_ohm,
            r1_ohm * (1.0 + error(rows)),
            CAPACITOR_F,
            CAPACITOR_F,
            gain=gain,
            amp=amp,
            sample_rate_hz=RATE_HZ,
            kick_v=0.01,
        )
        return np.concatenate((np.zeros(first), volts[: len(f0_hz) - first])), None

    return solve


def _thump(time_s: Floats, _phase: Floats, _f0_hz: Floats) -> Floats:
    """Return the knock of switching on, which every coupling capacitor passes."""
    after = time_s - POWER_S
    return np.where(after >= 0.0, 0.05 * np.exp(-np.maximum(after, 0.0) / 0.03), 0.0)


def unequal_supplies() -> take_specs.TakeSpec:
    """Return the faulty board: 12 s at 48 kHz, 16 bits."""
    gain = wien.Gain(element="diodes", rf1_ohm=17700.0, rf2_ohm=2800.0, rg_ohm=10000.0)
    amp = wien.OpAmp(gain_bandwidth_hz=1.2e6, rail_high_v=7.5, rail_low_v=-10.8)
    return take_specs.TakeSpec(
        family="demo",
        control=_turn(),
        recorder=Recorder(
            sample_rate_hz=RATE_HZ,
            ac_coupling_hz=1.8,
            noise_dbfs=-91.0,
            hum_hz=50.0,
            hum_dbfs=-98.0,
            subtype="PCM_16",
        ),
        level_dbfs=-8.5,
        circuit=_sine_board(_track_error(0.085), amp, gain),
        circuit_text="Wien bridge, 2 x 10 nF, ganged control whose second track reads up to 8.5 % high toward the top; "
        "diode limiter; the output reaches +7.5 V and -10.8 V",
        added=_thump,
        preroll_s=0.2,
        remembers=True,
        expect=lambda measured, spec: expect_circuit.recipe(measured, spec, POWER_S),
        allowed={"level-drift": "the level grows into the rail"},
        values={"rf1_ohm": 17700.0, "rf2_ohm": 2800.0, "rg_ohm": 10000.0, "track_error": 0.085},
    )


def mended() -> take_specs.TakeSpec:
    """Return the same board after repair: equal supplies, a matched pair, the gain trimmed closer."""
    gain = wien.Gain(element="diodes", rf1_ohm=17800.0, rf2_ohm=2500.0, rg_ohm=10000.0)
    amp = wien.OpAmp(gain_bandwidth_hz=1.2e6, rail_high_v=13.0, rail_low_v=-13.0)
    faulty = unequal_supplies()
    return replace(
        faulty,
        control=controls.turn([LOW_HZ, HIGH_HZ], [3.0, 3.0, 1.0], shape="resistance"),
        circuit=_sine_board(_track_error(0.002), amp, gain),
        circuit_text="Wien bridge, 2 x 10 nF, ganged control matched to 0.2 %; diode limiter; +-13 V",
        allowed={},
        values={"rf1_ohm": 17800.0, "rf2_ohm": 2500.0, "rg_ohm": 10000.0, "track_error": 0.002},
    )


def _core_spec(wave: str, circuit: take_specs.CircuitModel, text: str) -> take_specs.TakeSpec:
    return take_specs.TakeSpec(
        family="demo",
        control=controls.turn([90.0, 1200.0], [0.6, 2.6, 0.8]),
        recorder=Recorder(
            sample_rate_hz=RATE_HZ, ac_coupling_hz=1.8, noise_dbfs=-91.0, hum_dbfs=-98.0, subtype="PCM_16"
        ),
        level_dbfs=-9.0,
        wave=wave,
        circuit=circuit,
        circuit_text=text,
    )


def triangle_board() -> take_specs.TakeSpec:
    """Return a triangle core in order."""

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        core = cores.Core(threshold_v=5.0, delay_s=0.4e-6)
        return cores.triangle_core(f0_hz, 1.0 / (time_s[1] - time_s[0]), core)[0], None

    return _core_spec("triangle", solve, "triangle core: integrator and comparator, 0.4 us late")


def sawtooth_board() -> take_specs.TakeSpec:
    """Return a sawtooth core in order."""

    def solve(time_s: Floats, f0_hz: Floats) -> tuple[Floats, None]:
        return cores.sawtooth_core(f0_hz, 1.0 / (time_s[1] - time_s[0]), cores.Core(reset_s=2e-6)), None

    return _core_spec("sawtooth", solve, "sawtooth core: 2 us to reset")


TAKES: dict[str, Callable[[], take_specs.TakeSpec]] = {
    NAME: unequal_supplies,
    "sine-board-mended": mended,
    "triangle-board": triangle_board,
    "sawtooth-board": sawtooth_board,
}
"""The shipped takes by name."""


def write_demo_capture(path: Path) -> dict[str, object]:
    """Write the faulty board's take and, beside it, its truth.

    Parameters
    ----------
    path : Path
        Ends in ``.wav``; the folder must exist.

    Returns
    -------
    dict
        The truth, as written to ``NAME.truth.json``.
    """
    path = Path(path)
    return take_specs.make(unequal_supplies(), path.stem, path.parent, seed=20)
