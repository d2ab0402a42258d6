"""Weighted fits with their uncertainty, by general libraries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.calibration.types import Floats


def student_factor(freedom: int) -> float:
    """Return by how much a standard deviation that is known from few residuals is to be widened.

    Parameters
    ----------
    freedom : int
        Degrees of freedom, 1 or more.

    Returns
    -------
    float
        Student's t of 68.27 %: 1.84, 1.32, 1.20 .. for 1, 2, 3 .., 1 for many (JCGM 100:2008, annex G.3).

    Examples
    --------
    >>> [round(student_factor(freedom), 2) for freedom in (1, 2, 3, 10)]
    [1.84, 1.32, 1.2, 1.05]
    """
    from scipy.special import stdtrit

    return float(stdtrit(freedom, _ONE_SIGMA_SHARE))


_ONE_SIGMA_SHARE = 0.8413447
"""The normal distribution below its mean plus one standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """A straight line.

    Attributes
    ----------
    slope, intercept, slope_sigma, intercept_sigma : float
    residual_sd : float
        Weighted, divided by n - 2.
    freedom : int
        n - 2.
    """

    slope: float
    intercept: float
    slope_sigma: float
    intercept_sigma: float
    residual_sd: float
    freedom: int

    @property
    def stated_slope_sigma(self) -> float:
        """Deviation of the slope that holds in 68 of 100 cases, with few points too."""
        return self.slope_sigma * (student_factor(self.freedom) if self.freedom > 0 else 1.0)


def fit_line(x: Floats, y: Floats, sigma: Floats | None = None) -> LineFit:
    """Fit a straight line by weighted least squares.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        At least two different x.
    sigma : ndarray, shape (n,), optional
        Standard deviations; equal where not given. They are scaled by what the residuals say.

    Returns
    -------
    LineFit
        With two points the uncertainties are those of ``sigma`` alone (0 where not given).

    Notes
    -----
    ``numpy.polyfit`` about the mean of x, which keeps the digits.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    weight = np.ones_like(x) if sigma is None else 1.0 / np.asarray(sigma, dtype=np.float64)
    centre = float(np.average(x, weights=weight**2))
    (slope, level), cov = np.polyfit(x - centre, y, 1, w=weight, cov="unscaled")
    residual = (y - level - slope * (x - centre)) * weight
    freedom = len(x) - 2
    scale = float(residual @ residual) / freedom if freedom > 0 else (0.0 if sigma is None else 1.0)
    variance = cov * scale
    intercept_var = variance[1, 1] + centre**2 * variance[0, 0] - 2.0 * centre * variance[0, 1]
    return LineFit(
        slope=float(slope),
        intercept=float(level - slope * centre),
        slope_sigma=float(np.sqrt(max(variance[0, 0], 0.0))),
        intercept_sigma=float(np.sqrt(max(intercept_var, 0.0))),
        residual_sd=float(np.sqrt(scale)) if freedom > 0 else 0.0,
        freedom=freedom,
    )


def _widened(chi: float, freedom: int) -> float:
    """Return by how much a covariance is to be made larger: chi squared a degree of freedom, where it asks for more."""
    return chi * student_factor(freedom) ** 2 if chi > _ASKS_FOR_MORE else 1.0


_ASKS_FOR_MORE = 1.6
"""By chance, of right deviations, chi squared a degree of freedom is above it in 17 of 100 cases at four degrees."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TermsFit:
    """A linear model: coefficients, covariance and residual.

    Attributes
    ----------
    values : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
    residual : ndarray, shape (n,)
    rms : float
        Divided by n - k.
    """

    values: Floats
    covariance: Floats
    residual: Floats
    rms: float


def fit_terms(columns: Floats, y: Floats, sigma: Floats) -> TermsFit:
    """Fit a sum of terms by weighted least squares.

    Parameters
    ----------
    columns : ndarray, shape (n, k)
    y, sigma : ndarray, shape (n,)

    Returns
    -------
    TermsFit
        The covariance is that of ``sigma``, made larger where the residuals ask for it.
    """
    scale = np.abs(columns).max(axis=0)
    scale[scale == 0] = 1.0
    weighted = columns / scale / sigma[:, None]
    values, *_ = np.linalg.lstsq(weighted, y / sigma, rcond=None)
    residual = y - columns / scale @ values
    freedom = max(1, len(y) - columns.shape[1])
    chi = float(np.sum((residual / sigma) ** 2)) / freedom
    covariance = np.linalg.pinv(weighted.T @ weighted) * _widened(chi, freedom)
    return TermsFit(
        values=values / scale,
        covariance=covariance / np.outer(scale, scale),
        residual=residual,
        rms=float(np.sqrt(np.sum(residual**2) / freedom)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerFit:
    """A power law, ``f = A (V - V0)^exponent``."""

    exponent: float
    exponent_sigma: float
    from_v: float
    rms_cents: float
    log2_at_one: float

    def cents(self, volts: Floats) -> Floats:
        """Pitch in cents above 1 Hz."""
        return 1200.0 * (self.log2_at_one + self.exponent * np.log2(np.maximum(volts - self.from_v, 1e-9)))


def fit_power(volts: Floats, cents: Floats, sigma: Floats) -> PowerFit | None:
    """Fit a power law with a threshold.

    Parameters
    ----------
    volts, cents, sigma : ndarray, shape (n,)

    Returns
    -------
    PowerFit or None
        None where it does not converge, or with fewer than four different voltages.
    """
    from scipy.optimize import least_squares

    low, span = float(volts.min()), float(np.ptp(volts))
    if len(np.unique(volts)) < 4 or span <= 0:
        return None

    def residual(guess: Floats) -> Floats:
        level, exponent, below = guess
        return np.asarray((cents - 1200.0 * (level + exponent * np.log2(volts - low + span * np.exp(below)))) / sigma)

    best = None
    for below in (-4.0, -1.5, 0.5):
        start = np.array([cents.mean() / 1200.0, 1.0, below])
        found = least_squares(
            residual, start, bounds=([-np.inf, -20.0, -12.0], [np.inf, 20.0, 3.0]), x_scale=[1.0, 0.3, 0.5]
        )
        if found.success and (best is None or found.cost < best.cost):
            best = found
    if best is None:
        return None
    level, exponent, below = (float(value) for value in best.x)
    freedom = max(1, len(volts) - 3)
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * _widened(2.0 * best.cost / freedom, freedom)
    return PowerFit(
        exponent=exponent,
        exponent_sigma=float(np.sqrt(covariance[1, 1])),
        from_v=low - span * float(np.exp(below)),
        rms_cents=float(np.sqrt(np.sum((residual(best.x) * sigma) ** 2) / freedom)),
        log2_at_one=level,
    )
