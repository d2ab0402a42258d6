"""Parametric transfer curve of the amplifier: gain, diodes, rails; output against the loop's other node."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.wave import diode_bend
from listen.circuit.loop import BEND_ORDERS, CLIP_ORDERS

Floats = NDArray[np.floating[Any]]

LOG_GAIN, LOG_SHARE, LOG_AT, LOG_WIDTH, LOG_TOP, LOG_BOTTOM, LOG_KNEE = range(7)
SIZE = 7
_TABLE = 257
"""Places of the diodes' characteristic, drawn straight between: 3e-5 of its height."""
_PLACES = np.arange(_TABLE) / (_TABLE - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifierStages:
    """What a curve has beside its gain: diodes, rails; of these one that no wave reaches is not fitted."""

    diodes: bool = False
    rails: bool = False
    top: bool = True
    bottom: bool = True

    @property
    def free(self) -> tuple[int, ...]:
        """Numbers that are fitted."""
        out = [LOG_GAIN]
        out += [LOG_SHARE, LOG_AT, LOG_WIDTH] if self.diodes else []
        if self.rails:
            out += [*([LOG_TOP] if self.top else []), *([LOG_BOTTOM] if self.bottom else []), LOG_KNEE]
        return tuple(out)

    @property
    def orders(self) -> int:
        """Harmonics that tell what the curve is driven with."""
        return CLIP_ORDERS if self.rails else BEND_ORDERS


def output(stages: AmplifierStages, numbers: Floats, v: Floats) -> Floats:
    """Output of the amplifier.

    Parameters
    ----------
    stages : Stages
    numbers : ndarray, shape (7,)
        Logarithm of the slope at zero, of the diodes' share of it, of the input at which they conduct, of their width
        over that; of the two clip levels and the rounding of their knees, all of full scale.
    v : ndarray
        Input, of full scale.

    Returns
    -------
    ndarray
    """
    slope = np.exp(numbers[LOG_GAIN])
    u = v
    if stages.diodes:
        share = min(float(np.exp(numbers[LOG_SHARE])), 0.98)
        at, width = float(np.exp(numbers[LOG_AT])), float(np.exp(numbers[LOG_WIDTH]))
        u = slope * ((1.0 - share) * u + share * diode_voltage(u, at, width))
    else:
        u = slope * u
    if stages.rails:
        width = 2.0 * float(np.exp(numbers[LOG_KNEE]))
        for sign, level in ((1.0, np.exp(numbers[LOG_TOP])), (-1.0, np.exp(numbers[LOG_BOTTOM]))):
            excess = sign * u - level
            # a parabola from straight to flat: a hyperbola would bend half way to the rail, too
            inside = np.clip(excess + width, 0.0, 2.0 * width)
            inside *= inside
            inside *= 0.25 / width
            inside += np.maximum(excess - width, 0.0)
            inside *= sign
            u = u - inside
    return np.asarray(u)


def diode_voltage(v: Floats, at: float, width: float) -> Floats:
    """Voltage across a resistor with two antiparallel diodes, as a function of the current, slope 1 at zero.

    Parameters
    ----------
    v : ndarray
        The current, as the voltage that it would make without diodes.
    at : float
        Voltage at which the diodes carry as much as the resistor.
    width : float
        Voltage by which their current grows e-fold, over `at`.
    """
    most = float(np.max(np.abs(v))) or 1.0
    x = most * _PLACES
    # at z = V / at: z + sinh(z / w) / sinh(1 / w) = x / at; the slope at zero is then set to 1
    z = diode_bend((x / at)[None], np.array([width]))[0]
    scale = 1.0 / -np.expm1(-2.0 / width)
    steepest = 1.0 / (1.0 + 2.0 * np.exp(-1.0 / width) * scale / width)
    voltage = np.interp(np.abs(v), x, z * at / steepest)
    return np.asarray(np.copysign(voltage, v))
