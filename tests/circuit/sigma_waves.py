"""Solved triangle, sawtooth and pulse cores by number, and shapers behind them, whose every figure of shape is known.

A capacitor is charged and discharged between two thresholds, with a leak that bows its slopes; a sawtooth is reset in a
time of its own. Corners are exact: each step holds the mean of the wave over it. Not stated, and so drawn: the input's
coupling (known in half, to two decimals), its low-pass, the ripple of its filter, its own distortion; whether slopes
bow as a leak bends them or as a parabola.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from scipy import signal

from listen.bench import Bench, BuildSettings, CaptureSettings
from listen.circuit.types import Circuit
from tests.circuit.checking import Figure, Floats, Rng, decimated, figure, log_uniform, told

STEPS_HZ = 3.072e6
"""32 or 64 steps a sample."""
DISTORTION = 5e-6
"""-106 dBc, an interface's own (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Core:
    """A core; times in seconds, places in cycles, heights over the wave's."""

    wave: str
    share: float = 0.5
    leak: float = 0.0
    parabola: float = 0.0
    reset_s: float = 0.0
    corner_s: float = 0.0
    spike: float = 0.0
    spike_s: float = 0.0
    spike_at: float = 0.3
    spike_pointed: bool = False

    @property
    def spike_area_s(self) -> float:
        """Of a triangle or of half a sine."""
        return abs(self.spike) * self.spike_s * (0.5 if self.spike_pointed else 2 / np.pi)


@njit(cache=True)
def _ramps(f0: Floats, dt: float, share: float, leak: float, reset_s: float, pulse: bool, foot: Floats) -> Floats:
    """Means of the wave over steps, its height 1; ``foot`` gets the time since the last foot.

    dv/dt = f (a - leak (v - 1/2)) up, the same down; a is such that the ways take their shares of the cycle.
    """
    out = np.zeros(len(f0))
    v, rising, t = 0.0, True, 0.0
    for i in range(len(f0)):
        left, area, f = dt, 0.0, f0[i]
        while left > 0.0:
            fall = reset_s * f if reset_s > 0.0 else 1.0 - share
            length = 1.0 - fall if rising else fall
            if rising or reset_s == 0.0:
                half = 0.5 * leak / np.tanh(0.5 * leak * length) if leak else 1.0 / length
                slope = f * (half - leak * (v - 0.5)) if rising else -f * (half + leak * (v - 0.5))
            else:
                slope = -1.0 / reset_s
            goal = 1.0 if rising else 0.0
            need = (goal - v) / slope
            step = min(left, need)
            area += step * (1.0 if rising else 0.0) if pulse else step * (v + 0.5 * slope * step)
            v, left, t = v + slope * step, left - step, t + step
            if step == need:
                v, rising = goal, not rising
                if rising:
                    t = 0.0
        foot[i] = t
        out[i] = area / dt
    return out


def wave_of(core: Core, f0: Floats, rate_hz: float) -> Floats:
    """The board's output at ``rate_hz``, its height 1."""
    foot = np.zeros(len(f0))
    pulse = core.wave in ("square", "pulse")
    x = _ramps(f0, 1.0 / rate_hz, core.share, core.leak, core.reset_s, pulse, foot)
    if core.parabola:
        # of straight slopes: a sawtooth's reset stays straight
        ways = np.where(foot * f0 < (1.0 - core.reset_s * f0 if core.reset_s else core.share), 1.0, -1.0)
        x = x + 4.0 * core.parabola * x * (1.0 - x) * (np.maximum(ways, 0.0) if core.reset_s else ways)
    if core.spike:
        since = (foot - core.spike_at / f0) / core.spike_s
        form = np.maximum(1.0 - np.abs(2 * since - 1.0), 0.0) if core.spike_pointed else np.sin(np.pi * since)
        x = x + core.spike * np.where((since > 0) & (since < 1), form, 0.0)
    return _low_pass(x, core.corner_s, rate_hz)


def _low_pass(x: Floats, tau_s: float, rate_hz: float) -> Floats:
    if not tau_s:
        return x
    keep = np.exp(-1.0 / (rate_hz * tau_s))
    return np.asarray(signal.lfilter([1 - keep], [1, -keep], x - x[0]))


@dataclass(frozen=True, kw_only=True)
class Gear:
    """What takes it down."""

    rate_hz: int
    coupling_hz: float
    coupling_stated: bool
    pole_hz: float
    pole_stated: bool
    ripple: float
    echo: int
    snr_db: float


def _gear(rng: Rng) -> Gear:
    return Gear(
        rate_hz=int(rng.choice([48000, 96000])), coupling_hz=float(rng.uniform(1.0, 5.0)),
        coupling_stated=bool(rng.integers(2)), pole_hz=float(rng.choice([0.0, 110e3])),
        pole_stated=bool(rng.integers(2)), ripple=log_uniform(rng, 1e-5, 1.2e-3),
        echo=int(rng.integers(12, 40)), snr_db=float(rng.uniform(50.0, 85.0)),
    )  # fmt: skip


def recorded(x: Floats, gear: Gear, rng: Rng) -> tuple[Floats, CaptureSettings]:
    """As a converter hears it: its low-pass, its filter with a ripple, its coupling; noise."""
    over = int(STEPS_HZ / gear.rate_hz)
    if gear.pole_hz:
        x = _low_pass(x, 1.0 / (2 * np.pi * gear.pole_hz), STEPS_HZ)
    y = decimated(x - x.mean(), over)
    if gear.ripple:
        echo = np.zeros(2 * gear.echo + 1)
        echo[[0, gear.echo, -1]] = 0.5 * gear.ripple, 1.0, 0.5 * gear.ripple
        y = np.convolve(y, echo, "same")
    y = signal.lfilter(*signal.butter(1, gear.coupling_hz, "high", fs=gear.rate_hz), y)
    y = y[int(0.5 * gear.rate_hz) :]
    peak = float(np.max(np.abs(y)))
    even, odd = (DISTORTION * float(rng.standard_normal()) for _ in range(2))
    # of a sine so much of the second and of the third harmonic
    y = y + peak * (2 * even * (y / peak) ** 2 + 4 * odd * (y / peak) ** 3)
    y = y + float(np.sqrt(np.mean(y**2))) * 10 ** (-gear.snr_db / 20) * rng.standard_normal(len(y))
    stated = gear.pole_hz if gear.pole_stated and gear.pole_hz else None
    corner = round(gear.coupling_hz, 2) if gear.coupling_stated else None
    return 0.4 * y, CaptureSettings(volts_per_full_scale=10.0, ac_coupling_hz=corner, response_hz=stated)


def _turn(low: float, octaves: float, seconds: float) -> Floats:
    n = int((seconds + 0.5) * STEPS_HZ)
    place = np.clip((np.arange(n) / STEPS_HZ - 0.9) / (seconds - 0.8), 0.0, 1.0)
    return np.asarray(low * 2.0 ** (octaves * (place - np.sin(2 * np.pi * place) / (2 * np.pi))))


def _heard(core: Core, rng: Rng) -> tuple[Circuit, Gear]:
    low, octaves = log_uniform(rng, 50.0, 1000.0), float(rng.choice([0.0, rng.uniform(0.5, 2.0)]))
    gear = _gear(rng)
    f0 = _turn(low, octaves, max(1.8, octaves))
    x, capture = recorded(wave_of(core, f0, STEPS_HZ), gear, rng)
    build = BuildSettings(wave=core.wave, duty_percent=100 * core.share if core.wave == "pulse" else None)
    return told(x, gear.rate_hz, Bench(build=build, capture=capture)), gear


def bowed_percent(core: Core, f0_hz: float) -> float:
    """Largest distance of the longest slope from its chord, per cent of the height."""
    if core.parabola:
        return 100 * core.parabola
    length = 1.0 - core.reset_s * f0_hz if core.wave == "sawtooth" else max(core.share, 1 - core.share)
    rate = core.leak * length
    u = np.linspace(0.0, 1.0, 20001)
    return 100 * float(np.max(-np.expm1(-rate * u) / -np.expm1(-rate) - u)) if rate else 0.0


def _common(core: Core, circuit: Circuit, gear: Gear) -> Iterator[Figure]:
    shape = circuit.shape
    if core.wave in ("triangle", "sawtooth"):
        known = "coupling known" if gear.coupling_stated else "not known"
        where = shape.bow_percent.where
        f0_hz = np.sqrt(where.f0_low_hz * where.f0_high_hz)
        yield from figure(f"{core.wave}: bow, {known}", shape.bow_percent, bowed_percent(core, f0_hz))
    if core.corner_s and shape.corner_us.value is not None:
        yield from figure(f"{core.wave}: corner", shape.corner_us, 1e6 * core.corner_s)
    if core.spike:
        yield from figure("spike: height", shape.glitch_percent, 100 * abs(core.spike))
        yield from figure("spike: area", shape.glitch_area_percent_us, 1e8 * core.spike_area_s)


def _spike(rng: Rng) -> dict[str, Any]:
    if rng.random() < 0.7:
        return {}
    return {"spike": 0.1 * float(rng.choice([-1.0, 1.0])), "spike_s": log_uniform(rng, 2e-5, 1e-4),
            "spike_at": float(rng.uniform(0.1, 0.4)), "spike_pointed": bool(rng.integers(2))}  # fmt: skip


def _bow(rng: Rng) -> dict[str, float]:
    """None, a leak's, or a parabola."""
    kind, size = rng.integers(3), float(rng.uniform(0.0, 0.4))
    return [{}, {"leak": size}, {"parabola": 0.1 * size}][int(kind)]


def triangle(number: int) -> Iterator[Figure]:
    """Slopes that are not alike, bowed, rounded at times."""
    rng = np.random.default_rng([number, 21])
    corner = float(rng.choice([0.0, log_uniform(rng, 4e-6, 4e-5)]))
    core = Core(wave="triangle", share=0.5 + float(rng.uniform(-0.03, 0.03)), corner_s=corner, **_bow(rng))
    circuit, gear = _heard(core, rng)
    yield from figure("triangle: rise share", circuit.shape.rise_percent, 100 * core.share)
    yield from _common(core, circuit, gear)


def pulse(number: int) -> Iterator[Figure]:
    """Squares and pulses of any duty, edges rounded at times."""
    rng = np.random.default_rng([number, 22])
    square = bool(rng.integers(2))
    share = 0.5 + float(rng.uniform(-0.03, 0.03)) if square else float(rng.uniform(0.1, 0.9))
    corner = float(rng.choice([0.0, log_uniform(rng, 4e-6, 4e-5)]))
    core = Core(wave="square" if square else "pulse", share=share, corner_s=corner)
    circuit, gear = _heard(core, rng)
    yield from figure(f"{core.wave}: duty", circuit.shape.duty_percent, 100 * core.share)
    yield from _common(core, circuit, gear)


def sawtooth(number: int) -> Iterator[Figure]:
    """Resets of 2 to 30 us, bows, spikes."""
    rng = np.random.default_rng([number, 23])
    core = Core(wave="sawtooth", reset_s=log_uniform(rng, 2e-6, 3e-5), **_bow(rng), **_spike(rng))
    circuit, gear = _heard(core, rng)
    if circuit.shape.reset_us.value is not None:
        yield from figure("sawtooth: reset", circuit.shape.reset_us, 1e6 * core.reset_s)
    yield from _common(core, circuit, gear)


def _curve(kind: str, drive: float, x: Floats) -> Floats:
    return np.tanh(drive * x) if kind == "pair" else np.sin(0.5 * np.pi * np.clip(drive * x, -1.0, 1.0))


def shaper(number: int) -> Iterator[Figure]:
    """A sine that is shaped from a triangle, with an offset at the shaper."""
    rng = np.random.default_rng([number, 24])
    kind = "pair" if rng.integers(2) else "other"
    drive = float(rng.uniform(1.2, 1.7)) if kind == "pair" else float(rng.uniform(0.75, 0.9))
    offset, gear = float(rng.uniform(-0.08, 0.08)), _gear(rng)
    f0 = _turn(log_uniform(rng, 210.0, 800.0), float(rng.choice([0.0, 1.5])), 1.8)
    core = Core(wave="triangle", share=0.5 + (float(rng.uniform(-0.01, 0.01)) if kind == "pair" else 0.0))
    x, capture = recorded(_curve(kind, drive, 2 * wave_of(core, f0, STEPS_HZ) - 1 + offset), gear, rng)
    build = BuildSettings(wave="sine", topology="triangle-core", shaper=kind)
    shape = told(x, gear.rate_hz, Bench(build=build, capture=capture)).shape
    # positive where it flattens the positive half
    yield from figure(f"shaper ({kind}): offset", shape.shaper_offset_percent, 100 * offset)
    t = np.arange(4096) / 4096
    cycle = np.where(t < core.share, 2 * t / core.share - 1, 1 - 2 * (t - core.share) / (1 - core.share))
    lines = np.fft.rfft(_curve(kind, drive, cycle + offset))[1:4]
    r = lines * np.exp(-1j * np.arange(1, 4) * np.angle(lines[0])) / np.abs(lines[0])
    yield from figure("shaper: H2", shape.shaper_h2_dbc, 20 * np.log10(abs(r[1].real)))
    yield from figure("shaper: H3", shape.shaper_h3_dbc, 20 * np.log10(abs(r[2])))


FAMILIES = {"triangle": triangle, "pulse": pulse, "sawtooth": sawtooth, "shaper": shaper}
