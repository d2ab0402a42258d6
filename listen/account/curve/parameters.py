"""The unknowns of a model: meaning, starting value and prior."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.account.curve.model import Stages
from listen.account.curve.states import PASS_OCTAVES
from listen.account.curve.wave import (
    BEND,
    BEND_AT,
    BEND_WIDTH,
    BOTTOM,
    COLUMNS,
    CORNER,
    DEAD,
    EVEN,
    KNEE,
    LAG,
    LEAN,
    NO_KNEE,
    ODD,
    ORDERS,
    STEEP,
    TOP,
    Values,
    of_table,
)

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

LEFTOVERS = 2 * (ORDERS - 1)
"""Real and imaginary parts of H2 to H10."""
LEFTOVER_SIGMA = np.array([0.0022, 0.0022, 0.0007, 0.0007, 0.0003, 0.0003, 0.0002, 0.0002, 0.0002])
"""A healthy build's own harmonics, the same at all pitches: what keeps them from being taken for a fault's.

Guesses that fall as a gentle curve's do, fitted to nothing: a constant H2 of 0.5 % may be either's, and under 1 %
nothing is reported.
"""
KNEE_WIDTH, _KNEE_SIGMA = 0.012, 1.0
"""Rounding of a knee over the amplitude before it is measured: some tens of millivolts of several volts, as amplifiers
reach their rails (common practice, no source); and its logarithm's deviation, a factor of e, so that it hardly
binds."""
KNEE_BOUNDS = (0.001, 0.4)
"""Sharper than 0.001 is not in ten harmonics (0.003 moves them by -87 dBc: computed); wider than 0.4 the whole crest is
round, which is a curve."""
_CORNER_HZ, _CORNER_SIGMA_HZ = 2.0, 2.5
"""AC coupling of an ordinary input, a few hertz (common practice, no source): direct coupling and 4.5 Hz are within a
deviation."""
_LOW_NOTE_HZ = 400.0
"""Above it a coupling of a few hertz turns nothing that could be seen: one of 7 Hz turns H2 by 1.5 degrees, 3 % of its
size, which a model errs by."""
_BEND_AT, _BEND_AT_SIGMA = 0.2, 0.7
"""Diodes take over at a half or a few volts of several: where, over the amplitude, and the logarithm's width: 0.1 to
0.4."""
DIODE_WIDTH, _DIODE_WIDTH_SIGMA, _DIODE_WIDTHS = 0.07, 0.4, (0.02, 0.3)
"""Thermal voltage times a diode's ideality, 26 to 50 mV, over the half volt from which it conducts: 0.05 to 0.1 (a
light-emitting one's 1.6 V: 0.02 to 0.03). The bounds leave three times as much, for resistance in series bends softly
too."""
_ONSET_SIGMA = 1.0
"""Logarithm of an onset over the highest pitch: a factor of e either way, so that it hardly binds what the harmonics
tell to a few per cent."""
_LAG_US = 0.2
"""Time constant of an amplifier of gain 3, microseconds: 3 / (2 pi times 2.4 MHz); 0 and 0.5 are as likely."""
_CURVE_WALK, _CURVE_SIGMA = 0.003, 0.3
"""A curve's harmonic along the pitch, parts of the fundamental: it walks 0.3 % a sixth of an octave, 0.7 % an octave,
and its size hardly binds. A guess that worked, fitted to nothing; so are the next two."""
_DEAD_WALK, _DEAD_SIGMA = 0.01, 0.3
"""A dead band over the peak that drives it, likewise: 2.4 % an octave, for the peak follows the level's own walk."""
_LEVEL_WALK, _LEVEL_MEAN, _LEVEL_SIGMA = 0.12, 1.1, 0.6
"""A clip level over the amplitude, likewise: 0.3 an octave, as a level that rises by 2 dB in one brings it about; just
above the crest, where it does nothing, unless the harmonics say so."""
LEVEL_BOUNDS = (0.2, 1.35)
"""Below 0.2 the wave is nearly a square (H3 0.32, a square's 0.33: computed); above 1.35 no knee but the roundest
touches it."""
_ONSET_BOUNDS = (-1.5, 3.0)
"""Logarithm of the onset over the highest pitch: slopes 4.5 times the limit are a full triangle (from 1.9 on), a
twentieth of it bends nothing."""
_LEAN_SIGMA = 1.0
"""Logarithm of the rising limit over the mean of both: it hardly binds, for it would pull a limit that is not reached
down to where it begins to be."""
LEAN_BOUNDS = (-0.5, 0.5)
"""One limit 2.7 times the other. The quicker one is then worked out from where it is reached: `SLOW` is exp(-0.5)."""
_FULL_TRIANGLE = 4.0 / np.pi
"""Slope of the fundamental over the limit where the wave is a full triangle: any more changes the level alone."""
_TRIANGLE_SIGMA = 0.02
"""... to 2 %, 0.2 dB: by so much the level of a bin's rows may differ from that of its middle pitch."""


_NOTHING = np.zeros(COLUMNS)
_NOTHING[[KNEE, BEND_AT, BEND_WIDTH, TOP, BOTTOM]] = KNEE_WIDTH, 1.0, DIODE_WIDTH, NO_KNEE, NO_KNEE
# columns of the kernel's table by unknown: an imaginary part comes after the real one
_COLUMNS = {"knee": KNEE, "corner": CORNER, "er": EVEN, "Er": EVEN, "ei": EVEN + 1, "Ei": EVEN + 1}
_COLUMNS |= {"or": ODD, "Or": ODD, "oi": ODD + 1, "Oi": ODD + 1, "B": BEND, "q": BEND_AT, "w": BEND_WIDTH}
_COLUMNS |= {"D": DEAD, "d": DEAD, "S": STEEP, "lag": LAG, "lean": LEAN}
_LOGARITHMS = {KNEE: "knee", BEND_AT: "q", BEND_WIDTH: "w"}
_BOUNDS = {
    "knee": tuple(np.log(KNEE_BOUNDS)),
    "corner": (0.0, 30.0),
    "B": (0.0, 1.0),
    "q": (-4.0, 1.0),
    "w": tuple(np.log(_DIODE_WIDTHS)),
    "D": (0.0, 0.5),
    "d": (0.0, 0.5),
    "S": _ONSET_BOUNDS,
    "lean": LEAN_BOUNDS,
}
"""Beyond these a value would mean nothing, and a fit might run away: corners of 30 Hz are over any input's 20, a dead
band of half the peak or diodes that hold all of it leave no sine to speak of."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """One unknown, and its place in the vector; ``local`` ones have a value in each bin."""

    name: str
    local: bool
    start: float
    step: float
    place: slice


def unknowns_of(stages: Stages, bins: Bins) -> list[Unknown]:
    """Unknowns of a model, after the leftovers."""
    rows: list[tuple[str, bool, float, float]] = []
    if set(stages.parts) & set("PNT"):
        rows.append(("knee", False, float(np.log(KNEE_WIDTH)), 0.05))
    if bins.f0_hz.min() < _LOW_NOTE_HZ:
        rows.append(("corner", False, _CORNER_HZ, 0.05))
    if stages.inside:
        rows.append(("lag", False, _LAG_US, 0.02))
    for letter in "PNT":
        if stages.has(letter):
            rows.append((letter, stages.knee == "along", 1.0, 0.002))
    for letter in "eoEO":
        if stages.has(letter):
            local = letter in "EO"
            rows += [(letter + "r", local, 0.0, 0.001), (letter + "i", local, 0.0, 0.001)]
    if stages.has("B"):
        rows += [("B", False, 0.05, 0.002), ("q", False, float(np.log(_BEND_AT)), 0.05)]
        rows.append(("w", False, float(np.log(DIODE_WIDTH)), 0.05))
    for letter in "Dd":
        if stages.has(letter):
            rows.append((letter, letter == "d", 0.02, 0.001))
    if stages.has("S"):
        rows += [("S", False, 0.0, 0.01), ("lean", False, 0.0, 0.01)]
    out, at = [], LEFTOVERS
    for name, local, start, step in rows:
        size = len(bins) if local else 1
        out.append(Unknown(name, local, start, step, slice(at, at + size)))
        at += size
    return out


class Layout:
    """The vector of a model's unknowns over some bins, its physical meaning and its prior.

    Parameters
    ----------
    stages : Stages
    bins : Bins
    """

    def __init__(self, stages: Stages, bins: Bins) -> None:
        self.stages, self.bins = stages, bins
        self.unknowns = unknowns_of(stages, bins)
        self.at = {u.name: u.place for u in self.unknowns}
        self.size = self.unknowns[-1].place.stop if self.unknowns else LEFTOVERS
        self.prior_matrix, self._prior_offset = self._prior()
        seen = bins.f0_hz * bins.amplitude_fs
        # slope of the fundamental, and pitch, over the largest: a limit is a slope in volts, or an onset in hertz
        self._level_ratio, self._pitch_ratio = seen / seen.max(), bins.f0_hz / bins.f0_hz.max()
        # what is fixed in volts, over the amplitude, against the loudest bin
        self._volts = bins.amplitude_fs.max() / bins.amplitude_fs
        in_volts = stages.has("S") and stages.slope == "fs"
        in_volts = in_volts or (bool(set(stages.parts) & set("PNT")) and stages.knee == "fs")
        solved = in_volts or stages.has("B")
        self.flags = (solved, stages.knee != "fs", stages.slope != "fs", stages.inside, stages.second_stage)

    def start(self) -> Floats:
        """Default start."""
        vector = np.zeros(self.size)
        for unknown in self.unknowns:
            vector[unknown.place] = unknown.start
        return vector

    def values(self, vector: Floats) -> Values:
        """Physical values in each bin."""
        return of_table(self.table(vector[None]), self.flags)

    def table(self, vectors: Floats) -> Floats:
        """Physical values in each bin of m vectors, one vector after the other: the kernel's rows (m n, columns)."""
        m, n = len(vectors), len(self.bins)
        out = np.empty((m, n, COLUMNS))
        out[:] = _NOTHING
        for unknown in self.unknowns:
            column = _COLUMNS.get(unknown.name)
            if column is None:
                continue
            values = vectors[:, unknown.place]
            if unknown.name in _BOUNDS:
                low, high = _BOUNDS[unknown.name]
                values = np.minimum(np.maximum(values, low), high)
            out[:, :, column] = values
        has, volts = self.at, self._volts
        if "corner" in has:
            out[:, :, CORNER] = np.minimum(out[:, :, CORNER] / self.bins.f0_hz, 0.5)
        for column in (KNEE, BEND_AT, BEND_WIDTH):
            if _LOGARITHMS[column] in has:
                out[:, :, column] = np.exp(out[:, :, column])
        if self.stages.knee == "fs":
            out[:, :, KNEE] *= volts
        self._set_levels(vectors, out)
        if "B" in has:
            out[:, :, BEND] *= volts
            out[:, :, BEND_AT] *= volts
        if "lag" in has:
            out[:, :, LAG] = np.clip(2e-6 * np.pi * out[:, :, LAG] * self.bins.f0_hz, 0.0, 0.5)
        if "S" in has:
            ratio = self._level_ratio if self.stages.slope == "fs" else self._pitch_ratio
            out[:, :, STEEP] = ratio * np.exp(-out[:, :, STEEP])
        return out.reshape(m * n, -1)

    def _set_levels(self, vectors: Floats, out: Floats) -> None:
        """Clip levels over the fundamental that comes out where they are fixed in volts, else over the stage's own."""
        bounds = (0.1, 3.0) if self.stages.knee == "fs" else LEVEL_BOUNDS
        for letter, columns in (("T", (TOP, BOTTOM)), ("P", (TOP,)), ("N", (BOTTOM,))):
            if letter not in self.at:
                continue
            level = np.clip(vectors[:, self.at[letter]], *bounds)
            if self.stages.knee == "fs":
                level = level * self._volts
            for column in columns:
                out[:, :, column] = np.minimum(level, NO_KNEE)

    def _prior(self) -> tuple[Floats, Floats]:
        """Linear rows of the prior: its residual is matrix @ vector - offset."""
        rows: list[tuple[dict[int, float], float]] = [
            ({k: 1 / float(LEFTOVER_SIGMA[k // 2])}, 0.0) for k in range(LEFTOVERS)
        ]
        octaves = np.diff(np.log2(self.bins.f0_hz)) * 6.0
        for unknown in self.unknowns:
            first = unknown.place.start
            if unknown.name == "knee":
                rows.append(({first: 1 / _KNEE_SIGMA}, float(np.log(KNEE_WIDTH)) / _KNEE_SIGMA))
            elif unknown.name == "q":
                rows.append(({first: 1 / _BEND_AT_SIGMA}, float(np.log(_BEND_AT)) / _BEND_AT_SIGMA))
            elif unknown.name == "w":
                rows.append(({first: 1 / _DIODE_WIDTH_SIGMA}, float(np.log(DIODE_WIDTH)) / _DIODE_WIDTH_SIGMA))
            elif unknown.name == "lag":
                rows.append(({first: 1 / _LAG_US}, 1.0))
            elif unknown.name == "S":
                rows.append(({first: 1 / _ONSET_SIGMA}, 0.0))
            elif unknown.name == "lean":
                rows.append(({first: 1 / _LEAN_SIGMA}, 0.0))
            elif unknown.name == "corner":
                rows.append(({first: 1 / _CORNER_SIGMA_HZ}, _CORNER_HZ / _CORNER_SIGMA_HZ))
            elif unknown.name in ("er", "ei", "or", "oi"):
                rows.append(({first: 1 / _CURVE_SIGMA}, 0.0))
            if unknown.local:
                walk, mean, sigma = _walk_of(unknown.name)
                rows += [({first + b: 1 / sigma}, mean / sigma) for b in range(len(self.bins))]
                for b, step in enumerate(octaves.tolist()):
                    if step < 6.0 * PASS_OCTAVES and (self.bins.own >= 0).any():
                        continue  # two states at one pitch: nothing goes from one to the other by degrees
                    w = 1.0 / (walk * max(step, 0.05) ** 0.5)
                    rows.append(({first + b: -w, first + b + 1: w}, 0.0))
        matrix, offset = np.zeros((len(rows), self.size)), np.zeros(len(rows))
        for i, (columns, value) in enumerate(rows):
            offset[i] = value
            for column, weight in columns.items():
                matrix[i, column] = weight
        return matrix, offset

    def prior(self, vector: Floats) -> tuple[Floats, Floats]:
        """Rows of the prior and their residual at a vector."""
        rest = self.prior_matrix @ vector - self._prior_offset
        if not (self.stages.has("S") and self.stages.slope == "fs"):
            return self.prior_matrix, rest
        # a full triangle is the limit
        i = self.at["S"].start
        ratio = float(np.exp(-np.clip(vector[i], *_ONSET_BOUNDS))) / _FULL_TRIANGLE
        excess = max(ratio - 1.0, 0.0) / _TRIANGLE_SIGMA
        row = np.zeros(self.size)
        row[i] = -ratio / _TRIANGLE_SIGMA if excess > 0 else 0.0
        return np.vstack([self.prior_matrix, row]), np.append(rest, excess)


def _walk_of(name: str) -> tuple[float, float, float]:
    """Random walk of a sixth of an octave, mean and width of a local unknown."""
    if name in ("P", "N", "T"):
        return _LEVEL_WALK, _LEVEL_MEAN, _LEVEL_SIGMA
    if name == "d":
        return _DEAD_WALK, 0.0, _DEAD_SIGMA
    return _CURVE_WALK, 0.0, _CURVE_SIGMA
