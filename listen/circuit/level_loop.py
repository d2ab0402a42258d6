"""Amplitude control loop: natural frequency and damping from its ringing after a retune."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.settling import Settling
from listen.circuit.types import LevelLoop, Quantity, Where, unknown

Floats = NDArray[np.floating[Any]]

_SKIP_S, _SKIP_CYCLES = 0.03, 2.0
"""Short frames that hold some of the move say nothing of the level."""
_ROUNDS = 30
_CORRELATED = 3.0
"""Places of the grid that share a short frame."""
_NATURAL_SHARE, _DAMPING_SHARE = 0.0018, 0.003
"""Of each beside the noise: what a second-order loop, solved, leaves where it is near its settled level."""
_HUNTING_SHARE = 0.02
"""A loop that hunts bends its own swing."""
_LINEAR, _TURNS_LEFT = 0.06, 1.0
"""Of the level: so small a ring is a linear loop's own to a few parts in a thousand; and turns that must be left."""
_SLOW_DAMPING = 0.7
"""A recovery without a ring is damped by at least this much: 4 % of overshoot in a second-order system."""
_SHOWS_DB = 0.1
"""A recovery smaller than this tells nothing of the loop."""
_MEMORYLESS = ("diodes", "none")
_LARGEST_SIGMA = 0.3


def level_loop(account: Account, gain_control: str | None) -> LevelLoop:
    """Loop parameters from the clearest ring, or from hunting where no ring decays."""
    if gain_control in _MEMORYLESS:
        why = unknown(f"a limiter without memory (gain control: {gain_control}) has no loop that could ring")
        return LevelLoop(natural_hz=why, damping=why)
    hunting = account.hunting
    if hunting:
        swing = max(hunting, key=lambda s: s.share)
        where = Where(
            start_s=swing.segment.start_s,
            end_s=swing.segment.end_s,
            f0_low_hz=swing.segment.f0_hz,
            f0_high_hz=swing.segment.f0_hz,
        )
        rate = Quantity(value=swing.rate_hz, sigma=_HUNTING_SHARE * swing.rate_hz, where=where)
        return LevelLoop(natural_hz=rate, damping=Quantity(value=0.0, bound="at-most", where=where), state="hunting")
    shown = [s for s in account.settlings if s.ring and s.deviation_db > _SHOWS_DB]
    rings = [_ring(account, s) for s in shown]
    found = [r for r in rings if r is not None]
    if found:
        return min(found, key=lambda r: r[0])[1]
    slow = next((s for s in shown if _damping(s) > _SLOW_DAMPING), None)
    if slow is not None:
        where = Where(
            start_s=slow.retune_s, end_s=slow.retune_s + slow.settle_s, f0_low_hz=slow.f0_hz, f0_high_hz=slow.f0_hz
        )
        return LevelLoop(
            natural_hz=unknown("the level recovers without ringing"),
            damping=Quantity(value=_SLOW_DAMPING, bound="at-least", where=where),
            state="damped",
        )
    why = unknown("no ring after a quick retune: record two or three quick moves, each with two seconds of rest")
    return LevelLoop(natural_hz=why, damping=why)


def _damping(settling: Settling) -> float:
    return 1.0 / math.hypot(1.0, 2.0 * math.pi * settling.rate_hz * settling.decay_s)


def _ring(account: Account, settling: Settling) -> tuple[float, LevelLoop] | None:
    """Fit one ring; its relative uncertainty and what it says."""
    tone = account.tone
    if tone is None or settling.rate_hz == 0.0:
        return None
    segment = next((s for s in account.segments if s.retune_s == settling.retune_s), None)
    if segment is None:
        return None
    a = tone.index(settling.retune_s + max(_SKIP_S, _SKIP_CYCLES / settling.f0_hz))
    b = min(segment.stop, a + max(20, int(6.0 * settling.decay_s / tone.grid_s)))
    t, y = tone.time_s[a:b] - settling.retune_s, tone.log_level[a:b]
    if len(t) < 12 or not np.isfinite(y).all():
        return None
    fitted = fit_ring(t, y, 1.0 / settling.decay_s, 2 * math.pi * settling.rate_hz)
    if fitted is None:
        return None
    fitted = _near_its_end(t, y, *fitted) or fitted
    decay, omega, covariance = fitted
    natural = math.hypot(decay, omega)
    damping = decay / natural
    covariance = covariance * _CORRELATED
    by_natural = np.array([decay, omega]) / natural
    by_damping = np.array([omega**2, -decay * omega]) / natural**3
    sigma_n = math.sqrt(max(float(by_natural @ covariance @ by_natural), 0.0)) / natural
    sigma_d = math.sqrt(max(float(by_damping @ covariance @ by_damping), 0.0)) / max(damping, 1e-6)
    if sigma_d > _LARGEST_SIGMA or sigma_n > _LARGEST_SIGMA:
        return None
    where = Where(
        start_s=settling.retune_s, end_s=float(tone.time_s[b - 1]), f0_low_hz=settling.f0_hz, f0_high_hz=settling.f0_hz
    )
    if damping > _SLOW_DAMPING:
        return None  # a recovery without a turn: two exponentials are as likely
    hz = natural / (2 * math.pi)
    loop = LevelLoop(
        natural_hz=Quantity(value=hz, sigma=hz * math.hypot(sigma_n, _NATURAL_SHARE), where=where),
        damping=Quantity(value=damping, sigma=damping * math.hypot(sigma_d, _DAMPING_SHARE), where=where),
        state="damped",
    )
    return sigma_n + sigma_d, loop


def _near_its_end(
    t: Floats, y: Floats, decay_per_s: float, omega: float, _covariance: Floats
) -> tuple[float, float, Floats] | None:
    """Fit a ring again where it is small: a loop is linear near its settled level alone; None where it is short."""
    end = y[-max(4, len(y) // 8) :]
    size = np.abs(y - float(np.mean(end))) * np.exp(decay_per_s * (t - t[0]))
    started = float(np.max(size[t - t[0] <= 2 * math.pi / omega]))
    if started <= _LINEAR:
        return None
    first = int(np.searchsorted(t, t[0] + math.log(started / _LINEAR) / decay_per_s))
    if len(t) - first < 12 or (t[-1] - t[first]) * omega < 2 * math.pi * _TURNS_LEFT:
        return None
    return fit_ring(t[first:], y[first:], decay_per_s, omega)


def fit_ring(t: Floats, y: Floats, decay_per_s: float, omega: float) -> tuple[float, float, Floats] | None:
    """Fit c + e^(-dt) (a cos wt + b sin wt) by Gauss and Newton's method, a, b and c eliminated.

    Parameters
    ----------
    t, y : ndarray, shape (n,)
    decay_per_s, omega : float
        First guesses, a second and radians a second.

    Returns
    -------
    decay_per_s, omega : float
    covariance : ndarray, shape (2, 2)
    """
    d, w = decay_per_s, omega
    for _ in range(_ROUNDS):
        fall = np.exp(-d * t)
        cos, sin = fall * np.cos(w * t), fall * np.sin(w * t)
        basis = np.array([cos, sin, np.ones_like(t)]).T
        size = np.linalg.lstsq(basis, y, rcond=None)[0]
        ring = size[0] * cos + size[1] * sin
        slopes = np.array([-t * ring, t * (size[1] * cos - size[0] * sin)]).T
        rest = y - basis @ size
        q = np.linalg.qr(basis)[0]
        free = slopes - q @ (q.T @ slopes)
        normal = free.T @ free
        try:
            step = np.linalg.solve(normal, free.T @ rest)
        except np.linalg.LinAlgError:
            return None
        step = np.clip(step, -0.3 * w, 0.3 * w)
        d, w = d + float(step[0]), w + float(step[1])
        if not (math.isfinite(d) and math.isfinite(w)) or w <= 0 or d <= 0:
            return None
        if float(np.max(np.abs(step))) < 1e-6 * w:
            break
    variance = float(rest @ rest) / max(len(t) - 5, 1)
    try:
        return d, w, np.asarray(np.linalg.inv(normal) * variance)
    except np.linalg.LinAlgError:
        return None
