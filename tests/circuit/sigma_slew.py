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
from tests.circuit.bridges import MOST_V, Bridge, diode_table
from tests.circuit.checking import Figure, Floats, Rng, decimated, figure, log_uniform, told

RATE_HZ, OVER = 96000, 16


@njit(cache=True)
def _slope(off: float, pole: float, up: float, down: float, soft: bool) -> float:
    rate = off * pole
    limit = up if rate > 0.0 else down
    return limit * np.tanh(rate / limit) if soft else min(max(rate, -down), up)


@njit(cache=True)
def _loop(w0: Floats, dt: float, table: Floats, most: float, pole: float, up: float, down: float, soft: bool) -> Floats:
    """A Wien bridge of equal arms: both capacitors by the midpoint rule, the output's pole exactly."""
    out = np.zeros(len(w0))
    a, b, y, old = 1.0, 0.0, 0.0, 0.0
    pole = (1.0 - np.exp(-pole * dt)) / dt
    for i in range(len(w0)):
        ka = w0[i] * (y - b - a)
        kb = ka - w0[i] * b
        # the output moves on as in the last step
        sa, sb, sy = a + 0.5 * dt * ka, b + 0.5 * dt * kb, y + 0.5 * old
        place = min(max((sb / most + 1.0) * 0.5 * (len(table) - 1), 0.0), len(table) - 1.001)
        j = int(place)
        wanted = table[j] + (place - j) * (table[j + 1] - table[j])
        ka = w0[i] * (sy - sb - sa)
        kb = ka - w0[i] * sb
        old = dt * _slope(wanted - y, pole, up, down, soft)
        a, b, y = a + dt * ka, b + dt * kb, y + old
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
        table = diode_table(Bridge(gain=3.1, diode_share=0.15))
        y = _loop(2 * np.pi * f0, 1.0 / rate, table, MOST_V / 3, 2 * np.pi * pole_hz, up, down, soft)
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
