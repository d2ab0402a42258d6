"""Models of what makes a recorded sine's harmonics, and the harmonics that each makes.

A part is named by a letter: e, o an even and an odd curve, the same for the whole take; E, O such that change along the
pitch; B the bend of diodes; D a dead band, d one that changes along the pitch; P, N the knee of the positive and the
negative half, T both at one level; S a limited slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.wave import ORDERS, Switches, Values
from listen.native import kernels

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

Mode = Literal["fs", "share", "along"]
"""How a level behaves: fixed in volts; a share of the amplitude; free along the pitch."""


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
        Within the loop of a Wien bridge: the amplifier's input is the measured output, filtered by the network; with a
        second stage it is what the loop ends with, which is worked out.
    second_stage : bool
        Curves and dead band belong to a stage behind the one of bend and knees, within a loop behind the loop; else
        the curves come first.
    """

    parts: str = ""
    knee: Mode = "share"
    slope: Literal["fs", "hz"] = "fs"
    inside: bool = False
    second_stage: bool = False

    def has(self, letter: str) -> bool:
        """Whether a part is among them."""
        return letter in self.parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Harmonics:
    """What comes out.

    Attributes
    ----------
    lines : ndarray of complex, shape (n, 9)
        H2 .. H10 over H1 of the recorded wave, phases psi_k.
    gain : ndarray, shape (n,)
        Of the fundamental.
    amplitude : ndarray, shape (n,)
        Of the stage's own sine, where it was sought.
    """

    lines: Complexes
    gain: Floats
    amplitude: Floats


def harmonics(values: Values, measured: Complexes) -> Harmonics:
    """Harmonics of the recorded wave.

    Parameters
    ----------
    values : Values
    measured : ndarray of complex, shape (n, 9)
        H2 .. H10 over H1 of the output, as measured: within a loop of one stage the network feeds them back. Of more
        values than n they are taken again and again.
    """
    out = staged(values.table(), np.ascontiguousarray(measured).view(float), values.flags)
    lines = np.ascontiguousarray(out[:, : 2 * ORDERS - 2]).view(complex)
    return Harmonics(lines=lines, gain=out[:, -2], amplitude=out[:, -1])


def staged(table: Floats, measured: Floats, flags: Switches) -> Floats:
    """Harmonics as the kernel gives them: shape (n, 20), see `listen.native.kernels.staged_lines`."""
    out = np.empty((len(table), 2 * ORDERS))
    kernels.staged_lines(table, measured, *flags, out)
    return out
