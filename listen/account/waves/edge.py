"""The fits of all bins, freed of what a recorder's anti-alias filter does to the harmonics near the band's edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from listen.account.waves.choose import FEWEST, carried_up, choose, explained, own_parts, with_form
from listen.account.waves.fit import CycleFit
from listen.account.waves.gather import WaveBin

_EDGES = (0.8, 0.55)
"""Of the highest harmonic's frequency, 0.45 of the rate: 0.36 of it, where a filter of short delay sets in, and 0.25,
where those of the rates above 100 kHz do (common practice, no source)."""
_SHARPER = 0.2
"""Chi squared over its expectation against that of all harmonics: a fit that only the harmonics near the edge spoil
leaves a hundredth below it (computed); one that lacks a part, as much per harmonic there as above."""


def fitted(bins: Sequence[WaveBin], wave: str) -> tuple[tuple[WaveBin, ...], tuple[CycleFit, ...]]:
    """Fit every bin, lowest pitch first; return the bins with the harmonics that were believed, and the fits.

    A filter at the band's edge takes from the harmonics by their frequency, a fault of the wave by their order: what
    the harmonics below the edge do not show is no part of the wave.
    """
    fits = _all_fits(bins, wave)
    edge_hz = _edge_of(bins, fits, wave)
    if edge_hz is not None:
        bins = [_below(bin_, edge_hz) for bin_ in bins]
        fits = _all_fits(bins, wave)
    return tuple(bins), tuple(with_form(bin_, fit) for bin_, fit in zip(bins, fits, strict=True))


def _all_fits(bins: Sequence[WaveBin], wave: str) -> list[CycleFit]:
    fits: list[CycleFit] = []
    for bin_ in reversed(bins):
        fits.append(choose(bin_, wave, fits[-1] if fits else None))
    fits.reverse()
    return carried_up(bins, fits)


def _edge_of(bins: Sequence[WaveBin], fits: Sequence[CycleFit], wave: str) -> float | None:
    """Frequency from which the harmonics alone keep the wave from being explained; None where there is no such."""
    worst = _worst(fits)
    if worst is None:
        return None
    top_hz = max(len(bin_.lines) * bin_.f0_hz for bin_ in bins)
    for edge_hz in (edge * top_hz for edge in _EDGES):
        below = _below(bins[worst], edge_hz)
        fewer = FEWEST <= len(below.lines) < len(bins[worst].lines)
        if fewer and _edge_alone(bins[worst], fits[worst], choose(below, wave, None)):
            return edge_hz
    return None


def _worst(fits: Sequence[CycleFit]) -> int | None:
    """The bin that is explained least, if any leaves something to explain."""
    place = int(np.argmax([fit.chi_square / fit.independent for fit in fits]))
    return None if explained(fits[place]) else place


def _edge_alone(bin_: WaveBin, whole: CycleFit, below: CycleFit) -> bool:
    """Whether the fit to the harmonics below explains them, with no part more, where that to all of them fails.

    A spike's form, which nobody states, errs most at the highest harmonics, too: where both fits have it, that excuses
    what it leaves.
    """
    more = own_parts(below) - own_parts(whole)
    if more == 0:
        whole = with_form(bin_, whole)
    remaining, before = below.chi_square / below.independent, whole.chi_square / whole.independent
    return more <= 0 and remaining < min(1.0, _SHARPER * before)


def _below(bin_: WaveBin, edge_hz: float) -> WaveBin:
    """The bin with its harmonics up to a frequency; with three at the least, as many as its fit needs."""
    count = min(len(bin_.lines), max(3, int(edge_hz / bin_.f0_hz)))
    return replace(bin_, row_lines=bin_.row_lines[:, :count], lines=bin_.lines[:count], sigma=bin_.sigma[:count])
