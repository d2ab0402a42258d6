"""Clipping by a converter, distinguished from flat tops of a circuit and from coarse quantisation.

A converter that is overdriven gives one code as long as the signal is beyond it. A circuit's own limit is never that
exact: noise, and the droop of the coupling, move its tops over many codes. Coarse codes hold a slow sine's crest for
several samples too, but a crest leaves its top code like a parabola: at a run's length outside the run it has dropped
by 8 times what it rose within. A cut top was going up when it was cut, and drops by far more codes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.capture.codes import Codes, codes_of
from listen.capture.types import Floats, Ints, OverloadRuns
from listen.sorting import distinct

_CONTEXT = 2048
"""Samples beside a block in which a run is followed and compared with its neighbours."""

_LONG_RUN = 3
_FEWEST_BELOW_FULL_SCALE = 5
_FEWEST_SHORT = 25
_LONGEST_BELOW_FULL_SCALE_S = 0.1
_DENSITY = 0.02
_OFTEN = 2.5
_SPREAD = 0.01
_WIDER = 1.5
"""A cut top is met over 2.5 times the phases of a crest's top code, as its density says, and eleven of them span 0.83
of that; a sine whose period nearly agrees with the sampling meets its top code often, and spans no more than its own.
"""
_NEIGHBOURS = 5
_FLAT_SHARE = 0.9
_SMALLEST_LEVEL = 0.2
_COARSEST_LATTICE_FS = 2.0**-11
_WHOLE = 0.02
_WINDOWS = 64
_LOWEST_COUPLING_HZ = 1.0
"""The lowest corner of an interface's coupling; most have 2 to 20 Hz (common practice, no source)."""
_TOGETHER = 1 << 15
"""Samples: runs that lie this near together are read at once."""


class SampleSpan(Protocol):
    """What is looked at: a capture, or the last moments of a stream."""

    @property
    def start_sample(self) -> int:
        """First sample looked at."""
        ...

    @property
    def stop_sample(self) -> int:
        """First sample no longer looked at."""
        ...

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second."""
        ...

    @property
    def subtype(self) -> str:
        """Name that libsndfile has for the encoding."""
        ...

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tops:
    """Runs of samples at one side's extreme code that may have been cut, and how steeply the signal leaves them.

    `n_at_top` counts the samples of all runs, which lie between `first` and `stop`.
    """

    start: Ints
    length: NDArray[np.int32]
    drop_fs: NDArray[np.float32]
    dense: NDArray[np.bool_]
    n_at_top: int
    first: int
    stop: int

    def of(self, mask: NDArray[np.bool_]) -> _Tops:
        """Return some of them."""
        columns = {name: getattr(self, name)[mask] for name in ("start", "length", "drop_fs", "dense")}
        return replace(self, **columns)


class ExtremesByBlock:
    """Keeps each block's largest and smallest sample, so that only blocks that reach the extreme are read again."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._highest: list[float] = []
        self._lowest: list[float] = []
        self._stop = 0

    def feed(self, start: int, n_samples: int, highest: float, lowest: float) -> None:
        """Take the next block's extremes."""
        self._starts.append(start)
        self._highest.append(highest)
        self._lowest.append(lowest)
        self._stop = start + n_samples

    @property
    def highest(self) -> float:
        """The largest sample."""
        return max(self._highest)

    @property
    def lowest(self) -> float:
        """The smallest sample."""
        return min(self._lowest)

    def blocks_reaching(self, sign: int, level: float) -> list[tuple[int, int]]:
        """Return (start, stop) of the blocks in which sign * sample reaches `level`."""
        extremes = self._highest if sign > 0 else [-low for low in self._lowest]
        stops = [*self._starts[1:], self._stop]
        return [(a, b) for a, b, e in zip(self._starts, stops, extremes, strict=True) if e >= level]


def find_overload(capture: SampleSpan, extremes: ExtremesByBlock) -> OverloadRuns:
    """Find the tops clipped by the interface.

    Parameters
    ----------
    capture : Span
    extremes : ExtremesByBlock
        Fed with all blocks of the capture's span.

    Returns
    -------
    OverloadRuns

    Notes
    -----
    A cut top is a run of three samples or more at the extreme code of its side, which the signal leaves more steeply
    than a crest would. At full scale one such run is enough; below it (digital gain after the converter, or a stage
    before it that limits at a fixed code) five are needed. Above a sixth of the sample rate tops are too short: there
    runs of one and two count, where the extreme code is met far more often than a sine meets it, and not because the
    period is a whole number of samples. A wave that has no other values than its two tops is a square wave, and whole.
    """
    codes = codes_of(capture.subtype)
    levels = {1: extremes.highest, -1: -extremes.lowest}
    tops = {sign: _tops(capture, codes, extremes, sign, level) for sign, level in levels.items()}
    square = _is_square(tops)
    smallest_fs = max(_SMALLEST_LEVEL * max(levels.values()), 64 * codes.step_fs)
    overloaded: dict[int, _Tops] = {}
    for sign, level in levels.items():
        if level < smallest_fs or (square and not codes.is_full_scale(level)):
            continue
        cut = _cut(capture, codes, tops[sign], sign, level)
        if cut.any():
            overloaded[sign] = tops.pop(sign).of(cut)
    return _joined(overloaded, {sign: sign * level for sign, level in levels.items()})


def may_be_cut(samples: Floats, subtype: str) -> bool:
    """Whether `find_overload` could find anything at all: a quick question, for a stream that is asked again and again.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    subtype : str
        Name that libsndfile has for the encoding.
    """
    codes = codes_of(subtype)
    levels = float(samples.max(initial=0.0)), -float(samples.min(initial=0.0))
    if max(levels) < 64 * codes.step_fs:
        return False
    high, low = (level - codes.tolerance_fs for level in levels)
    # every cut top is a run of three samples, or one of several short ones
    return int(max(np.count_nonzero(samples >= high), np.count_nonzero(samples <= -low))) >= _LONG_RUN


def _joined(overloaded: dict[int, _Tops], levels: dict[int, float]) -> OverloadRuns:
    """Merge both halves into one list, in order of time."""
    # An hour of overload has millions of runs: one column at a time.
    counts = [len(tops.start) for tops in overloaded.values()]
    start = np.concatenate([np.zeros(0, dtype=np.int64), *(tops.start for tops in overloaded.values())])
    order = np.argsort(start, kind="stable")
    length = np.concatenate([np.zeros(0, dtype=np.int32), *(tops.length for tops in overloaded.values())])
    return OverloadRuns(
        start_sample=start[order],
        n_samples=length[order],
        sign=np.repeat(np.array(list(overloaded), dtype=np.int8), counts)[order],
        positive_level_fs=levels[1] if 1 in overloaded else None,
        negative_level_fs=levels[-1] if -1 in overloaded else None,
    )


def _is_square(tops: dict[int, _Tops]) -> bool:
    """Whether the signal is at one of its two tops nearly always."""
    span = max(side.stop for side in tops.values()) - min(side.first for side in tops.values())
    return sum(side.n_at_top for side in tops.values()) > _FLAT_SHARE * span


def _cut(capture: SampleSpan, codes: Codes, tops: _Tops, sign: int, level: float) -> NDArray[np.bool_]:
    """Whether each run was clipped."""
    # Half a code of rounding and the tolerance are what a crest may rise within a run; twice that for safety.
    steep_codes = 16.0 * (codes.tolerance_codes + 0.5) + 8.0
    long = (tops.length >= _LONG_RUN) & (tops.drop_fs >= steep_codes * codes.step_fs)
    if not codes.is_full_scale(level):
        seconds = tops.length / capture.sample_rate_hz
        # where the coupling's droop is less than the tolerance, a limit of a quiet circuit would look the same
        droop_fs = 2.0 * np.pi * _LOWEST_COUPLING_HZ * seconds * level
        long &= (seconds <= _LONGEST_BELOW_FULL_SCALE_S) & (droop_fs >= codes.tolerance_fs)
    if long.any():
        lattice_fs = _lattice(capture, codes, tops.start[long], tops.length[long], sign)
        long &= tops.drop_fs >= steep_codes * lattice_fs
    short = tops.dense & (tops.length < _LONG_RUN)
    if short.any() and not codes.is_full_scale(level):
        # in codes of few bits, kept in more, a steady sine meets its highest one as often
        lattice_fs = _lattice(capture, codes, tops.start[short], tops.length[short], sign)
        short &= _OFTEN * _natural_density(lattice_fs, level) < _DENSITY
    cut = long | short
    if codes.is_full_scale(level) and long.any():
        fewest = 1
    else:
        # short tops alone prove little: dithered coarse codes meet their extreme by chance now and then
        fewest = _FEWEST_BELOW_FULL_SCALE if long.any() or codes.is_full_scale(level) else _FEWEST_SHORT
    return cut if np.count_nonzero(cut) >= fewest else np.zeros_like(cut)


def _lattice(capture: SampleSpan, codes: Codes, start: Ints, length: NDArray[np.int32], sign: int) -> float:
    """Return the step of the codes in use near the tops: a 16-bit recording may be kept, amplified, in 24 bits."""
    values = sign * _around(capture, start[:_WINDOWS], length[:_WINDOWS].astype(np.int64))
    gaps = np.diff(distinct(values))
    # Dither and rounding move the codes of a coarser lattice by a few of a fine one's.
    gaps = gaps[gaps > (4.0 if codes.step_fs < 2.0**-15 else 0.5) * codes.step_fs]
    if len(gaps) == 0:
        return codes.step_fs
    smallest = float(gaps.min())
    # A clean periodic wave has few values at all, and their distances say nothing of the codes; those of coarse
    # codes are whole numbers of one step.
    steps = gaps / smallest
    coarse = bool(np.all(np.abs(steps - np.round(steps)) < _WHOLE))
    return smallest if coarse or smallest <= _COARSEST_LATTICE_FS else codes.step_fs


def _around(capture: SampleSpan, start: Ints, length: Ints) -> Floats:
    """Samples of runs and about them, in any order."""
    reach = np.minimum(2 * length + 8, _CONTEXT)
    low = np.maximum(capture.start_sample, start - reach)
    high = np.minimum(capture.stop_sample, start + length + reach)
    first, last = int(low.min()), int(high.max())
    if last - first > _TOGETHER:
        pieces = zip(low.tolist(), high.tolist(), strict=True)
        return np.concatenate([capture.read(a, b) for a, b in pieces])
    inside = np.zeros(last - first + 1, dtype=np.int64)
    np.add.at(inside, low - first, 1)
    np.add.at(inside, high - first, -1)
    return capture.read(first, last)[np.cumsum(inside[:-1]) > 0]


class _RunAhead:
    """How far runs go on beyond what was read.

    The end of a long run is looked for once: in silence every block is a part of one run, and looking again from each
    would take a time that grows with the square of the length.
    """

    def __init__(self, capture: SampleSpan, sign: int, threshold: float) -> None:
        self._capture = capture
        self.sign = sign
        self.threshold = threshold
        self._begun = self._end = -1

    def samples_from(self, position: int) -> int:
        """Return how many samples at the top follow without a break."""
        if not self._begun <= position <= self._end:
            self._begun, self._end = position, self._look(position)
        return self._end - position

    def _look(self, position: int) -> int:
        stop = self._capture.stop_sample
        while position < stop:
            samples = self.sign * self._capture.read(position, min(stop, position + (1 << 16)))
            below = np.flatnonzero(samples < self.threshold)
            if len(below):
                return position + int(below[0])
            position += len(samples)
        return position


def _tops(capture: SampleSpan, codes: Codes, extremes: ExtremesByBlock, sign: int, level: float) -> _Tops:
    """Collect the runs at the extreme code that may have been cut."""
    threshold = level - codes.tolerance_fs
    ahead = _RunAhead(capture, sign, threshold)
    parts = [_tops_of_block(capture, codes, ahead, a, b) for a, b in extremes.blocks_reaching(sign, threshold)]
    return _Tops(
        start=np.concatenate([p.start for p in parts]),
        length=np.concatenate([p.length for p in parts]),
        drop_fs=np.concatenate([p.drop_fs for p in parts]),
        dense=np.concatenate([p.dense for p in parts]),
        n_at_top=sum(p.n_at_top for p in parts),
        first=min(p.first for p in parts),
        stop=max(p.stop for p in parts),
    )


def _tops_of_block(capture: SampleSpan, codes: Codes, ahead: _RunAhead, start: int, stop: int) -> _Tops:
    """Collect the runs that begin in start..stop."""
    sign, threshold = ahead.sign, ahead.threshold
    low = max(capture.start_sample, start - _CONTEXT)
    high = min(capture.stop_sample, stop + _CONTEXT)
    samples = capture.read(low, high)
    if sign < 0:
        np.negative(samples, out=samples)
    at_top = np.zeros(len(samples) + 2, dtype=np.bool_)
    np.greater_equal(samples, threshold, out=at_top[1:-1])
    edges = np.flatnonzero(at_top[1:] != at_top[:-1])
    first, end = edges[0::2], edges[1::2]
    length = end - first
    # At the end of what was read a run may go on.
    if len(end) and end[-1] == len(samples) and high < capture.stop_sample:
        length[-1] += ahead.samples_from(high)
    reach = np.minimum(length, _CONTEXT // 2)
    before, after = first - reach, end - 1 + reach
    top = np.maximum(samples[first], threshold)
    drop_before = np.where(before >= 0, top - samples[np.maximum(before, 0)], np.inf)
    inside = after < len(samples)
    drop_after = np.where(inside, top - samples[np.minimum(after, len(samples) - 1)], np.inf)
    drop = np.minimum(drop_before, drop_after)
    drop[np.isinf(drop)] = 0.0
    dense = _dense(samples, codes, threshold, first, end)
    mine = (first + low >= start) & (first + low < stop)
    few = mine & ((length >= _LONG_RUN) | dense)
    return _Tops(
        start=(first + low)[few],
        length=length[few].astype(np.int32),
        drop_fs=drop[few].astype(np.float32),
        dense=dense[few],
        n_at_top=int(length[mine].sum()),
        first=int(first[mine][0]) + low if mine.any() else stop,
        stop=int(first[mine][-1] + length[mine][-1]) + low if mine.any() else start,
    )


def _natural_density(step_fs: float, level_fs: float) -> float:
    """Part of a sine's samples that lie within one step of its crest."""
    return float(np.sqrt(2.0 * step_fs / level_fs)) / np.pi


def _dense(samples: Floats, codes: Codes, threshold: float, first: Ints, end: Ints) -> NDArray[np.bool_]:
    """Say for each run whether the extreme code is met here more often than by a sine that just reaches it."""
    n = len(first)
    if n < _NEIGHBOURS + 1:
        return np.zeros(n, dtype=np.bool_)
    natural = _natural_density(codes.tolerance_fs + codes.step_fs, max(threshold, codes.step_fs))
    rank = np.arange(n)
    low = np.maximum(rank - _NEIGHBOURS, np.searchsorted(first, first - _CONTEXT + _NEIGHBOURS))
    high = np.minimum(rank + _NEIGHBOURS, np.searchsorted(first, first + _CONTEXT - _NEIGHBOURS) - 1)
    total = np.concatenate([[0], np.cumsum(end - first)])
    density = (total[high + 1] - total[low]) / np.maximum(end[high] - first[low], 1)
    enough: NDArray[np.bool_] = (high - low >= _NEIGHBOURS) & (density >= max(_DENSITY, _OFTEN * natural))
    if not enough.any():
        return enough
    # The sample before the top: the same each time where the period is a whole number of samples.
    previous = samples[np.maximum(first - 1, 0)]
    largest, smallest = previous.copy(), previous.copy()
    for shift in range(-_NEIGHBOURS, _NEIGHBOURS + 1):
        other = np.clip(rank + shift, low, high)
        np.maximum(largest, previous[other], out=largest)
        np.minimum(smallest, previous[other], out=smallest)
    # beside a sine's crest the samples before it lie within the phases in which its top code is met, and no wider
    following = samples[np.minimum(end, len(samples) - 1)]
    turn = np.concatenate([[0.0], np.cumsum((previous + following) / (2.0 * threshold))])
    cosine = np.clip((turn[high + 1] - turn[low]) / np.maximum(high + 1 - low, 1), -1.0, 1.0)
    natural_spread = 2.0 * np.pi * natural * np.sqrt(1.0 - cosine**2)
    wide = largest - smallest > np.maximum(_SPREAD, _WIDER * natural_spread) * threshold
    dense: NDArray[np.bool_] = enough & wide
    return dense
