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
_GIVE_UP = 1e3
_DONE = 0.02


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
    """

    stages: Stages
    vector: Floats
    chi2: float
    prior: float
    freedom: float
    score: float
    covariance: Floats
    layout: Layout

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

    def lines(self, vectors: Floats) -> Complexes:
        """Harmonics of several vectors at once: shape (m, n, 9)."""
        lines = staged(self.layout.table(vectors), self.measured, *self.layout.flags)[:, : 2 * ORDERS - 2]
        return np.ascontiguousarray(lines).view(complex).reshape(len(vectors), len(self.bins), ORDERS - 1)

    def misfit(self, vector: Floats, lines: Complexes) -> Complexes:
        leftover = vector[:LEFTOVERS:2] + 1j * vector[1:LEFTOVERS:2]
        return np.asarray((lines + leftover - self.bins.r) * self.scale)

    def normal(self, vector: Floats) -> tuple[Floats, Floats, float]:
        """Normal matrix of the data, its right-hand side, and chi squared."""
        unknowns = self.layout.unknowns
        vectors = np.tile(vector, (len(unknowns) + 1, 1))
        for i, unknown in enumerate(unknowns):
            vectors[i + 1, unknown.place] += unknown.step
        lines = self.lines(vectors)
        misfit = self.misfit(vector, lines[0])
        n, orders = len(self.bins), ORDERS - 1
        slopes = np.zeros((self.layout.size, n, orders), dtype=complex)
        order = np.arange(orders)
        slopes[2 * order, :, order] = self.scale.T
        slopes[2 * order + 1, :, order] = 1j * self.scale.T
        for unknown, line in zip(unknowns, lines[1:], strict=True):
            slope = (line - lines[0]) * (self.scale / unknown.step)
            if unknown.local:
                rows = np.arange(n)
                slopes[unknown.place.start + rows, rows] = slope
            else:
                slopes[unknown.place.start] = slope
        flat = slopes.reshape(self.layout.size, -1)
        both = np.concatenate([flat.real, flat.imag], axis=1)
        rest = np.concatenate([misfit.real.ravel(), misfit.imag.ravel()])
        return both @ both.T, both @ rest, float(rest @ rest)


def fit(stages: Stages, bins: Bins, vector: Floats | None = None, rounds: int = 10) -> Fit:
    """Fit a model from a start."""
    problem = _Problem(stages, bins)
    layout = problem.layout
    if vector is None:
        vector = layout.start()
    damping = _DAMPING
    normal, slope, chi2 = problem.normal(vector)
    rows, rest = layout.prior(vector)
    best = chi2 + float(rest @ rest)
    for _ in range(rounds):
        whole, down = normal + rows.T @ rows, slope + rows.T @ rest
        trial, cost = vector, best
        while damping < _GIVE_UP:
            trial = vector - np.linalg.solve(whole + damping * np.diag(np.diag(whole) + 1e-12), down)
            misfit = problem.misfit(trial, problem.lines(trial[None])[0])
            trial_rest = layout.prior(trial)[1]
            cost = float(np.sum(np.abs(misfit) ** 2) + trial_rest @ trial_rest)
            if cost < best:
                break
            damping *= _UP
        if not cost < best:
            break
        gained, vector, best = best - cost, trial, cost
        damping = max(damping * _DOWN, 1e-6)
        normal, slope, chi2 = problem.normal(vector)
        rows, rest = layout.prior(vector)
        if gained < _DONE:
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
    )


def moved(old: Fit, stages: Stages, bins: Bins) -> tuple[Floats, Layout]:
    """Start of a larger or smaller model from what a fit has found."""
    layout = Layout(stages, bins)
    vector = layout.start()
    vector[:LEFTOVERS] = old.vector[:LEFTOVERS]
    for name, place in layout.at.items():
        if name in old.layout.at and not (name in "PNT" and old.stages.knee != stages.knee):
            vector[place] = old.vector[old.layout.at[name]]
    return vector, layout
