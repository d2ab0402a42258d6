"""Joint fit of one transfer curve for the whole take and the needed gain in each bin."""

from __future__ import annotations

from dataclasses import dataclass
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
_LAG_SIGMA_S = 0.3e-6
LAG_S = 0.2e-6
"""Of a gain of 3 with 2.4 MHz, where the bandwidth is not stated."""
_PRIORS = {
    limiter.LOG_SHARE: 1.5,
    limiter.LOG_AT: 1.0,
    limiter.LOG_WIDTH: 0.5,
    limiter.LOG_KNEE: 1.5,
}
"""Widths of the logarithms about where they start: diodes of all kinds lie within."""
_GAIN_SIGMA = 1.0


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
    """

    f0_hz: Floats
    y: Complexes
    noise: Floats
    network: loop.LoopNetwork = loop.WIEN


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """A fitted curve.

    Attributes
    ----------
    stages : Stages
    numbers : ndarray, shape (7,)
    log_need : ndarray, shape (n,)
        Logarithm of the gain that the loop needs in each bin, about their mean.
    lag_s : float
    chi2 : float
    score : float
        chi2 with the price of each number: after Schwarz, Annals of Statistics 6, 1978 (from memory).
    covariance : ndarray
        Of the free numbers, the lag, then the needed gains.
    residual_percent : float
    """

    stages: AmplifierStages
    numbers: Floats
    log_need: Floats
    lag_s: float
    chi2: float
    score: float
    covariance: Floats
    residual_percent: float

    def in_hand_percent(self) -> Floats:
        """Gain in hand in each bin: slope at zero over what the loop needs."""
        return np.asarray(100 * np.expm1(self.numbers[limiter.LOG_GAIN] - self.log_need))

    def in_hand_sigma(self) -> Floats:
        """Its standard deviation, in per cent."""
        free = len(self.stages.free)
        c = self.covariance
        own = np.diag(c)[free + 1 :]
        variance = c[0, 0] + own - 2 * c[0, free + 1 :]
        return np.asarray(100 * np.sqrt(np.maximum(variance, 0.0)))

    def lag_sigma_s(self) -> float:
        """Standard deviation of the lag."""
        free = len(self.stages.free)
        return 1e-6 * float(np.sqrt(max(self.covariance[free, free], 0.0)))

    def need_sigma(self) -> Floats:
        """Standard deviation of each needed gain's logarithm."""
        free = len(self.stages.free)
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance)[free + 1 :], 0.0)))

    def need_span_sigma(self) -> float:
        """Standard deviation of the difference between the most and the least needed gain."""
        first = len(self.stages.free) + 1
        most, least = first + int(np.argmax(self.log_need)), first + int(np.argmin(self.log_need))
        c = self.covariance
        return float(np.sqrt(max(c[most, most] + c[least, least] - 2 * c[most, least], 0.0)))


class _Problem:
    def __init__(self, lines: OutputLines, stages: AmplifierStages, start: Floats, lag: tuple[float, float]) -> None:
        self.lines, self.stages, self.start, self.lag = lines, stages, start, lag
        amplitude = np.abs(lines.y[:, :1])
        distortion = np.sqrt(np.sum(np.abs(lines.y[:, 1:]) ** 2, axis=1))[:, None]
        sigma = np.sqrt(lines.noise**2 + (_MODEL_SHARE * distortion) ** 2 + (_FLOOR * amplitude) ** 2)
        sigma[:, 0] = np.hypot(lines.noise[:, 0], _LEVEL * amplitude[:, 0])
        n = len(sigma)
        # a model's error is the same in all bins
        self.scale = np.where(np.isfinite(sigma), np.sqrt(min(1.0, 8.0 / n)) / sigma, 0.0)
        self.free = stages.free
        self._at_lag: tuple[float, Floats, Complexes] | None = None

    def unpack(self, vector: Floats) -> tuple[Floats, float, Floats]:
        numbers = self.start.copy()
        numbers[list(self.free)] = vector[: len(self.free)]
        return numbers, float(vector[len(self.free)]) * 1e-6, vector[len(self.free) + 1 :]

    def misfit(self, vector: Floats) -> Floats:
        """Weighted misfit, shape (n, 20)."""
        numbers, lag_s, need = self.unpack(vector)
        if self._at_lag is None or self._at_lag[0] != lag_s:
            node, curve_lines, _ = loop.feedback_lines(self.lines.y, self.lines.f0_hz, lag_s, self.lines.network)
            self._at_lag = (lag_s, loop.cycles(node), curve_lines)
        _, wave, curve_lines = self._at_lag
        off = (
            loop.harmonics(limiter.output(self.stages, numbers, wave * np.exp(-need)[:, None])) - curve_lines
        ) * self.scale
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
        row = np.zeros(size)
        row[len(self.free)] = 1e-6 / self.lag[1]
        rows.append(row)
        rest.append((vector[len(self.free)] * 1e-6 - self.lag[0]) / self.lag[1])
        need = slice(len(self.free) + 1, size)
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
        for i in range(free + 1):
            moved = vector.copy()
            moved[i] += _STEP if i < free else 1e-3
            slopes[i] = (self.misfit(moved) - at) / (moved[i] - vector[i])
        moved = vector.copy()
        moved[free + 1 :] += _STEP
        local = (self.misfit(moved) - at) / _STEP
        for b in range(n):
            slopes[free + 1 + b, b] = local[b]
        flat = slopes.reshape(len(vector), -1)
        matrix, rest = self.prior(vector)
        return (
            flat @ flat.T + matrix.T @ matrix,
            flat @ at.ravel() + matrix.T @ rest,
            float(np.sum(at**2) + np.sum(rest**2)),
        )

    def cost(self, vector: Floats) -> float:
        return float(np.sum(self.misfit(vector) ** 2) + np.sum(self.prior(vector)[1] ** 2))


def fit_curve(lines: OutputLines, stages: AmplifierStages, start: Floats, lag: tuple[float, float]) -> CurveFit:
    """Fit a curve by Levenberg and Marquardt's method.

    Parameters
    ----------
    lines : Lines
    stages : Stages
    start : ndarray, shape (7,)
        First guesses, see `limiter.output`.
    lag : tuple of float
        Time constant of the amplifier's pole and its uncertainty, seconds.
    """
    problem = _Problem(lines, stages, start, lag)
    vector = np.concatenate([start[list(stages.free)], [lag[0] * 1e6], np.zeros(len(lines.y))])
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
    numbers, lag_s, need = problem.unpack(vector)
    misfit = problem.misfit(vector)
    chi2 = float(np.sum(misfit**2))
    seen = max(20.0, 2.0 * float(np.count_nonzero(problem.scale)) * min(1.0, 8.0 / len(lines.y)))
    scale = problem.scale[:, None, 1:]
    residual = misfit.reshape(len(need), 2, -1)[:, :, 1:] / np.where(scale > 0, scale, np.inf)
    own = float(np.sum(np.abs(lines.y[:, 1:]) ** 2))
    # the prior bounds every parameter, so that the matrix is invertible; harmonics weigh by a model's error, which a
    # clean take shows to be far smaller
    scale2 = max(_LEAST_MISFIT, chi2 / seen)
    prior = problem.prior(vector)[0]
    own_prior = prior.T @ prior
    covariance = np.linalg.inv((matrix - own_prior) / scale2 + own_prior)
    return CurveFit(
        stages=stages,
        numbers=numbers,
        log_need=np.asarray(need),
        lag_s=lag_s,
        chi2=chi2,
        score=cost + float(np.log(seen)) * len(stages.free),
        covariance=covariance,
        residual_percent=100.0 * float(np.sqrt(np.sum(residual**2) / max(own, 1e-30))),
    )
