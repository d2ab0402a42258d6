"""What a chain of stages makes of a sine: curve, bend, dead band, knees, limited slope, the recorder's high-pass.

A part is named by a letter: e, o an even and an odd curve, the same for the whole take; E, O such that change along the
pitch; B the bend of diodes; D a dead band; P, N the knee of the positive and the negative half, T both at one level;
S a limited slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import ORDERS, Bins

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

Mode = Literal["fs", "share", "along"]
"""How a level behaves: fixed in volts; a share of the amplitude; free along the pitch."""

_POINTS = 256
_SLEW_POINTS = 512
_DEAD_ROUNDING = 0.004
"""A dead band's corners are rounded by this part of the amplitude: finer is not in ten harmonics."""
_DIODE_SLOPE = 0.09
"""Thermal voltage times the ideality of a silicon diode, 45 mV, over the half volt at which it takes over a resistor."""
_SOLVE_POINTS = 128
_TURNS = 3
"""Secants: the fundamental is then right to 1e-5."""
_FURTHEST, _LEAST_RISE = 1.2, 0.05
"""Logarithm of the largest amplitude sought, and the least growth: a square or a full triangle grows no more."""
_SLOW = 0.6
"""Slope over the limit from which the follower is worked out: knees and curves make a wave steeper than its sine."""
NO_KNEE = 4.0
"""A knee at so many times the amplitude does nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stages:
    """Which parts a model has, and how they behave.

    Attributes
    ----------
    parts : str
        Letters in alphabetical order.
    knee : {'fs', 'share', 'along'}
        Behaviour of the clip levels.
    slope : {'fs', 'hz'}
        Limited slope: one in full scale per second, or one onset in hertz.
    inside : bool
        Within the loop of a Wien bridge: the amplifier's input is the measured output, filtered by the network.
    """

    parts: str = ""
    knee: Mode = "share"
    slope: Literal["fs", "hz"] = "fs"
    inside: bool = False

    def has(self, letter: str) -> bool:
        """Whether a part is among them."""
        return letter in self.parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Values:
    """Values of all parameters, in each of n bins.

    Levels are over the fundamental that comes out, or over the stage's own sine; so is the slope.

    Attributes
    ----------
    solved : bool
        The stage's own amplitude is sought: the one with which the fundamental that comes out is 1. Else it is 1.
    own_levels, own_slope : bool
        Clip levels, and the limited slope, go with the stage's own amplitude.
    knee : ndarray, shape (n,)
        Width of the knees' rounding.
    corner_hz : ndarray, shape (n,)
        Of the recorder's high-pass.
    even, odd : ndarray of complex, shape (n,)
        Curve: what is added at 2 and at 3 times the phase, over the stage's own amplitude.
    bend, bend_at : ndarray, shape (n,)
        Diode bend: what the diodes hold, and the level from which they do.
    dead : ndarray, shape (n,)
        Dead band, half its width over the stage's own amplitude.
    top, bottom : ndarray, shape (n,)
        Clip levels.
    steep : ndarray, shape (n,)
        Slope of the sine over the limit; 0: no limit.
    """

    solved: bool
    own_levels: bool
    own_slope: bool
    knee: Floats
    corner_hz: Floats
    even: Complexes
    odd: Complexes
    bend: Floats
    bend_at: Floats
    dead: Floats
    top: Floats
    bottom: Floats
    steep: Floats


def base_input(bins: Bins, inside: bool) -> Complexes:
    """Harmonics 0 .. 10 of the curve's input, the fundamental 1: a sine, or what a Wien network hands back."""
    return handed_back(bins.r if inside else np.zeros_like(bins.r))


def handed_back(r: Complexes) -> Complexes:
    """Harmonics 0 .. 10 of a Wien network's output, over its fundamental: its input has H2 .. H10 ``r``."""
    spectrum = np.zeros((len(r), ORDERS + 1), dtype=complex)
    spectrum[:, 1] = 1.0
    k = np.arange(2, ORDERS + 1)
    spectrum[:, 2:] = r / (1.0 + 1j * (k - 1.0 / k) / 3.0)
    return spectrum


def waves(values: Values, spectrum: Complexes, points: int, amplitude: Floats | None = None) -> Floats:
    """Output of the stages over one cycle, before the recorder's high-pass: shape (n, points).

    Parameters
    ----------
    values : Values
    spectrum : ndarray of complex, shape (n, 11)
        Harmonics 0 .. 10 of the input, the fundamental 1.
    points : int
    amplitude : ndarray, shape (n,), optional
        Of the input; sought where ``values.solved`` says so, if not given.
    """
    given = _cycle(spectrum, points)
    if amplitude is None:
        amplitude = own_amplitude(values, spectrum)
    return _stages(values, given, amplitude)


def _cycle(spectrum: Complexes, points: int) -> Floats:
    padded = np.zeros((len(spectrum), points // 2 + 1), dtype=complex)
    padded[:, : ORDERS + 1] = spectrum * (points / 2)
    return np.fft.irfft(padded, points, axis=1)


def _stages(values: Values, given: Floats, amplitude: Floats) -> Floats:
    points = given.shape[1]
    a = amplitude[:, None]
    u = given
    if values.even.any() or values.odd.any():
        phase = 2 * np.pi * np.arange(points) / points
        turn2, turn3 = np.exp(2j * phase), np.exp(3j * phase)
        u = u + np.real(values.even[:, None] * turn2) + np.real(values.odd[:, None] * turn3)
    u = a * u
    if values.bend.any():
        u = u + values.bend[:, None] * diode_bend(u / values.bend_at[:, None])
    if values.dead.any():
        d, r2 = a * values.dead[:, None], (a * _DEAD_ROUNDING) ** 2
        u = u - 0.5 * (np.sqrt((u + d) ** 2 + r2) - np.sqrt((u - d) ** 2 + r2))
    scale = amplitude if values.own_levels else np.ones(len(amplitude))
    s2 = ((scale * values.knee) ** 2)[:, None]
    above, below = np.zeros(1), np.zeros(1)
    if (values.top < NO_KNEE).any():
        over = u - (scale * values.top)[:, None]
        above = 0.5 * (over + np.sqrt(over**2 + s2))
    if (values.bottom < NO_KNEE).any():
        under = -u - (scale * values.bottom)[:, None]
        below = 0.5 * (under + np.sqrt(under**2 + s2))
    u = np.asarray(u - above + below)
    if (values.steep > _SLOW).any():
        u = slew(u, values.steep / amplitude if values.own_slope else values.steep)
    return u


def own_amplitude(values: Values, spectrum: Complexes) -> Floats:
    """Amplitude of the input with which the fundamental that comes out is 1; ones where it is not sought."""
    n = len(spectrum)
    old = np.zeros(n)
    if not values.solved:
        return np.ones(n)
    given = _cycle(spectrum, _SOLVE_POINTS)
    turn = np.exp(-2j * np.pi * np.arange(_SOLVE_POINTS) / _SOLVE_POINTS) * (2.0 / _SOLVE_POINTS)

    def over(log_amplitude: Floats) -> Floats:
        return np.asarray(np.log(np.maximum(np.abs(_stages(values, given, np.exp(log_amplitude)) @ turn), 1e-3)))

    off = over(old)
    new = np.clip(-off, -_FURTHEST, _FURTHEST)
    for _ in range(_TURNS):
        next_off = over(new)
        rise = (next_off - off) / np.where(new == old, 1.0, new - old)
        rise = np.where(new == old, 1.0, np.clip(rise, _LEAST_RISE, 4.0))
        old, off = new, next_off
        new = np.clip(old - off / rise, -_FURTHEST, _FURTHEST)
    return np.exp(new)


def diode_bend(x: Floats) -> Floats:
    """Voltage across a resistor with a diode each way beside it, against the current through both.

    Both over what they are where the diodes take over, which is where they carry as much as the resistor.
    """
    currents, volts = _diodes()
    return np.asarray(np.copysign(np.interp(np.abs(x), currents, volts), x))


@lru_cache(maxsize=1)
def _diodes() -> tuple[Floats, Floats]:
    volts = np.linspace(0.0, 1.0 + 8.0 * _DIODE_SLOPE, 4096)
    return volts + np.sinh(volts / _DIODE_SLOPE) / np.sinh(1.0 / _DIODE_SLOPE), volts


def slew(u: Floats, steep: Floats) -> Floats:
    """Follow a wave by a slope of at most 1 / steep of a unit sine's own: shape (n, points).

    Rising limited first, then falling: exact while the follower meets the wave again in each half (an inf-convolution
    with a ramp, then a sup-convolution); two cycles, the second is periodic.
    """
    points = u.shape[1]
    limit = np.where(steep > 0, 1.0 / np.maximum(steep, 1e-9), 1e9)[:, None]
    ramp = limit * (2 * np.pi / points) * np.arange(3 * points)
    three = np.concatenate([u, u, u], axis=1)
    rising = np.minimum.accumulate(three - ramp, axis=1) + ramp
    both = np.maximum.accumulate(rising + ramp, axis=1) - ramp
    return np.asarray(both[:, 2 * points :])


def harmonics(values: Values, spectrum: Complexes, f0_hz: Floats) -> tuple[Complexes, Floats]:
    """H2 .. H10 over H1 (phases psi_k) of the recorded wave, and the gain of the fundamental."""
    amplitude = own_amplitude(values, spectrum)
    u = waves(values, spectrum, _SLEW_POINTS if (values.steep > _SLOW).any() else _POINTS, amplitude)
    lines = np.fft.rfft(u, axis=1)[:, 1 : ORDERS + 1] * (2.0 / u.shape[1])
    gain = np.abs(lines[:, 0]) / amplitude
    k = np.arange(1, ORDERS + 1)
    if values.corner_hz.any():
        lines = lines / (1.0 - 1j * (values.corner_hz / f0_hz)[:, None] / k)
    first = lines[:, 0]
    size = np.maximum(np.abs(first), 1e-9)
    turn = (first / size).conj()
    relative = lines[:, 1:] / size[:, None] * turn[:, None] ** k[1:]
    return np.asarray(relative), gain
