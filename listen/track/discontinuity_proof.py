"""The proof that samples are missing: each side, carried on, explains the samples up to the place and no further."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from listen.track.phase import RoughCurve, phase_samples
from listen.track.types import Floats

Indices = NDArray[np.int64]

GAP_KNOTS = 4
"""Knots left out on each side of a candidate: as many as the smoothing of the phase spreads a jump over."""
BENT_CYCLES = 0.04
"""Where the pitch bends too, only a jump of more than this is believed."""
SAME_PITCH = 0.002
"""Two sides have one pitch within this, as a logarithm: a gap of ten cycles hardly bends what is fitted beside it."""
_SAME_LEVEL = 0.05
"""A recording that skips keeps the level; a level that jumps with the phase is the circuit's."""
_HARMONICS = 8
_MANY_HARMONICS = 40
"""... of a wave with edges: fewer leave so much of it that no gap stands out."""
_EDGED_PERIOD, _EDGES = 40, 2.0
"""Samples a cycle, and steepness over the period: a sine has 39 / period, a square 8, a sawtooth 12."""
_KNOTS_OFF = 3.0
"""By so many knots a step may lie off the knot at which the sides are straightest."""
FIT_CYCLES = 3.0
"""Fewer cycles do not tell the harmonics of a side from its sweep."""
_FIT_POINTS = 40
"""Points a coefficient: what is fitted is smooth, and more of them only cost time."""
_RESIDUAL_SHARE = 0.03
"""The sides leave no more at the gap than four times their own scatter, or this part of what a smooth bend leaves."""
_SHARPER = 9.0
"""The sides' own continuations must explain the gap so many times better than a smooth bend does."""
_ROUNDED = 1.001
"""The ridge under the fit lets it leave a little more than the least."""
_TURNS = 3
"""A sweep's own phase is found in so many steps: each leaves about a tenth of what the last one left."""


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
    """The sides together explain far more than one smooth bend does."""
    proved: bool
    sample: int = 0
    jump_cycles: float = 0.0


_NOTHING = _Switch(apart=False, proved=False)


def _sides(slope: float, spacing: float) -> tuple[int, int]:
    """Samples on each side of a place within which a step may lie, and on which the harmonics are fitted."""
    rate_free = 1.0 / slope
    reach = int(
        max(2.5 * rate_free, 0.5 * GAP_KNOTS * rate_free + 1, _KNOTS_OFF * spacing, 256.0 * min(1.0, rate_free / 48.0))
    )
    return reach, int(max(FIT_CYCLES * rate_free, 2 * reach))


def has_whole_sides(x: Floats, first: int, sample: float, slope: float, spacing: float) -> bool:
    """Whether all samples that the proof wants are there."""
    reach, fit = _sides(slope, spacing)
    return int(sample) - reach - fit >= first and int(sample) + reach + fit <= first + len(x)


def proved_step(
    rough: RoughCurve, x: Floats, first: int, sample: float, slope: float, spacing: float
) -> tuple[int, float] | None:
    """Find where the left side's continuation gives way to the right side's.

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
    if not found.proved and found.apart and _sweeps(phase.dphi):
        # the rough phase is smooth across the gap, and in a sweep its bend there is no continuation of either side
        swept = _switch(
            window, _swept_cycles(window, slice(0, fit)), _swept_cycles(window, slice(b - a - fit, b - a)), _HARMONICS
        )
        # a turn that begins or ends at once bends the phase, and two steady sweeps miss each other a little there
        found = swept if abs(swept.jump_cycles) > BENT_CYCLES else _NOTHING
    return (found.sample, found.jump_cycles) if found.proved else None


def _sweeps(dphi: Floats) -> bool:
    return abs(float(np.log(max(dphi[-1], 1e-12) / max(dphi[0], 1e-12)))) > SAME_PITCH


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
    turned = np.exp(2j * np.pi * (cycles[use] - cycles[0]))
    out = np.empty((len(use), 4 * harmonics + 1))
    place = window.place[use]
    out[:, 0] = 1.0
    line = turned
    for k in range(harmonics):
        out[:, 1 + k], out[:, 1 + harmonics + k] = line.real, line.imag
        line = line * turned
    np.multiply(out[:, 1 : 2 * harmonics + 1], place[:, None], out=out[:, 2 * harmonics + 1 :])
    return out


def _switch(window: _Window, left_cycles: Floats, right_cycles: Floats, most: int) -> _Switch:
    """Where one side's continuation gives way to the other's, each by a phase of its own."""
    x, fit, n = window.samples, window.fit, len(window.samples)
    harmonics = int(max(1, min(most, 0.45 / window.slope)))
    thin = max(1, fit // (_FIT_POINTS * (harmonics + 1)))
    left_side, gap, right_side = np.arange(0, fit, thin), np.arange(fit, n - fit), np.arange(n - fit, n, thin)
    beside = len(left_side)
    left = _columns(window, left_cycles, harmonics, np.concatenate([left_side, gap]))
    before = _fitted(left[:beside], x[left_side])
    left_own = float(np.mean((x[left_side] - left[:beside] @ before) ** 2))
    # one fit over all leaves no more than the variance: where this side alone leaves a ninth of it, nothing is sharp
    if 0.5 * _SHARPER * left_own > _ROUNDED * float(np.var(x[::thin])):
        return _NOTHING
    right = _columns(window, right_cycles, harmonics, np.concatenate([right_side, gap]))
    after = _fitted(right[: len(right_side)], x[right_side])
    own = 0.5 * (left_own + float(np.mean((x[right_side] - right[: len(right_side)] @ after) ** 2)))
    every = np.arange(0, n, thin)
    smooth = _columns(window, window.rough_cycles, harmonics, every)
    one = float(np.mean((x[every] - smooth @ _fitted(smooth, x[every])) ** 2))
    if not one > _SHARPER * own:
        return _NOTHING
    left_sum = np.concatenate([[0.0], np.cumsum((x[gap] - left[beside:] @ before) ** 2)])
    right_sum = np.concatenate([[0.0], np.cumsum((x[gap] - right[len(right_side) :] @ after)[::-1] ** 2)])[::-1]
    total = left_sum + right_sum
    at = int(np.argmin(total))
    explained = total[at] < max(4.0 * own, _RESIDUAL_SHARE * one) * len(gap)
    sharp = max(left_sum[-1], right_sum[0]) > _SHARPER * max(float(total[at]), own * len(gap))
    where = float(window.place[fit + at])
    turn = np.exp(2j * np.pi * (right_cycles[fit + at] - right_cycles[0] - left_cycles[fit + at] + left_cycles[0]))
    ratio = turn * _tone(after, harmonics, where) / (_tone(before, harmonics, where) or 1.0)
    jump = float(np.angle(ratio) / (2 * np.pi))
    same_level = abs(np.log(max(abs(ratio), 1e-9))) < (2.0 if abs(jump) > BENT_CYCLES else 1.0) * _SAME_LEVEL
    proved = bool(explained and sharp and same_level)
    return _Switch(apart=True, proved=proved, sample=window.first + fit + at, jump_cycles=jump)


def _has_edges(x: Floats, first: int, sample: float, slope: float) -> bool:
    """Whether a wave of long cycles has edges: far more of its power changes from sample to sample than a sine's."""
    period = int(1.0 / slope)
    part = x[max(int(sample) - first - 2 * period, 0) : int(sample) - first + 2 * period]
    if period < _EDGED_PERIOD or len(part) < period:
        return False
    # over the power a sine's changes have 39 / period^2, a square's 8 / period, a sawtooth's 12 / period
    return float(np.mean(np.diff(part) ** 2)) > _EDGES / period * float(np.var(part))


def _tone(fit: Floats, harmonics: int, place: float) -> complex:
    """Fitted fundamental at a place: amplitude and phase."""
    cosine = fit[1] + place * fit[2 * harmonics + 1]
    sine = fit[harmonics + 1] + place * fit[3 * harmonics + 1]
    return complex(cosine, -sine)


def _fitted(columns: Floats, values: Floats) -> Floats:
    """Least squares by the normal equations, with a ridge far below rounding that matters."""
    square = columns.T @ columns
    square[np.diag_indices_from(square)] += 1e-9 * np.trace(square) / len(square)
    found: Floats = np.linalg.solve(square, columns.T @ values)
    return found
