"""The fits of all bins, freed of what a recorder's anti-alias filter does to the harmonics near the band's edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from listen.account.waves.choose import FEWEST, carried_up, choose, explained, halved, own_parts, with_form
from listen.account.waves.common_times import with_common_cut
from listen.account.waves.fit import CycleFit, fit_cycle
from listen.account.waves.gather import WaveBin

_EDGES = (0.8, 0.55)
"""Of the highest harmonic's frequency, 0.45 of the rate: 0.36 of it, where a filter of short delay sets in, and 0.25,
where those of the rates above 100 kHz do (common practice, no source)."""
_SHARPER = 0.2
"""Chi squared over its expectation against that of all harmonics: a fit that only the harmonics near the edge spoil
leaves a hundredth below it (computed); one that lacks a part, as much per harmonic there as above."""

_CLEARLY = 36.0
"""F of the low-pass's one parameter, six deviations squared: harmonics share an interface's ripple, so that ordinary
bounds would be too low."""


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
    if wave == "sawtooth":
        fits = _rounded(bins, fits)
    return tuple(bins), tuple(with_form(bin_, fit) for bin_, fit in zip(bins, fits, strict=True))


def _all_fits(bins: Sequence[WaveBin], wave: str) -> list[CycleFit]:
    fits: list[CycleFit] = []
    for bin_ in reversed(bins):
        fits.append(choose(bin_, wave, fits[-1] if fits else None))
    fits.reverse()
    fits = carried_up(bins, fits)
    return with_common_cut(bins, fits) if wave == "sawtooth" else fits


def _rounded(bins: Sequence[WaveBin], fits: Sequence[CycleFit]) -> list[CycleFit]:
    """The fits of a sawtooth with a low-pass beside the reset, where all bins together are clearly better for it.

    Within a ripple the reset alone may explain the edge: that ripple is then larger than what is left shows it to be,
    and what is left moves the bow. Beside a cut the three look alike, and the cut would be told no more.
    """
    if any({"corner", "cut_top", "cut_bottom"} & set(fit.free) or len(fit.used) < FEWEST for fit in fits):
        return list(fits)
    more = [
        fit_cycle(bin_.lines, bin_.sigma, halved(fit.cycle), (*fit.free, "corner"), gradual=False, delay=fit.delay)
        for bin_, fit in zip(bins, fits, strict=True)
    ]
    gained = float(sum(fit.chi_square - longer.chi_square for fit, longer in zip(fits, more, strict=True))) / len(fits)
    noise = sum(fit.chi_square for fit in more) / sum(fit.independent for fit in more)
    return more if gained > _CLEARLY * noise else list(fits)


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
