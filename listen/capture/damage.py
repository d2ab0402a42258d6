"""One pass over the samples for all faults of a recording that can be detected without knowing the pitch."""

from __future__ import annotations

import math

import numpy as np

from listen.capture.codes import no_samples
from listen.capture.dropouts import RunsOfMask, Spans, gated_zeros, shortest_zero_run, zeros_within_tone
from listen.capture.opening import Capture
from listen.capture.overload import ExtremesByBlock, find_overload
from listen.capture.repeats import RepeatFinder
from listen.capture.types import Damage, Floats, LostRuns

_GRID = 4096
"""Sums are taken over segments of this many samples, so that no block size changes their rounding."""

_BRIDGE_S = 1e-3


class _Grid:
    """Sum, sum of squares and extremes of every segment of the grid."""

    def __init__(self) -> None:
        self._sums: list[float] = []
        self._squares: list[float] = []
        self._peaks: list[float] = []

    def feed(self, samples: Floats) -> tuple[float, float]:
        """Take the next block; return its largest and its smallest sample."""
        whole = len(samples) // _GRID * _GRID
        parts = [samples[:whole].reshape(-1, _GRID), samples[whole:].reshape(1, -1)]
        highest, lowest = -math.inf, math.inf
        for rows in parts:
            if rows.size == 0:
                continue
            highs, lows = rows.max(axis=1), rows.min(axis=1)
            self._sums += rows.sum(axis=1).tolist()
            self._squares += np.einsum("ij,ij->i", rows, rows).tolist()
            self._peaks += np.maximum(highs, -lows).tolist()
            highest, lowest = max(highest, float(highs.max())), min(lowest, float(lows.min()))
        return highest, lowest

    def mean_and_rms(self, n: int) -> tuple[float, float]:
        """Return the mean, and the r.m.s. about it."""
        mean = math.fsum(self._sums) / n
        return mean, math.sqrt(max(0.0, math.fsum(self._squares) / n - mean * mean))

    def peaks(self) -> Floats:
        """Return the largest absolute sample of every segment."""
        return np.array(self._peaks)


def scan_damage(capture: Capture, *, block_samples: int = 1 << 16) -> Damage:
    """Find overload, lost and repeated samples, level and DC offset of the capture's span.

    Parameters
    ----------
    capture : Capture
    block_samples : int
        Samples held at once, rounded up to whole 4096; changes nothing in the result.

    Returns
    -------
    Damage

    Raises
    ------
    CaptureError
        The file can no longer be read.

    Notes
    -----
    Missing samples that leave no run of zeros shift the tone's phase: the tracker finds those.
    """
    block = max(1, -(-block_samples // _GRID)) * _GRID
    rate_hz = capture.sample_rate_hz
    extremes, grid = ExtremesByBlock(), _Grid()
    not_finite = RunsOfMask(bridge=round(_BRIDGE_S * rate_hz))
    zeros = RunsOfMask(shortest=shortest_zero_run(rate_hz))
    repeats = RepeatFinder(capture.start_sample, round(rate_hz))
    n_nonfinite = 0
    for start in range(capture.start_sample, capture.stop_sample, block):
        samples = capture.read_raw(start, min(capture.stop_sample, start + block))
        if np.count_nonzero(samples) < len(samples):
            zeros.feed(start, samples == 0.0)
        if capture.may_hold_nonfinite:
            bad = no_samples(samples)
            n_bad = int(np.count_nonzero(bad))
            if n_bad:
                n_nonfinite += n_bad
                not_finite.feed(start, bad)
                samples[bad] = 0.0
        extremes.feed(start, len(samples), *grid.feed(samples))
        repeats.feed(start, samples)
    n = capture.stop_sample - capture.start_sample
    dc_fs, rms_fs = grid.mean_and_rms(n)
    zero_runs = zeros.result()
    return Damage(
        n_scanned=n,
        overload=find_overload(capture, extremes),
        lost_runs=_lost_runs(
            not_finite.result(),
            zeros_within_tone(capture, zero_runs, grid.peaks(), _GRID),
            gated_zeros(capture, zero_runs),
            repeats.result(capture),
        ),
        n_nonfinite=n_nonfinite,
        peak_fs=max(extremes.highest, -extremes.lowest),
        rms_fs=rms_fs,
        dc_fs=dc_fs,
        missing_at_end_samples=0 if capture.header_samples is None else capture.header_samples - capture.n_samples,
    )


def _lost_runs(not_finite: Spans, cut: Spans, gated: Spans, repeated: Spans) -> LostRuns:
    """Put the kinds into one list, in order of time."""
    zeros = sorted({*cut, *gated})
    runs = sorted(
        [(a, b, "not-finite") for a, b in not_finite]
        + [(a, b, "zeros") for a, b in zeros]
        + [(a, b, "repeated") for a, b in repeated]
    )
    return LostRuns(
        start_sample=np.array([a for a, _, _ in runs], dtype=np.int64),
        n_samples=np.array([b - a for a, b, _ in runs], dtype=np.int64),
        kind=tuple(kind for _, _, kind in runs),
    )
