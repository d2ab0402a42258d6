"""Amplifiers too slow for their level by number: in a Wien bridge with diodes, or as a follower behind a sine.

The input pair holds the slope suddenly, or bends up to it as tanh does; the pole is drawn, the two limits are at times
not alike.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numba import njit
from scipy import signal

from listen.bench import Bench, BuildSettings, CaptureSettings
from tests.circuit.bridges import MOST_V, Bridge, feedback_table
from tests.circuit.checking import Figure, Floats, Rng, decimated, figure, log_uniform, told

RATE_HZ, OVER = 96000, 16
_STABLE = 1.5
"""Of a pole times the step: Runge and Kutta's method holds up to 2.8."""


@njit(cache=True)
def _slope(off: float, pole: float, up: float, down: float, soft: bool) -> float:
    rate = off * pole
    limit = up if rate > 0.0 else down
    return limit * np.tanh(rate / limit) if soft else min(max(rate, -down), up)


@njit(cache=True)
def _loop(
    w0: Floats, dt: float, steps: int, table: Floats, most: float, gbw: float, up: float, down: float, soft: bool
) -> Floats:
    """A Wien bridge of equal arms by Runge and Kutta's method, fourth order.

    The amplifier integrates the difference between its inputs, y' = 2 pi GBW (v - g(y)), as far as its input pair can.
    """
    out = np.zeros(len(w0))
    a, b, y, h = 1.0, 0.0, 0.0, dt / steps
    k = np.zeros((4, 3))
    for i in range(len(w0)):
        for _ in range(steps):
            for j in range(4):
                part = 0.0 if j == 0 else (h if j == 3 else 0.5 * h)
                sa, sb, sy = a + part * k[j - 1, 0], b + part * k[j - 1, 1], y + part * k[j - 1, 2]
                if j == 0:
                    sa, sb, sy = a, b, y
                place = min(max((sy / most + 1.0) * 0.5 * (len(table) - 1), 0.0), len(table) - 1.001)
                n = int(place)
                back = table[n] + (place - n) * (table[n + 1] - table[n])
                k[j, 0] = w0[i] * (sy - sb - sa)
                k[j, 1] = k[j, 0] - w0[i] * sb
                k[j, 2] = _slope(sb - back, gbw, up, down, soft)
            a += h * (k[0, 0] + 2 * k[1, 0] + 2 * k[2, 0] + k[3, 0]) / 6
            b += h * (k[0, 1] + 2 * k[1, 1] + 2 * k[2, 1] + k[3, 1]) / 6
            y += h * (k[0, 2] + 2 * k[1, 2] + 2 * k[2, 2] + k[3, 2]) / 6
        out[i] = y
    return out


@njit(cache=True)
def _follower(x: Floats, dt: float, pole: float, up: float, down: float, soft: bool) -> Floats:
    """The input is taken in the middle of each step; a pole alone is then exact."""
    out = np.zeros(len(x))
    y = 0.0
    pole = (1.0 - np.exp(-pole * dt)) / dt
    for i in range(1, len(x)):
        y += dt * _slope(0.5 * (x[i - 1] + x[i]) - y, pole, up, down, soft)
        out[i] = y
    return out


def slew(number: int) -> Iterator[Figure]:
    """A Wien bridge too slow for its level at the top of its turn, or a follower behind one that is quick enough."""
    rng = np.random.default_rng([number, 17])
    inside, soft = bool(rng.random() < 0.6), bool(rng.random() < 0.3)
    pole_hz = log_uniform(rng, 0.15e6, 1.0e6)
    high = log_uniform(rng, 2000.0, 6000.0)
    seconds, rate = 2.5, RATE_HZ * OVER
    place = np.clip((np.linspace(0.0, seconds, int(seconds * rate)) - 0.7) / (seconds - 1.0), 0.0, 1.0)
    f0 = high * float(rng.uniform(4.0, 8.0)) ** (place - 1.0)
    level = 4.8 if inside else float(rng.uniform(4.0, 9.0))
    limit = 2 * np.pi * high * level / float(rng.uniform(1.15, 1.9))
    lean = float(rng.choice([0.0, rng.uniform(-0.12, 0.12)]))
    up, down = limit * np.exp(lean), limit * np.exp(-lean)
    if inside:
        bridge = Bridge(gain=3.1, diode_share=0.15)
        gbw = 2 * np.pi * pole_hz * bridge.gain
        steps = int(np.ceil(gbw / rate / _STABLE))
        y = _loop(2 * np.pi * f0, 1.0 / rate, steps, feedback_table(bridge), MOST_V, gbw, up, down, soft)
    else:
        x = level * np.cos(2 * np.pi * np.cumsum(f0) / rate)
        y = _follower(x, 1.0 / rate, 2 * np.pi * pole_hz, up, down, soft)
    x, capture = _noisy(decimated(y, OVER), rng)
    build = BuildSettings(topology="wien-bridge", gain_control="diodes")
    circuit = told(x[int(0.4 * RATE_HZ) :], RATE_HZ, Bench(build=build, capture=capture))
    kind = f"slew rate {'within' if inside else 'behind'}"
    yield from figure(kind, circuit.slew_rate_v_per_us, min(up, down) / 1e6)
    if circuit.slew_rate_v_per_us.bound is None:
        yield from figure(kind + ", rising", circuit.slew_rising, up / 1e6)
        yield from figure(kind + ", falling", circuit.slew_falling, down / 1e6)


def _noisy(wave_v: Floats, rng: Rng) -> tuple[Floats, CaptureSettings]:
    corner_hz, full_scale_v = float(rng.uniform(1.0, 5.0)), 14.0
    x = signal.lfilter(*signal.butter(1, corner_hz, "high", fs=RATE_HZ), wave_v)
    x = x + float(np.sqrt(np.mean(x**2))) * 10 ** (-float(rng.uniform(50.0, 85.0)) / 20) * rng.standard_normal(len(x))
    stated = corner_hz if rng.integers(2) else None
    return x / full_scale_v, CaptureSettings(volts_per_full_scale=full_scale_v, ac_coupling_hz=stated)


FAMILIES = {"slew": slew}
