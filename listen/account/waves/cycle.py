"""Harmonics of waves made of straight pieces: rise share, cut tips, reset, rounded corners, a spike.

A wave of straight pieces is known by the places at which its slope changes: a change s at the place t has the series
s e^(-j 2 pi k t) / (j 2 pi k)^2, any handbook's (twice integrated impulses). Filters multiply the series.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_FORM_SHARE, _BOW_SHARE = 0.07, 0.05
_MOST_BEND = 0.13
"""Bows a slope of a whole cycle by 10 %, twice a fault's."""
LEAST_SHARE = 1e-6
"""A slope takes at least this part of the cycle: a jump, a nanosecond at 1 kHz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One cycle of a wave of height 1; times in cycles, from the foot of the wave (a pulse's: its rising edge).

    Attributes
    ----------
    pulse : bool
        Two levels; else two slopes, a triangle or a sawtooth.
    share : float
        Part of the cycle that the wave rises, or that the pulse is high.
    cut_top, cut_bottom : float
        Part of the height by which a tip is cut off.
    bend : float
        2 pi times this is the exponential rate, a cycle, at which the pieces turn toward the mean: a high-pass or a
        leak of corner ``bend`` times the pitch.
    corner : float
        Time constant of a first-order low-pass.
    spike_area, spike_at : float
        Area of a spike in cycles times the height, and its place.
    spike_width, spike_tail : float
        Standard deviation of one that is bell-shaped, time constant of one that jumps and decays; in cycles.
    """

    pulse: bool = False
    share: float = 0.5
    cut_top: float = 0.0
    cut_bottom: float = 0.0
    bend: float = 0.0
    corner: float = 0.0
    spike_area: float = 0.0
    spike_at: float = 0.0
    spike_width: float = 0.0
    spike_tail: float = 0.0


def changed(cycle: Cycle, values: Mapping[str, float]) -> Cycle:
    """Return a cycle with other values."""
    return replace(cycle, **values)  # type: ignore[arg-type]


def lines_of(cycle: Cycle, k: Floats) -> Complexes:
    """Return peak amplitudes and cosine phases of the harmonics k of a cycle.

    Parameters
    ----------
    cycle : Cycle
    k : ndarray, shape (m,)

    Returns
    -------
    ndarray of complex, shape (m,)
        Of cos(2 pi k t): a line A stands for Re(A e^(j 2 pi k t)).
    """
    turn = 2j * np.pi * k
    if cycle.pulse:
        lines = (1.0 - np.exp(-turn * cycle.share)) / turn
    else:
        lines = sum(change * np.exp(-turn * at) for at, change in _slope_changes(cycle)) / turn**2
    lines = 2.0 * lines * _filters(cycle, k)
    if cycle.spike_area:
        lines = lines + 2.0 * cycle.spike_area * np.exp(-turn * cycle.spike_at) * _form(cycle, k)
    return np.asarray(lines)


def _form(cycle: Cycle, k: Floats) -> Complexes:
    """Harmonics of the spike over those of one of no length."""
    bell = np.exp(-0.5 * (2 * np.pi * k * cycle.spike_width) ** 2)
    return np.asarray(bell / (1.0 + 2j * np.pi * k * cycle.spike_tail))


def form_error(cycle: Cycle, k: Floats) -> Floats:
    """By how much the spike's harmonics may err, for nobody states its form: nothing where they tell its area alone.

    A bell and a triangle of one area and one spread differ by 7 % of a spike of no length at the most (computed), where
    they have lost most of it.
    """
    return np.asarray(2.0 * _FORM_SHARE * abs(cycle.spike_area) * np.abs(1.0 - _form(cycle, k)))


def _slope_changes(cycle: Cycle) -> list[tuple[float, float]]:
    rise = min(max(cycle.share, LEAST_SHARE), 1.0 - LEAST_SHARE)
    fall = 1.0 - rise
    up, down = 1.0 / rise, -1.0 / fall
    return [
        (cycle.cut_bottom * rise, up),
        (rise - cycle.cut_top * rise, -up),
        (rise + cycle.cut_top * fall, down),
        (1.0 - cycle.cut_bottom * fall, -down),
    ]


def _filters(cycle: Cycle, k: Floats) -> Complexes:
    return np.asarray(1.0 / (1.0 - 1j * cycle.bend / k) / (1.0 + 2j * np.pi * cycle.corner * k))


def bow_error(cycle: Cycle, k: Floats) -> Floats:
    """By how much the harmonics of bent slopes may err, over the fundamental.

    A leak bows a slope in proportion to its length, a weak current source both slopes alike: with slopes of 49 and 51 %
    of the cycle their bows differ by 4 %, and every other source has a law of its own. A bow beyond any board's stands
    for another part, and its form is nobody's.
    """
    return np.asarray(_BOW_SHARE * min(abs(cycle.bend), _MOST_BEND) / k**2)


def parabola_error(cycle: Cycle, k: Floats, bend: float) -> Complexes:
    """By how much harmonics of a triangle differ where so much of its bend is no leak's but a parabola of one height.

    The parabola's from its slopes' changes and the rates at which they change between.
    """
    up, down, turn = cycle.share, 1.0 - cycle.share, 2j * np.pi * k
    height = bow_of(bend * max(up, down))
    there = np.exp(-turn * up)
    changes = (1.0 + 4 * height) / up + (1.0 - 4 * height) / down
    changes = changes - there * ((1.0 + 4 * height) / down + (1.0 - 4 * height) / up)
    bending = (1.0 - there) * (-8 * height / up**2) + (there - 1.0) * (8 * height / down**2)
    parabola = 2.0 * (changes + bending / turn) / turn**2 / (1.0 + turn * cycle.corner)
    return np.asarray(parabola - lines_of(Cycle(share=cycle.share, bend=bend, corner=cycle.corner), k))


def draw(lines: NDArray[np.complexfloating[Any, Any]], points: int) -> Floats:
    """Return one cycle drawn from harmonics 1 .. K, tapered against ringing (Lanczos).

    C. Lanczos, Applied Analysis, 1956, sect. IV (from memory).
    """
    count = min(len(lines), points // 2 - 1)
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[1 : count + 1] = lines[:count] * np.sinc(np.arange(1, count + 1) / (count + 1.0))
    return np.asarray(np.fft.irfft(spectrum * points / 2, points))


def bow_of(bend: float) -> float:
    """Return how far a slope of half or a whole cycle bends off its chord, over the wave's height; signed.

    Parameters
    ----------
    bend : float
        As in ``Cycle``; the slope is taken for a whole cycle long, as a sawtooth's is.
    """
    rate = 2 * np.pi * bend
    if abs(rate) < 1e-6:
        return rate / 8.0
    # y = (1 - e^(-r u)) / (1 - e^(-r)) is furthest from u where its slope is 1
    whole = -np.expm1(-rate)
    u = np.log(rate / whole) / rate
    return float(-np.expm1(-rate * u) / whole - u)
