"""A cycle of straight pieces fitted to the harmonics of one bin of pitch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.cycle import LEAST_SHARE, Cycle, changed, lines_of

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complexfloating[Any, Any]]

_LINE_ERROR = 0.0015
"""Part of each line by which an interface's ripple (0.013 dB) and the model err."""
_FLOOR = 2e-5
"""Part of the fundamental below which nothing is known: an interface's own distortion."""
_LOW_LINES, _USED = 48, 192
"""Of more harmonics than 192 all the low ones and some of the high ones are fitted: those of a jump or a corner run
smoothly up there, and all 1200 would be six times the work."""
TURNS = 30
"""Steps of a fit at the most: it ends by itself where nothing is gained. They bound the time."""
_LIMITS = {
    "share": (LEAST_SHARE, 1.0 - LEAST_SHARE),
    "cut_top": (0.0, 0.45),
    "cut_bottom": (0.0, 0.45),
    "bend": (-1.2, 1.2),
    "corner": (0.0, 0.2),
    "spike_area": (-0.2, 0.2),
    "spike_at": (-1.0, 2.0),
    "spike_width": (0.0, 0.05),
    "spike_tail": (0.0, 0.05),
}
"""Beyond these it is another wave: both tips cut leave a tenth of the height; a bend of 1.2 bows a slope by 60 %; a
time constant of a fifth of the cycle leaves no corner, a spike of a twentieth is no spike. Its place may run a cycle to
either side."""
_STEP = {"share": 1e-7, "spike_at": 1e-6, "corner": 1e-7}
"""Steps of the numeric derivative, 1e-6 else: small against a jump, and over the rounding of double precision, 1e-16,
by far."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleFit:
    """A fitted cycle.

    Attributes
    ----------
    cycle : Cycle
    free : tuple of str
        Parameters that were fitted.
    sigma : dict of str to float
        Standard deviations of these.
    delay : float
        Cycles by which the foot comes after the lines' own zero.
    gain : float
    chi_square : float
    independent : int
        Real values less parameters.
    step : ndarray, shape (parameters, 2 lines)
        Change of the parameters for a change of the lines' real and imaginary parts.
    used : ndarray of int
        Harmonics that were used.
    common_sigma : dict of str to float
        Deviations that bins of other pitches share, where they were fitted together.
    """

    cycle: Cycle
    free: tuple[str, ...]
    sigma: dict[str, float]
    delay: float
    gain: float
    chi_square: float
    independent: int
    step: Floats
    used: NDArray[np.int64]
    common_sigma: dict[str, float] = field(default_factory=dict)

    def lines(self, k: Floats) -> Complexes:
        """The fitted harmonics k."""
        return np.asarray(self.gain * np.exp(-2j * np.pi * k * self.delay) * lines_of(self.cycle, k))


def used_lines(count: int) -> NDArray[np.int64]:
    """Harmonics that are fitted: all the low ones, of the high ones some, closer where they are lower."""
    if count <= _USED:
        return np.arange(1, count + 1)
    high = np.geomspace(_LOW_LINES + 1, count, _USED - _LOW_LINES)
    return np.concatenate([np.arange(1, _LOW_LINES + 1), np.unique(high.astype(np.int64))])


def line_sigma(lines: Complexes, noise: Floats) -> Floats:
    """Standard deviation of real and imaginary part of each line: noise, an interface's ripple, its own distortion."""
    return np.asarray(np.sqrt(noise**2 + (_LINE_ERROR * np.abs(lines)) ** 2 + _FLOOR**2))


def fit_cycle(
    lines: Complexes,
    noise: Floats,
    start: Cycle,
    free: Sequence[str],
    *,
    gradual: bool = True,
    delay: float | None = None,
    turns: int = TURNS,
) -> CycleFit:
    """Fit parameters of a cycle, its size and its place to harmonics.

    Parameters
    ----------
    lines : ndarray of complex, shape (K,)
        H1 .. HK over the fundamental's size.
    noise : ndarray, shape (K,)
        Standard deviation of real and imaginary part each.
    start : Cycle
        To begin with; parameters that are not free stay as they are.
    free : sequence of str
        Names of ``Cycle``'s attributes.
    gradual : bool
        Low harmonics first: where the place of the foot is known only by the fundamental's phase, a high one may be
        turns off.
    delay : float, optional
        The foot's place to begin with.
    turns : int
        Steps at the most.
    """
    used = used_lines(len(lines))
    k = used.astype(float)
    target = lines[used - 1]
    sigma = line_sigma(target, noise[used - 1])
    own = lines_of(start, np.array([1.0]))[0]
    delay = float(np.angle(own / target[0]) / (2 * np.pi)) if delay is None else delay
    values = np.array([abs(target[0]) / max(abs(own), 1e-9), delay, *(getattr(start, name) for name in free)])
    problem = _Problem(k, target, sigma, start, tuple(free))
    tops = [n for n in (6, 16, 48) if n < len(used)] if gradual else []
    for top in [*tops, len(used)]:
        values = problem.solved(values, top, turns)
    return problem.result(values, used)


def fit_slopes(fit: CycleFit, sigma: Floats) -> Floats:
    """Change of each weighted part of the lines with gain, delay and the fitted parameters: shape (2 lines, n).

    Parameters
    ----------
    fit : CycleFit
    sigma : ndarray, shape (lines,)
    """
    k = fit.used.astype(float)
    problem = _Problem(k, fit.lines(k), sigma, fit.cycle, fit.free)
    return problem.jacobian(np.array([fit.gain, fit.delay, *(getattr(fit.cycle, name) for name in fit.free)]), len(k))


class _Problem:
    """Weighted least squares by Levenberg and Marquardt's steps, within the parameters' limits."""

    def __init__(self, k: Floats, target: Complexes, sigma: Floats, start: Cycle, free: tuple[str, ...]) -> None:
        self.k, self.target, self.sigma, self.start, self.free = k, target, sigma, start, free
        self.low = np.array([1e-9, -9.0, *(_LIMITS[name][0] for name in free)])
        self.high = np.array([1e9, 9.0, *(_LIMITS[name][1] for name in free)])
        self.steps = np.array([1e-6, 1e-7, *(_STEP.get(name, 1e-6) for name in free)])

    def cycle(self, values: Floats) -> Cycle:
        return changed(self.start, dict(zip(self.free, (float(v) for v in values[2:]), strict=True)))

    def model(self, values: Floats, top: int) -> Complexes:
        k = self.k[:top]
        return np.asarray(values[0] * np.exp(-2j * np.pi * k * values[1]) * lines_of(self.cycle(values), k))

    def residual(self, values: Floats, top: int) -> Floats:
        off = (self.target[:top] - self.model(values, top)) / self.sigma[:top]
        return np.concatenate([off.real, off.imag])

    def jacobian(self, values: Floats, top: int) -> Floats:
        here = self.model(values, top)
        columns = []
        for i, step in enumerate(self.steps):
            size = step * max(1.0, abs(values[i]))
            # toward the inside, where a parameter stands at its limit
            signed = -size if values[i] + size > self.high[i] else size
            moved = values.copy()
            moved[i] += signed
            change = (self.model(moved, top) - here) / signed / self.sigma[:top]
            columns.append(np.concatenate([change.real, change.imag]))
        return np.array(columns).T

    def solved(self, values: Floats, top: int, turns: int) -> Floats:
        damping = 1e-3
        off = self.residual(values, top)
        best = float(off @ off)
        for _ in range(turns):
            slopes = self.jacobian(values, top)
            normal, pull = slopes.T @ slopes, slopes.T @ off
            size = np.maximum(np.diag(normal), 1e-12)
            better = False
            for _ in range(8):
                move = np.linalg.solve(normal + damping * np.diag(size), pull)
                moved = np.clip(values + move, self.low, self.high)
                trial = self.residual(moved, top)
                cost = float(trial @ trial)
                if cost < best:
                    better = True
                    break
                damping *= 8.0
            if not better:
                break
            gained = best - cost
            values, off, best, damping = moved, trial, cost, max(damping / 6.0, 1e-9)
            if gained < 1e-5 * best + 1e-9:
                break
        return values

    def result(self, values: Floats, used: NDArray[np.int64]) -> CycleFit:
        top = len(self.k)
        off = self.residual(values, top)
        slopes = self.jacobian(values, top)
        independent = max(1, 2 * top - len(values))
        chi_square = float(off @ off)
        cycle, scale = self.cycle(values), np.sqrt(max(1.0, chi_square / independent))
        # a spike goes through neither the reset nor the low-pass: it shows nothing of them
        own = values[0] * np.abs(lines_of(changed(cycle, {"spike_area": 0.0}), self.k))
        squares = _of_squares(cycle, self.free, self.k, own / self.sigma, scale)
        inverse = np.linalg.pinv(slopes)
        # so small a reset or a corner is first of all a delay: it cannot make good for what the others do
        tiny = [name in squares and squares[name] > _time_of(cycle, name) for name in self.free]
        held = np.array([False, False, *tiny])
        if held.any():
            inverse[~held] = np.linalg.pinv(slopes[:, ~held])
        sigma = dict(zip(self.free, (float(v) for v in scale * np.linalg.norm(inverse, axis=1)[2:]), strict=True))
        sigma.update(squares)
        weight = np.concatenate([1.0 / self.sigma, 1.0 / self.sigma])
        return CycleFit(
            cycle=cycle,
            free=self.free,
            sigma=sigma,
            delay=float(values[1]),
            gain=float(values[0]),
            chi_square=chi_square,
            independent=independent,
            step=inverse[2:] * weight,
            used=used,
        )


def _time_of(cycle: Cycle, name: str) -> float:
    """Length of a sawtooth's reset, or time constant of a corner, in cycles."""
    return min(cycle.share, 1.0 - cycle.share) if name == "share" else cycle.corner


def _of_squares(cycle: Cycle, free: tuple[str, ...], k: Floats, clear: Floats, scale: float) -> dict[str, float]:
    """Standard deviations of what shows by its square alone where it is small.

    A straight jump of length t takes (pi k t)^2 / 6 off a line, a first-order low-pass (2 pi k t)^2 / 2.
    """
    out = {}
    for name, factor in (("share", np.pi**2 / 6), ("corner", 2 * np.pi**2)):
        if name not in free or (name == "share" and cycle.pulse):
            continue
        value = _time_of(cycle, name)
        square = scale / max(float(np.sqrt(np.sum((factor * k**2 * clear) ** 2))), 1e-12)
        if name == "corner" or value < 4.0 * np.sqrt(square):
            out[name] = float(np.sqrt(value**2 + square) - value)
    return out
