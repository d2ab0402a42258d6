"""The best simple law of a table that follows none: what its errors are measured against."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from listen.calibration.fits import PowerFit, fit_terms
from listen.calibration.types import Floats
from listen.units import cents_between, hz_from_cents

MOST_CENTS = 24000.0
"""Twice what is heard: no law in hertz is over so many octaves."""
_LEAST_CENTS = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimpleLaw:
    """A curve of a few terms.

    Attributes
    ----------
    name : {'octave line', 'hertz line', 'power', 'parabola', 'cubic'}
    terms : int
    cents : callable
        Volts to cents above 1 Hz.
    """

    name: str
    terms: int
    cents: Callable[[Floats], Floats]


def best_simple_law(volts: Floats, cents: Floats, sigma: Floats, power: PowerFit | None) -> SimpleLaw:
    """Return the simple law that describes a table best.

    Parameters
    ----------
    volts, cents, sigma : ndarray, shape (n,)
        A row a voltage.
    power : PowerFit or None
        A power law through them, where one could be fitted.

    Returns
    -------
    SimpleLaw

    Notes
    -----
    The least of Akaike's criterion with the correction for few rows (Hurvich and Tsai, "Regression and time series
    model selection in small samples", Biometrika 76, 1989); a law with as many terms as rows has no error to state and
    is none.
    """
    n = len(volts)
    laws = list(_lines(volts, cents, sigma))
    if power is not None:
        laws.append(SimpleLaw(name="power", terms=3, cents=power.cents))
    for name, degree in (("parabola", 2), ("cubic", 3)):
        if n > degree + 2:
            laws.append(_polynomial(name, degree, volts, cents, sigma))
    return min(
        laws, key=lambda law: (_criterion(law, volts, cents), law.terms, float(np.sum((cents - law.cents(volts)) ** 2)))
    )


def _criterion(law: SimpleLaw, volts: Floats, cents: Floats) -> float:
    n, k = len(volts), law.terms + 1  # the scatter is a parameter, too
    mean_square = float(np.mean((cents - law.cents(volts)) ** 2)) + _LEAST_CENTS**2
    spare = n - k - 1
    return n * math.log(mean_square) + 2.0 * k + (2.0 * k * (k + 1) / spare if spare > 0 else math.inf)


def _lines(volts: Floats, cents: Floats, sigma: Floats) -> Iterator[SimpleLaw]:
    yield _polynomial("octave line", 1, volts, cents, sigma)
    if float(np.ptp(cents)) > MOST_CENTS:
        return
    hz = hz_from_cents(cents, 1.0)
    fit = fit_terms(np.column_stack([np.ones(len(volts)), volts]), hz, hz * sigma)
    at_zero, slope = (float(value) for value in fit.values)
    if np.all(at_zero + slope * volts > 0):
        yield SimpleLaw(
            name="hertz line",
            terms=2,
            cents=lambda v: cents_between(np.maximum(at_zero + slope * np.asarray(v), 1e-6), 1.0),
        )


def _polynomial(name: str, degree: int, volts: Floats, cents: Floats, sigma: Floats) -> SimpleLaw:
    middle, reach = float(volts.mean()), max(float(np.ptp(volts)), 1e-9)
    columns = np.vander((volts - middle) / reach, degree + 1)
    values = fit_terms(columns, cents, sigma).values
    return SimpleLaw(
        name=name,
        terms=degree + 1,
        cents=lambda v: np.asarray(np.polyval(values, (np.asarray(v, dtype=np.float64) - middle) / reach)),
    )
