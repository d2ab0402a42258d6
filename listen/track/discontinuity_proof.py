"""The test for missing samples: the extrapolation of each side fits the signal up to the place and no further."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from listen.track.phase import RoughCurve, phase_samples
from listen.track.types import Floats

Indices = NDArray[np.int64]

GAP_KNOTS = 4
"""Knots excluded on each side of a candidate: as many as the smoothing of the phase spreads a jump over."""
BENT_CYCLES = 0.04
"""Where the pitch changes slope as well, a smaller jump is not accepted."""
SAME_PITCH = 0.002
"""Two sides have one pitch within this, as a logarithm: a gap of ten cycles hardly bends what is fitted beside it."""
_SAME_LEVEL = 0.05
"""Missing samples leave the level unchanged; a level that changes with the phase is the circuit's."""
_HARMONICS = 8
_MANY_HARMONICS = 40
"""For a wave with edges: fewer harmonics leave a residual that hides the gap."""
_EDGED_PERIOD, _EDGES = 40, 2.0
"""Samples a cycle, and steepness over the period: a sine has 39 / period, a square 8, a sawtooth 12."""
_KNOTS_OFF = 3.0
"""Search range, in knots, about the knot at which both sides are straightest."""
FIT_CYCLES = 3.0
"""With fewer cycles the harmonics of a side cannot be separated from its sweep."""
_FIT_POINTS = 40
"""Points a coefficient: the fit is smooth, and more only cost time."""
_RESIDUAL_SHARE = 0.03
"""The sides leave no more at the gap than four times their own scatter, or this part of what a smooth bend leaves."""
_SWEPT_SHARE, _SWEPT_CYCLES = 0.004, 0.1
"""... or of so much where each side has a phase of its own and the jump is small: a turn that begins at once then jumps
by 0.05 of a cycle and leaves 0.008."""
_SHARPER = 9.0
"""The residual power of one smooth fit must exceed that of the two sides' extrapolations by this factor."""
_SHIFTED = 0.1
"""Missing samples shift all harmonics by one time and leave the mean: what the sides differ in beyond that shift is no
more than this part of their difference (0.002 at the most in 98 gaps; a level that stops growing leaves a third)."""
_ROUNDED = 1.001
"""Room for the ridge term, which makes the residual a little larger than the least squares."""
_TURNS = 2
"""Iterations for the phase of a sweep: the first leaves less than a twentieth of the error, the second the noise."""


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Samples about a candidate: ``fit`` of them on each side, between them those where the step may lie."""

    first: int
    samples: Floats
    rough_cycles: Floats
    """The rough phase of each."""
    fit: int
    slope: float
    """Cycles a sample."""

    @property
    def place(self) -> Floats:
        """Of each sample, -1 to 1."""
        return np.linspace(-1.0, 1.0, len(self.samples))


@dataclass(frozen=True, slots=True)
class _Switch:
    """Where the sides meet."""

    apart: bool
    """The two sides leave a far smaller residual than one smooth fit."""
    proved: bool
    sample: int = 0
    jump_cycles: float = 0.0


_NOTHING = _Switch(apart=False, proved=False)


def search_reach(slope: float, spacing: float) -> int:
    """Return the search range on each side of a place, in samples.

    Parameters
    ----------
    slope : float
        Cycles a sample.
    spacing : float
        Samples from knot to knot.
    """
    period = 1.0 / slope
    return int(max(2.5 * period, 0.5 * GAP_KNOTS * period + 1, _KNOTS_OFF * spacing, 256.0 * min(1.0, period / 48.0)))


def _sides(slope: float, spacing: float) -> tuple[int, int]:
    """Search range on each side of a place, and length of each side's fit, in samples."""
    reach = search_reach(slope, spacing)
    return reach, int(max(FIT_CYCLES / slope, 2 * reach))


def has_whole_sides(x: Floats, first: int, sample: float, slope: float, spacing: float) -> bool:
    """Whether all samples that the proof wants are there."""
    reach, fit = _sides(slope, spacing)
    return int(sample) - reach - fit >= first and int(sample) + reach + fit <= first + len(x)


def proved_step(
    rough: RoughCurve, x: Floats, first: int, sample: float, slope: float, spacing: float
) -> tuple[int, float] | None:
    """Find the sample at which the right side's extrapolation takes over from the left side's.

    Parameters
    ----------
    rough : RoughCurve
    x : ndarray, shape (n,)
        Samples, x[0] is sample ``first`` of the file.
    first : int
    sample : float
        The candidate.
    slope : float
        Cycles a sample.
    spacing : float
        Samples from knot to knot.

    Returns
    -------
    tuple of (int, float) or None
        First sample after the step, and the jump of the phase in cycles; None: nothing is proved.
    """
    if not has_whole_sides(x, first, sample, slope, spacing):
        return None
    reach, fit = _sides(slope, spacing)
    a, b = int(sample) - reach - fit, int(sample) + reach + fit
    phase = phase_samples(rough.samples, rough.turns, rough.slopes, a, b - a)
    window = _Window(first=a, samples=x[a - first : b - first], rough_cycles=phase.phase, fit=fit, slope=slope)
    found = _switch(window, phase.phase, phase.phase, _HARMONICS)
    if not found.proved and _has_edges(x, first, sample, slope):
        found = _switch(window, phase.phase, phase.phase, _MANY_HARMONICS)
    if not found.proved and found.apart:
        # the rough phase is smooth across the gap, and its bend there is no continuation of either side
        swept = _switch(
            window,
            _swept_cycles(window, slice(0, fit)),
            _swept_cycles(window, slice(b - a - fit, b - a)),
            _HARMONICS,
            swept=True,
        )
        # a turn that begins or ends at once bends the phase, and two steady sweeps miss each other a little there
        found = swept if abs(swept.jump_cycles) > BENT_CYCLES else _NOTHING
    return (found.sample, found.jump_cycles) if found.proved else None


def _swept_cycles(window: _Window, side: slice) -> Floats:
    """Phase of a steady sweep through one side, carried on over the whole window.

    What is left of the phase after the last polynomial is averaged over whole cycles, so that harmonics do not bend it.
    """
    place = window.place
    cycle = max(round(1.0 / window.slope), 2)
    fitted = polynomial.polyfit(place[side], window.rough_cycles[side], 2)
    samples = window.samples[side] - float(np.mean(window.samples[side]))
    middle = np.convolve(place[side], np.full(cycle, 1.0 / cycle), "valid")
    for _ in range(_TURNS):
        turned = samples * np.exp(-2j * np.pi * polynomial.polyval(place[side], fitted))
        mean = np.convolve(turned, np.full(cycle, 1.0 / cycle), "valid")
        fitted = fitted + polynomial.polyfit(middle, np.unwrap(np.angle(mean)) / (2 * np.pi), 2)
    swept: Floats = polynomial.polyval(place, fitted)
    return swept


def _columns(window: _Window, cycles: Floats, harmonics: int, use: Indices) -> Floats:
    """Harmonics whose amplitudes run straight over the window, at some of its samples."""
    angle = 2 * np.pi * (cycles[use] - cycles[0])
    turned = np.cos(angle) + 1j * np.sin(angle)
    # a column lies in one piece: across them the loop waits for memory
    out = np.empty((len(use), 4 * harmonics + 1), order="F")
    out[:, 0] = 1.0
    line = turned
    for k in range(harmonics):
        out[:, 1 + k], out[:, 1 + harmonics + k] = line.real, line.imag
        line = line * turned
    np.multiply(out[:, 1 : 2 * harmonics + 1], window.place[use][:, None], out=out[:, 2 * harmonics + 1 :])
    return out


def _switch(window: _Window, before_cycles: Floats, after_cycles: Floats, most: int, *, swept: bool = False) -> _Switch:
    """Sample at which one side's extrapolation takes over from the other's, each with its own phase."""
    x, fit, n = window.samples, window.fit, len(window.samples)
    harmonics = int(max(1, min(most, 0.45 / window.slope)))
    thin = max(1, fit // (_FIT_POINTS * (harmonics + 1)))
    before_side, gap, after_side = np.arange(0, fit, thin), np.arange(fit, n - fit), np.arange(n - fit, n, thin)
    columns = _columns(window, before_cycles, harmonics, before_side)
    before = _fitted(columns, x[before_side])
    before_own = float(np.mean((x[before_side] - columns @ before) ** 2))
    # one fit over everything leaves at most the variance: a side that leaves a ninth of it cannot show a sharp step
    if 0.5 * _SHARPER * before_own > _ROUNDED * float(np.var(x[::thin])):
        return _NOTHING
    every = np.arange(0, n, thin)
    smooth = _columns(window, window.rough_cycles, harmonics, every)
    one = float(np.mean((x[every] - smooth @ _fitted(smooth, x[every])) ** 2))
    if not one > 0.5 * _SHARPER * before_own:
        return _NOTHING  # whatever the other side leaves
    columns = _columns(window, after_cycles, harmonics, after_side)
    after = _fitted(columns, x[after_side])
    own = 0.5 * (before_own + float(np.mean((x[after_side] - columns @ after) ** 2)))
    if not one > _SHARPER * own:
        return _NOTHING
    before_residual = x[gap] - _columns(window, before_cycles, harmonics, gap) @ before
    after_residual = x[gap] - _columns(window, after_cycles, harmonics, gap) @ after
    before_sum = np.concatenate([[0.0], np.cumsum(before_residual**2)])
    after_sum = np.concatenate([[0.0], np.cumsum(after_residual[::-1] ** 2)])[::-1]
    total = before_sum + after_sum
    at = int(np.argmin(total))
    sharp = max(before_sum[-1], after_sum[0]) > _SHARPER * max(float(total[at]), own * len(gap))
    where = float(window.place[fit + at])
    turn = after_cycles[fit + at] - after_cycles[0] - before_cycles[fit + at] + before_cycles[0]
    left, right = _lines(before, harmonics, where), _lines(after, harmonics, where)
    order = np.arange(harmonics + 1)
    right = right * np.exp(2j * np.pi * order * turn)
    ratio = right[1] / (left[1] or 1.0)
    jump = float(np.angle(ratio) / (2 * np.pi))
    share = _SWEPT_SHARE if swept and abs(jump) < _SWEPT_CYCLES else _RESIDUAL_SHARE
    explained = total[at] < max(4.0 * own, share * one) * len(gap)
    apart = float(np.sum(np.abs(right - left) ** 2))
    shifted = float(np.sum(np.abs(right - left * np.exp(2j * np.pi * order * jump)) ** 2)) < _SHIFTED * apart
    same_level = abs(np.log(max(abs(ratio), 1e-9))) < (2.0 if abs(jump) > BENT_CYCLES else 1.0) * _SAME_LEVEL
    proved = bool(explained and sharp and same_level and shifted)
    return _Switch(apart=True, proved=proved, sample=window.first + fit + at, jump_cycles=jump)


def _has_edges(x: Floats, first: int, sample: float, slope: float) -> bool:
    """Whether a wave of long cycles has edges: its first difference has far more power than a sine's."""
    period = int(1.0 / slope)
    part = x[max(int(sample) - first - 2 * period, 0) : int(sample) - first + 2 * period]
    if period < _EDGED_PERIOD or len(part) < period:
        return False
    # power of the first difference over the variance: sine 39 / period^2, square 8 / period, sawtooth 12 / period
    return float(np.mean(np.diff(part) ** 2)) > _EDGES / period * float(np.var(part))


def _lines(fit: Floats, harmonics: int, place: float) -> NDArray[np.complex128]:
    """Mean (as the amplitude of its power) and complex amplitudes of the fitted harmonics at a place."""
    cosine = fit[1 : harmonics + 1] + place * fit[2 * harmonics + 1 : 3 * harmonics + 1]
    sine = fit[harmonics + 1 : 2 * harmonics + 1] + place * fit[3 * harmonics + 1 : 4 * harmonics + 1]
    return np.concatenate([[np.sqrt(2.0) * fit[0]], cosine - 1j * sine])


def _fitted(columns: Floats, values: Floats) -> Floats:
    """Least squares by the normal equations, with a ridge term (1e-9 of the mean diagonal) against singularity."""
    square = columns.T @ columns
    square[np.diag_indices_from(square)] += 1e-9 * np.trace(square) / len(square)
    found: Floats = np.linalg.solve(square, columns.T @ values)
    return found
