"""The limiter's curve of two integrators in a loop, from the output's harmonics."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.circuit import loop
from listen.circuit.types import AmplifierCurve

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_POINTS = 81
_REACH = 0.995
"""Of the largest output: at the crest itself both flanks are one sample."""
_LEAST_OVER_NOISE = 5.0
"""Less of the regeneration over its noise shows no form."""
_POOR = "the wave does not follow one curve without memory"
_POOR_PERCENT = 8.0
"""Of the regeneration, between the rising and the falling flank: what has no memory leaves none."""


def integrators_curve(account: Account, volts_per_full_scale: float | None) -> AmplifierCurve | str:
    """Return what keeps two integrators going, against the output that limits it; or the reason why it is not seen.

    Parameters
    ----------
    account : Account
    volts_per_full_scale : float or None

    Returns
    -------
    AmplifierCurve or str
        The output of an amplifier that would do the same in the loop, where a gain of one is needed: y + f(y).

    Notes
    -----
    y' = w0 (x + f(y)), x' = -w0 y: the regeneration f has the harmonics j Y_k (k w/w0 - w0 / (k w)), whatever limits
    it. What has no memory encloses no area, the sum of k Im(F_k conj(Y_k)) is zero: w/w0 is the root of the sum of
    |Y_k|^2 over that of k^2 |Y_k|^2. A loop that starts has a slope of f at zero that is positive; where the recorded
    output gives a negative one, the limiter acts on the other output, of which it is the integral.
    """
    if account.shape is None:
        return "too few rows show the wave at rest"
    bins = account.shape.bins
    i = int(np.argmax(bins.amplitude_fs))
    fits = np.isfinite(bins.noise[i])
    y: Complexes = np.append([1.0 + 0.0j], np.where(fits, bins.r[i], 0.0))
    noise = np.append([0.0], np.where(fits, bins.noise[i], 0.0))
    k = np.arange(1, len(y) + 1)
    why = _POOR
    for lines, sigma in ((y, noise), (1j * k * y, k * noise)):
        found = _regeneration(lines / (lines[0] / abs(lines[0])) ** k, sigma)
        if isinstance(found, str):
            why = found
            continue
        at, f, residual_percent = found
        if np.polyfit(at, f, 3)[-2] > 0.0:
            scale = float(bins.amplitude_fs[i]) * (volts_per_full_scale or 1.0)
            return AmplifierCurve(
                input=tuple((scale * at).tolist()),
                output=tuple((scale * (at + f)).tolist()),
                unit="V" if volts_per_full_scale else "fs",
                needed_gain=(1.0, 1.0, 1.0),
                residual_percent=residual_percent,
            )
        why = _POOR
    return why


def _regeneration(y: Complexes, noise: Floats) -> tuple[Floats, Floats, float] | str:
    """Regeneration against the output over its whole swing, and how far both flanks are apart, per cent."""
    k = np.arange(1, len(y) + 1)
    x = np.sqrt(np.sum(np.abs(y) ** 2) / np.sum(k**2 * np.abs(y) ** 2))
    factor = k * x - 1.0 / (k * x)
    lines = 1j * y * factor
    if np.sum(np.abs(lines) ** 2) < _LEAST_OVER_NOISE**2 * np.sum((factor * noise) ** 2):
        return "the harmonics do not stand out of the noise enough to show the limiter"
    wave, f = loop.cycles(y[None])[0], loop.cycles(lines[None])[0]
    top, bottom = int(np.argmax(wave)), int(np.argmin(wave))
    at = _REACH * np.linspace(wave[bottom], wave[top], _POINTS)
    falling = (top + np.arange((bottom - top) % len(wave) + 1)) % len(wave)
    rising = (bottom + np.arange((top - bottom) % len(wave) + 1)) % len(wave)
    down = np.interp(at, wave[falling][::-1], f[falling][::-1])
    up = np.interp(at, wave[rising], f[rising])
    mean, apart = 0.5 * (up + down), 0.5 * (up - down)
    residual = 100.0 * float(np.sqrt(np.mean(apart**2) / np.mean(mean**2)))
    if residual > _POOR_PERCENT:
        return _POOR
    # nothing goes in where nothing comes out: the mean of f is not in the recording
    return at, mean - float(np.interp(0.0, at, mean)), residual
