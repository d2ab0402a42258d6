"""Forward selection of the model's parts by Schwarz's criterion, then removal of parts that contribute too little."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.account.curve.fit import Fit, fit, moved
from listen.account.curve.guess import (
    Guess,
    Tables,
    guesses,
    of_a_sine,
    orders_of,
    smaller,
    stages_with,
    without,
)
from listen.account.curve.model import Stages

Floats = NDArray[np.floating[Any]]

MARGIN = 10.0
"""A part must gain so much in the score: odds of 150 to 1. 40 decided alike on the takes tried."""
_DROP = 5.0
"""Half of the price of a part: one that was taken for another is dropped again. Chosen."""
_REPEATED = 40.0
"""A model that was fitted before and was worse by more, four margins, is not fitted again from another start; nor is
a search within the loop followed that is behind by more after its first parts."""
_FIRST_PARTS = 2
"""Within a loop: the solved bridges among the takes tried were ahead after one or two."""
_MOST_PARTS = 6
"""Of the seven that may stand together (even, odd, bend, dead band, two knees, slope). A bound on the time alone: two
faults and both of the build's own curves take four."""
_REFINED = 4
"""Kinds of parts that are fitted in a round, of nine that the tables rank: fits take the time. What the tables rank
lower is ranked anew in the next round, against less that is left."""
_FIRST_ROUNDS, _FINISHED = 4, 2
"""Steps of the fit for all that are tried, enough to rank them; and how many are then fitted to the end, for the second
may pass the first. More of either costs time alone."""
_CLOSE = 1e-4
"""Gain of a step with which the fit of what is chosen ends: a hundredth of a standard deviation."""
_PINNED = -0.2
"""Logarithm of the limit over the steepest slope seen where the wave is nearly a full triangle (-ln 4/pi = -0.24:
one)."""
_POOR_CHI2 = 10.0
"""Chi squared that is left from which levels free along the pitch are tried too: with less no part could gain the
margin."""
_OPEN_CHI2 = 3.0
"""... from which parts inside the loop are tried: with less than the margin too, for fewer parts may do there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """The model that was chosen.

    Attributes
    ----------
    bins : Bins
    best : Fit
    tried : tuple of Fit
        All that were fitted.
    """

    bins: Bins
    best: Fit
    tried: tuple[Fit, ...]


def choose(bins: Bins, *, wien: bool = False) -> Choice:
    """Choose the parts.

    Parameters
    ----------
    bins : Bins
    wien : bool
        The topology is stated: parts may lie within the loop.
    """
    tried = [fit(Stages(), bins)]
    best = tried[0]
    if best.chi2 + best.prior >= MARGIN:
        best = _searched(best, bins, wien, tried)
    # what is chosen is fitted closely: a curve and the tone's own harmonics share a flat valley
    best = fit(best.stages, bins, best.vector, damping=best.damping, done=_CLOSE)
    return Choice(bins=bins, best=best, tried=tuple(tried))


def _searched(plain: Fit, bins: Bins, wien: bool, tried: list[Fit]) -> Fit:
    """Best model without a loop, or within one where that is better by a margin."""
    best = _grown(plain, bins, of_a_sine(), tried)
    if not wien and best.chi2 <= _OPEN_CHI2:
        return best
    tables = Tables(bins.r[len(bins) // 2], inside=True)
    to_beat = float("inf") if wien else best.score + _REPEATED
    within = _grown(fit(Stages(inside=True), bins), bins, tables, tried, to_beat)
    return within if within.score < best.score - MARGIN else best


def _grown(best: Fit, bins: Bins, tables: Tables, tried: list[Fit], to_beat: float = float("inf")) -> Fit:
    while len(best.stages.parts) < _MOST_PARTS and best.chi2 + best.prior >= MARGIN:
        found = _larger(best, bins, tables, tried)
        if found is None or found.score > best.score - MARGIN:
            break
        best = _trimmed(found, bins, tried)
        if len(best.stages.parts) >= _FIRST_PARTS and best.score > to_beat:
            break
    return best


def _refitted(stages: Stages, best: Fit, bins: Bins, tried: list[Fit]) -> Fit:
    """Fit of these stages: a new one from what is best now, unless an earlier one was far worse."""
    known = _known(stages, tried)
    if known is not None and known.score >= best.score + _REPEATED:
        return known
    tried.append(fit(stages, bins, moved(best, stages, bins)[0]))
    return tried[-1]


def _larger(old: Fit, bins: Bins, tables: Tables, tried: list[Fit]) -> Fit | None:
    """Best model with one more part, or with a curve replaced by another part."""
    ways: list[tuple[float, Fit, Guess]] = []
    bases = [old]
    for letter in "eoEO":
        if old.stages.has(letter):
            fewer = without(old.stages, letter)
            bases.append(_known(fewer, tried) or fit(fewer, bins, moved(old, fewer, bins)[0], 2))
    for base in bases:
        residual = bins.r - base.lines()
        ways += [(g.cost, base, g) for g in guesses(bins, residual, tables, far=old.chi2 > _POOR_CHI2)]
    ways.sort(key=lambda way: way[0])
    found: list[Fit] = []
    done: set[Stages] = {old.stages}
    letters: dict[str, int] = {}
    for _, base, guess in ways:
        stages = stages_with(base.stages, guess)
        if stages is None or stages in done or letters.get(guess.letter, 0) == 2:
            continue
        # the tables ignore the loop's feedback, which matters most for a bend and a limited slope
        loop = old.stages.inside and guess.letter in "BS" and guess.letter not in letters
        if len(letters) >= _REFINED and not loop:
            continue
        letters[guess.letter] = letters.get(guess.letter, 0) + 1
        for each in orders_of(stages, base.stages):
            if each in done:
                continue
            done.add(each)
            found.append(fit(each, bins, _started(base, each, guess, bins), _FIRST_ROUNDS, to_beat=_to_beat(found)))
        if loop and guess.letter == "S":
            # slewing pins slope times level where it is full: nearly the most that there is
            pinned = Guess(letter="S", way=guess.way, cost=guess.cost, start={"S": _PINNED})
            found.append(
                fit(stages, bins, _started(base, stages, pinned, bins), _FIRST_ROUNDS, to_beat=_to_beat(found))
            )
    # only the best are fitted to convergence
    found.sort(key=lambda f: f.score)
    found[:_FINISHED] = [
        f if f.settled else fit(f.stages, bins, f.vector, damping=f.damping) for f in found[:_FINISHED]
    ]
    tried += found
    return min(found, key=lambda f: f.score, default=None)


def _to_beat(found: list[Fit]) -> float:
    """Cost of the last that would be finished."""
    costs = sorted(f.chi2 + f.prior for f in found)
    return costs[_FINISHED - 1] if len(costs) >= _FINISHED else float("inf")


def _known(stages: Stages, tried: list[Fit]) -> Fit | None:
    """Best fit of these stages so far."""
    return min((f for f in tried if f.stages == stages), key=lambda f: f.score, default=None)


def _started(base: Fit, stages: Stages, guess: Guess, bins: Bins) -> Floats:
    vector, layout = moved(base, stages, bins)
    for name, value in guess.start.items():
        if name in layout.at:
            vector[layout.at[name]] = value
    # levels of another behaviour start from what they were on the whole
    for name in "PNT":
        if name in layout.at and name not in guess.start:
            before = base.layout.at.get(name) or base.layout.at.get("T")
            if before is not None and base.stages.knee != stages.knee:
                vector[layout.at[name]] = float(np.median(base.vector[before]))
            elif before is not None and name not in base.layout.at:
                vector[layout.at[name]] = base.vector[before]
    return vector


def _trimmed(best: Fit, bins: Bins, tried: list[Fit]) -> Fit:
    """The model without parts whose removal costs little, and with one level for two that are alike."""
    again = True
    while again and len(best.stages.parts) > 1:
        again = False
        for fewer in smaller(best.stages):
            full = _refitted(fewer, best, bins, tried)
            if full.score < best.score + _DROP:
                best, again = full, True
                break
    return best
