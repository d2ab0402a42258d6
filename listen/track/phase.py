"""The continuous phase of one segment of tone, from its rough pitch and the samples.

A cubic Hermite curve through knots a few milliseconds apart. The rough phase turns the reference harmonic down to
(nearly) nothing over short frames of whole cycles; the residual phase corrects the knots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.native import kernels
from listen.track.segments import Segment
from listen.track.types import Floats

KNOT_S = 0.0018
SHORT_FRAME_S = 0.008
SHORT_FRAME_CYCLES = 2
_SMOOTHER = np.array([-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36]) / 429.0
"""Quadratic least squares over eleven points: Savitzky and Golay, Analytical Chemistry 36(8), 1964 (from memory)."""
_SMOOTH_WITHIN = 0.002
"""The residue is smoothed where it is smooth to within a few thousandths of a cycle."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughCurve:
    """Rough phase of a whole segment: cubic Hermite, in cycles of the fundamental."""

    samples: Floats
    turns: Floats
    slopes: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseCurve:
    """Corrected phase over one chunk of a segment, and the short frames from which it was measured.

    Attributes
    ----------
    samples, turns, slopes : ndarray, shape (n,)
        Knots: sample, phase in cycles, cycles a sample.
    raw_slopes : ndarray, shape (n,)
        Cycles a sample before the residue was smoothed.
    amplitude_fs, power : ndarray, shape (n,)
        Of the reference harmonic, and mean square about the mean, in each short frame.
    residue : ndarray, shape (n,)
        Phase by which the rough curve was wrong, in cycles, unwrapped.
    """

    samples: Floats
    turns: Floats
    slopes: Floats
    raw_slopes: Floats
    amplitude_fs: Floats
    power: Floats
    residue: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseSamples:
    """Phase of each sample from ``first`` on: cycles, cycles a sample."""

    first: int
    phase: Floats
    dphi: Floats


def short_frame_s(f0_hz: float) -> float:
    """Length of the envelope's short frames: whole cycles, 8 ms or more."""
    return max(float(np.ceil(SHORT_FRAME_S * f0_hz)), SHORT_FRAME_CYCLES) / f0_hz


def knot_spacing_s(f0_hz: float) -> float:
    """Time from one short frame of the envelope to the next."""
    step = 0.5
    while 2.0 * step <= KNOT_S * f0_hz:
        step *= 2.0
    return step / f0_hz


def rough_curve(segment: Segment, rate_hz: float) -> RoughCurve:
    """Integrate the rough pitch, with exponential interpolation between hops."""
    slopes = segment.f0_hz / rate_hz
    steps = np.diff(segment.knots)
    log = np.diff(np.log(slopes))
    small = np.abs(log) < 1e-6
    safe = np.where(small, 1.0, log)
    mean = np.where(small, 0.5 * (slopes[1:] + slopes[:-1]), np.diff(slopes) / safe)
    turns = np.concatenate([[0.0], np.cumsum(steps * mean)])
    return RoughCurve(samples=segment.knots, turns=turns, slopes=slopes)


def phase_samples(samples: Floats, turns: Floats, slopes: Floats, first: int, n: int) -> PhaseSamples:
    """Evaluate a Hermite phase curve at samples first .. first + n - 1; its end pieces extrapolate."""
    dphi, phase = np.empty(n), np.empty(n)
    kernels.phase_samples(samples, turns, slopes, first, dphi, phase)
    return PhaseSamples(first=first, dphi=dphi, phase=phase)


def curve_at(curve: PhaseCurve, samples: Floats) -> tuple[Floats, Floats]:
    """Phase in cycles, and cycles a sample, at some samples; the end pieces extrapolate beyond the knots.

    Parameters
    ----------
    curve : PhaseCurve
    samples : ndarray, shape (m,)
        Samples of the file.
    """
    out = np.empty((2, len(samples)))
    kernels.curve_points(curve.samples, curve.turns, curve.slopes, np.asarray(samples, dtype=np.float64), out)
    return out[0], out[1]


def refine(
    rough: RoughCurve, segment: Segment, x: Floats, first: int, rate_hz: float, start: float, stop: float
) -> PhaseCurve | None:
    """Correct the rough phase between two samples of a segment.

    Parameters
    ----------
    rough : RoughCurve
    segment : Segment
    x : ndarray, shape (n,)
        Samples, of which x[0] is sample ``first`` of the file; they cover start .. stop.
    first : int
    rate_hz : float
    start, stop : float

    Returns
    -------
    PhaseCurve or None
        None where fewer than three short frames fit.
    """
    most = int((stop - start) / max(1.0, 0.5 * KNOT_S * rate_hz) + (stop - start) * 2.2 * rough.slopes.max()) + 16
    most = min(most, int((stop - start) / max(1.0, 0.45 * KNOT_S * rate_hz)) + 16)
    knots = np.empty((most, 3))
    count = kernels.place_knots(
        rough.samples,
        rough.turns,
        rough.slopes,
        KNOT_S * rate_hz,
        max(start, segment.start),
        min(stop, segment.stop),
        knots,
    )
    knots = knots[:count]
    if count < 3:
        return None
    a = max(first, int(np.floor(max(start, segment.start))))
    b = min(first + len(x), int(np.ceil(min(stop, segment.stop))))
    x_part = x[a - first : b - first]
    h = segment.reference
    cycles = np.maximum(np.ceil(SHORT_FRAME_S * rate_hz * knots[:, 2]), SHORT_FRAME_CYCLES)
    span = cycles / knots[:, 2]
    whole = (knots[:, 0] - 0.5 * span > a - 1) & (knots[:, 0] + 0.5 * span < b + 1)
    fit = np.flatnonzero(whole)
    if len(fit) < 3:
        return None
    if len(fit) == fit[-1] + 1 - fit[0]:
        knots, cycles = knots[fit[0] : fit[-1] + 1], cycles[fit[0] : fit[-1] + 1]
    else:
        knots, cycles = knots[fit], cycles[fit]
    sums = np.empty((len(knots), 4))
    kernels.short_frames(rough.samples, rough.turns * h, rough.slopes * h, a, x_part, knots[:, 1] * h, cycles * h, sums)
    out = np.empty((7, len(knots)))
    kernels.settle_knots(knots, sums, h, _SMOOTHER, _SMOOTH_WITHIN, out)
    # the phase of a tone rises; without one, in near silence, a knot may come before the last one
    rising = np.diff(np.maximum.accumulate(out[1]), prepend=-np.inf) > 0
    if not rising.all():
        out = np.compress(rising, out, axis=1)
        if out.shape[1] < 3:
            return None
    sample, turns, slopes, raw_slopes, amplitude, power, residue = out
    return PhaseCurve(
        samples=sample,
        turns=turns,
        slopes=slopes,
        raw_slopes=raw_slopes,
        amplitude_fs=amplitude,
        power=power,
        residue=residue,
    )
