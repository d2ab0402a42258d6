"""The shape of a sine's wave over the whole take: gathered, fitted, measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins, gather
from listen.account.curve.choose import Choice, choose
from listen.account.curve.measure import Sizes, sizes_of
from listen.account.waves import other_wave
from listen.bench import RecorderSettings
from listen.track import Frames

Flags = NDArray[np.bool_]
Floats = NDArray[np.floating[Any]]

FEWEST_CYCLES = 3.5
"""Frames are whole cycles, four or more but at the ends of a tone: half orders lie two bins off the harmonics, in the
nulls of the window. In three cycles they lie in its lobe, 15 dB down (Hann), and leave some of the tone between its
harmonics."""
_CLEAN_DBC = -14.0
"""A row that leaves a fifth of the fundamental is disturbed, or just at the end of what may be an oscillator's (-13
dBc)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """What bends the wave.

    Attributes
    ----------
    bins : Bins
    rows : ndarray of bool
        Rows that were read.
    choice : Choice or None
    sizes : Sizes or None
        None where it is no sine: nothing is fitted.
    """

    bins: Bins
    rows: Flags
    choice: Choice | None = None
    sizes: Sizes | None = None

    @property
    def inside(self) -> bool:
        """Whether the parts lie within the loop."""
        return self.choice is not None and self.choice.best.stages.inside


def find_shape(
    frames: Frames,
    rows: Flags,
    *,
    wien: bool,
    wave: str,
    recorder: RecorderSettings | None = None,
    buzz: tuple[float, float] | None = None,
) -> Shape | None:
    """Fit what bends the wave; None where too few rows show a shape.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool
        Rows that are the board's own, at rest in level.
    wien : bool
        The loop is stated to be a Wien bridge.
    wave : str
        The wave that is meant: where it is no sine, or the take is plainly another wave, the harmonics are gathered
        alone.
    recorder : RecorderSettings or None
        Whose own harmonics are known.
    buzz : tuple of (mains_hz, amplitude_fs), optional
        Lines at all multiples of the mains.
    """
    with np.errstate(invalid="ignore"):
        use = rows & (frames.residual_dbc < _CLEAN_DBC) & (frames.frame_s * frames.f0_hz > FEWEST_CYCLES)
    bins = gather(frames, use, recorder, buzz)
    if bins is None:
        return None
    if wave != "sine" or other_wave(bins, wave) is not None:
        return Shape(bins=bins, rows=use)
    choice = choose(bins, wien=wien)
    return Shape(bins=bins, rows=use, choice=choice, sizes=sizes_of(choice))
