"""Wien bridges whose dial is moved in quick steps, by number: the growth right after each step is known.

``python -m tests.circuit.step_takes 0:10``. The gain is held by a JFET behind a detector, by a lamp, by a
light-dependent cell or by diodes; the gangs part along the dial.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import signal

from listen.bench import Bench, BuildSettings, CaptureSettings
from listen.circuit.types import Circuit
from tests.circuit.checking import Floats, decimated, told

RATE_HZ, OVER = 48000, 8
KINDS = ("jfet", "lamp", "ldr", "diodes")


@dataclass(frozen=True, kw_only=True)
class StepTake:
    """A take: recording, bench file, gain control, ends of the moves, and the loop's root at each sample."""

    x: Floats
    bench: Bench
    kind: str
    ends_s: tuple[float, ...]
    rate_per_s: Floats
    gain_percent: Floats
    f0_hz: Floats


@njit(cache=True)
def _bridge(g1: Floats, g2: Floats, dt: float, kind: int, p: Floats) -> tuple[Floats, Floats]:
    """Output and gain: charge voltages of both capacitors by the midpoint rule, the control by Euler's.

    p: level, gain at rest, time constant of the detector, proportional and integrating part.
    """
    n = len(g1)
    out, gains = np.zeros(n), np.zeros(n)
    a, b, det, held = 0.0, p[0] / 3.0, p[0] ** 2 / 2.0, p[1]
    gain = p[1]
    for i in range(n):
        if kind == 3:
            # diodes without memory: slope 1 at zero, bent as asinh
            y = gain * b - 0.5 * (b - p[3] * np.arcsinh(b / p[3]))
        else:
            y = gain * b
        out[i] = y
        gains[i] = gain
        ka = g1[i] * (y - b - a)
        kb = ka - g2[i] * b
        sa, sb = a + 0.5 * dt * ka, b + 0.5 * dt * kb
        sy = gain * sb if kind != 3 else gain * sb - 0.5 * (sb - p[3] * np.arcsinh(sb / p[3]))
        ka = g1[i] * (sy - sb - sa)
        kb = ka - g2[i] * sb
        a, b = a + dt * ka, b + dt * kb
        if kind != 3:
            det += dt * (y * y - det) / p[2]
            off = 1.0 - np.sqrt(2.0 * det) / p[0]
            held += dt * p[4] * off
            gain = held + p[3] * off
    return out, gains


def take(number: int, kind: str | None = None) -> StepTake:
    """Draw a take."""
    rng = np.random.default_rng([number, 31])
    kind = kind or KINDS[number % 4]
    low = float(np.exp(rng.uniform(np.log(150.0), np.log(500.0))))
    notes = low * np.array([1.0, 2.0, 1.3, 3.0, 1.0])
    apart = 0.01 * rng.uniform(-1.0, 1.0, len(notes))
    rate = RATE_HZ * OVER
    f0, d, ends = [], [], []
    for i, (note, m) in enumerate(zip(notes, apart, strict=True)):
        if i:
            s = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, int(0.03 * rate)))
            f0.append(notes[i - 1] * (note / notes[i - 1]) ** s)
            d.append(apart[i - 1] + s * (m - apart[i - 1]))
            ends.append(sum(map(len, f0)) / rate)
        rest = int(float(rng.uniform(1.0, 1.5)) * rate)
        f0.append(np.full(rest, note))
        d.append(np.full(rest, m))
    pitch, off = np.concatenate(f0), np.concatenate(d)
    g2 = 2 * np.pi * pitch
    g1 = g2 / (1.0 + off)
    # slow enough that a few cycles see a constant gain
    tau = {"jfet": 0.03, "ldr": 0.06, "lamp": 0.2, "diodes": 1.0}[kind] * float(rng.uniform(0.8, 1.5))
    gain, part = {"jfet": (3.0, 0.04), "ldr": (3.0, 0.05), "lamp": (3.0, 0.06), "diodes": (3.12, 0.5)}[kind]
    integral = 0.3 if kind == "jfet" else 0.0
    p = np.array([5.0, gain, tau, part, integral])
    settle = int(1.0 * rate)
    g1, g2 = (np.concatenate([np.full(settle, g[0]), g]) for g in (g1, g2))
    y, gains = _bridge(g1, g2, 1.0 / rate, KINDS.index(kind), p)
    y, gains, g1, g2 = y[settle:], gains[settle:][::OVER], g1[settle:][::OVER], g2[settle:][::OVER]
    # V'' + (g2 + g1 (2 - A)) V' + g1 g2 V = 0 for equal capacitors
    growth = 0.5 * (g1 * (gains - 2.0) - g2)
    x = decimated(y, OVER)
    corner = float(rng.uniform(1.0, 5.0))
    x = signal.lfilter(*signal.butter(1, corner, "high", fs=RATE_HZ), x)
    x = x + float(np.sqrt(np.mean(x**2))) * 10 ** (-float(rng.uniform(55.0, 80.0)) / 20) * rng.standard_normal(len(x))
    build = BuildSettings(topology="wien-bridge", gain_control=kind)
    capture = CaptureSettings(volts_per_full_scale=20.0, ac_coupling_hz=corner)
    needed = 2.0 + g2 / g1
    return StepTake(
        x=x / 20.0, bench=Bench(build=build, capture=capture), kind=kind, ends_s=tuple(ends), rate_per_s=growth,
        gain_percent=100 * (gains / needed - 1.0), f0_hz=np.sqrt(g1 * g2) / (2 * np.pi),
    )  # fmt: skip


def checked(made: StepTake) -> Circuit:
    """Check the take."""
    return told(made.x, RATE_HZ, made.bench)


def expected(made: StepTake, at_s: float) -> tuple[float, float]:
    """Growth and gain over one cycle about an instant: a detector's ripple moves both twice a cycle."""
    half = 0.5 / made.f0_hz[int(at_s * RATE_HZ)]
    span = slice(int((at_s - half) * RATE_HZ), int((at_s + half) * RATE_HZ) + 1)
    return float(made.rate_per_s[span].mean()), float(made.gain_percent[span].mean())


def main(words: list[str]) -> None:
    first, last = (int(word) for word in words[0].split(":"))
    for number in range(first, last):
        made = take(number)
        circuit = checked(made)
        spread, in_hand = circuit.gang_mismatch.spread_percent, circuit.loop_gain_in_hand
        sys.stdout.write(f"{number} {made.kind}: spread {spread.value} ({spread.why})\n")
        sys.stdout.write(f"    in hand {in_hand.value} ({in_hand.why}), loop {circuit.level_loop.natural_hz.value}\n")
        for g in circuit.growth:
            rate, gain = expected(made, g.start_s)
            sys.stdout.write(
                f"    {g.kind} at {g.start_s:.3f} s: {g.rate_per_s:.3f} +- {g.sigma_per_s:.3f} for {rate:.3f},"
                f" {(g.rate_per_s - rate) / g.sigma_per_s:.2f} sigma, {g.gain_percent} % for {gain:.3f}\n"
            )


if __name__ == "__main__":
    main(sys.argv[1:])
