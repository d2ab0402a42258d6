"""Axes of a chart: linear and logarithmic scales, ticks and their labels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MINUS = "\u2212"
_LOG_STEPS = (
    (1.0,),
    (1.0, 3.0),
    (1.0, 2.0, 5.0),
    (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0),
    (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0, 8.0, 9.0),
)
"""Round numbers of a decade, from few to many."""
_EM_A_LETTER = 0.62
"""Mean advance of a letter, in parts of the type size: that of a wide sans serif (from memory), so that text fits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A linear or a logarithmic scale.

    Attributes
    ----------
    low, high : float
        Its ends, ``low < high``; both above zero where it is logarithmic.
    log : bool
    """

    low: float
    high: float
    log: bool = False

    def fraction(self, values: Floats | float) -> Floats:
        """Return where values lie: 0 at the low end, 1 at the high one, NaN where a logarithm has none."""
        values = np.asarray(values, dtype=float)
        if not self.log:
            return np.asarray((values - self.low) / (self.high - self.low))
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.where(values > 0.0, np.log(np.where(values > 0.0, values, 1.0)), np.nan)
        return np.asarray((logs - math.log(self.low)) / (math.log(self.high) - math.log(self.low)))

    def ticks(self, most: int) -> list[float]:
        """Return round values within the ends, at most so many (three at the least, where they can be had)."""
        if self.log:
            found = _log_ticks(self.low, self.high, most)
            if len(found) >= 3:
                return found
        return _linear_ticks(self.low, self.high, max(2, most))


def _linear_ticks(low: float, high: float, most: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    for step in (power, 2.0 * power, 5.0 * power, 10.0 * power):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            # a division, not a product: 3 * 0.1 is not 0.3
            return [float(f"{n * step:.12g}") for n in range(first, last + 1)]
    return []


def _log_ticks(low: float, high: float, most: int) -> list[float]:
    """The densest set of round numbers that has room."""
    best: list[float] = []
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for steps in _LOG_STEPS:
        found = [float(f"{m * 10.0**e:.4g}") for e in decades for m in steps]
        found = [tick for tick in found if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9)]
        if not best or len(found) <= most:
            best = found
    return best


def number_text(value: float, *, kilo: bool = False) -> str:
    """Write a tick: no needless zeros, a true minus sign, thousands as k where asked for.

    Examples
    --------
    >>> number_text(-0.5), number_text(1500.0, kilo=True), number_text(1e-4)
    ('\u22120.5', '1.5 k', '0.0001')
    """
    if kilo and abs(value) >= 1000.0:
        return f"{value / 1000.0:.6g} k".replace("-", MINUS)
    text = f"{value:.6g}"
    if "e" in text:
        text = f"{value:.7f}".rstrip("0").rstrip(".") if abs(value) < 1.0 else f"{value:.0f}"
    return text.replace("-", MINUS) if text != "-0" else "0"


def text_width(text: str, size: float) -> float:
    """Return how wide a text is at most, in the unit of the type's size."""
    return _EM_A_LETTER * size * len(text)
