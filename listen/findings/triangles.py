"""Triangles with clipped tips as a truncated Fourier series shows them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.findings.flattened import ClipTable, put_back, read_sum
from listen.sorting import distinct

Floats = NDArray[np.floating[Any]]

_TABLED = np.array([*range(1, 33), 36, 42, 50, 60, 72, 86, 104, 126, 152, 184, 224])
"""Numbers of harmonics that tables are made for: above 32 each 20 % more, so that a tip's height is within 0.15 %
(computed)."""


def triangle_harmonics(level: float | Floats, orders: int, both: bool) -> Floats:
    """Harmonics 1 .. orders of a triangle with one tip or both clipped at a level.

    Parameters
    ----------
    level : float or ndarray, shape (m,)
        0 to 1 of the tip's height; 1 is no clipping.
    orders : int
    both : bool
        Both tips, else the positive one.

    Returns
    -------
    ndarray, shape (orders,) or (m, orders)
        Cosine amplitudes, signed; a_1 first.

    Notes
    -----
    The triangle's series is 8 / pi^2 (cos t + cos 3t / 9 + ..), from any handbook. The part clipped off is a small
    triangle over |t| < pi (1 - level) / 2, with a series of the same form: 4 / pi^2 (1 - cos k a) / k^2.
    """
    a = 0.5 * np.pi * (1.0 - np.asarray(level)[..., None])
    k = np.arange(1, orders + 1)
    whole = np.where(k % 2 == 1, 8.0 / (np.pi * k) ** 2, 0.0)
    tip = 4.0 / (np.pi * k) ** 2 * (1.0 - np.cos(k * a))
    # the other tip is half a cycle later: even harmonics cancel
    cut = np.where(k % 2 == 1, 2.0 * tip, 0.0) if both else tip
    return np.asarray(whole - cut)


def tabled(orders: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the largest tabulated number of harmonics that does not exceed each, at least 1."""
    found: NDArray[np.int64] = _TABLED[np.clip(np.searchsorted(_TABLED, orders, side="right") - 1, 0, None)]
    return found


@lru_cache(maxsize=64)
def whole_triangle(orders: int) -> tuple[float, float]:
    """Crest over the fundamental, and flat top over a sine's, of an unclipped triangle of ``orders`` harmonics."""
    up, _, flat = read_sum(triangle_harmonics(np.array([1.0]), orders, both=True))
    return float(up[0]), float(flat[0])


@lru_cache(maxsize=128)
def tip_table(orders: int, both: bool) -> ClipTable:
    """Table of tips clipped with increasing depth, measured from ``orders`` harmonics; see ``clip_table``.

    The loss of one tip is relative to the other, about the mean of the wave; of both, relative to the crest over the
    fundamental of an unclipped triangle.
    """
    levels = np.concatenate([np.linspace(0.998, 0.9, 30), np.linspace(0.89, 0.2, 50)])
    harmonics = triangle_harmonics(levels, max(3, orders), both)
    first = harmonics[:, 0]
    up, down, flat = read_sum(harmonics[:, :orders])
    # mean of the part clipped off: a triangle of height (1 - level) over (1 - level) / 2 of the cycle
    mean = 0.25 * (1.0 - levels) ** 2
    whole = np.pi**2 / 8.0
    loss = 1 - levels / first / whole if both else 1 - (levels + mean) / (1 - mean)
    read = 1 - up / whole_triangle(orders)[0] if both else 1 - up / down
    return ClipTable(
        loss=loss,
        read_loss=np.maximum.accumulate(read),
        read_flat=flat,
        h2=np.abs(harmonics[:, 1] / first),
        h3=np.abs(harmonics[:, 2] / first),
    )


def tip_loss(
    read_loss: Floats, read_flat: Floats, orders: NDArray[np.int64], both: bool
) -> tuple[Floats, NDArray[np.float64]]:
    """True loss of tips from the measured one, and their flatness from an unclipped tip (0) to a hard clip (1).

    Parameters
    ----------
    read_loss, read_flat : ndarray, shape (n,)
    orders : ndarray of int, shape (n,)
        Harmonics below the band limit; with fewer than three the loss stays as measured and the flatness is NaN.
    both : bool
    """
    loss, share = np.array(read_loss, dtype=float), np.full(len(read_loss), np.nan)
    few = np.where(orders >= 3, tabled(orders), 0)
    for k in distinct(few[few >= 3]):
        fits = int(k)
        table, rows = tip_table(fits, both), few == k
        loss[rows] = put_back(read_loss[rows], table)
        own = whole_triangle(fits)[1]
        # a low-pass and a truncated series round both tips: the flatness is known where a hard clip is much flatter
        least = 0.3 if both else 0.02
        hard = np.interp(read_loss[rows], table.read_loss, table.read_flat) - own
        with np.errstate(divide="ignore", invalid="ignore"):
            share[rows] = np.where(hard > least, (read_flat[rows] - own) / hard, np.nan)
    return loss, share
