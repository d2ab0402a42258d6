"""Feedback networks of sine oscillators: transfer function, and loop gain from a growth or decay rate.

A loop sings at the complex frequency p where amplifier times network is 1. Growth and pitch fix the angle of p; the
network's time constant is the one at which that product is real, and the gain follows.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass

from listen.bench import BuildSettings

_STEPS = 400
"""Trial time constants over `_OCTAVES` each way; the crossing is then halved to double precision."""
_OCTAVES = 2.5
_HALVINGS = 60
GUESSED_POLE_HZ = (0.6e6, 10e6)
"""Gain-bandwidth of amplifiers in use where it is not stated (common practice, no source): what an unstated pole may
move is the uncertainty of the gain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A network and the gain that it needs.

    Attributes
    ----------
    name : str
    transfer : callable
        Complex transfer at x = p R C.
    inverting : bool
        The amplifier turns the tone over.
    """

    name: str
    transfer: Callable[[complex], complex]
    inverting: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WienArms:
    """Both arms of a Wien bridge, R1 and C1 in series.

    Attributes
    ----------
    r1_over_r2, c2_over_c1 : float

    Notes
    -----
    J. M. Fiore, op-amp text, chapter 17: gain needed 1 + R1/R2 + C2/C1.
    """

    r1_over_r2: float = 1.0
    c2_over_c1: float = 1.0

    @property
    def gain_needed(self) -> float:
        """Gain at which the tone holds its level: 3 of equal arms."""
        return 1.0 + self.r1_over_r2 + self.c2_over_c1

    @property
    def times_ratio(self) -> float:
        """Square root of R1 C2 / (R2 C1): by it more is lost on either side of the pitch."""
        return math.sqrt(self.r1_over_r2 * self.c2_over_c1)

    @property
    def growth_per_excess(self) -> float:
        """Growth a radian over a small excess of the gain: 1.5 of equal arms."""
        return 0.5 * self.gain_needed / self.times_ratio

    def transfer(self, x: complex) -> complex:
        """What is handed back at x = p sqrt(R1 R2 C1 C2)."""
        # over the shunt arm's share, x R2 C1 / sqrt(R1 R2 C1 C2)
        share = 1.0 / self.times_ratio
        return x * share / (1.0 + x * share * self.gain_needed + x * x)


def wien_arms(build: BuildSettings | None) -> WienArms:
    """Return the arms as stated, equal where they are not; of controls the ratio in the middle of their range.

    Examples
    --------
    >>> arms = wien_arms(BuildSettings(parts={"c1_f": (10e-9, 10e-9), "c2_f": (5e-9, 5e-9)}))
    >>> arms.c2_over_c1, arms.gain_needed
    (0.5, 2.5)
    """
    parts = build.parts if build else {}

    def ratio(one: str, other: str) -> float:
        if one not in parts or other not in parts:
            return 1.0
        return math.sqrt(math.prod(parts[one]) / math.prod(parts[other]))

    return WienArms(r1_over_r2=ratio("r1_ohm", "r2_ohm"), c2_over_c1=ratio("c2_f", "c1_f"))


def _buffered_low(x: complex) -> complex:
    return 1.0 / (1.0 + x) ** 3


def _buffered_high(x: complex) -> complex:
    return x**3 / (1.0 + x) ** 3


def _ladder_low(x: complex) -> complex:
    """Three equal unbuffered sections: gain 29 (handbook formula; worked examples in Fundamentals of Electronics 4)."""
    return 1.0 / (1.0 + 6.0 * x + 5.0 * x * x + x**3)


def _ladder_high(x: complex) -> complex:
    return _ladder_low(1.0 / x)


_PHASE_SHIFT = {
    ("buffered", "low-pass"): _buffered_low,
    ("buffered", "high-pass"): _buffered_high,
    ("ladder", "low-pass"): _ladder_low,
    ("ladder", "high-pass"): _ladder_high,
}

PITCH_OF_SECTIONS = {
    ("buffered", "low-pass"): math.sqrt(3.0),
    ("buffered", "high-pass"): 1.0 / math.sqrt(3.0),
    ("ladder", "low-pass"): math.sqrt(6.0),
    ("ladder", "high-pass"): 1.0 / math.sqrt(6.0),
}
"""Pitch over 1 / (2 pi R C) (handbook formulas; worked examples in Fundamentals of Electronics, book 4)."""


def network_of(topology: str | None, build: BuildSettings | None) -> Network | str:
    """Return the network of a build, or the reason why its gain is not known in per cent.

    Parameters
    ----------
    topology : str or None
    build : BuildSettings or None
    """
    if topology is None:
        return "state the topology"
    if topology == "wien-bridge":
        return Network(name=topology, transfer=wien_arms(build).transfer, inverting=False)
    if topology == "phase-shift":
        sections = build.phase_shift_sections if build else None
        order = build.phase_shift_order if build else None
        if sections is None or order is None:
            return (
                "state phase_shift_sections and phase_shift_order: a ladder needs another gain than buffered sections"
            )
        return Network(name=topology, transfer=_PHASE_SHIFT[sections, order], inverting=True)
    if topology == "quadrature":
        return "two integrators grow by their own losses: there is no gain to give in per cent"
    return f"growth tells no gain in per cent of the topology {topology}"


def gain_of_growth(network: Network, rate_per_s: float, f0_hz: float, gain_bandwidth_hz: float | None) -> float | None:
    """Gain over what the network alone needs, less one: the ratio of the gain resistors tells the same.

    Parameters
    ----------
    network : Network
    rate_per_s : float
        Slope of the amplitude's logarithm.
    f0_hz : float
        Pitch while it grows.
    gain_bandwidth_hz : float or None
        Of the amplifier, one pole; None: it has none.

    Returns
    -------
    float or None
        None where no gain gives this growth.

    Notes
    -----
    Exact roots of the loop. For a Wien bridge without a pole: A - 3 = 2 s / sqrt(w^2 + s^2).

    Examples
    --------
    >>> wien = network_of("wien-bridge", None)
    >>> round(3 * (1 + gain_of_growth(wien, 500.0, 1589.559, None)), 4)
    3.1
    """
    pole = 2 * math.pi * gain_bandwidth_hz if gain_bandwidth_hz else None
    grows = _inverse_gain(network, complex(rate_per_s, 2 * math.pi * f0_hz), pole)
    sings = _inverse_gain(network, complex(0.0, 2 * math.pi * f0_hz), None)
    return sings / grows - 1.0 if grows and sings else None


def _inverse_gain(network: Network, p: complex, pole_per_s: float | None) -> float | None:
    """1 / A at which the loop has its root at p, its time constant being whatever that needs."""
    turn = p / abs(p)
    lag = p / pole_per_s if pole_per_s else 0.0

    def needed(log_r: float) -> complex:
        back = network.transfer(2.0**log_r * turn)
        # a non-inverting stage lags by its gain, an inverting one by its gain and one
        return (-back - lag) / (1.0 + lag) if network.inverting else back - lag

    step = 2 * _OCTAVES / _STEPS
    low, before = -_OCTAVES, needed(-_OCTAVES)
    found: list[float] = []
    for i in range(1, _STEPS + 1):
        at = -_OCTAVES + i * step
        now = needed(at)
        if before.imag * now.imag <= 0.0 and abs(cmath.phase(now)) < math.pi / 2:
            found.append(_crossing(needed, low, at))
        low, before = at, now
    # the loop oscillates where the network's transfer is greatest
    return max((g for g in found if g > 0.0), default=None)


def _crossing(needed: Callable[[float], complex], low: float, high: float) -> float:
    sign = needed(low).imag
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if (needed(middle).imag > 0) == (sign > 0):
            low = middle
        else:
            high = middle
    return needed(0.5 * (low + high)).real


def growth_per_excess(network: Network) -> float:
    """Growth, a radian, of a per cent of excess gain, over that per cent: 1.5 for a Wien bridge."""
    small = 1e-4
    found = gain_of_growth(network, small, 1.0 / (2 * math.pi), None)
    return small / found if found else math.nan
