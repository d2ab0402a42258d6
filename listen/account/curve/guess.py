"""Starting values: how much of a fit's residual each further part would explain, from tables."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.account.curve.model import Stages, harmonics
from listen.account.curve.parameters import DIODE_WIDTH, LEFTOVER_SIGMA
from listen.account.curve.wave import NO_KNEE, ORDERS, Values

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Ints = NDArray[np.int64]

_LEVELS = np.concatenate([np.linspace(0.3, 0.9, 25), np.linspace(0.905, 1.0, 30), np.linspace(1.01, 1.06, 6)])
"""Clip levels over the amplitude: straight between them a harmonic is right to 0.03 % of the fundamental (computed).
From a third of the crest, where H3 is -11 dBc, to a rounded knee just above it, -84 dBc."""
_DEAD = np.array([0.0, 0.003, 0.005, 0.008, 0.012, 0.018, 0.027, 0.04, 0.06, 0.09, 0.14, 0.2, 0.3])
"""Dead bands over the peak, each about half as wide again: H3 from -58 to -15 dBc. A fit starts within a third of its
band."""
_STEEP = np.array([0.9, 1.0, 1.01, 1.02, 1.035, 1.05, 1.075, 1.1, 1.15, 1.2, 1.3, 1.4, 1.5, 1.7, 1.87, 2.5])
"""Slopes over the limit: straight between them a harmonic is right to 0.2 % of the fundamental up to the full triangle
(1.862), and to 1 % beyond, where the level alone changes (computed)."""
_LEANS = (0.0, -0.1, 0.1, -0.25, 0.25)
"""Logarithm of the rising slope's limit over the mean of both: from there a fit finds its way; a limit 1.6 times the
other is as far as most amplifiers go."""
_ONSETS = np.linspace(-0.9, 0.55, 25)
"""Logarithm of the onset over the highest pitch (or of the limit over the steepest slope seen): 0.4 to 1.7 in steps of
6 %, of which the last leave the take's own highest note untouched."""
_BENDS, _BENDS_AT = (0.02, 0.05, 0.1, 0.2, 0.4), (0.07, 0.15, 0.3, 0.6)
"""What the diodes hold, and from where, over the amplitude: a factor of two apart, H3 from -49 to -19 dBc. They only
lead."""
UNBOUND = 1.03
"""Level of a knee where nothing is clipped: rounded as usual it leaves -71 dBc there, about the floor, and yet enough
for a derivative to find the way back."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guess:
    """One way to add a part.

    Attributes
    ----------
    letter, way : str
    cost : float
        Misfit that would be left, about, with a price for the parameters.
    start : dict of str to float or ndarray
        Values of the new unknowns.
    """

    letter: str
    way: str
    cost: float
    start: dict[str, Any]


class UnexplainedHarmonics:
    """Residual harmonics of a fit, and the misfit with a further part.

    Parameters
    ----------
    bins : Bins
    residual : ndarray of complex, shape (n, 9)
        Harmonics that the present model does not explain; what it calls the build's own is among them.
    """

    def __init__(self, bins: Bins, residual: Complexes) -> None:
        self.bins, self.residual = bins, residual
        self.weight = np.where(bins.fits, bins.weight / np.where(bins.fits, bins.sigma, 1.0) ** 2, 0.0)
        self.price = float(np.log(bins.independent))
        self._common = 1.0 / (self.weight.sum(axis=0) + 1.0 / LEFTOVER_SIGMA**2)

    def cost(self, lines: Complexes) -> Floats:
        """Misfit, shape (m,), of lines (m, n, 9), with the best constant leftover of the build."""
        rest = self.residual - lines
        whole = np.einsum("mnk,nk->m", np.abs(rest) ** 2, self.weight)
        shared = np.einsum("mnk,nk->mk", rest, self.weight)
        return np.asarray(whole - (np.abs(shared) ** 2) @ self._common)

    def nearest(self, table: Complexes) -> Ints:
        """Entry of a table (m, 9) with the least misfit, for each bin."""
        rest = self.residual[:, None] - table
        return np.asarray(np.argmin(np.einsum("nmk,nk->nm", np.abs(rest) ** 2, self.weight), axis=1))


def guesses(bins: Bins, residual: Complexes, tables: Tables, *, far: bool) -> list[Guess]:
    """All parts that could explain the residual, lowest cost first.

    Parameters
    ----------
    bins : Bins
    residual : ndarray of complex, shape (n, 9)
        Harmonics that the present model does not explain; what it calls the build's own is among them.
    tables : Tables
    far : bool
        Much is left: levels that are free along the pitch are tried too.
    """
    what, many = UnexplainedHarmonics(bins, residual), len(bins) > 2 or bool((bins.own >= 0).any())
    out: list[Guess] = []
    for letter in "PNT":
        out += _knees(letter, what, far and many, tables.clip[letter])
    if bins.fits[:, 1].any():
        out += _dead(what, far and many, tables.dead)
        out += _slopes(what, many, tables.slew)
        out += _bends(what, tables)
    for order, letters in ((0, ("e", "E")), (1, ("o", "O"))):
        if bins.fits[:, order].any():
            out += _curves(order, letters, what, many)
    return sorted(out, key=lambda g: g.cost)


def _interpolated(places: Floats, table: Complexes, at: Floats) -> Complexes:
    """Linear interpolation in a table: shape at.shape + (9,)."""
    share = np.interp(at, places, np.arange(len(places)))
    low = np.minimum(share.astype(np.int64), len(places) - 2)
    part = (share - low)[..., None]
    return np.asarray((1 - part) * table[low] + part * table[low + 1])


def _knees(letter: str, what: UnexplainedHarmonics, along: bool, table: Complexes) -> list[Guess]:
    costs = what.cost(table[:, None])
    best = int(np.argmin(costs))
    start: dict[str, Any] = {letter: float(_LEVELS[best])}
    out = [Guess(letter=letter, way="share", cost=float(costs[best]) + what.price, start=start)]
    amplitude = what.bins.amplitude_fs / what.bins.amplitude_fs.max()
    tries = np.linspace(0.3, 1.05, 76)
    # the output is smaller than the input: first estimate of the level over the stage's amplitude
    costs = what.cost(_interpolated(_LEVELS, table, tries[:, None] / amplitude))
    best = int(np.argmin(costs))
    start = {letter: float(tries[best])}
    out.append(Guess(letter=letter, way="fs", cost=float(costs[best]) + what.price, start=start))
    if along:
        each = what.nearest(np.concatenate([table, np.zeros((1, table.shape[1]))]))
        nearest = np.where(each < len(table), _LEVELS[np.minimum(each, len(table) - 1)], UNBOUND)
        cost = float(what.cost(np.where((each < len(table))[:, None], table[each % len(table)], 0.0)[None])[0])
        cost += 0.5 * what.price * len(what.bins)
        out.append(Guess(letter=letter, way="along", cost=cost, start={letter: nearest}))
    return out


def _dead(what: UnexplainedHarmonics, along: bool, table: Complexes) -> list[Guess]:
    costs = what.cost(table[:, None])
    best = int(np.argmin(costs))
    out = [Guess(letter="D", way="", cost=float(costs[best]) + what.price, start={"D": float(_DEAD[best])})]
    if along:
        each = what.nearest(table)
        cost = float(what.cost(table[each][None])[0]) + 0.5 * what.price * len(what.bins)
        out.append(Guess(letter="d", way="", cost=cost, start={"d": _DEAD[each]}))
    return out


def _slopes(what: UnexplainedHarmonics, many: bool, tables: list[Complexes]) -> list[Guess]:
    out, bins = [], what.bins
    seen = bins.f0_hz * bins.amplitude_fs
    for way, ratio in (("fs", seen / seen.max()), ("hz", bins.f0_hz / bins.f0_hz.max())):
        if way == "hz" and not many:
            continue
        onset = ratio * np.exp(-_ONSETS)[:, None]
        at = own_steepness(onset) if way == "fs" else onset
        costs = np.array([what.cost(_interpolated(_STEEP, table, at)) for table in tables])
        lean, best = np.unravel_index(int(np.argmin(costs)), costs.shape)
        start = {"S": float(_ONSETS[best]), "lean": _LEANS[lean]}
        out.append(Guess(letter="S", way=way, cost=float(costs[lean, best]) + what.price, start=start))
    return out


def _bends(what: UnexplainedHarmonics, tables: Tables) -> list[Guess]:
    costs = what.cost(tables.bend[:, None])
    best = int(np.argmin(costs))
    g, q = tables.sizes[best]
    start = {"B": g, "q": float(np.log(q))}
    return [Guess(letter="B", way="", cost=float(costs[best]) + 2 * what.price, start=start)]


def _curves(order: int, letters: tuple[str, str], what: UnexplainedHarmonics, many: bool) -> list[Guess]:
    values, own = what.residual[:, order], what.weight[:, order]
    one, each = letters
    lines = np.zeros((2, *what.residual.shape), dtype=complex)
    mean = complex(np.sum(own * values) / max(float(own.sum()), 1e-30))
    lines[0, :, order], lines[1, :, order] = mean, values
    costs = what.cost(lines)
    start: dict[str, Any] = {one + "r": mean.real, one + "i": mean.imag}
    out = [Guess(letter=one, way="", cost=float(costs[0]) + 2 * what.price, start=start)]
    if many:
        start = {each + "r": values.real, each + "i": values.imag}
        cost = float(costs[1]) + what.price * len(what.residual)
        out.append(Guess(letter=each, way="", cost=cost, start=start))
    return out


class Tables:
    """H2 .. H10 that each part alone makes, over a range of its sizes.

    Parameters
    ----------
    measured : ndarray of complex, shape (9,)
        H2 .. H10 over H1 of the output.
    inside : bool
        Within the loop of a Wien bridge, whose network hands them back.
    """

    def __init__(self, measured: Complexes, *, inside: bool) -> None:
        off = np.full(len(_LEVELS), NO_KNEE)
        knee = np.full(len(_LEVELS), 0.008)
        self._measured, self._inside = measured, inside
        self._own = np.zeros(ORDERS - 1, dtype=complex)
        self._own = self._lines(knee=np.array([0.01]))[0]
        self.clip = {
            letter: self._lines(
                top=off if letter == "N" else _LEVELS, bottom=off if letter == "P" else _LEVELS, knee=knee
            )
            for letter in "PNT"
        }
        self.dead = self._lines(dead=_DEAD)
        self.slew = [self._lines(steep=_STEEP, lean=np.full(len(_STEEP), lean)) for lean in _LEANS]
        self.sizes = [(g, q) for g in _BENDS for q in _BENDS_AT]
        size, place = np.array(self.sizes).T
        self.bend = self._lines(bend=size, bend_at=place)

    def _lines(self, **columns: Floats) -> Complexes:
        n = len(next(iter(columns.values())))
        zero, far = np.zeros(n), np.full(n, NO_KNEE)
        usual: dict[str, Any] = {
            "solved": False,
            "own_levels": True,
            "own_slope": True,
            "inside": self._inside,
            "second_stage": False,
            "knee": zero + 0.01,
            "corner": zero,
            "even": zero + 0j,
            "odd": zero + 0j,
            "bend": zero,
            "bend_at": zero + 1.0,
            "bend_width": zero + DIODE_WIDTH,
            "dead": zero,
            "top": far,
            "bottom": far,
            "steep": zero,
            "lag": zero,
            "lean": zero,
        }
        return np.asarray(harmonics(Values(**{**usual, **columns}), self._measured[None]).lines - self._own)


@lru_cache(maxsize=1)
def of_a_sine() -> Tables:
    """Return the tables of a sine."""
    return Tables(np.zeros(ORDERS - 1, dtype=complex), inside=False)


# up to the full triangle, sqrt(1 + pi^2 / 4) = 1.862: closer where it begins to bend
_OWN = np.array([0.0, 1.0, 1.02, 1.05, 1.1, 1.15, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.8621])
_FUNDAMENTAL = np.array(
    [
        1.0,
        1.0,
        0.99983,
        0.99843,
        0.9923,
        0.98154,
        0.96687,
        0.92911,
        0.88488,
        0.83836,
        0.79224,
        0.74821,
        0.70732,
        0.68377,
    ]
)
"""Fundamental of a sine through an ideal follower, its slope so many times the limit: closed form."""
_SEEN = _OWN * _FUNDAMENTAL


def own_steepness(seen: Floats) -> Floats:
    """Slope over the limit at the input, from the same ratio of the fundamental at the output."""
    inside = np.interp(np.minimum(seen, _SEEN[-1]), _SEEN, _OWN)
    return np.asarray(np.where(seen > _SEEN[-1], inside + 3.0 * (seen - _SEEN[-1]), inside))


def stages_with(base: Stages, guess: Guess) -> Stages | None:
    """Model with a guessed part; None where it cannot be added."""
    letter = guess.letter
    has = set(base.parts)
    twins = {"e": "E", "E": "e", "o": "O", "O": "o", "D": "d", "d": "D"}
    if letter in has or (letter in twins and twins[letter] in has):
        return None
    if letter == "T":
        has -= {"P", "N"}
    elif letter in "PN" and "T" in has:
        has = has - {"T"} | {"P", "N"}
    has.add(letter)
    changes: dict[str, Any] = {"parts": "".join(sorted(has))}
    if letter in "PNT":
        changes["knee"] = guess.way
    elif letter == "S":
        changes["slope"] = guess.way
    return replace(base, **changes)


def without(stages: Stages, letter: str) -> Stages:
    """Model without a part; what is alone has no order."""
    fewer = replace(stages, parts=stages.parts.replace(letter, ""))
    return fewer if _has_order(fewer) else replace(fewer, second_stage=False)


def smaller(stages: Stages) -> list[Stages]:
    """Models with a part less: one of all left out, or one level for both knees, in one stage or two."""
    out = [without(stages, letter) for letter in stages.parts]
    if stages.has("N") and stages.has("P"):
        alike = replace(stages, parts="".join(sorted(set(stages.parts) - {"N", "P"} | {"T"})))
        other = reordered(alike)
        out += [alike] if other is None else [alike, other]
    return out


def orders_of(stages: Stages, base: Stages) -> list[Stages]:
    """The model in one stage, and in two where the base has not settled it."""
    other = None if _has_order(base) else reordered(stages)
    return [stages] if other is None else [stages, other]


def reordered(stages: Stages) -> Stages | None:
    """The model in two stages for one, or in one for two; None where that is no other."""
    if not _has_order(stages):
        return None
    return replace(stages, second_stage=not stages.second_stage)


def _has_order(stages: Stages) -> bool:
    """Whether one stage or two make different waves.

    Outside of a loop a dead band and a knee commute, for they bend different places of the wave.
    """
    first, second = ("BPNT", "DdeoEO") if stages.inside else ("BDdPNT", "eoEO")
    return bool(set(stages.parts) & set(first)) and bool(set(stages.parts) & set(second))
