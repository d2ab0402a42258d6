"""The amplifier's input node derived from the output: in a Wien bridge V_k = Y_k / (A0 (1 + j (k - 1/k) / 3))."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.bench import BuildSettings
from listen.circuit.network import PITCH_OF_SECTIONS, WienArms, growth_per_excess, network_of, wien_arms

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

ORDERS = 10
"""That a recording is read for."""
BEND_ORDERS, CLIP_ORDERS = 40, 120
"""That a curve is driven with: one that bends, and one with rails, whose corners make harmonics that fall as 1 / k^2,
and a slow amplifier's node has their slope in it. With 40 a bridge of 2 kHz at a gain-bandwidth of 0.66 MHz was read
with half its lag and a spread of gangs 7 % too wide; from 120 to 160 that moves by half a per cent."""
POINTS = 512
"""A cycle, for harmonics up to `BEND_ORDERS`; twice as many for more."""
_LEAST_MISMATCH = -0.9
"""A step of a fit may pass what resistors can do: an arm of less than nothing."""
_PITCH_ROUNDS, _PITCH_STEP, _FURTHEST = 4, 1e-6, 1.5
"""Newton's steps for a pitch that is pulled by a tenth at the most; a limiter that pulls it by half has a wave far from
a sine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopNetwork:
    """What lies between the amplifier's output and its input.

    Attributes
    ----------
    transfer : callable
        At j k of its own pitch, over that at its own pitch, the amplifier's sign in it; and how far its two halves are
        apart, a share of one: R1/R2 of a Wien bridge over what is stated, less one.
    gain_needed : float
    inverting : bool
        The amplifier turns the tone over: its pole belongs to a gain greater by one.
    passes_dc : bool
        The mean of the output, which a recording does not hold, comes back too.
    growth : float
        Growth a radian over the excess gain: 1.5 of a Wien bridge.
    series_part : float
        Part of the gain needed that goes with the first half: R1/R2 over it, a third in a Wien bridge of equal arms; 0
        where the network has no halves.
    """

    transfer: Callable[[Complexes, Floats], Complexes]
    gain_needed: float
    inverting: bool = False
    passes_dc: bool = False
    growth: float = 1.5
    series_part: float = 0.0

    @property
    def noise_gain(self) -> float:
        """Gain that the amplifier's bandwidth is divided by."""
        return self.gain_needed + (1.0 if self.inverting else 0.0)


def _wien(arms: WienArms) -> LoopNetwork:
    """A bridge whose series arm is R1 (1 + d): of equal arms sqrt(1 + d) / (3 + d) in the place of a third."""

    def transfer(s: Complexes, apart: Floats) -> Complexes:
        part = arms.times_ratio * np.sqrt(1.0 + apart) / (arms.gain_needed + arms.r1_over_r2 * apart)
        return np.asarray(1.0 / (1.0 + (s + 1.0 / s) * part))

    return LoopNetwork(
        transfer=transfer,
        gain_needed=arms.gain_needed,
        growth=arms.growth_per_excess,
        series_part=arms.r1_over_r2 / arms.gain_needed,
    )


WIEN = _wien(WienArms())


def loop_network(topology: str, build: BuildSettings | None) -> LoopNetwork | str:
    """Return the network of a loop whose limiter's curve can be read, or why there is none.

    Parameters
    ----------
    topology : str
    build : BuildSettings or None
        Says how the sections of a phase shift are made, and whether a bridge's arms are unequal.

    Notes
    -----
    Gains and pitches of three sections: handbook formulas, 8 with buffers and 29 without; the pitch over 1 / (2 pi R C)
    is the square root of 3 or 6, or one over it.
    """
    if topology == "wien-bridge":
        return _wien(wien_arms(build))
    if topology == "quadrature":
        return "of two integrators the limiter acts beside one of them: its curve has no gain in hand in per cent"
    if topology != "phase-shift":
        return f"what the loop hands back is not known for the topology {topology}"
    network = network_of(topology, build)
    if isinstance(network, str) or build is None:
        return str(network)
    if build.phase_shift_order == "high-pass":
        # the node's harmonics are up to the needed gain times the output's, and fall no quicker than these
        return "high-pass sections hand the harmonics back amplified: ten of them do not show the limiter's curve"
    own = PITCH_OF_SECTIONS[build.phase_shift_sections or "", build.phase_shift_order or ""]
    transfer = network.transfer
    at_own: complex = transfer(1j * own)
    return LoopNetwork(
        transfer=lambda s, _: np.asarray(transfer(s * own) / at_own),  # type: ignore[arg-type]
        gain_needed=1.0 / abs(at_own),
        inverting=True,
        passes_dc=True,
        growth=growth_per_excess(network),
    )


def feedback_lines(
    lines: Complexes,
    f0_hz: Floats,
    lag_s: float,
    network: LoopNetwork = WIEN,
    apart: Floats | None = None,
    behind_s: float = 0.0,
) -> tuple[Complexes, Complexes, Floats]:
    """Harmonics at both ends of a memoryless curve, the amplifier's bandwidth before it and the output's pole behind.

    Parameters
    ----------
    lines : ndarray of complex, shape (n, m)
        H1 .. Hm of the output; H1 real.
    f0_hz : ndarray, shape (n,)
    lag_s : float
        Time constant of the amplifier with its feedback: A / (2 pi gain-bandwidth).
    network : LoopNetwork
    apart : ndarray, shape (n,), optional
        Mismatch of the network's two halves.
    behind_s : float
        Time constant behind the curve: the output's own resistance and what it is loaded with.

    Returns
    -------
    node : ndarray of complex, shape (n, m)
        What the network hands back, less the difference that moves the output, times the gain that the loop needs: its
        fundamental is nearly the output's own.
    curve_lines : ndarray of complex, shape (n, m)
        What the curve itself puts out, before the pole behind it.
    pitch : ndarray, shape (n,)
        Pitch over the network's own: limiters and the pole pull it.

    Notes
    -----
    An operational amplifier integrates the difference between its inputs, y' = 2 pi GBW (v - g(y)), and the feedback's
    g has no memory, diodes in it or not: what has none is the output against v - y' / (2 pi GBW). A pole behind the
    curve would delay what the limiter makes as much at the crests, where the gain is less, as at zero.

    A curve without memory encloses no area: the sum of k Im(Y_k conj(V_k)) is zero, which gives the pitch against the
    network's own.
    """
    k = np.arange(1, lines.shape[1] + 1)
    halves = np.zeros((len(lines), 1)) if apart is None else apart[:, None]
    jw = 2j * np.pi * f0_hz[:, None] * k
    curve_lines: Complexes = np.asarray(lines * (1.0 + behind_s * jw))
    moving = curve_lines * lag_s * jw

    def node(x: Floats) -> Complexes:
        return np.asarray(lines * network.transfer(np.asarray(1j * k * x[:, None], dtype=complex), halves) - moving)

    def area(x: Floats) -> Floats:
        return np.asarray(np.sum(k * np.imag(curve_lines * np.conj(node(x))), axis=1))

    x = np.ones(len(lines))
    for _ in range(_PITCH_ROUNDS):
        off = area(x)
        slope = (area(x + _PITCH_STEP) - off) / _PITCH_STEP
        x = np.clip(x - off / np.where(slope == 0.0, 1.0, slope), 1.0 / _FURTHEST, _FURTHEST)
    return node(x), curve_lines, x


def mismatch(log_need: Floats, gangs: float, network: LoopNetwork = WIEN) -> Floats:
    """Mismatch of a network's halves that needs a gain: of equal arms, a series arm of R (1 + d) needs 3 + d."""
    if not network.series_part:
        return np.full(len(log_need), gangs)
    return np.maximum(np.expm1(log_need) / network.series_part + gangs, _LEAST_MISMATCH)


def uncoupled(lines: Complexes, f0_hz: Floats, corner_hz: float) -> Complexes:
    """Harmonics before the recorder's high-pass, the fundamental's phase zero again; shape (n, m)."""
    k = np.arange(1, lines.shape[1] + 1)
    passed = 1.0 / (1.0 - 1j * corner_hz / (k * f0_hz[:, None]))
    turn = passed[:, :1] / np.abs(passed[:, :1])
    return np.asarray(lines / passed * turn**k)


def cycles(lines: Complexes) -> Floats:
    """One cycle from its harmonics, the mean zero: shape (n, 512), or (n, 1024) of more than 40 of them."""
    points = POINTS if lines.shape[1] <= BEND_ORDERS else 2 * POINTS
    padded = np.zeros((len(lines), points // 2 + 1), dtype=complex)
    padded[:, 1 : lines.shape[1] + 1] = lines * (points / 2)
    return np.fft.irfft(padded, points, axis=1)


def harmonics(wave: Floats, orders: int = ORDERS) -> Complexes:
    """H1 .. H10 of cycles, or more; shape (n, orders)."""
    return np.asarray(np.fft.rfft(wave, axis=1)[:, 1 : orders + 1] * (2.0 / wave.shape[1]))
