"""Parts of a bin's cycle: the plain wave, then a clipped tip, a rounded corner or a spike if significant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.cycle import LEAST_SHARE, Cycle, bow_error, changed, draw, form_error
from listen.account.waves.fit import CycleFit, fit_cycle
from listen.account.waves.gather import WaveBin

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complexfloating[Any, Any]]

_BASE = {
    "triangle": ("share", "bend", "corner"),
    "sawtooth": ("share", "bend"),
    "square": ("share", "bend", "corner"),
    "pulse": ("share", "bend", "corner"),
}
_TIMES = ("corner", "spike_area", "spike_width", "spike_tail")
_BELL, _DECAY = ("spike_area", "spike_at", "spike_width"), ("spike_area", "spike_at", "spike_tail")
_MORE: dict[str, tuple[tuple[str, ...], ...]] = {
    "triangle": (("cut_top",), ("cut_bottom",), ("cut_top", "cut_bottom"), _BELL, _DECAY),
    "sawtooth": (("corner",), ("cut_top",), ("cut_bottom",), _BELL, _DECAY),
    "square": (_BELL, _DECAY),
    "pulse": (_BELL, _DECAY),
}
_GRID = np.linspace(0.02, 0.98, 97)
"""Shares that are tried, to a hundredth of the cycle: the sizes of the harmonics tell no more where they scatter by a
per cent, and the fit goes on from there."""
_SIZES_OF = 10
"""Harmonics whose sizes tell the share: those that stand over the noise in any take."""
_SAWTOOTH_SHARES = (0.985, 0.015, 0.93, 0.07)
"""Resets of 1.5 and of 7 % of the cycle, down and up, about a fault's 2 % and far over it: a fit starts from the one
that leaves least."""
PART_CHI_SQUARE, PART_SHARE = 20.0, 0.35
"""A part is told where chi squared falls by so much (over four standard deviations), and by so much of itself."""
PART_SIGMAS = 4.0
_OWN = (("cut_top",), ("cut_bottom",), ("spike_area", "spike_at", "spike_width", "spike_tail"))
"""Standard deviations from which a part is told: cuts and spikes of a limit's size come to fifty and more, what another
part explains as well to less than one."""
FEWEST = 6
"""With fewer harmonics a cut tip, a rounded corner and a spike look alike."""
_MOST_PARTS, _CARRIED, _TRIED = 3, 2, 10
"""Parts beside the plain wave: both tips or a corner, and a spike. How many ways are carried on, for what comes first
may stand in for another part; and steps of the fit by which they are ranked. All three bound the time."""
_ALIKE = 1.5
"""Chi squared over its expectation against the next pitch's: half as large again may be the noise's own (a deviation is
0.3 of it with ten harmonics), more is another part's."""
_FIRST_LINES = 14
"""Low harmonics with which shares are compared: a high one's size goes through zero several times between two
starts."""
_POINTS = 4096
"""Points of a cycle: three and more to each of the highest harmonic, so that a spike's top is not missed."""
_FOOT = 0.1
"""Part of a spike's height above which its area is read, to begin with."""
_FAR, _DEEP = 5.0, 0.1
"""Chi squared over its expectation from which a deep cut is begun with, and how deep."""
_PLAIN = 0.15
"""Chi squared over its expectation up to which nothing is left to explain: the lines' own error is stated wide."""


def choose(bin_: WaveBin, wave: str, before: CycleFit | None) -> CycleFit:
    """Fit the plain wave and its significant parts.

    Parameters
    ----------
    bin_ : WaveBin
    wave : {'triangle', 'sawtooth', 'square', 'pulse'}
    before : CycleFit or None
        Of the bin of the next pitch, to begin with.
    """
    like = _like(bin_, before)
    if like is not None and (explained(like) or _as_good(like, before, wave)):
        return like
    plain = _plain(bin_, wave, before)
    if len(bin_.lines) < FEWEST or explained(plain):
        return plain
    found = _searched(_bent(bin_, plain), wave, _finished(_bent(bin_, plain), plain))
    # the plain wave's bow may have stood for another part
    return _finished(_bent(bin_, found), found)


def _searched(bin_: WaveBin, wave: str, plain: CycleFit) -> CycleFit:
    """The plain wave with its significant parts."""
    # what comes first may take the place of another part: the two best are carried on
    deep = _from_scratch(bin_, wave) if plain.chi_square > _FAR * plain.independent else []
    deep = sorted((_shown(bin_, fit) for fit in deep), key=_cost)
    tried = [plain, *(fit for fit in deep if _gains(plain, fit))]
    # a cut that stands for a rounded corner leads nowhere: the plain wave goes on beside it
    ends = [plain, *deep[:_CARRIED]]
    for _ in range(_MOST_PARTS):
        longer = [(fit, end) for end in ends for more in _MORE[wave] for fit in _longer(bin_, end, more)]
        ends = _shown_best(bin_, [(fit, end) for fit, end in longer if _gains(end, fit)])
        tried += ends
        if not ends or explained(min(ends, key=_cost)):
            break
    return min(tried, key=_cost)


def _shown_best(bin_: WaveBin, longer: Sequence[tuple[CycleFit, CycleFit]]) -> list[CycleFit]:
    """The best of longer fits that gain on what each began with when they are finished, and only shown parts are kept.

    A spike on the edge may leave least, and be nothing that is told from it: what comes next is then not passed over.
    """
    out: list[CycleFit] = []
    for fit, end in sorted(longer, key=lambda pair: _cost(pair[0])):
        shown = _shown(bin_, _finished(bin_, fit))
        if _gains(end, shown):
            out.append(shown)
        if len(out) == _CARRIED:
            break
    return out


def carried_up(bins: Sequence[WaveBin], fits: Sequence[CycleFit]) -> list[CycleFit]:
    """Fits, lowest pitch first, with the parts of the next lower pitch where those explain more: times stay the same.

    What is short is told best at a low pitch, where more harmonics show it, and the search begins at the highest.
    """
    out = [_of_either_form(bins[0], fits[0])]
    for bin_, fit in zip(bins[1:], fits[1:], strict=True):
        lower, ratio = out[-1], bin_.f0_hz / bins[len(out) - 1].f0_hz
        bin_ = _bent(bin_, fit)
        if len(bin_.lines) >= FEWEST and not explained(fit):
            start = changed(lower.cycle, {name: ratio * getattr(lower.cycle, name) for name in _TIMES})
            fit = min(fit, _shown(bin_, fit_cycle(bin_.lines, bin_.sigma, start, lower.free)), key=_cost)
        out.append(fit)
    return out


def _of_either_form(bin_: WaveBin, fit: CycleFit) -> CycleFit:
    """The fit with the spike as a bell or as a decay, whichever leaves less: the search may have met one of them alone.

    Beside it a start of the other form has the same area, middle and spread.
    """
    bin_ = _bent(bin_, fit)
    if "spike_area" not in fit.free or explained(fit):
        return fit
    cycle, decays = fit.cycle, "spike_tail" in fit.free
    other = {"spike_width": cycle.spike_tail, "spike_tail": cycle.spike_width}
    start = changed(cycle, {**other, "spike_at": cycle.spike_at + cycle.spike_tail - cycle.spike_width})
    free = (*(name for name in fit.free if name not in _BELL + _DECAY), *(_BELL if decays else _DECAY))
    return min(
        fit, _shown(bin_, fit_cycle(bin_.lines, bin_.sigma, start, free, gradual=False, delay=fit.delay)), key=_cost
    )


def own_parts(fit: CycleFit) -> int:
    """How many cut tips and spikes a fit has."""
    return sum(part[0] in fit.free for part in _OWN)


def with_form(bin_: WaveBin, fit: CycleFit) -> CycleFit:
    """A fit with a spike once more, the spike's form not taken for granted: what hangs on it is less sure."""
    if "spike_area" not in fit.free:
        return fit
    k = np.arange(1, len(bin_.lines) + 1).astype(float)
    noise = np.hypot(_bent(bin_, fit).sigma, fit.gain * form_error(fit.cycle, k))
    return fit_cycle(bin_.lines, noise, fit.cycle, fit.free, gradual=False, delay=fit.delay)


def _like(bin_: WaveBin, before: CycleFit | None) -> CycleFit | None:
    """The parts of the bin of the next pitch, where there are more than the plain wave's: times stay, shares grow."""
    if before is None or len(bin_.lines) < FEWEST:
        return None
    bin_ = _bent(bin_, before)
    return _shown(bin_, fit_cycle(bin_.lines, bin_.sigma, before.cycle, before.free))


def _bent(bin_: WaveBin, fit: CycleFit) -> WaveBin:
    """The bin, the form of the slopes' bow not taken for granted: what it leaves is no part of its own."""
    k = np.arange(1, len(bin_.lines) + 1).astype(float)
    return replace(bin_, sigma=np.hypot(bin_.sigma, bow_error(fit.cycle, k)))


def _as_good(fit: CycleFit, before: CycleFit | None, wave: str) -> bool:
    """Whether the fit is as good as at the adjacent pitch, where all alternatives were tried.

    Where none helped there and much is unexplained, they are tried again: a spike that cannot be told from the reset at
    a high pitch is narrow at a lower one.
    """
    assert before is not None
    if before.chi_square > _FAR * before.independent and len(before.free) <= len(_BASE[wave]):
        return False
    return fit.chi_square / fit.independent < _ALIKE * before.chi_square / before.independent


def _finished(bin_: WaveBin, fit: CycleFit) -> CycleFit:
    return fit_cycle(bin_.lines, bin_.sigma, fit.cycle, fit.free, gradual=False, delay=fit.delay)


def _cost(fit: CycleFit) -> float:
    """Chi squared plus the penalty of each parameter."""
    return fit.chi_square + PART_CHI_SQUARE * len(fit.free)


def explained(fit: CycleFit) -> bool:
    """Whether a fit leaves nothing that another part could explain."""
    return fit.chi_square < max(PART_CHI_SQUARE, _PLAIN * fit.independent)


def _gains(fit: CycleFit, longer: CycleFit) -> bool:
    return fit.chi_square - longer.chi_square > max(PART_CHI_SQUARE, PART_SHARE * fit.chi_square)


def _shown(bin_: WaveBin, fit: CycleFit) -> CycleFit:
    """Fit again without the parts that are not clear of nothing by their own deviation.

    Beside an edge a spike is the same as a shift of it, and a shallow cut of one tip as another corner: chi squared
    falls by both, and neither is told from the other.
    """
    for part in _OWN:
        if part[0] in fit.free and abs(getattr(fit.cycle, part[0])) < PART_SIGMAS * fit.sigma[part[0]]:
            free = tuple(name for name in fit.free if name not in part)
            without = changed(fit.cycle, dict.fromkeys(part, 0.0))
            fit = fit_cycle(bin_.lines, bin_.sigma, without, free, gradual=False, delay=fit.delay)
    return fit


def _plain(bin_: WaveBin, wave: str, before: CycleFit | None) -> CycleFit:
    base = _BASE[wave] if len(bin_.lines) >= 3 else _BASE[wave][:2]
    shares = _shares(bin_, wave) if before is None else (before.cycle.share, *_shares(bin_, wave))
    few = slice(0, min(_FIRST_LINES, len(bin_.lines)))
    starts = []
    for share in shares:
        cycle = Cycle(pulse=wave in ("square", "pulse"), share=share)
        starts.append(fit_cycle(bin_.lines[few], bin_.sigma[few], cycle, base))
        if starts[-1].chi_square < starts[-1].independent:
            break
    best = min(starts, key=lambda fit: fit.chi_square)
    return fit_cycle(bin_.lines, bin_.sigma, best.cycle, base, delay=best.delay)


def _from_scratch(bin_: WaveBin, wave: str) -> list[CycleFit]:
    """Fits with a tip cut off from the beginning: the plain wave is too far off to lead there."""
    share = {"triangle": (0.5,), "sawtooth": (0.985, 0.015)}.get(wave, ())
    out = []
    for begin in share:
        for cuts in (("cut_top",), ("cut_bottom",), ("cut_top", "cut_bottom")):
            start = changed(Cycle(share=begin), dict.fromkeys(cuts, _DEEP))
            out.append(fit_cycle(bin_.lines, bin_.sigma, start, (*_BASE[wave], *cuts)))
    return out


def _shares(bin_: WaveBin, wave: str) -> tuple[float, ...]:
    """Shares to begin with: those whose harmonics are as large, on both sides of the half; sizes tell no more."""
    if wave == "sawtooth":
        return _SAWTOOTH_SHARES
    size = np.abs(bin_.lines[:_SIZES_OF])
    k = np.arange(1, len(size) + 1).astype(float)
    pulse = wave in ("square", "pulse")
    off = [float(np.sum((_sizes(pulse, share, k) - size) ** 2)) for share in _GRID.tolist()]
    best = float(_GRID[int(np.argmin(off))])
    return best, 1.0 - best, 0.5


def _sizes(pulse: bool, share: float, k: Floats) -> Floats:
    size = np.abs(np.sin(np.pi * k * share)) / k ** (1.0 if pulse else 2.0)
    return np.asarray(size / size[0])


def _longer(bin_: WaveBin, best: CycleFit, more: tuple[str, ...]) -> list[CycleFit]:
    """Fits with some parameters more; none where it has them, or too few harmonics are in the file for them."""
    new = [name for name in more if name not in best.free]
    spike = "spike_area" in more
    if not new or best.independent <= len(new) + 2 or (spike and "spike_area" in best.free):
        return []
    begin = changed(best.cycle, {name: _BEGIN[name] for name in new if name in _BEGIN})
    starts = [begin]
    if spike:
        area, at, width = _spike_of(bin_, best)
        size = abs(area)
        starts = [replace(begin, spike_area=a, spike_at=t) for a, t in ((area, at), (size, 0.0), (-size, 0.0))]
        starts[0] = changed(starts[0], {"spike_width" if "spike_width" in more else "spike_tail": width})
    elif "corner" in new:
        starts = [halved(begin)]
    free = (*best.free, *new)
    few: dict[str, Any] = {"gradual": False, "delay": best.delay, "turns": _TRIED}
    out = [fit_cycle(bin_.lines, bin_.sigma, start, free, **few) for start in starts]
    if "corner" in new:
        out.append(fit_cycle(bin_.lines, bin_.sigma, _sudden(begin), free, turns=_TRIED))
    return out


def halved(cycle: Cycle) -> Cycle:
    """The same cycle, half of what its reset takes off the low harmonics given to a low-pass: see `_sudden`."""
    length = np.sqrt(0.5) * min(cycle.share, 1.0 - cycle.share)
    return replace(cycle, share=length if cycle.share < 0.5 else 1.0 - length, corner=length / np.sqrt(12.0))


def _sudden(cycle: Cycle) -> Cycle:
    """The same cycle with a sudden reset behind a low-pass that takes as much off the low harmonics.

    A straight reset of length t takes (pi k t)^2 / 6 off a line, a first-order low-pass (2 pi k tau)^2 / 2. A reset
    that is fitted to a rounded edge is too far from it for the steps of a fit: nothing leads from one to the other. Nor
    does the bow that goes with it.
    """
    length = min(cycle.share, 1.0 - cycle.share)
    share = LEAST_SHARE if cycle.share < 0.5 else 1.0 - LEAST_SHARE
    return replace(cycle, share=share, bend=0.0, corner=length / np.sqrt(12.0))


_BEGIN = {"cut_top": 0.02, "cut_bottom": 0.02}
"""A cut grows as its square: from nothing no step would lead. 2 % is the limit of a crest that is lost."""


def _spike_of(bin_: WaveBin, fit: CycleFit) -> tuple[float, float, float]:
    """Area, position from the foot, and width (standard deviation of a bell) of the tallest spike in the residual."""
    k = np.arange(1, len(bin_.lines) + 1).astype(float)
    residual = draw((bin_.lines - fit.lines(k)) * np.exp(2j * np.pi * k * fit.delay) / fit.gain, _POINTS)
    at = int(np.argmax(np.abs(residual)))
    taper = float(np.sum(np.sinc(k / (len(k) + 1.0))))
    height = float(residual[at])
    # of the spike itself: up to where it crosses a tenth of its height
    turned = np.roll(residual / height, _POINTS // 2 - at)
    low = np.flatnonzero(turned < _FOOT)
    first = int(low[low < _POINTS // 2][-1]) if (low < _POINTS // 2).any() else 0
    last = int(low[low > _POINTS // 2][0]) if (low > _POINTS // 2).any() else _POINTS
    seen = float(np.sum(turned[first:last])) / _POINTS
    narrowest = 1.0 / (2.0 * taper)
    width = float(np.sqrt(max(seen**2 - narrowest**2, 0.0) / (2 * np.pi)))
    return height * max(seen, narrowest), at / _POINTS, width
