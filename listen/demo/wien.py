"""A Wien bridge as circuit equations: op-amp with one pole, slew rate and rails, four gain elements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GainElement = Literal["diodes", "jfet-selfbias", "jfet-loop", "lamp"]

_ELEMENTS: dict[str, int] = {"diodes": 0, "jfet-selfbias": 1, "jfet-loop": 2, "lamp": 3}

OUTPUT_OVERSAMPLING = 8
"""The solved wave is kept at so many times the file's rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpAmp:
    """One pole, a slew rate, rails that take over within about 0.1 V.

    Attributes
    ----------
    gain_bandwidth_hz, slew_up_v_per_s, slew_down_v_per_s : float
    rail_high_v, rail_low_v : float
        What the output can reach.
    offset_v : float
        Input offset; a few microvolts let a bridge start.
    noise_v : float
        R.m.s. input noise per output sample.
    """

    gain_bandwidth_hz: float = 3e6
    slew_up_v_per_s: float = 3e6
    slew_down_v_per_s: float = 3e6
    rail_high_v: float = 11.0
    rail_low_v: float = -11.0
    offset_v: float = 0.0
    noise_v: float = 2e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """The feedback network that sets the gain and limits the level.

    ``diodes``: feedback ``rf1`` + (``rf2`` across two diodes), ``rg`` to ground. ``jfet-selfbias``: feedback ``rf``,
    trimmer ``rt``, channel, source resistor ``rs``. ``jfet-loop``: feedback ``rf``, trimmer ``rt``, channel whose gate
    gets a rectifier, filter and integrator, and the half less ``pair_error`` of the drain's swing. ``lamp``: feedback
    ``rf``, a filament of ``r_cold`` that rises by ``alpha`` a kelvin, with heat capacity and thermal resistance.
    """

    element: GainElement
    rf1_ohm: float = 17600.0
    rf2_ohm: float = 3300.0
    rg_ohm: float = 10000.0
    saturation_up_a: float = 3e-9
    saturation_down_a: float = 3e-9
    emission_v: float = 0.0478
    rf_ohm: float = 20000.0
    rt_ohm: float = 9300.0
    rs_ohm: float = 470.0
    pinch_off_v: float = -2.0
    beta_a_per_v2: float = 0.001
    pair_error: float = 0.0
    filter_s: float = 0.01
    integrator_per_s: float = 1.5
    proportional: float = 0.1
    reference_v: float = 4.5
    control_v: float = -0.6
    r_cold_ohm: float = 110.0
    alpha_per_k: float = 0.0085
    heat_j_per_k: float = 9e-6
    thermal_k_per_w: float = 32000.0
    warm_k: float = 180.0

    def packed(self) -> Floats:
        """Return the numbers of this element in the order that the kernel reads them."""
        by_element = {
            "diodes": (
                self.rf1_ohm,
                self.rf2_ohm,
                self.rg_ohm,
                self.saturation_up_a,
                self.saturation_down_a,
                self.emission_v,
            ),
            "jfet-selfbias": (self.rf_ohm, self.rt_ohm, self.rs_ohm, self.pinch_off_v, self.beta_a_per_v2),
            "jfet-loop": (
                self.rf_ohm,
                self.rt_ohm,
                self.pair_error,
                self.pinch_off_v,
                self.beta_a_per_v2,
                self.filter_s,
                self.integrator_per_s,
                self.proportional,
                self.reference_v,
            ),
            "lamp": (self.rf_ohm, self.r_cold_ohm, self.alpha_per_k, self.heat_j_per_k, self.thermal_k_per_w),
        }
        return np.array(by_element[self.element], dtype=np.float64)


@njit(cache=True)
def _diode_leg(vo: float, guess: float, p: Floats) -> tuple[float, float]:
    """Return the voltage at the inverting input and the diodes' voltage (the next guess)."""
    total = p[0] + p[2]
    vd = guess
    current = 0.0
    for _ in range(40):
        up = np.exp(min(vd / p[5], 60.0))
        down = np.exp(min(-vd / p[5], 60.0))
        current = vd / p[1] + p[3] * (up - 1.0) - p[4] * (down - 1.0)
        slope = 1.0 / p[1] + (p[3] * up + p[4] * down) / p[5]
        change = (current * total + vd - vo) / (slope * total + 1.0)
        change = min(max(change, -0.08), 0.08)
        vd -= change
        if abs(change) < 1e-8:
            break
    return current * p[2], vd


@njit(cache=True)
def _channel(vd: float, vs: float, vg: float, pinch: float, beta: float) -> tuple[float, float, float]:
    """Return a JFET's drain current and its slopes against drain and source voltage (square law)."""
    sign = 1.0
    if vd < vs:
        vd, vs, sign = vs, vd, -1.0
    overdrive_v = vg - vs - pinch
    across = vd - vs
    if overdrive_v <= 0.0:
        return 0.0, 0.0, 0.0
    if across >= overdrive_v:
        current, by_drain, by_source = beta * overdrive_v * overdrive_v, 0.0, -2.0 * beta * overdrive_v
    else:
        current = beta * across * (2.0 * overdrive_v - across)
        by_drain = 2.0 * beta * (overdrive_v - across)
        by_source = -2.0 * beta * overdrive_v
    if sign > 0.0:
        return current, by_drain, by_source
    return -current, -by_source, -by_drain


@njit(cache=True)
def _selfbias_leg(vo: float, guess: float, p: Floats) -> tuple[float, float]:
    """Return the voltage at the inverting input and the leg's current."""
    current = guess
    for _ in range(30):
        flow, by_drain, by_source = _channel(vo - (p[0] + p[1]) * current, p[2] * current, 0.0, p[3], p[4])
        slope = -by_drain * (p[0] + p[1]) + by_source * p[2] - 1.0
        change = (flow - current) / slope
        current -= change
        if abs(change) < 1e-12:
            break
    return vo - p[0] * current, current


@njit(cache=True)
def _loop_leg(vo: float, guess: float, control: float, p: Floats) -> tuple[float, float]:
    """Return the voltage at the inverting input and the leg's current; the gate gets a part of the drain's swing."""
    open_v = max(control - p[3], 1e-3)
    current = guess
    for _ in range(20):
        vd = vo - (p[0] + p[1]) * current
        # The half of the swing on the gate takes the square term away; an unequal pair leaves a part of it.
        flow = p[4] * vd * (2.0 * open_v - 2.0 * p[2] * vd)
        slope = -(p[0] + p[1]) * p[4] * (2.0 * open_v - 4.0 * p[2] * vd) - 1.0
        change = (flow - current) / slope
        current -= change
        if abs(change) < 1e-12:
            break
    return vo - p[0] * current, current


@njit(cache=True)
def _slopes(state: Floats, kind: int, p: Floats, amp: Floats, arms: Floats, guess: float, out: Floats) -> float:
    """Write the derivatives of the state; return the next guess of the gain element's unknown.

    state: voltage on C1, voltage on C2 (the input), output, and two of the gain element.
    amp: gain-bandwidth rad/s, slew up, slew down, rail high, rail low, input offset. arms: R1, R2, C1, C2.
    """
    v1, vp, vo, s1, s2 = state[0], state[1], state[2], state[3], state[4]
    out[3] = 0.0
    out[4] = 0.0
    if kind == 0:
        vn, guess = _diode_leg(vo, guess, p)
    elif kind == 1:
        vn, guess = _selfbias_leg(vo, guess, p)
    elif kind == 2:
        error = p[8] - s2
        vn, guess = _loop_leg(vo, guess, min(s1 + p[7] * error, 0.0), p)
        out[3] = p[6] * error
        out[4] = (abs(vo) - s2) / p[5]
    else:
        filament = p[1] * (1.0 + p[2] * max(s1, 0.0))
        current = vo / (p[0] + filament)
        vn = current * filament
        out[3] = (current * current * filament - s1 / p[4]) / p[3]
    through = (vo - v1 - vp) / arms[0]
    out[0] = through / arms[2]
    out[1] = (through - vp / arms[1]) / arms[3]
    drive = amp[0] * (vp + amp[5] - vn)
    limit = amp[1] if drive > 0.0 else amp[2]
    rate = limit * np.tanh(drive / limit)
    if rate > 0.0:
        rate /= 1.0 + np.exp(min((vo - amp[3]) / 0.01, 60.0))
    else:
        rate /= 1.0 + np.exp(min((amp[4] - vo) / 0.01, 60.0))
    out[2] = rate
    return guess


@njit(cache=True)
def _run(
    arms_ohm: Floats, per_arm: int, kind: int, p: Floats, amp: Floats, setup: Floats, state: Floats, out: Floats
) -> None:
    """Fourth-order Runge-Kutta; ``per_arm`` output samples to each row of ``arms_ohm`` (R1, R2; linear between).

    setup: C1, C2, seconds an output sample, steps an output sample, input noise.
    """
    arms = np.empty(4)
    arms[2], arms[3] = setup[0], setup[1]
    substeps = int(setup[3])
    h = setup[2] / substeps
    k1, k2, k3, k4, there = np.empty(5), np.empty(5), np.empty(5), np.empty(5), np.empty(5)
    offset = amp[5]
    guess = 0.0
    seed = 20011
    for n in range(len(out)):
        row = n // per_arm
        share = (n - row * per_arm) / per_arm
        arms[0] = arms_ohm[row, 0] + share * (arms_ohm[row + 1, 0] - arms_ohm[row, 0])
        arms[1] = arms_ohm[row, 1] + share * (arms_ohm[row + 1, 1] - arms_ohm[row, 1])
        # A small generator of its own (minimal standard, then the sum of three): the same noise on every machine.
        noise = -1.5
        for _ in range(3):
            seed = seed * 16807 % 2147483647
            noise += seed / 2147483647.0
        amp[5] = offset + 2.0 * setup[4] * noise
        out[n] = state[2]
        for _ in range(substeps):
            guess = _slopes(state, kind, p, amp, arms, guess, k1)
            for i in range(5):
                there[i] = state[i] + 0.5 * h * k1[i]
            guess = _slopes(there, kind, p, amp, arms, guess, k2)
            for i in range(5):
                there[i] = state[i] + 0.5 * h * k2[i]
            guess = _slopes(there, kind, p, amp, arms, guess, k3)
            for i in range(5):
                there[i] = state[i] + h * k3[i]
            guess = _slopes(there, kind, p, amp, arms, guess, k4)
            for i in range(5):
                state[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i])


def solve_wien(
    r1_ohm: Floats,
    r2_ohm: Floats,
    c1_f: float,
    c2_f: float,
    *,
    gain: Gain,
    amp: OpAmp,
    sample_rate_hz: int,
    kick_v: float = 1e-3,
) -> Floats:
    """Solve a Wien bridge whose arms are turned.

    Parameters
    ----------
    r1_ohm, r2_ohm : ndarray, shape (n,)
        Series and shunt resistance, one value a sample of the file.
    c1_f, c2_f : float
    gain : Gain
    amp : OpAmp
    sample_rate_hz : int
        Of the file.
    kick_v : float
        Voltage on the shunt capacitor when power comes.

    Returns
    -------
    ndarray, shape (8 (n - 1),)
        Output in volts at eight times the file's rate.

    Notes
    -----
    Nodes: C1 dv1/dt = (vo - v1 - vp)/R1; C2 dvp/dt = (vo - v1 - vp)/R1 - vp/R2; dvo/dt = 2 pi GBW (vp - vn) within the
    slew rate. The step is a third of the amplifier's closed-loop time constant or less.
    """
    arms = np.stack((r1_ohm, r2_ohm), axis=1)
    out = np.empty((len(r1_ohm) - 1) * OUTPUT_OVERSAMPLING)
    output_rate = sample_rate_hz * OUTPUT_OVERSAMPLING
    steps_hz = max(1.5e6, 2.1 * amp.gain_bandwidth_hz)
    substeps = int(np.ceil(steps_hz / output_rate))
    amp_numbers = np.array(
        [
            2.0 * np.pi * amp.gain_bandwidth_hz,
            amp.slew_up_v_per_s,
            amp.slew_down_v_per_s,
            amp.rail_high_v,
            amp.rail_low_v,
            amp.offset_v,
        ]
    )
    setup = np.array([c1_f, c2_f, 1.0 / output_rate, substeps, amp.noise_v])
    slow = {"jfet-loop": (gain.control_v, gain.reference_v * 0.9), "lamp": (gain.warm_k, 0.0)}
    state = np.array([0.0, kick_v, 0.0, *slow.get(gain.element, (0.0, 0.0))])
    packed = gain.packed()
    _run(arms, OUTPUT_OVERSAMPLING, _ELEMENTS[gain.element], packed, amp_numbers, setup, state, out)
    return out
