"""One chunk of a capture: the rows whose centres lie in it, measured from its samples and a margin."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from listen.native import kernels
from listen.track.grid import padded
from listen.track.hum import block_samples
from listen.track.lines import AROUND_ROWS
from listen.track.phase import PhaseCurve, RoughCurve, refine
from listen.track.phase_discontinuities import RuledOut, find_steps
from listen.track.residual import Blocks
from listen.track.rows import PhasedSegment, Rows, RowSettings, measure_rows
from listen.track.segments import Segment
from listen.track.types import ROW_EVERY_S, Floats, PhaseStep

_MARGIN_CYCLES = 12.0
_MARGIN_S = 0.25, 1.0
"""Margin about the rows of a chunk and those around it: the cycles that a test for a phase discontinuity needs, within
these lengths. The frame of the last row and the smoothing of the phase under it reach as far."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShortFrames:
    """Short frames of one segment within one chunk."""

    time_s: Floats
    amplitude_fs: Floats
    rms_amplitude_fs: Floats
    f0_hz: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chunk:
    """Results of one chunk: rows, short frames, phase discontinuities, low-rate residual."""

    rows: tuple[Rows, ...]
    short: tuple[ShortFrames, ...]
    steps: tuple[PhaseStep, ...]
    low: Floats
    quiet_power: Floats


def margin_samples(
    segments: Iterable[Segment], start: int, stop: int, rate_hz: float, around_rows: int = AROUND_ROWS
) -> int:
    """Margin in samples to read before and after a chunk.

    Parameters
    ----------
    segments : iterable of Segment
    start, stop : int
        Samples of the file between which the chunk's rows lie.
    rate_hz : float
    around_rows : int
        As in ``RowSettings``.
    """
    least, most = (int(seconds * rate_hz) for seconds in _MARGIN_S)
    lowest = np.inf
    for segment in segments:
        if segment.start < stop + most and segment.stop > start - most:
            a, b = np.searchsorted(segment.knots, [start - most, stop + most])
            lowest = min(lowest, float(segment.f0_hz[max(a - 1, 0) : b + 1].min()))
    own = int(np.clip(_MARGIN_CYCLES / lowest * rate_hz, least, most))
    return own + int(np.ceil(around_rows * ROW_EVERY_S * rate_hz))


def measure_chunk(
    x: Floats,
    first: int,
    start: int,
    stop: int,
    segments: list[tuple[int, Segment, RoughCurve]],
    settings: RowSettings,
    ruled_out: RuledOut | None = None,
) -> Chunk:
    """Measure the rows whose centres lie between two samples.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples with a margin on both sides; x[0] is sample ``first``.
    first, start, stop : int
        Samples of the file.
    segments : list of (number, Segment, RoughCurve)
        Those that overlap x.
    settings : RowSettings
    ruled_out : RuledOut or None
        Places that earlier calls found to be no phase discontinuities.

    Returns
    -------
    Chunk
    """
    rate_hz = settings.rate_hz
    rows: list[Rows] = []
    short: list[ShortFrames] = []
    steps: list[PhaseStep] = []
    block = block_samples(rate_hz)
    blocks = (stop - start) // block
    whole_chunk = x[start - first : start - first + blocks * block]
    remains = Blocks(start=start, size=block, sums=np.zeros((blocks, 2)))
    signal = padded(x, first)
    for number, whole, rough in segments:
        phases, cuts = _pieces(whole, rough, x, first, rate_hz, ruled_out)
        steps.extend(step for at, step in cuts if start <= at < stop)
        for segment, curve in phases:
            short.append(_short_frames(curve, start, stop, rate_hz))
            piece = PhasedSegment(number=number, segment=segment, curve=curve)
            measured = measure_rows(signal, start, stop, piece, settings, remains)
            if measured is not None:
                rows.append(measured)
    total, time = remains.sums.T
    covered = time > 0.5 * block
    low = np.empty(blocks)
    low[covered] = total[covered] / time[covered]
    low[~covered] = whole_chunk.reshape(-1, block)[~covered].mean(axis=1)
    hop = ROW_EVERY_S * rate_hz
    quiet = _quiet_power(x, first, np.arange(np.ceil(start / hop), np.ceil(stop / hop)) * hop, int(hop))
    return Chunk(rows=tuple(rows), short=tuple(short), steps=tuple(steps), low=low, quiet_power=quiet)


def _short_frames(curve: PhaseCurve, start: int, stop: int, rate_hz: float) -> ShortFrames:
    a, b = np.searchsorted(curve.samples, [start, stop])
    return ShortFrames(
        time_s=curve.samples[a:b] / rate_hz,
        amplitude_fs=curve.amplitude_fs[a:b].astype(np.float32),
        rms_amplitude_fs=np.sqrt(2 * curve.power[a:b]).astype(np.float32),
        f0_hz=(curve.raw_slopes[a:b] * rate_hz).astype(np.float32),
    )


def _pieces(
    whole: Segment, rough: RoughCurve, x: Floats, first: int, rate_hz: float, ruled_out: RuledOut | None
) -> tuple[list[tuple[Segment, PhaseCurve]], list[tuple[int, PhaseStep]]]:
    """Phase of the segment in this chunk, divided where samples are missing or repeated."""
    low = max(whole.start, float(first))
    high = min(whole.stop, float(first + len(x)))
    curve = refine(rough, whole, x, first, rate_hz, low, high)
    if curve is None:
        return [], []
    cuts = find_steps(curve, rough, x, first, rate_hz, ruled_out)
    if not cuts:
        return [(whole, curve)], []
    pieces = []
    bounds = [whole.start, *(float(at) for at, _ in cuts), whole.stop]
    for a, b in itertools.pairwise(bounds):
        segment = replace(whole, start=a, stop=b)
        piece = refine(rough, segment, x, first, rate_hz, max(a, low), min(b, high))
        if piece is not None:
            pieces.append((segment, piece))
    return pieces, cuts


def _quiet_power(x: Floats, first: int, centres: Floats, width: int) -> Floats:
    """Variance of the samples around each row's centre."""
    power = np.empty(len(centres))
    kernels.window_powers(x, np.round(centres - first - width / 2).astype(np.int64), width, power)
    return power
