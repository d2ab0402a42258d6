"""Lost samples: non-finite values, and runs of exact zeros within a tone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.capture.codes import codes_of
from listen.capture.opening import Capture
from listen.capture.types import Floats, Ints
from listen.sorting import distinct

Spans = list[tuple[int, int]]
"""(start, stop) in sample numbers of the file."""

_SHORTEST_S = 0.25e-3
_SHORTEST_SAMPLES = 8
_EDGE_S = 0.25e-3
_CONTEXT_S = 0.05
_LIVE = 0.3
_CHORD = 1.2
"""Of a sine's peak: 2 sin(pi / 5), a chord over a fifth of the cycle."""
_QUIETEST_FS = 2e-4
"""-74 dBFS: of a fainter tone, rounding in coarse codes makes runs of zeros too."""
_FINEST_STEPS = 64.0
"""Amplitude in steps of the codes under which rounding makes runs of zeros of eight samples and more."""
_ROUNDED = 0.05
"""Part of the samples that are exact zeros where a faint sound is rounded to them: of a tone of 64 steps one in 200."""
_LIVE_STEPS = 4.0
"""What swings through zero more slowly, by so few steps of its codes in a quarter millisecond, is rounded to zeros for
as long."""
_FEWEST_VALUES = 3
"""A square free of noise has two: its swing is no rounding."""
_WAVES_OWN_HZ = 12.0
GATE_S = 0.05
"""Exact zeros for so long, with sound on both sides, are a gate's or a gap."""
_GATE_STEPS = 4.0
"""Sound: more than the rounding of silence."""
_REGULAR = 0.1


class RunsOfMask:
    """Joins runs of a mask across blocks.

    Parameters
    ----------
    shortest : int
        Shorter runs are dropped.
    bridge : int
        Runs that lie this near together are one.
    """

    def __init__(self, shortest: int = 1, bridge: int = 0) -> None:
        self._shortest = shortest
        self._bridge = bridge
        self._done: Spans = []
        self._open: tuple[int, int] | None = None

    def feed(self, start: int, mask: NDArray[np.bool_]) -> None:
        """Take the next block's mask."""
        edges = np.flatnonzero(np.diff(mask.view(np.int8), prepend=0, append=0)) + start
        first, end = edges[0::2], edges[1::2]
        # Runs that touch the block's ends may go on; the others can be judged now.
        if self._bridge == 0:
            keep = (end - first >= self._shortest) | (first == start) | (end == start + len(mask))
            first, end = first[keep], end[keep]
        for a, b in zip(first.tolist(), end.tolist(), strict=True):
            if self._open is not None and a - self._open[1] <= self._bridge:
                self._open = (self._open[0], b)
            else:
                self._close()
                self._open = (a, b)

    def _close(self) -> None:
        if self._open is not None and self._open[1] - self._open[0] >= self._shortest:
            self._done.append(self._open)
        self._open = None

    def result(self) -> Spans:
        """Return the runs, in order."""
        self._close()
        return self._done


def shortest_zero_run(sample_rate_hz: float) -> int:
    """Return the length of the shortest run of exact zeros that is considered."""
    return max(_SHORTEST_SAMPLES, round(_SHORTEST_S * sample_rate_hz))


def zeros_within_tone(capture: Capture, runs: Spans, peaks: Floats, grid: int) -> Spans:
    """Select the runs of exact zeros that begin and end within a tone.

    Parameters
    ----------
    capture : Capture
    runs : list of (int, int)
        Runs of exact zeros.
    peaks : ndarray, shape (m,)
        Largest absolute sample of every `grid` samples of the span; spares reading where all is quiet.
    grid : int

    Returns
    -------
    list of (int, int)

    Notes
    -----
    Silence before the supply is switched on, after it, and between notes that fade is no loss: on one side at least,
    the signal comes near zero and flat. Runs that come at the wave's own rate (a dead band, a pulse on a base line,
    free of noise) are the wave.
    """
    inside = [(a, b) for a, b in runs if a > capture.start_sample and b < capture.stop_sample]
    inside = _without_wave_zeros(inside, capture.sample_rate_hz)
    smallest_fs = max(_QUIETEST_FS, _FINEST_STEPS * codes_of(capture.subtype).step_fs)
    context = round(_CONTEXT_S * capture.sample_rate_hz)
    edge = max(2, round(_EDGE_S * capture.sample_rate_hz))
    loud = np.concatenate([[0], np.cumsum(peaks >= smallest_fs)])

    def is_loud(start: int, stop: int) -> bool:
        """Whether a segment of the grid that touches start..stop is loud."""
        first = max(0, start - capture.start_sample) // grid
        last = min(len(peaks), -(-(stop - capture.start_sample) // grid))
        return bool(loud[last] > loud[first])

    cuts = []
    for a, b in inside:
        if not (is_loud(a - context, a) and is_loud(b, b + context)):
            continue
        before = capture.read(max(capture.start_sample, a - context), a)
        after = capture.read(b, min(capture.stop_sample, b + context))[::-1]
        if _is_live(before, edge, smallest_fs) and _is_live(after, edge, smallest_fs):
            cuts.append((a, b))
    return cuts


def gated_zeros(capture: Capture, runs: Spans) -> Spans:
    """Select long runs of exact zeros with sound on both sides: a noise gate of the recorder, or a gap.

    Parameters
    ----------
    capture : Capture
    runs : list of (int, int)
        Runs of exact zeros.

    Notes
    -----
    Zeros at an end of the file are padding, and a quiet recording in coarse codes rounds to zeros.
    """
    shortest = round(GATE_S * capture.sample_rate_hz)
    context = round(_CONTEXT_S * capture.sample_rate_hz)
    least_fs = _GATE_STEPS * codes_of(capture.subtype).step_fs
    gates = []
    for a, b in runs:
        if b - a < shortest or a <= capture.start_sample or b >= capture.stop_sample:
            continue
        before = capture.read(max(capture.start_sample, a - context), a)
        after = capture.read(b, min(capture.stop_sample, b + context))
        if all(float(np.abs(x).max()) >= max(least_fs, _GATE_STEPS * _rounding_fs(x)) for x in (before, after)):
            gates.append((a, b))
    return gates


def _is_live(samples: Floats, edge: int, smallest_fs: float) -> bool:
    """Whether the last of these samples are in full swing: far from zero, or steep (one of the two, on a sine)."""
    if len(samples) <= 2 * edge:
        return False
    peak = float(np.abs(samples).max())
    if peak < _FINEST_STEPS * _rounding_fs(samples):
        return False
    rise = np.abs(samples[edge:] - samples[:-edge])
    # at high pitches over at most a fifth of a cycle: a longer chord may join two equal values
    while edge > 1 and float(rise.max()) > _CHORD * peak:
        edge //= 2
        rise = np.abs(samples[edge:] - samples[:-edge])
    steepest = float(rise.max())
    if peak < smallest_fs or steepest == 0.0:
        return False
    last, rises = abs(float(samples[-1])), float(rise[-1])
    return (last >= _LIVE * peak or rises >= _LIVE * steepest) and max(last, rises) >= _LIVE_STEPS * _step_fs(samples)


def _rounding_fs(samples: Floats) -> float:
    """Step to which a faint sound is rounded, which may be many of the file's own: smallest value but zero; else 0."""
    size = np.abs(samples[samples != 0.0])
    return float(size.min()) if 0 < len(size) < (1.0 - _ROUNDED) * len(samples) else 0.0


def _step_fs(samples: Floats) -> float:
    """Least distance of the values, where many follow themselves; else 0."""
    if np.count_nonzero(samples[1:] == samples[:-1]) < _ROUNDED * len(samples):
        return 0.0
    values = distinct(samples)
    return float(np.diff(values).min()) if len(values) >= _FEWEST_VALUES else 0.0


def _without_wave_zeros(runs: Spans, sample_rate_hz: float) -> Spans:
    """Leave out runs that follow each other regularly at an audible rate."""
    if len(runs) < 4:
        return runs
    start: Ints = np.array([a for a, _ in runs])
    interval = np.diff(start).astype(np.float64)
    # Two runs a cycle need not be evenly spaced: compare with the run before the last.
    every_second = interval[1:] + interval[:-1]
    regular = np.abs(np.diff(every_second)) <= _REGULAR * every_second[1:]
    regular &= every_second[1:] <= 2.0 * sample_rate_hz / _WAVES_OWN_HZ
    own = np.zeros(len(runs), dtype=np.bool_)
    for shift in range(4):
        own[shift : shift + len(regular)] |= regular
    return [run for run, is_own in zip(runs, own.tolist(), strict=True) if not is_own]
