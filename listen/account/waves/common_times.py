"""A sawtooth's shallow cut among bins of several pitches: times stay in seconds, a cut in parts of the height.

In one bin a cut of some per cent is as good as explained by a longer reset where a dozen harmonics are in the file:
both take off the high ones with the square of their order, and what tells them apart is no larger than an interface's
ripple. Along the pitch such a reset would have to shorten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.choose import FEWEST, PART_CHI_SQUARE, PART_SHARE, PART_SIGMAS
from listen.account.waves.cycle import LEAST_SHARE, Cycle, changed, lines_of
from listen.account.waves.fit import CycleFit, fit_cycle, line_sigma
from listen.account.waves.gather import WaveBin

Floats = NDArray[np.floating[Any]]

_PLAIN = {"share", "bend"}
_MOST_LINES = 40
"""With more a single bin tells the cut."""
_MOST_BINS = 5
"""Pitches that are fitted together: more take more time, and tell no more of what a time is at each."""
_STEP = 1e-5
"""Of each number in the units below: far over the rounding, far under what bends a line."""
_LEAST_OCTAVES = 0.25
"""A time is there a fifth more of the cycle."""
_PHASE_HZ, _PHASE_SIGMA = 20e3, 0.01
"""A recorder's low-pass of the second order turns the harmonics by the third power of their frequency: 0.004 rad there
for a corner of 100 kHz, 0.011 for 70 (computed from a Butterworth's; handbook formula)."""
_STARTS_US = ((2.0, 2.0), (8.0, 0.1))
"""Of reset and low-pass: a sudden reset behind a slow recorder, and a slow reset behind a fast one."""
_CUT_START = 0.02
"""The limit of a crest that is lost; a cut grows as its square, and from nothing no step would lead."""
_US, _DELAY, _BEND, _CUT, _TURN = 1e-6, 1e-3, 1e-2, 1e-2, 1e-3
"""Units in which the search counts, so that a step of each is about as large."""
_MOST_CUT, _MOST_US = 0.2, 100.0
"""What is larger than a fifth, or slower than two faults' resets, a single bin tells."""
_TURNS = 60
"""Steps at the most: the search ends by itself where nothing is gained. They bound the time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Common:
    """What all bins share: times in microseconds, cuts, and the recorder's turn in radians at `_PHASE_HZ`."""

    reset_us: float
    corner_us: float
    turn: float
    cut: float = 0.0
    top: bool = True

    def cycle(self, f0_hz: float, falls: bool) -> Cycle:
        """The cycle at a pitch, its slopes straight."""
        length = max(_US * self.reset_us * f0_hz, LEAST_SHARE)
        cut = {"cut_top" if self.top else "cut_bottom": self.cut}
        return changed(Cycle(share=1.0 - length if falls else length, corner=_US * self.corner_us * f0_hz), cut)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    common: _Common
    cut_sigma: float
    reset_sigma_us: float
    chi_square: float


def with_common_cut(bins: Sequence[WaveBin], fits: Sequence[CycleFit]) -> list[CycleFit]:
    """Return the fits of a sawtooth with one cut tip, where that explains what resets of one length do not.

    Parameters
    ----------
    bins, fits : sequence
        Lowest pitch first.
    """
    use = _some([i for i, bin_ in enumerate(bins) if FEWEST <= len(bin_.lines) <= _MOST_LINES])
    if any(set(fit.free) != _PLAIN for fit in fits) or len(use) < 2:
        return list(fits)
    some, theirs = [bins[i] for i in use], [fits[i] for i in use]
    if np.log2(some[-1].f0_hz / some[0].f0_hz) < _LEAST_OCTAVES or _off_one_length(some, theirs) < PART_CHI_SQUARE:
        return list(fits)
    joint = _Joint(some, theirs)
    without = joint.fitted(None)
    if without.chi_square <= PART_CHI_SQUARE:
        return list(fits)
    cut = min((joint.fitted(top) for top in (True, False)), key=lambda found: found.chi_square)
    gained = without.chi_square - cut.chi_square
    detected = cut.common.cut > PART_SIGMAS * cut.cut_sigma
    if gained <= max(PART_CHI_SQUARE, PART_SHARE * without.chi_square) or not detected:
        return list(fits)
    return [_cut(bin_, fit, cut) for bin_, fit in zip(bins, fits, strict=True)]


def _some(places: list[int]) -> list[int]:
    """So many of them as are fitted together, evenly from the lowest to the highest."""
    if len(places) <= _MOST_BINS:
        return places
    return [places[i] for i in np.round(np.linspace(0, len(places) - 1, _MOST_BINS)).astype(int).tolist()]


def _off_one_length(bins: Sequence[WaveBin], fits: Sequence[CycleFit]) -> float:
    """Chi squared of one reset for all bins; a smear adds to a length as squares do."""
    f0 = np.array([bin_.f0_hz for bin_ in bins])
    share = np.array([min(fit.cycle.share, 1.0 - fit.cycle.share) for fit in fits])
    # (pi k t)^2 / 6 of a length and (2 pi k s)^2 / 2 of a smear: t grows by 6 s^2 / t
    smear = np.array([6.0 * bin_.smear**2 for bin_ in bins]) / np.maximum(share, LEAST_SHARE)
    weight = (f0 / np.hypot([fit.sigma["share"] for fit in fits], smear)) ** 2
    length = share / f0
    return float(np.sum(weight * (length - np.sum(weight * length) / np.sum(weight)) ** 2))


class _Joint:
    """One reset, one low-pass and one recorder's turn for all bins; each has a gain, a delay and a bend of its own."""

    def __init__(self, bins: Sequence[WaveBin], fits: Sequence[CycleFit]) -> None:
        self.bins, self.fits = bins, fits
        self.orders = [np.arange(1, len(bin_.lines) + 1).astype(float) for bin_ in bins]
        self.falls = fits[0].cycle.share > 0.5
        self.ends = np.cumsum([0, *(2 * len(bin_.lines) for bin_ in bins)])
        # a smear takes (2 pi k s)^2 / 2 off a line
        self.sigma = [
            np.hypot(line_sigma(bin_.lines, bin_.sigma), 0.5 * (2 * np.pi * k * bin_.smear) ** 2 * np.abs(bin_.lines))
            for bin_, k in zip(bins, self.orders, strict=True)
        ]

    def common(self, values: Floats, top: bool | None) -> _Common:
        reset, corner, turn, *cut = values[3 * len(self.bins) :].tolist()
        return _Common(
            reset_us=reset, corner_us=corner, turn=_TURN * turn, cut=_CUT * cut[0] if cut else 0.0, top=top is not False
        )

    def misfit(self, values: Floats, top: bool | None) -> Floats:
        shared, n, out = self.common(values, top), len(self.bins), []
        for i, (bin_, k) in enumerate(zip(self.bins, self.orders, strict=True)):
            gain, delay, bend = values[[i, n + i, 2 * n + i]].tolist()
            turn = shared.turn * (k * bin_.f0_hz / _PHASE_HZ) ** 3 - 2 * np.pi * k * _DELAY * delay
            cycle = replace(shared.cycle(bin_.f0_hz, self.falls), bend=_BEND * bend)
            off = (bin_.lines - gain * np.exp(1j * turn) * lines_of(cycle, k)) / self.sigma[i]
            out += [off.real, off.imag]
        return np.concatenate([*out, [shared.turn / _PHASE_SIGMA]])

    def slopes(self, values: Floats, top: bool | None) -> Floats:
        """Of the misfit; what is a bin's own moves in all of them at once."""
        n, now = len(self.bins), self.misfit(values, top)
        out = np.zeros((len(now), len(values)))
        for first in range(0, 3 * n, n):
            moved = values.copy()
            moved[first : first + n] += _STEP
            change = (self.misfit(moved, top) - now) / _STEP
            for i in range(n):
                own = slice(self.ends[i], self.ends[i + 1])
                out[own, first + i] = change[own]
        for place in range(3 * n, len(values)):
            moved = values.copy()
            moved[place] += _STEP
            out[:, place] = (self.misfit(moved, top) - now) / _STEP
        return out

    def fitted(self, top: bool | None) -> _Found:
        """With a cut of the top or the bottom tip, or none."""
        from scipy.optimize import least_squares  # 0.2 s to import, and few takes have bins that disagree

        n = len(self.bins)
        own = [(fit.gain, fit.delay / _DELAY, fit.cycle.bend / _BEND) for fit in self.fits]
        cut = [] if top is None else [_CUT_START / _CUT]
        low = [*np.full(3 * n, -np.inf), 0.0, 0.0, -np.inf, *(0.0 for _ in cut)]
        high = [*np.full(3 * n, np.inf), _MOST_US, _MOST_US, np.inf, *(_MOST_CUT / _CUT for _ in cut)]
        tried = [
            least_squares(
                self.misfit,
                np.concatenate([np.array(own).T.ravel(), [*start, 0.0, *cut]]),
                jac=self.slopes,
                bounds=(low, high),
                x_scale="jac",
                max_nfev=_TURNS,
                args=(top,),
            )
            for start in _STARTS_US
        ]
        best = min(tried, key=lambda found: float(found.cost))
        deviation = np.sqrt(np.maximum(np.diag(np.linalg.pinv(best.jac.T @ best.jac)), 0.0))[3 * n :]
        return _Found(
            common=self.common(best.x, top),
            cut_sigma=_CUT * float(deviation[3]) if cut else 0.0,
            reset_sigma_us=float(deviation[0]),
            chi_square=2.0 * float(best.cost),
        )


def _cut(bin_: WaveBin, fit: CycleFit, found: _Found) -> CycleFit:
    """The bin's own fit of bend and reset beside what all bins told; what that is unsure by goes with it."""
    name = "cut_top" if found.common.top else "cut_bottom"
    start = replace(found.common.cycle(bin_.f0_hz, fit.cycle.share > 0.5), bend=fit.cycle.bend)
    own = fit_cycle(bin_.lines, bin_.sigma, start, fit.free)
    common = {name: found.cut_sigma, "share": _US * found.reset_sigma_us * bin_.f0_hz}
    sigma = own.sigma | {name: found.cut_sigma, "share": float(np.hypot(own.sigma["share"], common["share"]))}
    still = np.zeros((1, own.step.shape[1]))
    return replace(
        own, free=(*own.free, name), sigma=sigma, step=np.concatenate([own.step, still]), common_sigma=common
    )
