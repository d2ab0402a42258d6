"""Ring of a level loop along the dial.

Its rate and its decay are those of the rings after retunes; it answers a turn, and a tone that comes back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.settling import Settling
from listen.account.tone import BoardTone

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

_CLEAR = 0.8
"""Part of the level's variance after a retune that a ring must explain, to tell the loop's rate and decay."""
_WITHIN_OCTAVES = 0.3
"""Rings no further apart in pitch tell no law along it."""
_RATE_LAW, _DECAY_LAW = 0.5, -0.5
"""Powers of the pitch: a loop's natural frequency goes as its root; its decay is a detector's, which stays, or goes
with the periods (solved loops have both)."""
_LEAST_LAW, _MOST_LAW = -1.2, 1.0
_SETTLED_DECAYS = 3.5
"""Decays after which 3 % is left of a ring: 0.3 dB of one of 10 dB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopRing:
    """Rate and decay of a ring as powers of the pitch.

    Attributes
    ----------
    f0_hz : float
        Where they are as given.
    rate_hz, decay_s : float
    rate_law, decay_law : float
    """

    f0_hz: float
    rate_hz: float
    decay_s: float
    rate_law: float
    decay_law: float

    def decay_at(self, f0_hz: Floats) -> Floats:
        """Time constant at a pitch, in seconds."""
        return np.asarray(self.decay_s * (f0_hz / self.f0_hz) ** self.decay_law)

    def rate_at(self, f0_hz: Floats) -> Floats:
        """Rate at a pitch, in hertz."""
        return np.asarray(self.rate_hz * (f0_hz / self.f0_hz) ** self.rate_law)


def loop_ring(rings: Sequence[Settling], least_db: float) -> LoopRing | None:
    """Return how the loop rings along the dial; None where no clear ring of so many decibels was seen."""
    clear = [s for s in rings if s.ring and s.rate_hz > 0.0 and s.deviation_db > least_db and s.share > _CLEAR]
    if not clear:
        return None
    octaves = np.log2([s.f0_hz for s in clear])
    middle = float(np.mean(octaves))
    rate, rate_law = _power_law(octaves - middle, np.log2([s.rate_hz for s in clear]), _RATE_LAW)
    decay, decay_law = _power_law(octaves - middle, np.log2([s.decay_s for s in clear]), _DECAY_LAW)
    return LoopRing(f0_hz=2.0**middle, rate_hz=2.0**rate, decay_s=2.0**decay, rate_law=rate_law, decay_law=decay_law)


def _power_law(octaves: Floats, values: Floats, usual: float) -> tuple[float, float]:
    """Mean and slope over octaves; the usual slope where the pitches lie together."""
    slope = usual
    if np.ptp(octaves) > _WITHIN_OCTAVES:
        slope = float(np.clip(np.sum(octaves * values) / np.sum(octaves**2), _LEAST_LAW, _MOST_LAW))
    return float(np.mean(values)), slope


def driven(tone: BoardTone, ring: LoopRing, drive: Floats) -> Floats:
    """Response of the loop to something along the take, on the tone's grid: at rest as large as that.

    Notes
    -----
    x'' + 2 x' / T + w^2 x = w^2 u with the damped rate and the decay T of the ring, both along the pitch (any textbook
    of control): x is w^2 / wd times the imaginary part of z, z' = (-1 / T + j wd) z + u.
    """
    decay_s, damped = ring.decay_at(tone.f0_hz), 2 * np.pi * ring.rate_at(tone.f0_hz)
    pole = -1.0 / decay_s + 1j * damped
    step = np.exp(pole * tone.grid_s)
    # u is held over a step
    fed = (step - 1.0) / pole * drive
    out, z = [], 0j
    for turned, added in zip(step.tolist(), fed.tolist(), strict=True):
        z = z * turned + added
        out.append(z.imag)
    return np.asarray(np.array(out) * (damped**2 + decay_s**-2) / damped)


def unsettled_after(tone: BoardTone, ring: LoopRing, begins_s: Sequence[float], time_s: Floats) -> Flags:
    """Places so soon after a tone has come back that the loop still rings."""
    decays = np.cumsum(tone.grid_s / ring.decay_at(tone.f0_hz))
    at, out = np.interp(time_s, tone.time_s, decays), np.zeros(len(time_s), dtype=bool)
    for begin in begins_s:
        since = at - float(np.interp(begin, tone.time_s, decays))
        out |= (time_s >= begin) & (since < _SETTLED_DECAYS)
    return out
