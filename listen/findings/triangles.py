"""What a triangle with its tips cut off looks like when only so many harmonics fit."""

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
    """Harmonics 1 .. orders of a triangle of which one tip or both are cut off at a level.

    Parameters
    ----------
    level : float or ndarray, shape (m,)
        0 to 1, the tip's own height; 1 cuts nothing.
    orders : int
    both : bool
        Both tips, else the positive one.

    Returns
    -------
    ndarray, shape (orders,) or (m, orders)
        Cosine amplitudes, signed; a_1 first.

    Notes
    -----
    The triangle's series is 8 / pi^2 (cos t + cos 3t / 9 + ..), any handbook's. What is cut off is a small triangle
    over |t| < pi (1 - level) / 2, whose series is of the same form: 4 / pi^2 (1 - cos k a) / k^2.
    """
    a = 0.5 * np.pi * (1.0 - np.asarray(level)[..., None])
    k = np.arange(1, orders + 1)
    whole = np.where(k % 2 == 1, 8.0 / (np.pi * k) ** 2, 0.0)
    tip = 4.0 / (np.pi * k) ** 2 * (1.0 - np.cos(k * a))
    # the other tip lies half a cycle on
    cut = np.where(k % 2 == 1, 2.0 * tip, 0.0) if both else tip
    return np.asarray(whole - cut)


def tabled(orders: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the numbers of harmonics that stand for others in the tables, 1 at the least."""
    found: NDArray[np.int64] = _TABLED[np.clip(np.searchsorted(_TABLED, orders, side="right") - 1, 0, None)]
    return found


@lru_cache(maxsize=64)
def whole_triangle(orders: int) -> tuple[float, float]:
    """Crest over the fundamental, and flat span over a sine's, of a whole triangle of so many harmonics."""
    up, _, flat = read_sum(triangle_harmonics(np.array([1.0]), orders, both=True))
    return float(up[0]), float(flat[0])


@lru_cache(maxsize=128)
def tip_table(orders: int, both: bool) -> ClipTable:
    """Table of tips cut off deeper and deeper, as ``orders`` harmonics show them: as ``clip_table``.

    The loss of one tip is against the other, about the mean of the wave; of both, against a whole triangle's crest
    over the fundamental.
    """
    levels = np.concatenate([np.linspace(0.998, 0.9, 30), np.linspace(0.89, 0.2, 50)])
    harmonics = triangle_harmonics(levels, max(3, orders), both)
    first = harmonics[:, 0]
    up, down, flat = read_sum(harmonics[:, :orders])
    # the mean of what is cut off, a triangle (1 - level) high over (1 - level) / 2 of the cycle
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
    """True loss of tips that read so, and how flat they are between a whole triangle's (0) and a clean cut's (1).

    Parameters
    ----------
    read_loss, read_flat : ndarray, shape (n,)
    orders : ndarray of int, shape (n,)
        Harmonics that fit; rows with fewer than three stay as they read, and no flatness is told.
    both : bool
    """
    loss, share = np.array(read_loss, dtype=float), np.full(len(read_loss), np.nan)
    few = np.where(orders >= 3, tabled(orders), 0)
    for k in distinct(few[few >= 3]):
        fits = int(k)
        table, rows = tip_table(fits, both), few == k
        loss[rows] = put_back(read_loss[rows], table)
        own = whole_triangle(fits)[1]
        # a filter rounds both tips, and so few harmonics do: they are told apart only where a cut is far flatter
        least = 0.3 if both else 0.02
        hard = np.interp(read_loss[rows], table.read_loss, table.read_flat) - own
        with np.errstate(divide="ignore", invalid="ignore"):
            share[rows] = np.where(hard > least, (read_flat[rows] - own) / hard, np.nan)
    return loss, share
