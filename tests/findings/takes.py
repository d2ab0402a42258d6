"""Takes in closed form with one thing wrong, of a stated size."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

from tests.tones import RATE_HZ, bent, decimated, smooth_turn, sum_of, times, white

Floats = np.ndarray
LOW_HZ, HIGH_HZ = 180.0, 900.0
PEAK = 0.4


def noisy(x: Floats, seed: int = 61) -> Floats:
    """With the noise of an ordinary interface."""
    return x + white(len(x), -95.0, seed)


def turned(
    seconds: float = 1.6, rest_s: float = 0.8, low_hz: float = LOW_HZ, high_hz: float = HIGH_HZ
) -> tuple[Floats, Floats]:
    """Phase and pitch of a turn with rests at both ends."""
    return smooth_turn(low_hz, high_hz, seconds, rest_s=rest_s)


def sine(seconds: float = 1.6) -> Floats:
    phase, _ = turned(seconds)
    return noisy(PEAK * np.cos(2 * np.pi * phase))


def shaped(shape: Callable[[Floats], Floats]) -> Floats:
    """A turn of a bent sine."""
    return noisy(bent(lambda c: PEAK * shape(c), lambda rate_hz: smooth_turn(LOW_HZ, HIGH_HZ, 1.6, rate_hz, 0.8)[0]))


def one_sided_loss(level: float) -> float:
    """Crest loss in percent of a sine of which one half is clipped at a level (conduction-angle integrals)."""
    t = np.arccos(level)
    r0 = (np.sin(t) - level * t) / np.pi
    return float(100 * (1 - (level + r0) / (1 - r0)))


def both_sided_loss(level: float) -> float:
    t = np.arccos(level)
    return float(100 * (1 - level / (1 - 2 * (t - level * np.sin(t)) / np.pi)))


def clipped(loss_percent: float, half: str = "positive") -> Floats:
    if half == "both":
        level = brentq(lambda a: both_sided_loss(a) - loss_percent, 0.1, 0.9999)
        return shaped(lambda c: np.clip(c, -level, level))
    level = brentq(lambda a: one_sided_loss(a) - loss_percent, 0.5, 0.9999)
    sign = 1.0 if half == "positive" else -1.0
    return shaped(lambda c: sign * np.minimum(sign * c, level))


def lopsided(percent: float) -> Floats:
    """x - c x^2: H2 is c / 2, and the positive half is held down (Chebyshev)."""
    return shaped(lambda c: c - 0.02 * percent * c**2)


def rounded(percent: float) -> Floats:
    """x - c x^3: H3 is (c / 4) / (1 - 3 c / 4)."""
    c3 = 0.04 * percent / (1 + 0.03 * percent)
    return shaped(lambda c: c - c3 * c**3)


def crossover(percent: float) -> Floats:
    """Dead band of so many percent of the peak that is left."""
    d = percent / 100 / (1 + percent / 100)
    return shaped(lambda c: np.sign(c) * np.maximum(np.abs(c) - d, 0.0))


def slewed(over: float) -> Floats:
    """The top of the turn lies at ``over`` times the full-power frequency."""
    from listen.demo.waves import slew

    rate_hz = 8 * RATE_HZ
    phase, _ = smooth_turn(300.0, 1500.0, 1.6, rate_hz, 0.8)
    step = PEAK * 2 * np.pi * 1500.0 / over / rate_hz
    out = np.empty(len(phase))
    slew(PEAK * np.cos(2 * np.pi * phase), step, step, out)
    return noisy(decimated(out))


def starting(rise_s: float, f0_hz: float = 440.0) -> Floats:
    """Silence, then exponential growth that takes ``rise_s`` from 1 % to 90 %."""
    rate = np.log(90.0) / rise_s
    t = times(0.6 + 1.6 * rise_s + 1.0)
    envelope = np.minimum(1.0, np.exp(rate * (t - 0.5 - 1.5 * rise_s)))
    return noisy(np.where(t > 0.5, PEAK * envelope * np.cos(2 * np.pi * f0_hz * t), 0.0))


def dying(seconds: float | None, depth_db: float = 200.0) -> Floats:
    """The tone falls by a depth for some time in the middle of the turn, or (None) for good."""
    phase, _ = turned()
    t = times(len(phase) / RATE_HZ)
    gone = (t > 1.5) & (t < (np.inf if seconds is None else 1.5 + seconds))
    # 2 ms of fade, so that the cut is no click
    fade = np.convolve(np.where(gone, 10 ** (-depth_db / 20), 1.0), np.hanning(97) / np.hanning(97).sum(), "same")
    fade[:48], fade[-48:] = fade[48], fade[-49]
    return noisy(PEAK * fade * np.cos(2 * np.pi * phase))


def drifting(span_db: float) -> Floats:
    """The level grows by a span along the turn."""
    phase, f0_hz = turned()
    place = np.log(f0_hz / LOW_HZ) / np.log(HIGH_HZ / LOW_HZ)
    return noisy(0.5 * PEAK * 10 ** (span_db * place / 20) * np.cos(2 * np.pi * phase))


def hunting(depth_percent: float, rate_hz: float = 7.0) -> Floats:
    phase, _ = turned(1.0, 2.0)
    swing = 1 + depth_percent / 100 * np.cos(2 * np.pi * rate_hz * times(len(phase) / RATE_HZ))
    return noisy(PEAK * swing * np.cos(2 * np.pi * phase))


def stepped(envelope: Callable[[Floats], Floats], hold_s: float = 2.5) -> Floats:
    """Three notes, each retuned at once; ``envelope`` of the time since the retune (not of the first note)."""
    t = times(hold_s)
    parts, phase = [], 0.123
    for i, f0_hz in enumerate((300.0, 380.0, 480.0)):
        level = envelope(t) if i else np.ones_like(t)
        parts.append(level * np.cos(2 * np.pi * (phase + f0_hz * t)))
        phase += f0_hz * hold_s
    return noisy(PEAK * np.concatenate(parts))


def bouncing(deviation_db: float, decay_s: float = 0.06) -> Floats:
    return stepped(lambda t: 10 ** (deviation_db / 20 * np.exp(-np.maximum(t - 0.03, 0.0) / decay_s)))


def wavering(rms_cents: float, rate_hz: float = 5.0) -> Floats:
    t = times(4.0)
    deviation_hz = 440.0 * rms_cents * np.sqrt(2) * np.log(2) / 1200
    return noisy(PEAK * np.cos(2 * np.pi * 440.0 * t + deviation_hz / rate_hz * np.sin(2 * np.pi * rate_hz * t)))


def parasitic(dbc: float) -> Floats:
    """A burst near 13 kHz on the positive crest of each cycle, of an r.m.s. against the fundamental's."""
    phase, _ = turned()
    gate = np.exp(-((((phase + 0.5) % 1.0) - 0.5) ** 2) / (2 * 0.05**2))
    burst = gate * np.cos(2 * np.pi * 13_131.0 * times(len(phase) / RATE_HZ))
    burst *= 10 ** (dbc / 20) * PEAK / np.sqrt(2) / np.sqrt(np.mean(burst**2))
    return noisy(PEAK * np.cos(2 * np.pi * phase) + burst)


def alternating(dbc: float) -> Floats:
    """Alternate cycles differ: a line at half the pitch."""
    phase, _ = turned()
    return noisy(PEAK * (np.cos(2 * np.pi * phase) + 10 ** (dbc / 20) * np.cos(np.pi * phase + 0.7)))


def humming(dbc: float, mains_hz: float = 50.0) -> Floats:
    phase, _ = turned(2.0, 1.0)
    hum = 10 ** (dbc / 20) * np.cos(2 * np.pi * mains_hz * times(len(phase) / RATE_HZ) + 0.4)
    return noisy(PEAK * (np.cos(2 * np.pi * phase) + hum))


def standard_wave(wave: str, low_hz: float = 80.0, high_hz: float = 800.0) -> Floats:
    """A healthy triangle, sawtooth or square core, band-limited."""
    phase, f0_hz = turned(low_hz=low_hz, high_hz=high_hz)
    k = np.arange(1, int(0.48 * RATE_HZ / low_hz))
    lines = {
        "triangle": np.where(k % 2, 8 / (np.pi * k) ** 2, 0.0),
        "sawtooth": -2j / (np.pi * k),
        "square": np.where(k % 2, 4 / (np.pi * k) * np.sin(np.pi * k / 2), 0.0),
    }[wave]
    return noisy(sum_of(phase, list(PEAK * lines), f0_hz))
