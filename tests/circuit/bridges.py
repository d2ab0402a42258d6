"""Wien bridges with known parts as equations, for takes whose circuit is known: diodes or rails, gangs, bandwidth.

State: charge voltages of both capacitors and the output; fourth-order Runge-Kutta, eight steps a sample. The amplifier
integrates the difference between its inputs, y' = 2 pi GBW (v - g(y)), and stays at a rail until that turns. The
diodes' network g is solved by bisection from its own equation, apart from the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numba import njit
from numpy.typing import NDArray
from scipy import signal

from listen.bench import Bench, BuildSettings, CaptureSettings, GainSettings, OpampSettings

Floats = NDArray[np.float64]

C_F = 1e-8
STEPS = 8
TABLE = 20001
MOST_V = 32.0
"""Of the amplifier with diodes: far over what the takes reach, for the table ends there."""
OVER = 4
_TAPS, _BETA = 1025, 10.06
"""A converter's filter at four times the rate: flat up to 0.45 of the rate, 100 dB down from 0.55 on (Kaiser)."""


@dataclass(frozen=True, kw_only=True)
class Bridge:
    """A bridge: gain 1 + rf / rg, of rf the part `diode_share` lies across two diodes each way.

    Of the diodes their saturation current, e-fold voltage and series resistance, and how far the currents are apart;
    ``behind_s`` is the output's resistance times what it is loaded with.
    """

    f0_hz: tuple[float, float] = (300.0, 300.0)
    gain: float = 3.1
    diode_share: float = 0.13
    diode_a: float = 2.5e-9
    diode_v: float = 0.0478
    diode_ohm: float = 0.0
    diodes_unlike: float = 0.0
    behind_s: float = 0.0
    rails_v: tuple[float, float] | None = None
    c2_over_c1: float = 1.0
    gangs_percent: tuple[float, float] = (0.0, 0.0)
    gangs_step_s: float | None = None
    gain_falls_percent: float = 0.0
    seconds: float = 2.0
    rest_s: float = 0.0
    rests: tuple[bool, bool] = (True, True)
    coupling_hz: float = 2.0
    coupling_stated: bool = True
    meter_percent: float = 0.0
    kick_v: float | None = None
    silence_s: float = 0.3
    pole_hz: float = 2e6
    rate_hz: int = 48000
    snr_db: float = 80.0
    volts_per_full_scale: float = 20.0
    seed: int = 1
    stated: dict[str, Any] = field(default_factory=dict)

    @property
    def capacitors_f(self) -> tuple[float, float]:
        """Both arms' own, of which `C_F` is the geometric mean."""
        return C_F / self.c2_over_c1**0.5, C_F * self.c2_over_c1**0.5

    @property
    def gain_control(self) -> str:
        return "none" if self.rails_v else "diodes"


def diode_table(bridge: Bridge, most_v: float = MOST_V) -> Floats:
    """Amplifier's output against its input on an even grid of +-most_v / 3."""
    rg = 1e4
    rf = rg * (bridge.gain - 1.0)
    across = bridge.diode_share * rf
    v = np.linspace(-most_v / 3, most_v / 3, TABLE)
    current = v / rg
    if bridge.diode_ohm or bridge.diodes_unlike:
        return v + current * (rf - across) + _across_unlike(bridge, current, across)
    low, high = np.full(TABLE, -20.0), np.full(TABLE, 20.0)
    for _ in range(70):
        middle = 0.5 * (low + high)
        with np.errstate(over="ignore"):
            flow = middle / across + 2 * bridge.diode_a * np.sinh(middle / bridge.diode_v)
        low, high = np.where(flow < current, middle, low), np.where(flow < current, high, middle)
    return v + current * (rf - across) + 0.5 * (low + high)


def _across_unlike(bridge: Bridge, current: Floats, across: float) -> Floats:
    """Voltage across the resistor and its diodes, by the junctions' voltage as a parameter."""
    junction = 1.6 * np.sinh(np.linspace(-8.0, 8.0, 400001)) / np.sinh(8.0)
    one, other = (bridge.diode_a * np.exp(side * bridge.diodes_unlike / 2) for side in (1, -1))
    flow = one * np.expm1(junction / bridge.diode_v) - other * np.expm1(-junction / bridge.diode_v)
    voltage = junction + bridge.diode_ohm * flow
    return np.interp(current, voltage / across + flow, voltage)


def feedback_table(bridge: Bridge, most_v: float = MOST_V) -> Floats:
    """Voltage at the inverting input against the output, on an even grid of +-most_v."""
    v = np.linspace(-most_v / 3, most_v / 3, TABLE)
    return np.asarray(np.interp(np.linspace(-most_v, most_v, TABLE), diode_table(bridge, most_v), v))


@njit(cache=True)
def _divided(y: float, table: Floats, most: float, gain: float) -> float:
    if len(table) > 1:
        place = (y / most + 1.0) * 0.5 * (len(table) - 1)
        place = min(max(place, 0.0), len(table) - 1.001)
        i = int(place)
        return table[i] + (place - i) * (table[i + 1] - table[i])
    return y / gain


@njit(cache=True)
def _solved(
    r1: Floats,
    r2: Floats,
    table: Floats,
    most: float,
    gain: float,
    low: float,
    high: float,
    pole: float,
    dt: float,
    steps: int,
    start: float,
    weaker: Floats,
    c1: float,
    c2: float,
) -> Floats:
    n = len(r1)
    out = np.zeros(n)
    a, b, y = start, 0.0, 0.0
    k = np.zeros((4, 3))
    for i in range(n):
        for _ in range(steps):
            for j in range(4):
                h = 0.0 if j == 0 else (dt if j == 3 else 0.5 * dt)
                sa = a + h * k[j - 1, 0] if j else a
                sb = b + h * k[j - 1, 1] if j else b
                sy = min(max(y + h * k[j - 1, 2] if j else y, low), high)
                current = (sy - sb - sa) / r1[i]
                k[j, 0] = current / c1
                k[j, 1] = (current - sb / r2[i]) / c2
                k[j, 2] = (sb - _divided(sy, table, most, gain) / weaker[i]) * pole
                if (sy >= high and k[j, 2] > 0) or (sy <= low and k[j, 2] < 0):
                    k[j, 2] = 0.0
            a += dt * (k[0, 0] + 2 * k[1, 0] + 2 * k[2, 0] + k[3, 0]) / 6
            b += dt * (k[0, 1] + 2 * k[1, 1] + 2 * k[2, 1] + k[3, 1]) / 6
            y += dt * (k[0, 2] + 2 * k[1, 2] + 2 * k[2, 2] + k[3, 2]) / 6
            y = min(max(y, low), high)
        out[i] = y
    return out


def resistors(bridge: Bridge) -> tuple[Floats, Floats]:
    """Both gangs at every sample, the settling time before the take included."""
    count = int((bridge.seconds + (0.0 if bridge.kick_v is not None else 0.6)) * bridge.rate_hz)
    before = count - int(bridge.seconds * bridge.rate_hz)
    first_s, last_s = (bridge.rest_s * rests for rests in bridge.rests)
    turning = (np.linspace(0.0, bridge.seconds, count - before) - first_s) / (bridge.seconds - first_s - last_s)
    along = np.concatenate([np.zeros(before), np.clip(turning, 0.0, 1.0)])
    low, high = bridge.f0_hz
    r = 1.0 / (2 * np.pi * C_F * low * (high / low) ** along)
    if bridge.gangs_step_s is not None:
        time_s = (np.arange(count) - before) / bridge.rate_hz
        apart = np.where(time_s > bridge.gangs_step_s, bridge.gangs_percent[1], bridge.gangs_percent[0])
    else:
        apart = bridge.gangs_percent[0] + along * (bridge.gangs_percent[1] - bridge.gangs_percent[0])
    return r * (1.0 + apart / 100), r


def samples(bridge: Bridge) -> Floats:
    """The output in volts, from its settled swing or from a kick after a silence, as a converter hears it."""
    y = solved(replace(bridge, rate_hz=OVER * bridge.rate_hz))
    taps = signal.firwin(_TAPS, 1.0 / OVER, window=("kaiser", _BETA))
    x = np.asarray(signal.resample_poly(y, 1, OVER, window=taps))
    if not bridge.behind_s:
        return x
    omega = 2 * np.pi * np.fft.rfftfreq(len(x), 1.0 / bridge.rate_hz)
    return np.fft.irfft(np.fft.rfft(x) / (1.0 + 1j * omega * bridge.behind_s), len(x))


def solved(bridge: Bridge) -> Floats:
    """The output itself: harmonics above half the rate are folded back."""
    r1, r2 = resistors(bridge)
    table = np.zeros(1) if bridge.rails_v else feedback_table(bridge)
    low, high = bridge.rails_v or (-MOST_V, MOST_V)
    start = bridge.kick_v if bridge.kick_v is not None else 1.0
    pole = 2 * np.pi * bridge.pole_hz
    # a rail is left within a step, not at its edge: finer steps there
    steps = max(STEPS // OVER * (4 if bridge.rails_v else 1), int(np.ceil(pole / bridge.gain / bridge.rate_hz / 1.5)))
    weaker = np.ones(len(r1))
    if bridge.gain_falls_percent:
        weaker[len(r1) - int((bridge.seconds - (bridge.gangs_step_s or 0.0)) * bridge.rate_hz) :] = (
            1.0 - bridge.gain_falls_percent / 100
        )
    step_s = 1.0 / bridge.rate_hz / steps
    y = _solved(r1, r2, table, MOST_V, bridge.gain, low, high, pole, step_s, steps, start, weaker, *bridge.capacitors_f)
    y = y[len(y) - int(bridge.seconds * bridge.rate_hz) :]
    if bridge.kick_v is not None:
        y = np.concatenate([np.zeros(int(bridge.silence_s * bridge.rate_hz)), y])
    return y


def record(bridge: Bridge, path: Path) -> Bench:
    """Write the take as a 24-bit file; return its bench file."""
    y = samples(bridge)
    rms = float(np.sqrt(np.mean(y[-len(y) // 3 :] ** 2)))
    noise = np.random.default_rng(bridge.seed).standard_normal(len(y)) * rms * 10 ** (-bridge.snr_db / 20)
    recorded = (_coupled(y, bridge.coupling_hz, bridge.rate_hz) + noise) / bridge.volts_per_full_scale
    soundfile.write(path, recorded, bridge.rate_hz, subtype="PCM_24")
    low, high = bridge.f0_hz
    meter = 1.0 + bridge.meter_percent / 100 * np.random.default_rng([bridge.seed, 7]).uniform(-1.0, 1.0, 4)
    r = np.sort([1.0 / (2 * np.pi * C_F * low), 1.0 / (2 * np.pi * C_F * high)])
    r1, r2 = ((float(v[0]), float(v[1])) for v in (r * meter[:2], r * meter[2:]))
    c1, c2 = bridge.capacitors_f
    build = BuildSettings(
        topology="wien-bridge",
        gain_control=bridge.gain_control,
        parts={"r1_ohm": r1, "r2_ohm": r2, "c1_f": (c1, c1), "c2_f": (c2, c2)},
        opamp=OpampSettings(),
        gain=GainSettings(),
    )
    corner = bridge.coupling_hz if bridge.coupling_stated else None
    capture = CaptureSettings(volts_per_full_scale=bridge.volts_per_full_scale, ac_coupling_hz=corner)
    return Bench(build=replace(build, **bridge.stated), capture=capture)


def _coupled(x: Floats, corner_hz: float, rate_hz: int) -> Floats:
    b, a = signal.butter(1, corner_hz / (rate_hz / 2), "high")
    return np.asarray(signal.lfilter(b, a, x))
