"""Joint fit of one transfer curve for the whole take and the needed gain in each bin."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.circuit import limiter, loop
from listen.circuit.limiter import AmplifierStages

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_ROUNDS = 30
_DONE = 0.01
_STEP = 1e-4
_MODEL_SHARE, _FLOOR = 0.0015, 4e-5
"""Uncertainty of a harmonic beside the noise: of the distortion (order of stages), and of the fundamental (the
recorder's own harmonics)."""
_LEVEL = 1.5e-4
"""Of the fundamental itself: 0.0013 dB, from row to row of a quiet take."""
_LEAST_MISFIT = 0.003
"""Chi squared over its expectation is never held to be less: a twentieth of the model's error is left."""
_NEED_SIGMA = 0.3
"""Prior of a needed gain about the median, in its logarithm: far wider than gangs part."""
LAG_S = 0.27e-6
"""Of a gain of 3, where the bandwidth is not stated: the mean of amplifiers of 0.6 to 10 MHz, evenly likely in the
logarithm (common practice, no source)."""
_PRIORS = {
    limiter.LOG_SHARE: 1.5,
    limiter.LOG_AT: 1.0,
    limiter.LOG_WIDTH: 0.5,
    limiter.LOG_KNEE: 1.5,
}
"""Widths of the logarithms about where they start: diodes of all kinds lie within."""
BEHIND_SIGMA_S = 0.1e-6
"""Behind the limiter: an output of 100 ohm into a metre of cable and more, 1 nF (common practice, no source)."""
_GAIN_SIGMA = 1.0
_GANGS_SIGMA = 0.02
"""Mismatch of gangs that nobody states (common practice, no source): the network hands harmonics back by a sixth of it
otherwise."""
_FIXED_HZ = 1e-3
"""Of a coupling that is known: it stays."""
_COMPLETIONS, _PASSES = 2, 3
"""Fits with the harmonics that a recording does not hold, and passes in which the curve makes them: each is off by
less than a quarter of what the last was."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutputLines:
    """H1 .. H10 of some places of a take.

    Attributes
    ----------
    f0_hz : ndarray, shape (n,)
    y : ndarray of complex, shape (n, 10)
        Of full scale; H1 real; 0 where one does not fit.
    noise : ndarray, shape (n, 10)
        Standard deviation of real and imaginary part each; inf where a harmonic does not fit.
    network : LoopNetwork
        That they come from.
    missing : ndarray of complex, shape (n, orders), optional
        Harmonics that the recording does not hold, `AmplifierStages.orders` of them; 0 where it does.
    """

    f0_hz: Floats
    y: Complexes
    noise: Floats
    network: loop.LoopNetwork = loop.WIEN
    missing: Complexes | None = None

    def sigma(self) -> Floats:
        """Standard deviation of each harmonic's parts, noise and the model's error, shape (n, 10); inf where absent."""
        amplitude = np.abs(self.y[:, :1])
        distortion = np.sqrt(np.sum(np.abs(self.y[:, 1:]) ** 2, axis=1))[:, None]
        sigma = np.sqrt(self.noise**2 + (_MODEL_SHARE * distortion) ** 2 + (_FLOOR * amplitude) ** 2)
        sigma[:, 0] = np.hypot(self.noise[:, 0], _LEVEL * amplitude[:, 0])
        return np.asarray(sigma)

    def complete(self, corner_hz: float) -> Complexes:
        """All harmonics before the recorder's coupling: those recorded, and those that a curve makes, if any."""
        orders = loop.ORDERS if self.missing is None else self.missing.shape[1]
        full: Complexes = np.zeros((len(self.y), orders), dtype=complex)
        recorded = np.where(np.isfinite(self.noise), self.y, 0.0)
        full[:, : loop.ORDERS] = loop.uncoupled(recorded, self.f0_hz, corner_hz)
        return full if self.missing is None else full + self.missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Unstated:
    """What is not the curve's own: each as expected, and its standard deviation.

    Attributes
    ----------
    lag_s : tuple of float
        Time constant of the amplifier's pole.
    corner_hz : tuple of float
        Of the recorder's coupling, where it was not undone.
    behind_s : tuple of float
        Time constant behind the curve.
    """

    lag_s: tuple[float, float]
    corner_hz: tuple[float, float]
    behind_s: tuple[float, float] = (0.0, BEHIND_SIGMA_S)

    def prior(self) -> tuple[tuple[float, float], ...]:
        """In the order of `Common.vector`."""
        (lag, lag_sigma), (corner, corner_sigma) = self.lag_s, self.corner_hz
        behind, behind_sigma = self.behind_s
        return (
            (1e6 * lag, 1e6 * lag_sigma),
            (0.0, _GANGS_SIGMA),
            (corner, max(corner_sigma, _FIXED_HZ)),
            (1e6 * behind, 1e6 * behind_sigma),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """One value of each for the whole take: lag, constant mismatch of the gangs, coupling, lag behind the curve.

    Attributes
    ----------
    lag_s : float
    gangs : float
        Mismatch of the network's halves that is the same everywhere, a share of one.
    corner_hz : float
    behind_s : float
        Of the output's own resistance and its load.
    """

    lag_s: float
    gangs: float
    corner_hz: float
    behind_s: float


_COMMON = 4
"""Numbers of `Common`, between a curve's own and the needed gains."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """A fitted curve.

    Attributes
    ----------
    stages : Stages
    numbers : ndarray, shape (7,)
    log_need : ndarray, shape (n,)
        Logarithm of the gain that the loop needs in each bin, about their mean.
    common : Common
    chi2 : float
    score : float
        chi2 with the price of each number: after Schwarz, Annals of Statistics 6, 1978 (from memory).
    covariance : ndarray
        Of the free numbers, lag, constant mismatch and coupling, then the needed gains.
    residual_percent : float
    weight : float
        Of the harmonics, over the model's error.
    """

    stages: AmplifierStages
    numbers: Floats
    log_need: Floats
    common: Common
    chi2: float
    score: float
    covariance: Floats
    residual_percent: float
    weight: float

    def lag_sigma_s(self) -> float:
        """Standard deviation of the lag."""
        free = len(self.stages.free)
        return 1e-6 * float(np.sqrt(max(self.covariance[free, free], 0.0)))

    def gangs_sigma(self) -> float:
        """Standard deviation of the constant mismatch."""
        at = len(self.stages.free) + 1
        return float(np.sqrt(max(self.covariance[at, at], 0.0)))

    def for_all(self) -> Floats:
        """Covariance of the curve's free numbers and of `Common`, shape (m, m)."""
        size = len(self.stages.free) + _COMMON
        return self.covariance[:size, :size]

    def moved(self, number: int, by: float) -> CurveFit:
        """The fit with another value of one number, counted as in `for_all`."""
        free = self.stages.free
        if number < len(free):
            numbers = self.numbers.copy()
            numbers[free[number]] += by
            return replace(self, numbers=numbers)
        name = ("lag_s", "gangs", "corner_hz", "behind_s")[number - len(free)]
        unit = 1e-6 if name.endswith("_s") else 1.0
        return replace(self, common=replace(self.common, **{name: getattr(self.common, name) + unit * by}))


def handed_back(lines: OutputLines, common: Common, log_need: Floats) -> tuple[Complexes, Complexes, Floats]:
    """Both ends of the amplifier, see `loop.feedback_lines`; harmonics that the recording does not hold are in it."""
    full = lines.complete(common.corner_hz)
    apart = loop.mismatch(log_need, common.gangs, lines.network)
    return loop.feedback_lines(full, lines.f0_hz, common.lag_s, lines.network, apart, common.behind_s)


def completed(
    lines: OutputLines, stages: AmplifierStages, numbers: Floats, common: Common, log_need: Floats
) -> OutputLines:
    """Harmonics that the recording does not hold, as the curve makes them of what the network hands back.

    Parameters
    ----------
    lines : OutputLines
    stages : AmplifierStages
    numbers : ndarray, shape (7,)
    common : Common
    log_need : ndarray, shape (n,)
    """
    k = np.arange(1, stages.orders + 1)
    absent = np.ones((len(lines.y), stages.orders), dtype=bool)
    absent[:, : loop.ORDERS] = ~np.isfinite(lines.noise)
    jw = 2j * np.pi * lines.f0_hz[:, None] * k
    # where the curve is straight its lag answers at once; one that was put off by a pass would not settle
    turned = np.exp(numbers[limiter.LOG_GAIN] - log_need)[:, None] * common.lag_s * jw
    if lines.missing is None:
        lines = replace(lines, missing=np.zeros(absent.shape, dtype=complex))
    for _ in range(_PASSES):
        node, before, _ = handed_back(lines, common, log_need)
        wave = limiter.output(stages, numbers, loop.cycles(node) * np.exp(-log_need)[:, None])
        from_curve = (loop.harmonics(wave, stages.orders) + turned * before) / (1.0 + turned)
        lines = replace(lines, missing=np.where(absent, from_curve / (1.0 + common.behind_s * jw), 0.0))
    return lines


def weights(lines: OutputLines) -> tuple[Floats, float]:
    """One over the deviation of each harmonic, 0 where absent, and how many values these are worth."""
    sigma = lines.sigma()
    # a model's error is the same in all bins
    alike = min(1.0, 8.0 / len(sigma))
    scale = np.where(np.isfinite(sigma), math.sqrt(alike) / sigma, 0.0)
    return scale, max(20.0, 2.0 * float(np.count_nonzero(scale)) * alike)


class _Problem:
    def __init__(
        self, lines: OutputLines, stages: AmplifierStages, start: Floats, unstated: Unstated, weight: float = 1.0
    ) -> None:
        self.lines, self.stages, self.start, self.weight = lines, stages, start, weight
        self.unstated = unstated.prior()
        scale, self.seen = weights(lines)
        self.scale = weight * scale
        self.free = stages.free

    def unpack(self, vector: Floats) -> tuple[Floats, Common, Floats]:
        numbers, free = self.start.copy(), len(self.free)
        numbers[list(self.free)] = vector[:free]
        lag_us, gangs, corner_hz, behind_us = vector[free : free + _COMMON].tolist()
        common = Common(lag_s=1e-6 * lag_us, gangs=gangs, corner_hz=corner_hz, behind_s=1e-6 * behind_us)
        return numbers, common, vector[free + _COMMON :]

    def misfit(self, vector: Floats) -> Floats:
        """Weighted misfit, shape (n, 20)."""
        numbers, common, need = self.unpack(vector)
        node, curve_lines, _ = handed_back(self.lines, common, need)
        wave = limiter.output(self.stages, numbers, loop.cycles(node) * np.exp(-need)[:, None])
        off = (loop.harmonics(wave) - curve_lines[:, : loop.ORDERS]) * self.scale
        return np.concatenate([off.real, off.imag], axis=1)

    def prior(self, vector: Floats) -> tuple[Floats, Floats]:
        """Rows of the prior and their residual: gauge, numbers near their start, the lag."""
        size = len(vector)
        rows, rest = [], []
        for i, number in enumerate(self.free):
            sigma = _PRIORS.get(number, _GAIN_SIGMA)
            row = np.zeros(size)
            row[i] = 1 / sigma
            rows.append(row)
            rest.append((vector[i] - self.start[number]) / sigma)
        for i, (expected, sigma) in enumerate(self.unstated, len(self.free)):
            row = np.zeros(size)
            row[i] = 1.0 / sigma
            rows.append(row)
            rest.append((vector[i] - expected) / sigma)
        need = slice(len(self.free) + _COMMON, size)
        for i in range(need.start, size):
            row = np.zeros(size)
            row[i] = 1 / _NEED_SIGMA
            rows.append(row)
            rest.append(vector[i] / _NEED_SIGMA)
        row = np.zeros(size)
        row[need] = 1e4 / (size - need.start)
        rows.append(row)
        rest.append(float(vector[need].mean()) * 1e4)
        return np.array(rows), np.array(rest)

    def normal(self, vector: Floats) -> tuple[Floats, Floats, float]:
        """Normal matrix, its right-hand side and chi squared; needed gains are local: one difference for all."""
        free, n = len(self.free), len(self.lines.y)
        at = self.misfit(vector)
        slopes = np.zeros((len(vector), n, at.shape[1]))
        for i in range(free + _COMMON):
            moved = vector.copy()
            moved[i] += _STEP if i < free else 1e-3
            slopes[i] = (self.misfit(moved) - at) / (moved[i] - vector[i])
        moved = vector.copy()
        moved[free + _COMMON :] += _STEP
        local = (self.misfit(moved) - at) / _STEP
        for b in range(n):
            slopes[free + _COMMON + b, b] = local[b]
        flat = slopes.reshape(len(vector), -1)
        matrix, rest = self.prior(vector)
        return (
            flat @ flat.T + matrix.T @ matrix,
            flat @ at.ravel() + matrix.T @ rest,
            float(np.sum(at**2) + np.sum(rest**2)),
        )

    def cost(self, vector: Floats) -> float:
        return float(np.sum(self.misfit(vector) ** 2) + np.sum(self.prior(vector)[1] ** 2))


def fit_curve(lines: OutputLines, stages: AmplifierStages, start: Floats, unstated: Unstated) -> CurveFit:
    """Fit a curve by Levenberg and Marquardt's method.

    Parameters
    ----------
    lines : Lines
    stages : Stages
    start : ndarray, shape (7,)
        First guesses, see `limiter.output`.
    unstated : Unstated
    """
    problem = _Problem(lines, stages, start, unstated)
    vector = np.concatenate(
        [start[list(stages.free)], [expected for expected, _ in unstated.prior()], np.zeros(len(lines.y))]
    )
    vector = _solved(problem, vector)
    for _ in range(_COMPLETIONS):
        problem = _Problem(completed(lines, stages, *problem.unpack(vector)), stages, start, unstated)
        vector = _solved(problem, vector)
    # harmonics weigh by a model's error, which a clean take shows to be far smaller: what nobody states (pole, gangs)
    # is then read from the take as far as its deviation says
    chi2 = float(np.sum(problem.misfit(vector) ** 2))
    weight = 1.0 / np.sqrt(max(_LEAST_MISFIT, chi2 / problem.seen))
    final = _Problem(completed(lines, stages, *problem.unpack(vector)), stages, start, unstated, weight)
    return _result(final, _solved(final, vector))


def _solved(problem: _Problem, vector: Floats) -> Floats:
    damping = 0.01
    matrix, right, cost = problem.normal(vector)
    for _ in range(_ROUNDS):
        step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), -right)
        moved = vector + np.clip(step, -1.0, 1.0)
        new = problem.cost(moved)
        if not new < cost:
            damping *= 5.0
            if damping > 1e4:
                break
            continue
        gained = cost - new
        vector, damping = moved, damping * 0.25
        matrix, right, cost = problem.normal(vector)
        if gained < _DONE:
            break
    return vector


def _result(problem: _Problem, vector: Floats) -> CurveFit:
    lines, stages = problem.lines, problem.stages
    matrix, _, _ = problem.normal(vector)
    numbers, common, need = problem.unpack(vector)
    misfit = problem.misfit(vector)
    # in units of the model's error, as the fit began
    chi2 = float(np.sum(misfit**2)) / problem.weight**2
    free = problem.free
    scale = problem.scale[:, None, 1:]
    residual = misfit.reshape(len(need), 2, -1)[:, :, 1:] / np.where(scale > 0, scale, np.inf)
    own = float(np.sum(np.abs(lines.y[:, 1:]) ** 2))
    score = chi2 + float(np.sum(problem.prior(vector)[1] ** 2)) + float(np.log(problem.seen)) * len(free)
    # the prior bounds every parameter, so that the matrix is invertible
    return CurveFit(
        stages=stages,
        numbers=numbers,
        log_need=np.asarray(need),
        common=common,
        chi2=chi2,
        score=score,
        covariance=np.linalg.inv(matrix),
        residual_percent=100.0 * float(np.sqrt(np.sum(residual**2) / max(own, 1e-30))),
        weight=problem.weight,
    )
