"""Rows of one segment of tone within one chunk: frames of whole cycles, measured on a grid of phase."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track.frame_runs import RowFrames, Run, frames_of, lay_runs, part_of_runs, running_mean
from listen.track.grid import Padded
from listen.track.lines import AROUND_ROWS, BAND, FRAME_CYCLES, FRAME_S, Pitches, settle_pitches
from listen.track.phase import PhaseCurve, curve_at
from listen.track.residual import (
    Blocks,
    Interharmonics,
    bins_to_read,
    measure_interharmonics,
    settle_interharmonics,
    subtract_mean_cycle,
)
from listen.track.segments import Segment
from listen.track.shape import least_power, measure_cycles, settle_shape, undo_coupling
from listen.track.spectra import spectra_of_rows
from listen.track.types import HARMONIC_COLUMNS, ROW_EVERY_S, Floats, Ints

_SLOW_ROWS = AROUND_ROWS + 1
"""The DC offset is subtracted as its mean over half a second: the mean of one frame contains hum too. Strays are told
by as many rows around each, so that a row's offset hangs on ``AROUND_ROWS`` on either side."""
_UNUSUAL = 5.0
"""Multiple of the median absolute deviation; a linear drift or a sine stays within two."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Rows of one segment within one chunk; linear amplitudes."""

    row: NDArray[np.int64]
    segment: int
    f0_hz: Floats
    f0_sigma_hz: Floats
    frame_s: Floats
    centred: NDArray[np.bool_]
    power: Floats
    harmonics: NDArray[np.complex128]
    count: NDArray[np.int64]
    noise_power: Floats
    half_power: Floats
    half_noise: Floats
    half_orders: NDArray[np.complex64]
    spur_power: Floats
    spur_order: Floats
    high_power: Floats
    high_order: Floats
    dc_fs: Floats
    shape: Floats
    residual_fold: NDArray[np.float32]
    spectra: list[NDArray[np.complex64] | None]


_COLUMNS = tuple(field.name for field in fields(Rows) if field.name != "segment")


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSettings:
    """How all rows of a capture are measured.

    Attributes
    ----------
    rate_hz : float
        Samples a second.
    coupling_hz : float or None
        Corner of the interface's high-pass, which is undone; None: unknown.
    spectra_every : int
        All harmonics are kept of rows whose number is a multiple of this; 0 keeps none.
    around_rows : int
        Rows measured on either side of a chunk for the sake of those in it: with ``AROUND_ROWS`` none of them depends
        on where the chunk ends. With fewer the work is less, and slow drift counts as noise near the ends.
    """

    rate_hz: float
    coupling_hz: float | None = None
    spectra_every: int = 0
    around_rows: int = AROUND_ROWS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhasedSegment:
    """A segment, or a part of it between missing samples, with its phase in this chunk.

    Attributes
    ----------
    number : int
        The segment's.
    segment : Segment
        From the start of the piece to its end.
    curve : PhaseCurve
    """

    number: int
    segment: Segment
    curve: PhaseCurve


def measure_rows(
    x: Padded, start: int, stop: int, piece: PhasedSegment, settings: RowSettings, remains: Blocks
) -> Rows | None:
    """Measure the rows whose centres lie between two samples.

    Parameters
    ----------
    x : Padded
    start, stop : int
        Samples of the file.
    piece : PhasedSegment
    settings : RowSettings
    remains : Blocks
        What the harmonics leave is added to.

    Returns
    -------
    Rows or None
        None where no row fits.
    """
    curve, rate_hz = piece.curve, settings.rate_hz
    a = max(x.start, int(np.ceil(piece.segment.start)))
    b = min(x.stop, int(np.floor(piece.segment.stop)))
    (low, high), _ = curve_at(curve, np.array([a, b - 1.0]))
    hop = ROW_EVERY_S * rate_hz
    near = _reach_rows(curve, start - hop, stop + hop, rate_hz) if settings.around_rows else 1
    row = _rows_about(a, b, start, stop, hop, near + settings.around_rows)
    inner = _rows_about(a, b, start, stop, hop, near)
    if high - low < 2.5 or len(inner) == 0:
        return None
    frames = frames_of(row, hop, curve, low, high, rate_hz)
    # rows on one grid are measured together
    edges = np.clip(np.concatenate([[-0.5], 0.5 * (row[1:] + row[:-1] - 2 * row[0]), [len(row) - 0.5]]), -0.5, None)
    zones, _ = curve_at(curve, np.clip((row[0] + edges) * hop, a, b - 1.0))
    runs = lay_runs(x, curve, frames, zones)
    pitches = settle_pitches([run.lines for run in runs], frames.cycles)
    dc = _slow_mean(pitches.mean)
    # of rows outside the chunk only the offset is used, of those just outside the mean cycle too
    first = int(inner[0] - row[0])
    last = first + len(inner)
    runs = part_of_runs(runs, frames, zones, first, last)
    frames, pitches, zones, dc = (
        frames.part(first, last),
        pitches.part(first, last),
        zones[first : last + 1],
        dc[first:last],
    )
    _, at_frame = curve_at(curve, np.concatenate([run.grid.place[run.centres] for run in runs]))
    f0 = pitches.f0 * frames.slope / at_frame * rate_hz
    residuals = _residuals_of_runs(runs, frames, pitches, dc, zones, remains)
    own = (frames.samples >= start) & (frames.samples < stop)
    if not own.any():
        return None
    waves = _waves_of(runs, frames, f0, least_power(residuals.powers.noise_power * 6.0 / pitches.spans), settings)
    rows = _rows(frames, pitches, f0, residuals, waves, piece.number, rate_hz)
    return rows if own.all() else _only(rows, own)


def _rows_about(a: int, b: int, start: int, stop: int, hop: float, more: int) -> Ints:
    """Rows from so many before ``start`` to so many after ``stop``, within the samples a .. b."""
    return np.arange(int(np.ceil(max(a, start - more * hop) / hop)), int(np.ceil(min(b, stop + more * hop) / hop)))


def _reach_rows(curve: PhaseCurve, start: float, stop: float, rate_hz: float) -> int:
    """Rows outside a chunk whose mean cycles its frames contain: one moved by an end of the tone reaches its length."""
    ends = (curve.samples < start) | (curve.samples > stop)
    lowest_hz = float(curve.slopes[ends].min(initial=np.inf)) * rate_hz
    longest_s = max(FRAME_S + 2.0 / lowest_hz, FRAME_CYCLES / lowest_hz) if lowest_hz > 0 else FRAME_S
    return int(np.ceil(longest_s / ROW_EVERY_S))


@dataclass(frozen=True, slots=True)
class _RowResiduals:
    """Residual of each row: phase histogram of its power, interharmonics, half-order lines."""

    histogram: NDArray[np.float32]
    powers: Interharmonics
    half_orders: NDArray[np.complex64]


def _residuals_of_runs(
    runs: list[Run], frames: RowFrames, pitches: Pitches, dc: Floats, zones: Floats, remains: Blocks
) -> _RowResiduals:
    read = bins_to_read(frames.cycles, frames.slope)
    crests = -np.angle(pitches.first) / (2 * np.pi)
    histograms, bins, halves = [], [], []
    for k, run in enumerate(runs):
        neighbours = runs[k - 1] if k else None, runs[k + 1] if k + 1 < len(runs) else None
        ends = np.round(zones[run.i : run.j + 1] * run.grid.points).astype(np.int64) - run.grid.start
        residual, power = _residual_of_run(run, neighbours, frames, dc, ends, crests[run.i : run.j], remains)
        histograms.append(power)
        lines, half = measure_interharmonics(run.grid, residual, run.centres, read.part(run.i, run.j))
        bins.append(lines)
        halves.append(half)
    powers = settle_interharmonics(np.concatenate(bins), read, frames.cycles / pitches.spans)
    return _RowResiduals(np.concatenate(histograms), powers, np.concatenate(halves))


def _residual_of_run(
    run: Run,
    neighbours: tuple[Run | None, Run | None],
    frames: RowFrames,
    dc: Floats,
    ends: Ints,
    crests: Floats,
    remains: Blocks,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Residual of one run and its phase histogram; the mean cycle cross-fades with the neighbouring runs'."""
    amplitude, at = [run.lines.amplitude], [run.centres]
    low, high = run.i, run.j
    for side, other, index in ((0, neighbours[0], run.i - 1), (1, neighbours[1], run.j)):
        if other is None:
            continue
        line = other.lines.amplitude[-1:] if side == 0 else other.lines.amplitude[:1]
        place = np.round(frames.middle[index : index + 1] * run.grid.points).astype(np.int64) - run.grid.start
        amplitude.insert(len(amplitude) * side, line)
        at.insert(len(at) * side, place)
        low, high = (low - 1, high) if side == 0 else (low, high + 1)
    return subtract_mean_cycle(run.grid, np.concatenate(at), amplitude, dc[low:high], ends, crests, remains)


@dataclass(frozen=True, slots=True)
class _Waves:
    """Each row: harmonics to the tenth (AC coupling undone), mean cycle, power above the tenth, all harmonics."""

    harmonics: NDArray[np.complex128]
    cycles: Floats
    high: Floats
    spectra: list[NDArray[np.complex64] | None]


def _waves_of(runs: list[Run], frames: RowFrames, f0_hz: Floats, least: Floats, settings: RowSettings) -> _Waves:
    n = len(f0_hz)
    harmonics = np.full((n, HARMONIC_COLUMNS), np.nan, dtype=complex)
    high = np.empty((n, 2))
    most = np.maximum(2, (BAND / frames.slope).astype(np.int64) + 1)
    cycles = []
    spectra: list[NDArray[np.complex64] | None] = []
    for run in runs:
        own = slice(run.i, run.j)
        undone = undo_coupling(run.lines.amplitude, f0_hz[own], settings.coupling_hz)
        limits = np.minimum(most[own], undone.shape[1])
        cycles.append(measure_cycles(undone, limits, least[own]))
        few = undone[:, 1 : HARMONIC_COLUMNS + 1]
        harmonics[own, : few.shape[1]] = few
        _high_orders(undone, limits, high[own])
        spectra += spectra_of_rows(undone, limits, frames.row[own], settings.spectra_every)
    harmonics[np.arange(1, HARMONIC_COLUMNS + 1) >= most[:, None]] = np.nan
    return _Waves(harmonics, np.concatenate(cycles), high, spectra)


def _rows(
    frames: RowFrames,
    pitches: Pitches,
    f0_hz: Floats,
    residuals: _RowResiduals,
    waves: _Waves,
    number: int,
    rate_hz: float,
) -> Rows:
    shape = settle_shape(waves.cycles, np.abs(waves.harmonics[:, 0]))
    powers = residuals.powers
    return Rows(
        row=frames.row,
        segment=number,
        f0_hz=f0_hz,
        f0_sigma_hz=np.sqrt(pitches.f0_variance) * rate_hz,
        frame_s=frames.cycles / f0_hz,
        centred=frames.centred,
        power=pitches.power,
        harmonics=waves.harmonics,
        count=np.clip(np.floor(BAND / frames.slope), 1, HARMONIC_COLUMNS).astype(np.int64),
        noise_power=powers.noise_power,
        half_power=powers.half_power,
        half_noise=powers.half_noise,
        half_orders=residuals.half_orders,
        spur_power=powers.spur_power,
        spur_order=powers.spur_order,
        high_power=waves.high[:, 0],
        high_order=waves.high[:, 1],
        dc_fs=pitches.mean,
        shape=np.column_stack(
            [
                shape.crest_positive,
                shape.crest_negative,
                shape.flat_positive,
                shape.flat_negative,
                shape.slope_over_sine,
            ]
        ),
        residual_fold=residuals.histogram,
        spectra=waves.spectra,
    )


def _only(rows: Rows, own: NDArray[np.bool_]) -> Rows:
    """A contiguous subset of rows."""
    start = int(np.argmax(own))
    own_slice = slice(start, start + int(np.count_nonzero(own)))
    columns = {name: getattr(rows, name)[own_slice] for name in _COLUMNS}
    return Rows(segment=rows.segment, **columns)


def _high_orders(amplitude: NDArray[np.complex128], limits: Ints, out: Floats) -> None:
    """Mean square of the harmonics above the tenth, and their mean order; NaN where the band has none."""
    parts = np.ascontiguousarray(amplitude).view(np.float64).reshape(*amplitude.shape, 2)
    kernels.high_orders(parts, limits, HARMONIC_COLUMNS + 1, out)


def _slow_mean(mean: Floats) -> Floats:
    """DC offset of each frame, smoothed over half a second.

    A frame across a step has an outlying mean, which says nothing of the others' offset: outliers are clipped to a
    few times the median absolute deviation around them.
    """
    usual: Floats = np.empty(len(mean))
    kernels.limit_strays(np.ascontiguousarray(mean), _UNUSUAL, min(len(mean), _SLOW_ROWS), usual)
    return running_mean(usual, _SLOW_ROWS)
