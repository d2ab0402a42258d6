"""Laws: how the pitch follows the voltage, chosen by evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from listen.calibration.fits import LineFit, PowerFit, fit_line, fit_power, fit_terms
from listen.calibration.simple_laws import best_simple_law
from listen.calibration.types import Direction, Floats, Law, LawKind
from listen.units import cents_between, hz_from_cents

HELD_CENTS = 0.5
"""What neither meter, circuit nor clock hold (0.4 mV at a volt an octave; common practice, no source)."""
LOWER_PART = 0.5
"""The straight part is fitted to so many of the steps from the bottom where the top bends. Of 230 made-up tables with a
dead time of 0.6 to 10 us half gives the scale within 0.1 % in 87 %, three fifths in 72 %."""
LEAST_BEND_CENTS = 3.0
_BEND_SIGMAS = 4.0
_SAME_V = 0.004
_FITS_CENTS, _FITS_SHARE = 8.0, 0.006
_CLEARLY = 0.5
_MOST_DROOP_CENTS = 250.0

Curve = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepRows:
    """Data of a law: voltages and pitches of the steps.

    Attributes
    ----------
    volts, cents, sigma : ndarray, shape (n,)
        Cents above 1 Hz; sigma has the floor that volts and circuit set.
    direction : tuple of str
    nominal : ndarray, shape (n,), or None
    """

    volts: Floats
    cents: Floats
    sigma: Floats
    direction: tuple[Direction, ...]
    nominal: Floats | None = None

    @property
    def hz(self) -> Floats:
        """Pitches."""
        return hz_from_cents(self.cents, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedLaw:
    """A law and its curve.

    Attributes
    ----------
    law : Law
    curve : callable
        Volts to cents above 1 Hz; of a free law the simple one that describes the steps best.
    bend_cents : float
        How far the top of the table is off the straight part; 0 where it does not bend.
    line : LineFit
        The straight part.
    """

    law: Law
    curve: Curve
    bend_cents: float
    line: LineFit


def same_voltage(volts: Floats) -> float:
    """Return how near two voltages count as one: 4 mV, less where the steps are finer."""
    steps = np.diff(np.unique(volts))
    return min(_SAME_V, 0.2 * float(np.median(steps))) if len(steps) else _SAME_V


def averaged(rows: StepRows) -> StepRows:
    """Return one row a voltage: both directions and all repeats together, in order of the voltage."""
    order = np.argsort(rows.volts, kind="stable")
    volts = rows.volts[order]
    groups = np.split(order, np.flatnonzero(np.diff(volts) > same_voltage(volts)) + 1)
    return StepRows(
        volts=np.array([rows.volts[g].mean() for g in groups]),
        cents=np.array([rows.cents[g].mean() for g in groups]),
        sigma=np.array([np.sqrt(np.mean(rows.sigma[g] ** 2) / len(g)) for g in groups]),
        direction=tuple("up" for _ in groups),
        nominal=None if rows.nominal is None else np.array([rows.nominal[g].mean() for g in groups]),
    )


def fit_law(rows: StepRows, kind: str) -> FittedLaw:
    """Fit a law.

    Parameters
    ----------
    rows : Rows
        Of at least two different voltages.
    kind : {'volt-per-octave', 'hertz-per-volt', 'free', 'auto'}

    Returns
    -------
    FittedLaw
        The slope is that of the straight part: all steps, or the lower half of them where the top bends.
    """
    because = "asked for"
    if kind == "auto":
        kind, because = _choose(rows)
    straight, bend = _straight(rows) if kind == "volt-per-octave" else (np.arange(len(rows.volts)), 0.0)
    line = fit_line(rows.volts[straight], rows.cents[straight], rows.sigma[straight])
    slope = line.slope / 1200.0
    law = Law(
        kind=kind,  # type: ignore[arg-type]
        chosen_because=because,
        octaves_per_volt=slope,
        octaves_per_volt_sigma=line.stated_slope_sigma / 1200.0,
        volts_per_octave=1.0 / slope if slope else np.inf,
        f0_at_zero_v_hz=hz_from_cents(line.intercept, 1.0),
        straight_v=(float(rows.volts[straight].min()), float(rows.volts[straight].max())),
        rms_error_cents=0.0,
        worst_error_cents=0.0,
        worst_at_v=0.0,
        range_v=(float(rows.volts.min()), float(rows.volts.max())),
        range_hz=(float(rows.hz.min()), float(rows.hz.max())),
    )
    if rows.nominal is not None and np.ptp(rows.nominal[straight]) > 0:
        nominal = fit_line(rows.nominal[straight], rows.cents[straight], rows.sigma[straight])
        law = replace(law, octaves_per_nominal_volt=nominal.slope / 1200.0)
    curve: Curve
    if kind == "volt-per-octave":

        def curve(volts: Floats) -> Floats:
            return line.intercept + line.slope * np.asarray(volts)
    elif kind == "hertz-per-volt":
        law, curve = _hertz(rows, law)
    else:
        law, curve = _free(rows, law)
    law = _with_errors(law, rows, curve)
    return FittedLaw(law=law, curve=curve, bend_cents=bend, line=line)


def _with_errors(law: Law, rows: StepRows, curve: Curve) -> Law:
    """State the errors of the rows, where the law does not go through two voltages by its making."""
    if len(np.unique(rows.volts)) < 3 and len(rows.volts) < 3:
        return replace(law, rms_error_cents=np.nan, worst_error_cents=np.nan, worst_at_v=np.nan)
    error = rows.cents - curve(rows.volts)
    worst = int(np.argmax(np.abs(error)))
    return replace(
        law,
        rms_error_cents=float(np.sqrt(np.mean(error**2))),
        worst_error_cents=float(error[worst]),
        worst_at_v=float(rows.volts[worst]),
    )


def free_curve(rows: StepRows) -> Curve:
    """Return a smooth curve through the means of the voltages, rising or falling throughout.

    A monotone cubic (``scipy.interpolate.PchipInterpolator``); steps that go the other way are first brought to the
    nearest order that does not (``scipy.optimize.isotonic_regression``). Beyond the ends it goes on straight.
    """
    mean = averaged(rows)
    v, cents = mean.volts, mean.cents
    if len(v) < 2:
        level = float(cents[0])
        return lambda volts: np.full(np.shape(volts), level)
    rising = cents[-1] >= cents[0]
    ordered = np.all(np.diff(cents) > 0) if rising else np.all(np.diff(cents) < 0)
    if not ordered:
        from scipy.optimize import isotonic_regression

        cents = isotonic_regression(cents, weights=1.0 / mean.sigma**2, increasing=bool(rising)).x
    from scipy.interpolate import PchipInterpolator

    inside = PchipInterpolator(v, cents)
    slope = inside.derivative()
    low, high = float(slope(v[0])), float(slope(v[-1]))

    def curve(volts: Floats) -> Floats:
        at = np.asarray(volts, dtype=np.float64)
        held = np.clip(at, v[0], v[-1])
        return np.asarray(inside(held) + np.minimum(at - v[0], 0.0) * low + np.maximum(at - v[-1], 0.0) * high)

    return curve


def _straight(rows: StepRows) -> tuple[np.ndarray, float]:
    """Return which rows are straight, and how far the top is off the line through them (0: it does not bend)."""
    n = len(rows.volts)
    everything = np.arange(n)
    order = np.argsort(rows.volts, kind="stable")
    low = order[: int(LOWER_PART * n)]
    if len(np.unique(rows.volts[low])) < 3 or len(np.unique(rows.volts)) < 5:
        return everything, 0.0
    line = fit_line(rows.volts[low], rows.cents[low], rows.sigma[low])
    top = order[-1]
    off = float(rows.cents[top] - line.intercept - line.slope * rows.volts[top])
    residual = rows.cents[low] - line.intercept - line.slope * rows.volts[low]
    scatter = max(HELD_CENTS, float(np.sqrt(np.sum(residual**2) / (len(low) - 2))))
    v = rows.volts[low]
    lever = np.sqrt(1.0 + 1.0 / len(low) + (rows.volts[top] - v.mean()) ** 2 / np.sum((v - v.mean()) ** 2))
    if abs(off) < LEAST_BEND_CENTS:
        return everything, 0.0
    if abs(off) > _BEND_SIGMAS * scatter * lever or _proportional(rows):
        return np.sort(low), off
    return everything, 0.0


def _proportional(rows: StepRows) -> bool:
    """Return whether an error proportional to the pitch explains the residual of a straight line."""
    from scipy.stats import f as f_distribution

    n = len(rows.volts)
    one = np.ones(n)
    plain = fit_terms(np.column_stack([one, rows.volts]), rows.cents, rows.sigma)
    bent = fit_terms(np.column_stack([one, rows.volts, rows.hz]), rows.cents, rows.sigma)
    if n < 5 or bent.values[1] <= 0 or abs(bent.values[2]) * rows.hz.max() < LEAST_BEND_CENTS:
        return False
    before, after = float(np.sum(plain.residual**2)), max(float(np.sum(bent.residual**2)), 1e-12)
    ratio = (before - after) / (after / (n - 3))
    return bool(f_distribution.sf(ratio, 1, n - 3) < 1e-3)


def _hertz(rows: StepRows, law: Law) -> tuple[Law, Curve]:
    fit, sigma = _fit_hertz(rows)
    at_zero, slope = fit
    law = replace(law, hertz_per_volt=slope, hertz_per_volt_sigma=sigma, f0_at_zero_v_hz=at_zero)

    def curve(volts: Floats) -> Floats:
        return cents_between(np.maximum(at_zero + slope * np.asarray(volts), 1e-6), 1.0)

    return law, curve


def _fit_hertz(rows: StepRows) -> tuple[tuple[float, float], float]:
    """Fit f = f(0) + k V, errors relative."""
    sigma_hz = rows.hz * rows.sigma * np.log(2.0) / 1200.0
    line = fit_line(rows.volts, rows.hz, sigma_hz)
    return (line.intercept, line.slope), line.stated_slope_sigma


def _free(rows: StepRows, law: Law) -> tuple[Law, Curve]:
    """Describe a free law; a curve through all steps has no error to state, so a simple one is fitted."""
    mean = averaged(rows)
    power = fit_power(mean.volts, mean.cents, mean.sigma)
    if power is not None and _believable(power, mean):
        law = replace(law, exponent=power.exponent, exponent_sigma=power.exponent_sigma, exponent_from_v=power.from_v)
    else:
        power = None
    simple = best_simple_law(mean.volts, mean.cents, mean.sigma, power)
    return replace(law, errors_against=simple.name), simple.cents


def _believable(power: PowerFit, rows: StepRows) -> bool:
    return power.rms_cents < max(_FITS_CENTS, 0.03 * float(np.ptp(rows.cents))) and power.exponent_sigma < 0.5 * abs(
        power.exponent
    )


def _one_way(rows: StepRows) -> StepRows:
    """Return the rows of one direction where it has nearly all voltages (hysteresis bends nothing), else the means."""
    whole = averaged(rows)
    ways: tuple[Direction, Direction] = ("up", "down")
    for way in ways:
        which = np.array([d == way for d in rows.direction])
        if which.any():
            part = averaged(
                StepRows(
                    volts=rows.volts[which],
                    cents=rows.cents[which],
                    sigma=rows.sigma[which],
                    direction=tuple(d for d in rows.direction if d == way),
                )
            )
            if len(part.volts) >= max(4, 0.7 * len(whole.volts)):
                return part
    return whole


def _choose(rows: StepRows) -> tuple[LawKind, str]:
    """Choose the law with the least residual, and give the reason."""
    one_way = _one_way(rows)
    n = len(one_way.volts)
    if n < 3:
        return (
            "volt-per-octave",
            f"{n} different voltages cannot tell one law from another; volt per octave is the usual one",
        )
    octave = _octave_law_rms(one_way)
    hertz = _hertz_law_rms(one_way)
    span = float(np.ptp(one_way.cents))
    fits = max(_FITS_CENTS, _FITS_SHARE * span)
    power = fit_power(one_way.volts, one_way.cents, one_way.sigma) if n >= 5 else None
    free = power.rms_cents if power is not None else np.inf
    shown = f"a straight line in octaves leaves {octave:.1f} cents r.m.s., one in hertz {hertz:.1f}"
    nearest = min(octave, hertz)
    if free < 0.3 * nearest and nearest > 4.0:
        return "free", f"{shown}, a power of the voltage {free:.1f}"
    if hertz < _CLEARLY * octave and hertz <= fits:
        return "hertz-per-volt", shown
    if octave <= fits:
        return "volt-per-octave", shown
    if hertz <= fits:
        return "hertz-per-volt", shown
    if n < 4:
        return ("hertz-per-volt" if hertz < octave else "volt-per-octave"), f"{shown}; too few steps for a free law"
    return "free", f"{shown}: neither follows the steps"


def _octave_law_rms(rows: StepRows) -> float:
    """R.m.s. residual of volt per octave, with an error proportional to the pitch where that is small and helps."""
    one = np.ones(len(rows.volts))
    plain = fit_terms(np.column_stack([one, rows.volts]), rows.cents, rows.sigma)
    if len(rows.volts) < 5:
        return plain.rms
    bent = fit_terms(np.column_stack([one, rows.volts, rows.hz]), rows.cents, rows.sigma)
    small = abs(bent.values[2]) * float(rows.hz.max()) < _MOST_DROOP_CENTS
    upward = bent.values[1] > 0.5 * plain.values[1] > 0
    return min(plain.rms, bent.rms) if small and upward else plain.rms


def _hertz_law_rms(rows: StepRows) -> float:
    (at_zero, slope), _ = _fit_hertz(rows)
    fitted = at_zero + slope * rows.volts
    if np.any(fitted <= 0):
        return float(np.ptp(rows.cents))
    residual = rows.cents - cents_between(fitted, 1.0)
    return float(np.sqrt(np.sum(residual**2) / max(1, len(residual) - 2)))
