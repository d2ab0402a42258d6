"""Standard deviations of what the fit of the wave's shape tells of its parts, from its covariance.

Most of them is that a build has harmonics of its own, which a curve can take for its own.
"""

from __future__ import annotations

import math

import numpy as np

from listen.account.curve.fit import Fit

_OWN = ("h2_dbc", "h3_dbc")
_DB = 20.0 / math.log(10.0)
_LEAST_KNOWN = 0.5
"""Amplitudes that are not known to half of themselves have no level: theirs is a bound."""


def curve_deviations(fit: Fit) -> dict[str, float]:
    """Of a curve's even and odd harmonics, and of the width of its knees, per cent."""
    out = {}
    for letter, name in (("e", "even_percent"), ("o", "odd_percent")):
        found = fit.unknown(letter + "r")
        if found is not None:
            out[name] = 100.0 * float(found[1].max())
    knee = fit.unknown("knee")
    if knee is not None:
        out["knee_percent"] = 100.0 * float(np.exp(knee[0][0]) * knee[1][0])
    return out


def dead_band_deviation(fit: Fit) -> dict[str, float]:
    """Of a dead band, per cent of the peak."""
    found = fit.unknown("D") or fit.unknown("d")
    return {"dead_band_percent": 100.0 * float(found[1][int(np.argmax(found[0]))])} if found is not None else {}


def own_deviations(fit: Fit) -> dict[str, float]:
    """Of the levels of the tone's own second and third harmonics, where they are known, decibels."""
    out = {}
    for i, name in enumerate(_OWN):
        size = abs(complex(fit.leftover[i]))
        variance = float(np.trace(fit.covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2])) / 2.0
        if 0.0 < variance < (_LEAST_KNOWN * size) ** 2:
            out[name] = _DB * math.sqrt(variance) / size
    return out
