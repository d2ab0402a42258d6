"""Slope limits of the amplifier, rising and falling, in volts a microsecond."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.shape import Shape
from listen.circuit.limits_read import NO_VOLTS, misfit, where_of
from listen.circuit.types import Quantity, Where, unknown

Floats = NDArray[np.floating[Any]]

_WITHIN_SHARE, _BEHIND_SHARE = 0.0013, 0.001
"""Uncertainty of a limited slope beside the fit's own, within the loop and behind it: a cycle of 192 points, bins of
rows whose pitch differs (solved circuits, whose amplifiers have a pole of 0.15 to 1 MHz before the limit)."""
_BEHIND_MISFIT = 2.5
"""Behind the loop the pole, and whether the limit sets in suddenly or as tanh does, are not in the model: what that
leaves is alike in all bins and runs smoothly over the harmonics, so that it does not average out as noise does. Solved
circuits of both kinds are off by one to four times what independent errors would make, r.m.s. this. Within the loop the
pitch shows the pole."""
_SURE = 2.0
"""Standard deviations by which a limit must be exceeded to be reached, and by which two limits must differ to be
two: one in twenty of equal ones is called different, and is then off by as little."""
_REACHED = 0.05
"""Logarithm of a slope over its limit from which it is held: the rows of a bin differ in pitch, and so in their slope,
by 3.5 %, and what lies under that looks like a slope at its limit."""
_POINTS = 256


def slew(account: Account, volts: float | None) -> tuple[Quantity, Quantity, Quantity]:
    """Slope limit of the amplifier, and of its rising and its falling slope.

    The first is the lesser of the two where they differ. Where a slope is not held: at least what was needed of it.
    """
    if volts is None:
        return unknown(NO_VOLTS), unknown(NO_VOLTS), unknown(NO_VOLTS)
    need = _steepest(account)
    if need is None:
        why = unknown("too few rows show the wave at rest")
        return why, why, why
    up, down = (Quantity(value=slope * volts / 1e6, bound="at-least", where=need[1]) for slope in need[0])
    shape = account.shape
    if shape is None or shape.choice is None or not shape.choice.best.stages.has("S"):
        return (up if need[0][0] > need[0][1] else down), up, down
    return _held(account, shape, volts / 1e6, (up, down))


def _held(
    account: Account, shape: Shape, scale: float, bounds: tuple[Quantity, Quantity]
) -> tuple[Quantity, Quantity, Quantity]:
    """Limits of a wave whose slopes are held; a bound for one that is not."""
    sizes = shape.sizes
    assert sizes is not None
    held = sizes.steepest > 1.0
    if not held.any():
        return max(bounds, key=lambda bound: bound.value or 0.0), *bounds
    where = where_of(account, shape.rows & (account.frames.f0_hz > sizes.f0_hz[held].min()))
    mean_sigma, lean_sigma, each_sigma = _sigmas(shape)
    rates = [slope * scale for slope in sizes.slopes_fs_per_s]
    form, alike = (_WITHIN_SHARE, 1.0) if shape.inside else (_BEHIND_SHARE, _BEHIND_MISFIT)

    def measured(rate: float, share: float) -> Quantity:
        return Quantity(value=rate, sigma=rate * math.hypot(alike * share, form), where=where, source="slew")

    sides = [
        measured(rate, share) if math.log(steep) > max(_SURE * share, _REACHED) else bound
        for rate, share, steep, bound in zip(rates, each_sigma, sizes.steep.max(axis=0), bounds, strict=True)
    ]
    if abs(math.log(rates[0] / rates[1])) > 2.0 * _SURE * lean_sigma:
        return sides[int(rates[1] < rates[0])], sides[0], sides[1]
    return measured(math.sqrt(rates[0] * rates[1]), mean_sigma), sides[0], sides[1]


def _sigmas(shape: Shape) -> tuple[float, float, tuple[float, float]]:
    """Of the logarithms of the mean limit, of the rising one over it, and of the rising and the falling one."""
    assert shape.choice is not None
    fit = shape.choice.best
    places = [fit.layout.at[name].start for name in ("S", "lean")]
    own = fit.covariance[np.ix_(places, places)] * misfit(shape) ** 2
    mean, lean = (math.sqrt(max(float(own[i, i]), 0.0)) for i in (0, 1))
    rising, falling = (math.sqrt(max(float(own[0, 0] + own[1, 1] + sign * 2.0 * own[0, 1]), 0.0)) for sign in (1, -1))
    return mean, lean, (rising, falling)


def _slopes(r: NDArray[np.complex128]) -> tuple[float, float]:
    """Steepest rising and falling slope of one cycle, over the fundamental's."""
    k = np.arange(1, len(r) + 2)
    lines = np.concatenate([[1.0 + 0j], r]) * 1j * k
    phase = 2 * np.pi * np.arange(_POINTS) / _POINTS
    slope = np.real(np.exp(1j * np.outer(phase, k)) @ lines)
    return float(slope.max()), float(-slope.min())


def _steepest(account: Account) -> tuple[tuple[float, float], Where] | None:
    """Steepest rising and falling slope of the take's steepest wave, of full scale a second, and its place."""
    frames = account.frames
    rows = np.flatnonzero(account.judged & np.isfinite(frames.f0_hz) & np.isfinite(frames.slope_over_sine))
    if not len(rows):
        return None
    slope = 2 * np.pi * frames.f0_hz[rows] * 10 ** (frames.fundamental_dbfs[rows] / 20)
    at = int(rows[int(np.argmax(slope))])
    size = 10.0 ** (np.nan_to_num(frames.harmonics_dbc[at], nan=-300.0) / 20.0)
    rising, falling = held_slopes(size * np.exp(1j * np.nan_to_num(frames.harmonic_phase_rad[at])))
    time_s, f0 = float(frames.time_s[at]), float(frames.f0_hz[at])
    most = float(slope.max())
    return (most * rising, most * falling), Where(start_s=time_s, end_s=time_s, f0_low_hz=f0, f0_high_hz=f0)


def held_slopes(r: NDArray[np.complex128]) -> tuple[float, float]:
    """Rising and falling slope that a wave surely has, over its fundamental's own.

    Ten harmonics of a flank that is held straight overshoot; their mean after Fejer (any handbook on Fourier series)
    never does, but takes a tenth off a sine: of a wave near to one the harmonics' slopes are taken off instead.

    Parameters
    ----------
    r : ndarray of complex, shape (9,)
        H2 .. H10 over the fundamental.

    Examples
    --------
    >>> [round(slope, 3) for slope in held_slopes(np.zeros(9, dtype=complex))]
    [1.0, 1.0]
    """
    orders = np.arange(1, len(r) + 2)
    taper = 1.0 - orders / (len(r) + 2.0)
    near_sine = 1.0 - float(np.sum(orders[1:] * np.abs(r)))
    rising, falling = (float(taper[0]) * slope for slope in _slopes(r * taper[1:] / taper[0]))
    return max(rising, near_sine), max(falling, near_sine)
