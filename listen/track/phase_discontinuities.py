"""Phase discontinuities from missing or repeated samples, which no oscillator makes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track.discontinuity_proof import (
    BENT_CYCLES,
    FIT_CYCLES,
    GAP_KNOTS,
    SAME_PITCH,
    has_whole_sides,
    proved_step,
    search_reach,
)
from listen.track.phase import PhaseCurve, RoughCurve, phase_samples
from listen.track.types import Floats, PhaseStep

_SIDE = 8
_LEAST_CYCLES = 0.003
_TORN = 0.25
"""Of the least jump, the share that survives where the phase was smoothed across it."""
_OVER_NOISE = 8.0
_LEAST_SAMPLES = 0.7
_LONGEST_GAP = 8.0
"""In a sweep the missing samples may amount to this many times the gap under test."""
_BENT_SHARE = 0.25
"""A pitch that moves within the gap bends the phase by at most its change times the cycles of the gap: a quarter of a
jump leaves no doubt that it is one."""
_WHOLE = 0.15
"""Few missing samples are a whole number within this tolerance, in samples, where the jump is small."""
_SURE_CYCLES = 0.02
"""A larger jump may be what is left of whole cycles, so that its samples say nothing; of random gaps one in 25 is
smaller."""
_EDGE_S = 0.06
"""Within this time of an end of the signal a small jump is no evidence."""
_STRAIGHT, _STRAIGHT_CYCLES = 3.0, 1e-4
"""Times the least scatter about the lines of the sides, and the scatter that is none: far below the least jump."""
_MOST = 24
_MOST_IN_VAIN = 3
"""Tests in vain that are remembered: speech has one every 15 ms, each dearer than all else of a reading; tones none."""
MOST_DIFFERENT = 0.5
"""Normalised difference between adjacent cycles up to which a side is periodic: white noise has 0.7 to 1."""
SHORTEST_PERIOD = 8.0
"""In samples: shorter cycles are too coarsely sampled to be compared by linear interpolation."""


class RuledOut:
    """Places that were tested and are no steps: a moving window would test them again.

    Parameters
    ----------
    remembered_samples : int
        A place is dropped when the window starts so many samples after it.
    """

    def __init__(self, remembered_samples: int = 0) -> None:
        self._remembered_samples = remembered_samples
        self._samples: list[float] = []

    def holds(self, sample: float, near: float, first: int) -> bool:
        """Whether a place is not worth a test.

        Parameters
        ----------
        sample : float
        near : float
            In samples: a test searches so far about its place, and a place nearer to a tested one is tested with it.
        first : int
            First sample of the window.

        Returns
        -------
        bool
            It was tested, or so many others were tested in vain that the signal is no steady tone.
        """
        return self.holds_all(first) or any(abs(known - sample) <= near for known in self._samples)

    def holds_all(self, first: int) -> bool:
        """Whether no place of a window that begins at a sample is worth a test."""
        self._samples = [known for known in self._samples if known >= first - self._remembered_samples]
        return len(self._samples) >= _MOST_IN_VAIN

    def add(self, sample: float) -> None:
        """Add a place."""
        self._samples.append(sample)


def find_steps(
    curve: PhaseCurve, rough: RoughCurve, x: Floats, first: int, rate_hz: float, ruled_out: RuledOut | None = None
) -> list[tuple[int, PhaseStep]]:
    """Find places where the phase jumps from one sample to the next at an unchanged pitch.

    Parameters
    ----------
    curve : PhaseCurve
    rough : RoughCurve
        The phase relative to which the curve's residue is given.
    x : ndarray, shape (n,)
        Samples, x[0] is sample ``first`` of the file.
    first : int
    rate_hz : float
    ruled_out : RuledOut or None
        Shared by calls on overlapping samples; new places are added.

    Returns
    -------
    list of (sample, PhaseStep)
        First sample after the step, in order of time.

    Notes
    -----
    Candidates: straight lines fitted to the phase residue on both sides of a gap as long as a short frame have equal
    slopes and an offset far above the scatter of the residue. Test: harmonics are fitted on each side and extrapolated
    to one common sample; the residual of the extrapolations must not exceed that of the fits. A control turned quickly
    bends the phase over many samples and fails this test.
    """
    found: list[tuple[int, PhaseStep]] = []
    if ruled_out is not None and ruled_out.holds_all(first):
        return found
    for sample, slope, spacing, least in _candidates(curve):
        if ruled_out is not None and ruled_out.holds(sample, 0.5 * search_reach(slope, spacing), first):
            continue
        if not _periodic_at_side(rough, x, first, sample, slope):
            continue
        found_at = proved_step(rough, x, first, sample, slope, spacing)
        if found_at is None:
            if ruled_out is not None and has_whole_sides(x, first, sample, slope, spacing):
                ruled_out.add(sample)
            continue
        at, jump = found_at
        samples = abs(jump) / slope
        edge_s = min(at - max(first, rough.samples[0]), min(first + len(x), rough.samples[-1]) - at) / rate_hz
        if abs(jump) < least or (abs(jump) < _SURE_CYCLES and edge_s < _EDGE_S):
            continue
        small = abs(jump) < _SURE_CYCLES
        few = samples < 4.0 and abs(samples - round(samples)) > _WHOLE
        if small and (samples < _LEAST_SAMPLES or few):
            continue
        found.append((at, PhaseStep(time_s=at / rate_hz, cycles=jump, missing_samples=jump / slope)))
    return found


def _candidates(curve: PhaseCurve) -> list[tuple[float, float, float, float]]:
    """Candidate places: sample, slope in cycles a sample, knot spacing in samples, least jump to accept in cycles."""
    n = len(curve.residue)
    reach = _SIDE + GAP_KNOTS
    if n < 2 * reach + 1:
        return []
    m = n - 2 * reach
    fits, out, found = np.empty((3, n)), np.empty((3, m)), np.empty(m, dtype=np.int64)
    index = found[: kernels.torn_places(curve.residue, _SIDE, GAP_KNOTS, _LEAST_CYCLES, _OVER_NOISE, fits, out, found)]
    if not len(index):
        return []
    jump, bend, noise = out
    size = np.abs(jump)
    left, right = index, index + reach + GAP_KNOTS + 1
    same = _same_pitch(curve, left, right, size[index])
    left, right = left[same], right[same]
    index = left[_torn(curve, left, right)]
    candidates = []
    groups = np.split(index, np.flatnonzero(np.diff(index) > 2) + 1) if len(index) else []
    if len(groups) > _MOST:
        # a wave with jitter throughout has many: the most significant are tested
        clear = np.array([float((size[g] / np.maximum(noise[g], 1e-12)).max()) for g in groups])
        groups = [groups[i] for i in np.sort(np.argsort(-clear)[:_MOST])]
    for group in groups:
        # the jump shows wherever the gap between the sides holds it: its place is the middle of those where both sides
        # are straight. A sweep bends them all alike, so that the least bend is no sign of the place
        if len(group):
            full = group[size[group] >= 0.5 * size[group].max()]
            straight = full[noise[full] <= max(_STRAIGHT * float(noise[full].min()), _STRAIGHT_CYCLES)]
            i = int(straight[len(straight) // 2])
            k = i + reach
            wrapped = abs((float(jump[i]) + 0.5) % 1.0 - 0.5)
            least = 0.5 * wrapped if bend[i] < 0.5 * size[i] else BENT_CYCLES
            spacing = float(curve.samples[k + 1] - curve.samples[k - 1]) / 2
            candidates.append((float(curve.samples[k]), float(curve.slopes[k - reach + 2]), spacing, least))
    return candidates


def _torn(curve: PhaseCurve, left: NDArray[np.int64], right: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether lines of one common curvature through both sides are offset in the phase itself, not only in the residue.

    The rough phase has kinks at its knots, and so has the residue about it; the phase of the tone has none.
    """
    if not len(left):
        return np.zeros(0, dtype=bool)
    near = np.concatenate([left[:, None] + np.arange(_SIDE), right[:, None] + np.arange(_SIDE)], axis=1)
    middle = curve.samples[near].mean(axis=1, keepdims=True)
    time = curve.samples[near] - middle
    time /= np.abs(time).max(axis=1, keepdims=True)
    phase = curve.turns[near] - curve.turns[near].mean(axis=1, keepdims=True)
    after = np.repeat([0.0, 1.0], _SIDE)
    columns = np.stack([np.ones_like(time), after + 0 * time, time * (1 - after), time * after, time**2], axis=2)
    turned = columns.swapaxes(1, 2)
    fitted = np.linalg.solve(turned @ columns, turned @ phase[:, :, None])
    torn: NDArray[np.bool_] = np.abs(fitted[:, 1, 0]) > _TORN * _LEAST_CYCLES
    return torn


def _same_pitch(
    curve: PhaseCurve, left: NDArray[np.int64], right: NDArray[np.int64], jump: Floats
) -> NDArray[np.bool_]:
    """Whether the pitch is continuous across the gap: constant, or in a sweep further by the missing samples.

    Or its change over the gap bends the phase by far less than it jumps, as where it wavers.
    """
    log = np.log(np.maximum(curve.slopes, 1e-12))
    end = left + _SIDE - 1
    begin = np.minimum(right + 1, len(log) - 1)
    far = np.minimum(right + _SIDE - 1, len(log) - 1)
    step = log[begin] - log[end]
    seconds = np.maximum(curve.samples[end] - curve.samples[left], 1.0)
    rate = 0.5 * ((log[end] - log[left]) / seconds + (log[far] - log[begin]) / seconds)
    swallowed = step / np.where(np.abs(rate) > 1e-12, rate, np.inf)
    most = _LONGEST_GAP * (curve.samples[begin] - curve.samples[end])
    bent = np.abs(step) * curve.slopes[left] * (curve.samples[begin] - curve.samples[end])
    same: NDArray[np.bool_] = (np.abs(step) < SAME_PITCH) | ((swallowed > 0) & (swallowed < most))
    same |= bent < _BENT_SHARE * jump
    return same


def _periodic_at_side(rough: RoughCurve, x: Floats, first: int, sample: float, slope: float) -> bool:
    """Whether the signal is periodic on both sides of a place, by the normalised difference between adjacent cycles.

    The test of a step needs harmonics that leave less than a ninth of the power on the sides, and such a signal is
    periodic. Noise mistaken for a tone is not, and is spared the expensive test.
    """
    period = 1.0 / slope
    if period < SHORTEST_PERIOD:
        return True
    reach = int(FIT_CYCLES * period) + 1
    middle = int(sample)
    difference = power = 0.0
    for low, high in ((middle - 2 * reach, middle - int(period)), (middle + int(period), middle + 2 * reach)):
        a, b = max(low, first), min(high, first + len(x))
        if b - a < 2 * period + 2:
            continue
        part = x[a - first : b - first]
        phase = phase_samples(rough.samples, rough.turns, rough.slopes, a, b - a).phase
        n = int(np.searchsorted(phase, phase[-1] - 1.0))
        difference += float(np.mean((np.interp(phase[:n] + 1.0, phase, part) - part[:n]) ** 2))
        power += 2.0 * float(np.var(part))
    return difference <= MOST_DIFFERENT * power
