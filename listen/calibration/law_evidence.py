"""How well voltages follow one smooth law of the pitch: Gaussian-process regression of the voltage on the pitch.

The pitch is measured to a fraction of a cent; what may be wrong is the voltage, read from a meter and typed. So the
voltage is the dependent variable. A law is a straight line in the pitch (volt per octave), in hertz or in another power
of the frequency, with a bend in proportion to the frequency or its inverse, a smooth departure, and hysteresis. All of
these are Gaussian processes whose marginal likelihood and leave-one-out predictions are closed forms.

Sources: Rasmussen and Williams, "Gaussian Processes for Machine Learning", 2006, eq. 2.30 (marginal likelihood), 5.12
(leave-one-out predictions) and A.6 (conditioning); a mixture over models by Bayes' rule (Kass and Raftery, "Bayes
Factors", J. Am. Stat. Assoc. 90, 1995).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np

from listen.calibration.simple_laws import MOST_CENTS
from listen.calibration.types import Floats

LARGEST_SIGMA_V, LEAST_SIGMA_V = 0.003, 0.001
"""Standard deviation of a typed voltage: its last digit over the square root of 12, within these two. The upper one is
that of 10 mV: who types 3 V does not mean 2.5 to 3.5. The lower one: a meter's ranges differ, and its last digit is not
quite right (common practice, no source)."""
_POWERS: dict[float, float] = {
    0.0: 0.5, 1.0: 0.2,
    **dict.fromkeys((-1.0, 0.25, 0.5, 0.75, 1.15, 1.3, 1.45, 1.6, 1.8, 2.0, 2.4), 0.3 / 11),
}  # fmt: skip
"""Powers of the frequency in which the voltage may be straight, with their prior weights: 0 stands for its logarithm
(volt per octave), 1 is hertz per volt, the rest are resistive cells and the like, f as a power of V."""
_SMOOTH = (
    (0.0, 1.0, 0.5),
    (3e-3, 0.5, 0.12), (3e-3, 1.0, 0.12), (3e-2, 0.5, 0.1), (3e-2, 1.0, 0.1),
    (0.3, 1.0, 0.04), (0.3, 0.5, 0.02),
)  # fmt: skip
"""Smooth departures: standard deviation and length over the span of the table, and prior weight. The last two stand
for laws of another kind: a knee where a LED begins to shine, a circuit that limits."""
_BENDS = ((0.0, 0.5), (3e-3, 0.25), (3e-2, 0.25))
"""Bend of an octave law at its top or bottom: standard deviation over the span (30 mV in a span of 5 V are 180 cents
at 5 octaves), and prior weight."""
_MEMORY = {True: ((0.0, 0.8), (1e-3, 0.14), (1e-2, 0.06)), False: ((0.0, 0.5), (1e-2, 0.3), (5e-2, 0.2))}
"""Hysteresis over the span, and prior weight: converters hardly have any, light-dependent cells up to a twentieth."""
_NOISE = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Noise over what is known of it; prior weights fall as its square."""
_BROAD = 3.0
"""Standard deviation of a law's offset over the span; its slope has twice that. Broad, so that neither matters."""
_TAKES_APART = 0.02
_FAR_APART = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredSteps:
    """Voltages and the pitches measured at them.

    Attributes
    ----------
    volts : ndarray, shape (n,)
        As typed.
    cents : ndarray, shape (n,)
        Above 1 Hz.
    sigma_v, sigma_cents : ndarray, shape (n,)
        What is known of the noise of either.
    way : ndarray, shape (n,)
        +-0.5: whether the pitch came from below or from above.
    take : ndarray of int, shape (n,)
        Takes may be apart by a few cents.
    """

    volts: Floats
    cents: Floats
    sigma_v: Floats
    sigma_cents: Floats
    way: Floats
    take: np.ndarray

    def chosen(self, which: Sequence[int] | np.ndarray) -> MeasuredSteps:
        """Return some of the rows."""
        at = np.asarray(which, dtype=np.int64)
        return MeasuredSteps(
            volts=self.volts[at],
            cents=self.cents[at],
            sigma_v=self.sigma_v[at],
            sigma_cents=self.sigma_cents[at],
            way=self.way[at],
            take=self.take[at],
        )


def typed_sigma_v(resolution_v: Floats) -> Floats:
    """Return the standard deviation of voltages by the last digit that was typed (uniform rounding)."""
    return np.asarray(np.clip(resolution_v / np.sqrt(12.0), LEAST_SIGMA_V, LARGEST_SIGMA_V))


def ways_of(cents: Floats) -> Floats:
    """Return +-0.5 a row: whether its pitch was come to from below or from above; the first as the second."""
    change = np.sign(np.diff(cents))
    return 0.5 * (np.concatenate([change[:1], change]) if len(change) else np.ones(len(cents)))


class Prediction(NamedTuple):
    """What the other rows say of some voltages: their means and standard deviations, shape (k,)."""

    mean_v: Floats
    sigma_v: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawEvidence:
    """The mixture of laws, conditioned on all rows.

    Attributes
    ----------
    volts : ndarray, shape (n,)
        About their median.
    span_v : float
        Of the table, by the median slope of all pairs.
    precision : ndarray, shape (models, n, n)
        Inverse covariance of each model.
    log_weight : ndarray, shape (models,)
        Logarithm of the prior weight times the marginal likelihood.
    noise : ndarray, shape (models,)
        Over what is known of it.
    """

    volts: Floats
    span_v: float
    precision: Floats
    log_weight: Floats
    noise: Floats

    def typical_noise(self) -> float:
        """Return the noise over what is known of it, all models taken together."""
        return float(np.exp(self.log_weight - self.log_total()) @ self.noise)

    def log_total(self) -> float:
        """Return the logarithm of the evidence of all rows."""
        return log_sum(self.log_weight)

    def log_without(self, rows: Sequence[int]) -> float:
        """Return the logarithm of the evidence of all rows but these."""
        return log_sum(self.log_weight - self._conditioned(rows)[0])

    def log_without_each(self) -> Floats:
        """Return the logarithm of the evidence of all rows but one, for each of them."""
        variance = 1.0 / np.diagonal(self.precision, axis1=1, axis2=2)
        off = (self.precision @ self.volts) * variance
        density = -0.5 * (off**2 / variance + np.log(2.0 * np.pi * variance))
        terms = self.log_weight[:, None] - density
        top = terms.max(axis=0)
        return np.asarray(top + np.log(np.exp(terms - top).sum(axis=0)))

    def log_with(self, volts: Floats) -> float:
        """Return the logarithm of the evidence with other voltages, about the same median."""
        before = np.einsum("i,mij,j->m", self.volts, self.precision, self.volts)
        after = np.einsum("i,mij,j->m", volts, self.precision, volts)
        return log_sum(self.log_weight + 0.5 * (before - after))

    def predicted(self, rows: Sequence[int]) -> Prediction:
        """Return what the other rows say of these, about the median voltage."""
        density, mean, variance = self._conditioned(rows)
        weight = np.exp(self.log_weight - density - log_sum(self.log_weight - density))[:, None]
        middle = (weight * mean).sum(axis=0)
        spread = (weight * (variance + (mean - middle) ** 2)).sum(axis=0)
        return Prediction(middle, np.sqrt(spread))

    def _conditioned(self, rows: Sequence[int]) -> tuple[Floats, Floats, Floats]:
        """Log density of some rows given the others, their means and variances, by model."""
        at = list(rows)
        block = self.precision[:, at][:, :, at]
        covariance = np.linalg.inv(block)
        off = np.einsum("mij,mj->mi", covariance, (self.precision @ self.volts)[:, at])
        fits = np.einsum("mi,mij,mj->m", off, block, off)
        size = np.linalg.slogdet(block)[1]
        density = -0.5 * (fits - size + len(at) * np.log(2.0 * np.pi))
        return density, self.volts[at] - off, np.diagonal(covariance, axis1=1, axis2=2)


def law_evidence(steps: MeasuredSteps) -> LawEvidence | None:
    """Condition all laws on a table.

    Parameters
    ----------
    steps : Readings
        Three rows or more; the cost goes as the third power of their number.

    Returns
    -------
    LawEvidence or None
        None where the pitch does not move, or has nothing to do with the voltage.
    """
    volts = steps.volts - float(np.median(steps.volts))
    if len(volts) < 3 or not 1.0 <= np.ptp(steps.cents) <= MOST_CENTS:
        return None
    precisions, weights, spans = [], [], {}
    for power, prior in _POWERS.items():
        place, slope = _place(steps.cents, power)
        span_v = abs(_median_slope(place, volts))
        if not span_v > 0.0:
            return None
        spans[power] = span_v
        sigma = np.hypot(steps.sigma_v / span_v, steps.sigma_cents * slope)
        covariance, weight = _covariances(steps, place, sigma, octave=power == 0.0)
        root = np.linalg.cholesky(covariance)
        inverse = np.linalg.inv(covariance)
        scaled = volts / span_v
        fits = np.einsum("i,mij,j->m", scaled, inverse, scaled)
        size = 2.0 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        weights.append(
            np.log(prior * weight) - 0.5 * (fits + size) - len(volts) * np.log(np.sqrt(2.0 * np.pi) * span_v)
        )
        precisions.append(inverse / span_v**2)
    log_weight = np.concatenate(weights)
    return LawEvidence(
        volts=volts,
        span_v=spans[0.0],
        precision=np.concatenate(precisions),
        log_weight=log_weight,
        noise=np.tile(_NOISE, len(log_weight) // len(_NOISE)),
    )


def _place(cents: Floats, power: float) -> tuple[Floats, Floats]:
    """Return a power of the frequency (0: its logarithm) brought to 0..1, and its slope in a cent."""
    octaves = (cents - float(np.mean(cents))) / 1200.0
    if power == 0.0:
        value, slope = octaves, np.ones_like(octaves)
    else:
        raised = np.exp2(power * octaves)
        value, slope = np.sign(power) * raised, abs(power) * np.log(2.0) * raised
    reach = float(np.ptp(value))
    return (value - value.min()) / reach, slope / (1200.0 * reach)


def _median_slope(place: Floats, volts: Floats) -> float:
    """Return the median slope of all pairs that are apart (Theil and Sen): a quarter of them may be wrong."""
    one, other = np.triu_indices(len(place), 1)
    apart = place[other] - place[one]
    far = np.abs(apart) > min(_FAR_APART, float(np.abs(apart).max()))
    far |= np.abs(apart) >= float(np.abs(apart).max())
    return float(np.median((volts[other] - volts[one])[far] / apart[far]))


def _covariances(steps: MeasuredSteps, place: Floats, sigma: Floats, *, octave: bool) -> tuple[Floats, Floats]:
    """Return the covariance of every model, over the square of the span, and the prior weights."""
    u = 2.0 * place - 1.0
    same_take = steps.take[:, None] == steps.take[None, :]
    base = _BROAD**2 * (1.0 + np.outer(u, u))
    if not same_take.all():
        base = base + _TAKES_APART**2 * same_take
    apart = (place[:, None] - place[None, :]) ** 2
    bend = np.zeros_like(base)
    for power in (1.0, -1.0):
        column = _place(steps.cents, power)[0]
        bend += np.outer(column, column)
    memory = np.outer(steps.way, steps.way) * (1.0 + np.outer(u, u) + np.outer(u * u, u * u))
    noise = np.diag(sigma**2)
    both = len(np.unique(steps.way)) > 1
    weights = 1.0 / np.square(_NOISE) / np.sum(1.0 / np.square(_NOISE))
    found, prior = [], []
    bends = _BENDS if octave else ((0.0, 1.0),)
    memories = _MEMORY[octave] if both else ((0.0, 1.0),)
    for (deep, length, a), (bent, b), (hysteresis, c), (noisy, d) in product(
        _SMOOTH, bends, memories, zip(_NOISE, weights, strict=True)
    ):
        smooth = deep**2 * np.exp(-0.5 * apart / length**2)
        found.append(base + smooth + bent**2 * bend + hysteresis**2 * memory + noisy**2 * noise)
        prior.append(a * b * c * d)
    return np.array(found), np.array(prior)


def log_sum(terms: Floats) -> float:
    """Return the logarithm of the sum of exponentials."""
    top = float(terms.max())
    return top + float(np.log(np.exp(terms - top).sum()))
