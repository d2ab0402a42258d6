"""What a chain of stages makes of a sine: curve, bend, dead band, knees, limited slope, the recorder's high-pass.

A part is named by a letter: e, o an even and an odd curve, the same for the whole take; E, O such that change along the
pitch; B the bend of diodes; D a dead band; P, N the knee of the positive and the negative half, T both at one level;
S a limited slope.
"""

from __future__ import annotations

from dataclasses import dataclass
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
_TURNS = 4
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

    Attributes
    ----------
    knee : ndarray, shape (n,)
        Width of the knees' rounding over the amplitude.
    corner_hz : ndarray, shape (n,)
        Of the recorder's high-pass.
    even, odd : ndarray of complex, shape (n,)
        Curve: what is added at 2 and at 3 times the phase.
    bend, bend_at : ndarray, shape (n,)
        Diode bend: size, and the level at which it bends, over the amplitude.
    dead : ndarray, shape (n,)
        Dead band, half its width over the amplitude.
    top, bottom : ndarray, shape (n,)
        Clip levels over the amplitude.
    steep : ndarray, shape (n,)
        Slope of the stage's own sine over the limit; 0: no limit.
    """

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


def waves(values: Values, spectrum: Complexes, points: int) -> tuple[Floats, Floats]:
    """Input and output of the stages over one cycle, before slope and high-pass: shape (n, points)."""
    padded = np.zeros((len(spectrum), points // 2 + 1), dtype=complex)
    padded[:, : ORDERS + 1] = spectrum * (points / 2)
    given = np.fft.irfft(padded, points, axis=1)
    u = given
    if values.even.any() or values.odd.any():
        phase = 2 * np.pi * np.arange(points) / points
        turn2, turn3 = np.exp(2j * phase), np.exp(3j * phase)
        u = u + np.real(values.even[:, None] * turn2) + np.real(values.odd[:, None] * turn3)
    if values.bend.any():
        q = values.bend_at[:, None]
        u = u + values.bend[:, None] * np.arcsinh(u / q) / np.arcsinh(1.0 / q)
    if values.dead.any():
        d = values.dead[:, None]
        r2 = _DEAD_ROUNDING**2
        u = u - 0.5 * (np.sqrt((u + d) ** 2 + r2) - np.sqrt((u - d) ** 2 + r2))
    s2 = (values.knee**2)[:, None]
    above, below = np.zeros(1), np.zeros(1)
    if (values.top < NO_KNEE).any():
        over = u - values.top[:, None]
        above = 0.5 * (over + np.sqrt(over**2 + s2))
    if (values.bottom < NO_KNEE).any():
        under = -u - values.bottom[:, None]
        below = 0.5 * (under + np.sqrt(under**2 + s2))
    u = u - above + below
    return given, np.asarray(u)


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
    steep = values.steep > 1.0
    points = _SLEW_POINTS if steep.any() else _POINTS
    _, u = waves(values, spectrum, points)
    if steep.any():
        u = slew(u, np.where(steep, values.steep, 0.0))
    lines = np.fft.rfft(u, axis=1)[:, 1 : ORDERS + 1] * (2.0 / points)
    gain = np.abs(lines[:, 0])
    k = np.arange(1, ORDERS + 1)
    if values.corner_hz.any():
        lines = lines / (1.0 - 1j * (values.corner_hz / f0_hz)[:, None] / k)
    first = lines[:, 0]
    size = np.abs(first)
    turn = (first / size).conj()
    relative = lines[:, 1:] / size[:, None] * turn[:, None] ** k[1:]
    return np.asarray(relative), gain


def clip_gain(top: Floats, bottom: Floats, knee: Floats) -> Floats:
    """Fundamental of a clipped unit sine: the describing function of two knees."""
    phase = 2 * np.pi * (np.arange(64) + 0.5) / 64
    u = np.broadcast_to(np.cos(phase), (len(top), 64))
    s2 = (knee**2)[:, None]
    over, under = u - top[:, None], -u - bottom[:, None]
    u = u - 0.5 * (over + np.sqrt(over**2 + s2)) + 0.5 * (under + np.sqrt(under**2 + s2))
    return np.asarray(u @ np.cos(phase) / 32.0)


def levels_at_volts(top_fs: Floats, bottom_fs: Floats, knee: Floats, amplitude_fs: Floats) -> tuple[Floats, Floats]:
    """Clip levels over the stage's own amplitude, from levels in full scale and the fundamental that comes out."""
    own = amplitude_fs.copy()
    top, bottom = top_fs / own, bottom_fs / own
    for _ in range(_TURNS):
        gain = clip_gain(np.minimum(top, NO_KNEE), np.minimum(bottom, NO_KNEE), knee)
        own = amplitude_fs / np.maximum(gain, 0.1)
        top, bottom = top_fs / own, bottom_fs / own
    return top, bottom
