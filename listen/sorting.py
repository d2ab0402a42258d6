"""Medians, quantiles and distinct values, by sorting alone.

numpy's own give the same numbers, but load its masked arrays first: a hundredth of a second at every check.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.floating[Any]] | NDArray[np.integer[Any]]
Number = TypeVar("Number", bound=np.number[Any])


def median(values: Numbers) -> float:
    """Return the middle of all values; NaN where there is none, or where one of them is NaN.

    >>> median(np.array([4.0, 1.0, 3.0, 2.0]))
    2.5
    """
    flat = values.ravel()
    if flat.size == 0:
        return float("nan")
    part = np.partition(flat, _places(flat.size))
    if part[-1] != part[-1]:  # NaN is sorted last
        return float("nan")
    half = flat.size // 2
    return float(part[half] if flat.size % 2 else (part[half - 1] + part[half]) / 2)


def median_of_known(values: Numbers) -> float:
    """Return the middle of the values that are not NaN; NaN where there is none."""
    return median(values[~np.isnan(values)])


def medians(values: NDArray[np.floating[Any]], axis: int) -> NDArray[np.floating[Any]]:
    """Return the medians along an axis that is not empty; NaN where one of the values is NaN."""
    n = values.shape[axis]
    part = np.moveaxis(np.partition(values, _places(n), axis=axis), axis, 0)
    middle = np.mean(part[(n - 1) // 2 : n // 2 + 1], axis=0)
    return np.asarray(np.where(np.isnan(part[-1]), np.nan, middle))


def quantile(values: Numbers, share: float) -> float:
    """Return the value below which a share of the others lies, drawn straight between two of them.

    NaN where there is no value, or where one of them is NaN.

    >>> quantile(np.array([4.0, 1.0, 3.0, 2.0]), 0.25)
    1.75
    """
    flat = values.ravel()
    if flat.size == 0:
        return float("nan")
    place = (flat.size - 1) * share
    low = int(place)
    high = min(low + 1, flat.size - 1)
    part = np.partition(flat, sorted({low, high, flat.size - 1}))
    if part[-1] != part[-1]:  # NaN is sorted last
        return float("nan")
    below, above = part[low], part[high]
    along = place - low
    if below == above or not along:  # infinite ones have no difference
        return float(below)
    # from the nearer of the two, so that the share of 1 is the largest itself
    way = above - below
    return float(above - way * (1 - along) if along >= 0.5 else below + way * along)


def quantile_of_known(values: Numbers, share: float) -> float:
    """Return the quantile of the values that are not NaN; NaN where there is none."""
    return quantile(values[~np.isnan(values)], share)


def distinct(values: NDArray[Number]) -> NDArray[Number]:
    """Return each value once, sorted; NaN once too, and last.

    >>> distinct(np.array([3, 1, 3, 2]))
    array([1, 2, 3])
    """
    ordered = np.sort(values, axis=None)
    first = np.ones(len(ordered), dtype=bool)
    first[1:] = (ordered[1:] != ordered[:-1]) & ~np.isnan(ordered[:-1])
    return ordered[first]


def _places(n: int) -> list[int]:
    """Return the places that must be in order: the middle, and the last, which is where NaN would be."""
    return sorted({max(0, (n - 1) // 2), n // 2, n - 1})


def running_max(values: NDArray[np.floating[Any]], side: int) -> NDArray[np.floating[Any]]:
    """Largest value within so many places on both sides."""
    padded = np.concatenate([np.full(side, -np.inf), values, np.full(side, -np.inf)])
    out = values.copy()
    # doubling windows: the maximum of two that overlap
    width, current = 1, padded
    while 2 * width <= 2 * side + 1:
        current = np.maximum(current[:-width], current[width:])
        width *= 2
    rest = 2 * side + 1 - width
    whole = np.maximum(current[: len(current) - rest], current[rest:]) if rest else current
    out[:] = whole[: len(values)]
    return out
