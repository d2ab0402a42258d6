"""Least squares of a model over all bins: Levenberg and Marquardt's method, derivatives by differences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins
from listen.account.curve.model import Stages, harmonics, staged
from listen.account.curve.parameters import LEFTOVERS, Layout
from listen.account.curve.wave import ORDERS, Values

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_DAMPING, _UP, _DOWN = 0.01, 5.0, 0.25
"""Damping to begin with, over the diagonal, and its factors where a step fails or gains: starts are near, so that
nearly the whole step is tried first. Others cost steps; where a fit ends by itself it ends at the same place."""
_GIVE_UP = 1e3
"""Damping at which a step is a thousandth of the gradient's own: nothing is gained there."""
DONE = 0.02
"""Gain of a step with which a fit that is tried ends: a parameter moved by a seventh of its deviation, and a part's
price is 500 times it."""

_HOPELESS = 10.0
"""Steps like the last that a fit would need to reach the best so far, beyond which it is given up: each step gains less
than the one before, and fits that are tried have four."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A fitted model.

    Attributes
    ----------
    stages : Stages
    vector : ndarray
        Leftovers (real and imaginary parts of H2 .. H10), then the unknowns.
    chi2, prior, freedom : float
        Misfit, the prior's share, and effective number of parameters.
    score : float
        chi2 + prior + ln(N) freedom: after Schwarz, Annals of Statistics 6, 1978 (from memory).
    covariance : ndarray
    layout : Layout
    settled : bool
        Further steps gain nothing.
    damping : float
        With which the next step would begin.
    """

    stages: Stages
    vector: Floats
    chi2: float
    prior: float
    freedom: float
    score: float
    covariance: Floats
    layout: Layout
    settled: bool
    damping: float

    @property
    def values(self) -> Values:
        """Physical values in each bin."""
        return self.layout.values(self.vector)

    @property
    def leftover(self) -> Complexes:
        """The build's own H2 .. H10."""
        return np.asarray(self.vector[:LEFTOVERS:2] + 1j * self.vector[1:LEFTOVERS:2])

    def lines(self) -> Complexes:
        """H2 .. H10 of the model without leftovers, shape (n, 9)."""
        return harmonics(self.values, self.layout.bins.r).lines

    def unknown(self, name: str) -> tuple[Floats, Floats] | None:
        """One unknown's values and their standard deviations; None where the model lacks it."""
        if name not in self.layout.at:
            return None
        place = self.layout.at[name]
        return self.vector[place], np.sqrt(np.maximum(np.diag(self.covariance)[place], 0.0))


class _Problem:
    def __init__(self, stages: Stages, bins: Bins) -> None:
        self.bins, self.layout = bins, Layout(stages, bins)
        self.measured = np.ascontiguousarray(bins.r).view(float)
        self.scale = np.where(bins.fits, np.sqrt(bins.weight) / np.where(bins.fits, bins.sigma, 1.0), 0.0)
        n, orders = len(bins), np.arange(ORDERS - 1)
        # what the leftovers turn, the same everywhere
        self.slopes = np.zeros((self.layout.size, n, ORDERS - 1), dtype=complex)
        self.slopes[2 * orders, :, orders] = self.scale.T
        self.slopes[2 * orders + 1, :, orders] = 1j * self.scale.T
        unknowns = self.layout.unknowns
        self.places = np.array([u.place.start for u in unknowns], dtype=np.intp)
        self.steps = np.array([u.step for u in unknowns])
        self.locals = np.array([u.local for u in unknowns], dtype=bool)
        self.moves = np.zeros((len(unknowns) + 1, self.layout.size))
        for i, unknown in enumerate(unknowns):
            self.moves[i + 1, unknown.place] = unknown.step

    def lines(self, vectors: Floats) -> Complexes:
        """Harmonics of several vectors at once: shape (m, n, 9)."""
        lines = staged(self.layout.table(vectors), self.measured, self.layout.flags)[:, : 2 * ORDERS - 2]
        return np.ascontiguousarray(lines).view(complex).reshape(len(vectors), len(self.bins), ORDERS - 1)

    def misfit(self, vector: Floats, lines: Complexes) -> Complexes:
        leftover = vector[:LEFTOVERS:2] + 1j * vector[1:LEFTOVERS:2]
        return np.asarray((lines + leftover - self.bins.r) * self.scale)

    def normal(self, vector: Floats) -> tuple[Floats, Floats, float]:
        """Normal matrix of the data, its right-hand side, and chi squared."""
        lines = self.lines(vector + self.moves)
        misfit = self.misfit(vector, lines[0])
        slopes = (lines[1:] - lines[0]) * (self.scale / self.steps[:, None, None])
        whole = ~self.locals
        self.slopes[self.places[whole]] = slopes[whole]
        rows = np.arange(len(self.bins))
        self.slopes[self.places[self.locals][:, None] + rows, rows] = slopes[self.locals]
        # real and imaginary parts are equations of their own
        flat, rest = self.slopes.reshape(self.layout.size, -1).view(float), misfit.ravel().view(float)
        return flat @ flat.T, flat @ rest, float(rest @ rest)


def fit(
    stages: Stages,
    bins: Bins,
    vector: Floats | None = None,
    rounds: int = 10,
    *,
    damping: float = _DAMPING,
    done: float = DONE,
    to_beat: float = float("inf"),
) -> Fit:
    """Fit a model from a start.

    Parameters
    ----------
    stages : Stages
    bins : Bins
    vector : ndarray, optional
    rounds : int
        Most steps.
    damping : float
        To begin with: that of a fit that goes on.
    done : float
        Gain of a step with which the fit ends.
    to_beat : float
        Cost that another model has reached: a fit that stays far above it is given up.
    """
    problem = _Problem(stages, bins)
    layout = problem.layout
    if vector is None:
        vector = layout.start()
    normal, slope, chi2 = problem.normal(vector)
    rows, rest = layout.prior(vector)
    best, settled = chi2 + float(rest @ rest), False
    for _ in range(rounds):
        found = _step(problem, vector, normal + rows.T @ rows, slope + rows.T @ rest, best, damping, done)
        settled = found is None
        if found is None:
            break
        vector, cost, damping = found
        gained, best = best - cost, cost
        damping = max(damping * _DOWN, 1e-6)
        normal, slope, chi2 = problem.normal(vector)
        rows, rest = layout.prior(vector)
        settled = gained < done
        if settled or best - to_beat > _HOPELESS * gained:
            break
    covariance = np.linalg.inv(normal + rows.T @ rows + 1e-9 * np.eye(len(vector)))
    freedom, prior = float(np.sum(covariance * normal)), float(rest @ rest)
    return Fit(
        stages=stages,
        vector=vector,
        chi2=chi2,
        prior=prior,
        freedom=freedom,
        score=chi2 + prior + float(np.log(bins.independent)) * freedom,
        covariance=covariance,
        layout=layout,
        settled=settled,
        damping=damping,
    )


def _step(
    problem: _Problem, vector: Floats, whole: Floats, down: Floats, best: float, damping: float, done: float
) -> tuple[Floats, float, float] | None:
    """Where the next step leads, its cost, and its damping; None where none gains."""
    diagonal = np.arange(len(vector))
    while damping < _GIVE_UP:
        damped = whole.copy()
        damped[diagonal, diagonal] += damping * (whole[diagonal, diagonal] + 1e-12)
        step = np.linalg.solve(damped, down)
        if float(step @ down) < done / 2:
            return None  # no step gains more than twice this where the model is straight
        trial = vector - step
        misfit = problem.misfit(trial, problem.lines(trial[None])[0])
        trial_rest = problem.layout.prior(trial)[1]
        cost = float(np.sum(np.abs(misfit) ** 2) + trial_rest @ trial_rest)
        if cost < best:
            return trial, cost, damping
        damping *= _UP
    return None


def moved(old: Fit, stages: Stages, bins: Bins) -> tuple[Floats, Layout]:
    """Start of a larger or smaller model from what a fit has found."""
    layout = Layout(stages, bins)
    vector = layout.start()
    vector[:LEFTOVERS] = old.vector[:LEFTOVERS]
    for name, place in layout.at.items():
        if name in old.layout.at and not (name in "PNT" and old.stages.knee != stages.knee):
            vector[place] = old.vector[old.layout.at[name]]
    knees = old.layout.at
    if stages.has("T") and "P" in knees and "N" in knees and old.stages.knee == stages.knee:
        vector[layout.at["T"]] = 0.5 * (old.vector[knees["P"]] + old.vector[knees["N"]])
    return vector, layout
