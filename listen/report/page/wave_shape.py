"""What an intended wave looks like: its cycle, and how unequal slopes or halves show in its even harmonics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SHARED_WAVES = ("triangle", "square")
"""Waves of two parts that should share the cycle equally."""
_HIGHEST = 10
"""Even harmonics are summed up to the tenth, as in the frames table."""


def ideal_wave(wave: str, y: Floats, harmonics: int) -> Floats | None:
    """Return one cycle of the intended wave with so many harmonics, its fundamental a sine of amplitude 1.

    Parameters
    ----------
    wave : str
    y : ndarray, shape (n,)
        The cycle that was measured: a sawtooth may rise or fall.
    harmonics : int

    Returns
    -------
    ndarray, shape (n,), or None
        None where no wave is intended.

    Notes
    -----
    Fourier series of any handbook: of a triangle sin k t / k^2, of a square sin k t / k (odd k), of a sawtooth
    sin k t / k, signs alternating where it rises.
    """
    k = np.arange(1, harmonics + 1)
    odd = k % 2 == 1
    lines = np.sin(2.0 * np.pi * np.outer(k, np.arange(len(y))) / len(y))
    if wave == "sine":
        return np.asarray(lines[0])
    if wave == "triangle":
        return _sum_of_lines(np.where(odd, (-1.0) ** ((k - 1) // 2) / k**2, 0.0), lines)
    if wave == "square":
        return _sum_of_lines(np.where(odd, 1.0 / k, 0.0), lines)
    if wave == "sawtooth":
        ways = [_sum_of_lines(sign / k, lines) for sign in (np.ones(len(k)), (-1.0) ** (k + 1))]
        return min(ways, key=lambda way: float(np.sum((y - way) ** 2)))
    return None


def _sum_of_lines(amplitudes: Floats, lines: Floats) -> Floats:
    return np.asarray((amplitudes[:, None] * lines).sum(axis=0))


def longer_share(h2_dbc: Floats, wave: str) -> Floats:
    """Return the part of the cycle that the longer slope of a triangle, or half of a square, takes, in per cent.

    Parameters
    ----------
    h2_dbc : ndarray, shape (n,)
    wave : {'triangle', 'square'}

    Returns
    -------
    ndarray, shape (n,)
        50 and more; NaN where H2 was not measurable.

    Notes
    -----
    H2 over H1 is |cos(pi d)| / 2 of a triangle whose slope takes d of the cycle, |cos(pi d)| of a square: their series.

    Examples
    --------
    >>> longer_share(np.array([20.0 * np.log10(0.0157)]), "square").round(1)
    array([50.5])
    """
    cosine = np.minimum((2.0 if wave == "triangle" else 1.0) * 10.0 ** (np.asarray(h2_dbc) / 20.0), 1.0)
    return np.asarray(100.0 * (1.0 - np.arccos(cosine) / np.pi))


def share_of_even(even_percent: float, wave: str) -> float:
    """Return the share of the cycle, in per cent, at which the even harmonics reach so much of the fundamental.

    Parameters
    ----------
    even_percent : float
    wave : {'triangle', 'square'}

    Returns
    -------
    float
        50 to 75.

    Examples
    --------
    >>> round(share_of_even(1.0, "triangle"), 1), round(share_of_even(7.0, "square"), 1)
    (50.5, 51.0)
    """
    d = np.linspace(0.5, 0.75, 2001)
    k = np.arange(2, _HIGHEST + 1, 2)[:, None]
    power = 2 if wave == "triangle" else 1
    even = np.sqrt(np.sum((np.sin(k * np.pi * d) / (k**power * np.sin(np.pi * d))) ** 2, axis=0))
    rising = np.maximum.accumulate(100.0 * even)
    return float(100.0 * np.interp(even_percent, rising, d))
