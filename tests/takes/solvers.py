"""Oscillators as equations: Wien bridges with four kinds of gain element, a ladder, two integrators, van der Pol.

Each is integrated by fourth-order Runge-Kutta at four or eight steps a sample of the file.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

AMPLIFIER_HZ = 100e3
"""Closed-loop pole of the bridge's amplifier: far above the tones, and slow enough for the step."""

DIODE_POINTS = 8001


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """Slew rate in V/s and rails in V; rails take over within 0.1 V."""

    slew_v_per_s: float = 1e9
    high_v: float = 12.0
    low_v: float = -12.0


def diode_curve(rf2_ohm: float, saturation_up_a: float, saturation_down_a: float, most_a: float) -> Floats:
    """Return the voltage of two diodes across a resistor against the current through them, on an even grid.

    i = v/R + Iu (exp(v/nVt) - 1) - Id (exp(-v/nVt) - 1), n Vt = 47.8 mV, by Newton's method from point to point.
    """
    emission_v = 0.0478
    currents = np.linspace(-most_a, most_a, DIODE_POINTS)
    volts = np.zeros_like(currents)
    for _ in range(200):
        up, down = np.exp(np.minimum(volts / emission_v, 60.0)), np.exp(np.minimum(-volts / emission_v, 60.0))
        flow = volts / rf2_ohm + saturation_up_a * (up - 1.0) - saturation_down_a * (down - 1.0)
        slope = 1.0 / rf2_ohm + (saturation_up_a * up + saturation_down_a * down) / emission_v
        change = np.clip((flow - currents) / slope, -0.05, 0.05)
        volts -= change
        if np.max(np.abs(change)) < 1e-12:
            break
    return volts


_QUICK = {"cache": True, "error_model": "numpy"}


@njit(**_QUICK)
def _limited(v: float, high: float, low: float) -> float:
    """Rails with a parabola over +-0.1 V."""
    over = v - high
    if over > 0.1:
        return high
    if over > -0.1:
        return v - (over + 0.1) ** 2 / 0.4
    under = low - v
    if under > 0.1:
        return low
    if under > -0.1:
        return v + (under + 0.1) ** 2 / 0.4
    return v


@njit(**_QUICK)
def _output(vp: float, s1: float, s2: float, kind: int, p: Floats, curve: Floats, high: float, low: float) -> float:
    """Output of the amplifier: its input times what the gain element asks for, within the rails."""
    if kind == 0:
        # The diodes' network as a curve of output against input; p[0] is half of the curve's width.
        place = (vp / p[0] + 1.0) * 0.5 * (len(curve) - 1)
        place = min(max(place, 0.0), len(curve) - 1.001)
        i = int(place)
        wanted = curve[i] + (place - i) * (curve[i + 1] - curve[i])
    elif kind == 1:
        wanted = vp * (1.0 + p[0] / (p[1] * (1.0 + p[2] * max(s1, 0.0))))
        wanted *= 1.0 - p[5] * wanted * wanted
    else:
        opened = max(min(s1 + p[6] * (p[7] - s2), 0.0) - p[2], 1e-3)
        vd = vp / (1.0 + 2.0 * p[3] * p[1] * opened)
        if p[4] != 0.0:
            for _ in range(3):
                current = 2.0 * p[3] * vd * (opened - p[4] * vd)
                slope = 1.0 + 2.0 * p[3] * p[1] * (opened - 2.0 * p[4] * vd)
                vd -= (vd + p[1] * current - vp) / slope
        wanted = vp + p[0] * 2.0 * p[3] * vd * (opened - p[4] * vd)
    return _limited(wanted, high, low)


@njit(**_QUICK)
def _bridge_slopes(
    v1: float, vp: float, s1: float, s2: float, g1: float, g2: float, kind: int, p: Floats, curve: Floats,
    high: float, low: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Slopes of both capacitors and of two states of the gain element; g is one over R C of an arm."""
    vo = _output(vp, s1, s2, kind, p, curve, high, low)
    through = (vo - v1 - vp) * g1
    if kind == 1:
        filament = p[1] * (1.0 + p[2] * max(s1, 0.0))
        current = vo / (p[0] + filament)
        return through, through - vp * g2, (current * current * filament - s1 / p[4]) / p[3], 0.0
    if kind == 2:
        return through, through - vp * g2, p[5] * (p[7] - s2), (abs(vo) - s2) / p[8]
    return through, through - vp * g2, 0.0, 0.0


@njit(**_QUICK)
def run_bridge(
    g1_per_s: Floats, g2_per_s: Floats, h: float, kind: int, p: Floats, curve: Floats, high: float, low: float,
    x: Floats, noise_v: float, out: Floats,
) -> None:  # fmt: skip
    """March a Wien bridge; one over R C of the series and of the shunt arm have one value an output sample."""
    seed = 20011
    a, b, c, d = x[0], x[1], x[2], x[3]
    q, w = 0.5 * h, h / 6.0
    for n in range(len(out)):
        g1, g2 = g1_per_s[n], g2_per_s[n]
        # The amplifier's own noise keeps a dying loop from going out for good.
        seed = seed * 16807 % 2147483647
        b += noise_v * (seed / 2147483647.0 - 0.5)
        out[n] = _output(b, c, d, kind, p, curve, high, low)
        ka, kb, kc, kd = _bridge_slopes(a, b, c, d, g1, g2, kind, p, curve, high, low)
        la, lb, lc, ld = _bridge_slopes(
            a + q * ka, b + q * kb, c + q * kc, d + q * kd, g1, g2, kind, p, curve, high, low
        )
        ma, mb, mc, md = _bridge_slopes(
            a + q * la, b + q * lb, c + q * lc, d + q * ld, g1, g2, kind, p, curve, high, low
        )
        na, nb, nc, nd = _bridge_slopes(
            a + h * ma, b + h * mb, c + h * mc, d + h * md, g1, g2, kind, p, curve, high, low
        )
        a += w * (ka + 2.0 * (la + ma) + na)
        b += w * (kb + 2.0 * (lb + mb) + nb)
        c += w * (kc + 2.0 * (lc + mc) + nc)
        d += w * (kd + 2.0 * (ld + md) + nd)


@njit(**_QUICK)
def _slow_slopes(
    v1: float, vp: float, vo: float, g1: float, g2: float, p: Floats, curve: Floats, amp: Floats
) -> tuple[float, float, float]:
    through = (vo - v1 - vp) * g1
    wanted = _output(vp, 0.0, 0.0, 0, p, curve, amp[1], amp[2])
    rate = 2.0 * np.pi * AMPLIFIER_HZ * (wanted - vo)
    return through, through - vp * g2, min(max(rate, -amp[0]), amp[0])


@njit(**_QUICK)
def run_slow_bridge(
    g1_per_s: Floats, g2_per_s: Floats, h: float, p: Floats, curve: Floats, amp: Floats, kick_v: float, out: Floats
) -> None:
    """March a Wien bridge with diodes whose amplifier has a pole and a slew rate (amp: V/s, rails)."""
    a, b, c = 0.0, kick_v, 0.0
    q, w = 0.5 * h, h / 6.0
    for n in range(len(out)):
        g1, g2 = g1_per_s[n], g2_per_s[n]
        out[n] = c
        ka, kb, kc = _slow_slopes(a, b, c, g1, g2, p, curve, amp)
        la, lb, lc = _slow_slopes(a + q * ka, b + q * kb, c + q * kc, g1, g2, p, curve, amp)
        ma, mb, mc = _slow_slopes(a + q * la, b + q * lb, c + q * lc, g1, g2, p, curve, amp)
        na, nb, nc = _slow_slopes(a + h * ma, b + h * mb, c + h * mc, g1, g2, p, curve, amp)
        a += w * (ka + 2.0 * (la + ma) + na)
        b += w * (kb + 2.0 * (lb + mb) + nb)
        c += w * (kc + 2.0 * (lc + mc) + nc)


@njit(**_QUICK)
def _ladder_output(x: float, y: float, z: float, p: Floats) -> float:
    """Output of the inverting amplifier behind three capacitors, which its own output charges: solved at once."""
    return _limited(p[0] * (x + y + z) / (1.0 + p[0]), p[1], p[2])


@njit(**_QUICK)
def _other_slopes(x: float, y: float, z: float, omega: float, kind: int, p: Floats) -> tuple[float, float, float]:
    if kind == 0:
        # van der Pol, amplitude 2: x'' - e w (1 - x^2) x' + w^2 x = 0.
        return omega * y, omega * (p[0] * (1.0 - x * x) * y - x), 0.0
    if kind == 1:
        # Three capacitors in series, resistors to ground.
        n1 = _ladder_output(x, y, z, p) - x
        n2 = n1 - y
        n3 = n2 - z
        return omega * (n1 + n2 + n3), omega * (n2 + n3), omega * n3
    # Two integrators, a little regeneration, diodes against it; the first integrator meets its rails.
    dx = omega * y
    if (x >= p[4] and dx > 0.0) or (x <= p[5] and dx < 0.0):
        dx = 0.0
    bent = p[2] * np.sinh(min(max(y / p[3], -30.0), 30.0))
    return dx, omega * (p[0] * y - p[1] * bent - x), 0.0


@njit(**_QUICK)
def run_other(omega: Floats, step_s: float, kind: int, p: Floats, x: Floats, noise: float, out: Floats) -> None:
    """March a ladder, a pair of integrators or van der Pol's equation."""
    seed = 20011
    h = step_s
    a, b, c = x[0], x[1], x[2]
    for n in range(len(out)):
        seed = seed * 16807 % 2147483647
        b += noise * (seed / 2147483647.0 - 0.5)
        out[n] = _ladder_output(a, b, c, p) if kind == 1 else b if kind == 3 else a
        w = omega[n]
        ka, kb, kc = _other_slopes(a, b, c, w, kind, p)
        la, lb, lc = _other_slopes(a + 0.5 * h * ka, b + 0.5 * h * kb, c + 0.5 * h * kc, w, kind, p)
        ma, mb, mc = _other_slopes(a + 0.5 * h * la, b + 0.5 * h * lb, c + 0.5 * h * lc, w, kind, p)
        na, nb, nc = _other_slopes(a + h * ma, b + h * mb, c + h * mc, w, kind, p)
        a += h / 6.0 * (ka + 2.0 * (la + ma) + na)
        b += h / 6.0 * (kb + 2.0 * (lb + mb) + nb)
        c += h / 6.0 * (kc + 2.0 * (lc + mc) + nc)


@dataclass(frozen=True, kw_only=True)
class Bridge:
    """A Wien bridge's gain element: its kind, its numbers (see ``_output``), its diodes' curve, where it starts."""

    kind: int
    numbers: tuple[float, ...]
    curve: Floats
    state: tuple[float, float] = (0.0, 0.0)


def diode_bridge(excess: float, rf2_ohm: float, *, lopsided: float = 1.0) -> Bridge:
    """Return a diode limiter: small-signal gain 3 + excess, 10 k to ground, rf2 across the diodes."""
    rg_ohm, most_a = 10e3, 1.5e-3
    rf1_ohm = (2.0 + excess) * rg_ohm - rf2_ohm
    amperes = np.linspace(-most_a, most_a, DIODE_POINTS)
    curve = amperes * (rg_ohm + rf1_ohm) + diode_curve(rf2_ohm, 3e-9 * lopsided, 3e-9, most_a)
    return Bridge(kind=0, numbers=(rg_ohm * most_a,), curve=curve)


def lamp_bridge(rf_ohm: float, heat_j_per_k: float, compression: float) -> Bridge:
    """Return a lamp of 110 ohm cold, 0.85 % a kelvin, 32000 K/W, warm; the amplifier bends a little, which damps."""
    numbers = (rf_ohm, 110.0, 0.0085, heat_j_per_k, 32000.0, compression)
    return Bridge(kind=1, numbers=numbers, curve=np.zeros(2), state=(180.0, 0.0))


def jfet_bridge(*, proportional: float, pair_error: float, reference_v: float, trimmer_ohm: float) -> Bridge:
    """Return a JFET (-2 V, 1 mA/V^2) behind a trimmer; its gate gets rectifier, filter (10 ms), integrator (1.5/s)."""
    numbers = (20e3, trimmer_ohm, -2.0, 0.001, pair_error, 1.5, proportional, reference_v, 0.01)
    opened = 1.0 / (2.0 * 0.001 * 0.99 * (10e3 - trimmer_ohm))
    return Bridge(kind=2, numbers=numbers, curve=np.zeros(2), state=(-2.0 + opened, 0.9 * reference_v))


def solve_bridge(
    f0_hz: Floats, second_arm: Floats, rate_hz: float, bridge: Bridge, amplifier: Amplifier, *,
    power_sample: int, kick_v: float, noise_v: float = 2e-6,
) -> Floats:  # fmt: skip
    """Return the output in volts at ``rate_hz``; zero before power.

    Parameters
    ----------
    f0_hz : ndarray, shape (n,)
        Pitch that the first arm stands for.
    second_arm : ndarray, shape (n,)
        The second track's resistance over the first's.
    """
    g1 = 2.0 * np.pi * f0_hz[power_sample:]
    g2 = g1 / second_arm[power_sample:]
    out = np.zeros(len(f0_hz))
    numbers = np.array(bridge.numbers)
    if amplifier.slew_v_per_s < 1e8:
        amp = np.array([amplifier.slew_v_per_s, amplifier.high_v, amplifier.low_v])
        run_slow_bridge(g1, g2, 1.0 / rate_hz, numbers, bridge.curve, amp, kick_v, out[power_sample:])
        return out
    x = np.array([0.0, kick_v, *bridge.state])
    run_bridge(
        g1, g2, 1.0 / rate_hz, bridge.kind, numbers, bridge.curve, amplifier.high_v, amplifier.low_v,
        x, noise_v, out[power_sample:],
    )  # fmt: skip
    return out


def solve_other(
    f0_hz: Floats, rate_hz: float, kind: int, numbers: tuple[float, ...], *, power_sample: int, kick: float
) -> Floats:
    """Return the output of van der Pol's equation (0), the ladder (1) or two integrators (2, 3); zero before power.

    Of the integrators 2 is the output of the first, whose rails are near at times, 3 of the second.
    """
    scale = np.sqrt(6.0) if kind == 1 else 1.0
    omega = 2.0 * np.pi * f0_hz[power_sample:] * scale
    state = np.array([kick, 0.0, 0.0])
    out = np.zeros(len(f0_hz))
    run_other(omega, 1.0 / rate_hz, kind, np.array(numbers), state, 2e-6, out[power_sample:])
    return out
