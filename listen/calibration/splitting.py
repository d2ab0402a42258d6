"""Error of a volt-per-octave table, split into offset, scale, and terms proportional to f and to 1 / f."""

from __future__ import annotations

import numpy as np

from listen.calibration.fits import TermsFit, fit_terms
from listen.calibration.laws import FittedLaw, StepRows, averaged
from listen.calibration.types import ErrorSplit, Floats, Term
from listen.units import cents_off_note, hz_from_cents

NAMES = ("offset", "scale", "proportional", "inverse")
LEAST_OCTAVES = {"proportional": 3.0, "inverse": 6.0}
LEAST_STEPS = {"proportional": 5, "inverse": 6}
MOST_DOUBT_CENTS = 3.0
"""A term whose effect is not known better than this is refused, unless it is known to a third of itself."""

EXPLAINED = 0.25
"""The bend at the top is in proportion to the pitch where the split leaves less than this part of it."""


def split_error(rows: StepRows) -> ErrorSplit:
    """Fit ``p = a + b V + c f + d / f`` and refuse the terms that the table cannot tell apart.

    Parameters
    ----------
    rows : Rows

    Returns
    -------
    ErrorSplit
        ``offset`` is against the nearest note, at zero volts; ``scale`` in cents per volt, ``proportional`` in cents
        per kHz (reset time, delay, bulk resistance), ``inverse`` in cents times hertz (leakage, bias current).

    Notes
    -----
    Needs three octaves and five voltages for c, six octaves and six voltages for d.
    """
    mean = averaged(rows)
    columns = {
        "offset": np.ones(len(mean.volts)),
        "scale": mean.volts,
        "proportional": mean.hz / 1000.0,
        "inverse": 1.0 / mean.hz,
    }
    octaves = float(np.ptp(mean.cents)) / 1200.0
    refused: dict[str, str] = {}
    for name in ("proportional", "inverse"):
        if octaves < LEAST_OCTAVES[name] or len(mean.volts) < LEAST_STEPS[name]:
            refused[name] = (
                f"the table spans {octaves:.1f} octaves in {len(mean.volts)} steps; "
                f"{LEAST_OCTAVES[name]:.0f} octaves in {LEAST_STEPS[name]} steps are needed to tell it from the scale"
            )
    while True:
        fitted = [name for name in NAMES if name not in refused]
        fit = fit_terms(np.column_stack([columns[name] for name in fitted]), mean.cents, mean.sigma)
        doubtful = _doubtful(fit, fitted, columns)
        if doubtful is None:
            break
        refused[doubtful[0]] = doubtful[1]
    terms = tuple(_term(name, fit, fitted, refused) for name in NAMES)
    return ErrorSplit(terms=terms, fitted=tuple(fitted), covariance=fit.covariance, rms_cents=fit.rms)


def scale_apart(fitted: FittedLaw, split: ErrorSplit | None) -> tuple[float, float]:
    """Return octaves per volt with the bend at the top taken out, and that bend.

    Parameters
    ----------
    fitted : FittedLaw
    split : ErrorSplit or None

    Returns
    -------
    octaves_per_volt, cents_per_khz : float
        Those of the split where the top bends in proportion to the pitch; else the law's and 0.
    """
    if split is None or not fitted.bend_cents or split.rms_cents > EXPLAINED * abs(fitted.bend_cents):
        return fitted.law.octaves_per_volt, 0.0
    scale, bend = split.term("scale").value, split.term("proportional").value
    if scale is None or bend is None:
        return fitted.law.octaves_per_volt, 0.0
    return scale / 1200.0, bend


def _doubtful(fit: TermsFit, fitted: list[str], columns: dict[str, Floats]) -> tuple[str, str] | None:
    """Return the term, of the last two, whose effect is least known, where that is too little."""
    worst: tuple[float, str, str] | None = None
    for name in ("proportional", "inverse"):
        if name not in fitted:
            continue
        i = fitted.index(name)
        reach = float(np.ptp(columns[name]))
        doubt = reach * float(np.sqrt(fit.covariance[i, i]))
        size = reach * abs(float(fit.values[i]))
        if doubt > MOST_DOUBT_CENTS and doubt > size / 3.0 and (worst is None or doubt > worst[0]):
            why = f"its effect of {size:.1f} cents in this table is known to {doubt:.1f} cents only"
            worst = doubt, name, why
    return None if worst is None else (worst[1], worst[2])


def _term(name: str, fit: TermsFit, fitted: list[str], refused: dict[str, str]) -> Term:
    if name in refused:
        return Term(name=name, value=None, sigma=None, refused=refused[name])
    i = fitted.index(name)
    value, sigma = float(fit.values[i]), float(np.sqrt(fit.covariance[i, i]))
    if name == "offset":
        value = float(cents_off_note(hz_from_cents(value, 1.0)))
    return Term(name=name, value=value, sigma=sigma)
