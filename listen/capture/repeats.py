"""Repeated blocks of samples: a buffer that was delivered twice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.capture.codes import codes_of
from listen.capture.dropouts import Spans
from listen.capture.opening import Capture
from listen.capture.types import Floats, Ints
from listen.sorting import distinct

SHORTEST_LAG, LONGEST_LAG = 32, 4096

_KEY_SAMPLES = 8
_ANCHORS_BELOW = np.uint64(1 << 60)
_MIX = np.uint64(0x9E3779B97F4A7C15)
_KEY_FACTORS = np.array([2 * i + 1 for i in range(7, 7 + 13 * _KEY_SAMPLES, 13)], dtype=np.uint64) * _MIX
_PAIRS_A_SECOND = 512
_LOOKS_A_SECOND = 8
_PERIODIC_SHARE = 0.8
_SHORTEST_RUN = 32
_LONG_RUN = 256
_FEWEST_VALUES = 8
_ALIKE = 0.1


class RepeatFinder:
    """Notes pairs of places, 32 to 4096 samples apart, at which the same eight samples stand.

    Comparing every sample with 4096 others would take minutes. Instead about one place in 16 is an anchor, chosen by
    the value of its sample alone, so that the same samples have the same anchors wherever they stand; only anchors are
    compared.

    Parameters
    ----------
    start : int
        First sample of the span.
    bin_samples : int
        Pairs are counted by the second.
    """

    def __init__(self, start: int, bin_samples: int) -> None:
        self._start = start
        self._bin_samples = bin_samples
        self._tail: Floats = np.zeros(0)
        self._mixed: NDArray[np.uint64] = np.zeros(0, dtype=np.uint64)
        self._anchors: dict[int, int] = {}
        self._pairs: dict[int, list[tuple[int, int]]] = {}
        self._counts: dict[int, int] = {}

    def feed(self, start: int, samples: Floats) -> None:
        """Take the next block."""
        joined = np.concatenate([self._tail, samples])
        low = start - len(self._tail)
        bits = joined.view(np.uint64)
        if len(self._mixed) < len(bits):
            self._mixed = np.empty(len(bits), dtype=np.uint64)
        mixed = np.multiply(bits, _MIX, out=self._mixed[: len(bits)])
        place = np.flatnonzero(mixed < _ANCHORS_BELOW)
        place = place[(place > 0) & (place <= len(joined) - _KEY_SAMPLES)]
        place = place[joined[place] != joined[place - 1]]
        # Whole keys only: the last few samples of the block before are looked at now.
        fresh_from = start - low - _KEY_SAMPLES + 1
        self._tail = joined[max(0, len(joined) - LONGEST_LAG - _KEY_SAMPLES) :]
        if len(place) == 0:
            return
        key = np.zeros(len(place), dtype=np.uint64)
        for i in range(_KEY_SAMPLES):
            key += bits[place + i] * _KEY_FACTORS[i]
        self._count(low, place, key, fresh_from)

    def _count(self, low: int, place: Ints, key: NDArray[np.uint64], fresh_from: int) -> None:
        bins, counts = np.unique(
            (place[place >= fresh_from] + low - self._start) // self._bin_samples, return_counts=True
        )
        for b, n in zip(bins.tolist(), counts.tolist(), strict=True):
            self._anchors[b] = self._anchors.get(b, 0) + n
        # Plain sorting is several times faster than sorting places, and most blocks hold no twins at all.
        ordered = np.sort(key)
        if not (ordered[1:] == ordered[:-1]).any():
            return
        order = np.argsort(key, kind="stable")
        key, place = key[order], place[order]
        lag = np.diff(place)
        same = (key[1:] == key[:-1]) & (lag >= SHORTEST_LAG) & (lag <= LONGEST_LAG) & (place[1:] >= fresh_from)
        second, lag = place[1:][same] + low, lag[same]
        order = np.argsort(second, kind="stable")
        second, lag = second[order], lag[order]
        bins, first, counts = np.unique(
            (second - self._start) // self._bin_samples, return_index=True, return_counts=True
        )
        for b, at, n in zip(bins.tolist(), first.tolist(), counts.tolist(), strict=True):
            self._counts[b] = self._counts.get(b, 0) + n
            pairs = self._pairs.setdefault(b, [])
            stop = at + min(n, _PAIRS_A_SECOND - len(pairs))
            pairs += zip(second[at:stop].tolist(), lag[at:stop].tolist(), strict=True)

    def result(self, capture: Capture) -> Spans:
        """Return the repeated blocks: (start, stop) of the second copy.

        Parameters
        ----------
        capture : Capture
            The same that was fed.

        Returns
        -------
        list of (int, int)
        """
        found: Spans = []
        for b in sorted(self._pairs):
            if self._is_periodic(b):
                continue
            looks = 0
            seen: dict[int, int] = {}
            for place, lag in self._pairs[b]:
                if place < seen.get(lag, 0) or (found and place < found[-1][1]) or looks >= _LOOKS_A_SECOND:
                    continue
                looks += 1
                run, until = _repeated_run(capture, place, lag)
                seen[lag] = until
                if run is not None and not (found and run[0] < found[-1][1]):
                    found.append(run)
        return found

    def _is_periodic(self, b: int) -> bool:
        """Whether nearly all anchors of this second, and of those beside it, have a twin: a clean periodic wave."""
        near = (b - 1, b, b + 1)
        anchors = sum(self._anchors.get(i, 0) for i in near)
        return sum(self._counts.get(i, 0) for i in near) > _PERIODIC_SHARE * anchors


def _repeated_run(capture: Capture, place: int, lag: int) -> tuple[tuple[int, int] | None, int]:
    """Return the run over which samples equal those `lag` before, if it is an exception; and where it ends."""
    low = max(capture.start_sample, place - 3 * lag - 64)
    high = min(capture.stop_sample, place + 4 * lag + 64)
    samples = capture.read(low, high)
    same = samples[lag:] == samples[:-lag]
    middle = place - low - lag
    different = np.flatnonzero(~same)
    at = int(np.searchsorted(different, middle))
    first = int(different[at - 1]) + 1 if at > 0 else 0
    end = int(different[at]) if at < len(different) else len(same)
    until = low + lag + end
    run = end - first
    if run < _SHORTEST_RUN or run < min(0.9 * lag, _LONG_RUN) or run > 2.5 * lag + _SHORTEST_RUN:
        return None, until
    around = np.concatenate([same[max(0, first - lag) : first], same[end : end + lag]])
    values = samples[first + lag : end + lag]
    loud = float(np.abs(values).max()) >= 64.0 * codes_of(capture.subtype).step_fs
    if not loud or len(distinct(values)) < _FEWEST_VALUES or len(around) == 0 or float(around.mean()) >= _ALIKE:
        return None, until
    return (low + lag + first, until), until
