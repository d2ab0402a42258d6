"""One part of a capture: the rows whose centres lie in it, worked out from its samples and a margin."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from listen.track import kernels, shape_kernels
from listen.track.grid import Grid, Padded, lay_grid, padded, points_for
from listen.track.hum import block_samples
from listen.track.left import Between, Blocks, measure_between, take_out
from listen.track.lines import BAND, Lines, frame_cycles, measure_lines
from listen.track.phase import PhaseCurve, RoughCurve, curve_at, refine
from listen.track.shape import measure_shape, undo_coupling
from listen.track.steps import find_steps
from listen.track.stretches import Stretch
from listen.track.types import HARMONIC_COLUMNS, ROW_EVERY_S, Floats, Ints, PhaseStep

HOP_S = ROW_EVERY_S
_MARGIN_CYCLES = 12.0
_MARGIN_S = 0.25, 0.6
"""Read beside a part: as many cycles as tell a step of the phase, within these lengths."""
_MOVED = 0.3
"""A frame that an edge moves by more than this many cycles is no measure of what is at its centre."""
_CALM_KNOTS = 7
_ALONG = (-1.0, -0.5, 0.5, 1.0)
_SLOW_ROWS = 25
"""The offset is taken off as its mean over half a second: a single frame's mean holds hum too."""
_BENT = 0.006
"""A frame over which the pitch departs from a straight line by more than this part of it is shortened."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Rows of one stretch within one part; amplitudes, not yet levels."""

    row: NDArray[np.int64]
    stretch: int
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
    spur_power: Floats
    spur_order: Floats
    high_power: Floats
    high_order: Floats
    dc_fs: Floats
    shape: Floats
    residual_fold: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShortFrames:
    """Short frames of one stretch within one part."""

    time_s: Floats
    amplitude_fs: Floats
    rms_amplitude_fs: Floats
    f0_hz: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """What one part gives: rows, short frames, the low-rate residual."""

    rows: tuple[Rows, ...]
    short: tuple[ShortFrames, ...]
    steps: tuple[PhaseStep, ...]
    low: Floats
    quiet_power: Floats


def margin_samples(stretches: Iterable[Stretch], start: int, stop: int, rate_hz: float) -> int:
    """Samples to read before and after a part.

    Parameters
    ----------
    stretches : iterable of Stretch
    start, stop : int
        Samples of the file between which the part's rows lie.
    rate_hz : float
    """
    least, most = (int(seconds * rate_hz) for seconds in _MARGIN_S)
    lowest = np.inf
    for stretch in stretches:
        if stretch.start < stop + most and stretch.stop > start - most:
            a, b = np.searchsorted(stretch.knots, [start - most, stop + most])
            lowest = min(lowest, float(stretch.f0_hz[max(a - 1, 0) : b + 1].min()))
    return int(np.clip(_MARGIN_CYCLES / lowest * rate_hz, least, most))


def measure_part(
    x: Floats,
    first: int,
    start: int,
    stop: int,
    stretches: list[tuple[int, Stretch, RoughCurve]],
    rate_hz: float,
    coupling_hz: float | None,
) -> Part:
    """Measure the rows whose centres lie between two samples.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples with a margin on both sides; x[0] is sample ``first``.
    first, start, stop : int
        Samples of the file.
    stretches : list of (number, Stretch, RoughCurve)
        Those that overlap x.
    rate_hz : float
    coupling_hz : float or None
        Corner of the interface's high-pass.

    Returns
    -------
    Part
    """
    rows: list[Rows] = []
    short: list[ShortFrames] = []
    steps: list[PhaseStep] = []
    block = block_samples(rate_hz)
    blocks = (stop - start) // block
    whole_part = x[start - first : start - first + blocks * block]
    remains = Blocks(start=start, size=block, sums=np.zeros((blocks, 2)))
    signal = padded(x, first)
    for number, whole, rough in stretches:
        pieces, cuts = _pieces(whole, rough, x, first, rate_hz)
        steps.extend(step for at, step in cuts if start <= at < stop)
        for stretch, curve in pieces:
            short.append(_short_frames(curve, start, stop, rate_hz))
            measured = _measure_stretch(signal, start, stop, stretch, curve, rate_hz, coupling_hz, remains, number)
            rows.extend(measured)
    total, time = remains.sums.T
    covered = time > 0.5 * block
    low = np.empty(blocks)
    low[covered] = total[covered] / time[covered]
    low[~covered] = whole_part.reshape(-1, block)[~covered].mean(axis=1)
    hop = HOP_S * rate_hz
    quiet = _quiet_power(x, first, np.arange(np.ceil(start / hop), np.ceil(stop / hop)) * hop, int(hop))
    return Part(rows=tuple(rows), short=tuple(short), steps=tuple(steps), low=low, quiet_power=quiet)


def _short_frames(curve: PhaseCurve, start: int, stop: int, rate_hz: float) -> ShortFrames:
    a, b = np.searchsorted(curve.samples, [start, stop])
    return ShortFrames(
        time_s=curve.samples[a:b] / rate_hz,
        amplitude_fs=curve.amplitude_fs[a:b].astype(np.float32),
        rms_amplitude_fs=np.sqrt(2 * curve.power[a:b]).astype(np.float32),
        f0_hz=(curve.raw_slopes[a:b] * rate_hz).astype(np.float32),
    )


def _pieces(
    whole: Stretch, rough: RoughCurve, x: Floats, first: int, rate_hz: float
) -> tuple[list[tuple[Stretch, PhaseCurve]], list[tuple[int, PhaseStep]]]:
    """The stretch's phase in this part, cut where samples are missing or repeated."""
    low = max(whole.start, float(first))
    high = min(whole.stop, float(first + len(x)))
    curve = refine(rough, whole, x, first, rate_hz, low, high)
    if curve is None:
        return [], []
    cuts = find_steps(curve, rough, x, first, rate_hz)
    if not cuts:
        return [(whole, curve)], []
    pieces = []
    bounds = [whole.start, *(float(at) for at, _ in cuts), whole.stop]
    for a, b in itertools.pairwise(bounds):
        stretch = replace(whole, start=a, stop=b)
        piece = refine(rough, stretch, x, first, rate_hz, max(a, low), min(b, high))
        if piece is not None:
            pieces.append((stretch, piece))
    return pieces, cuts


def _quiet_power(x: Floats, first: int, centres: Floats, width: int) -> Floats:
    """Mean square about the mean of the samples round each row's centre."""
    power = np.empty(len(centres))
    kernels.window_powers(x, np.round(centres - first - width / 2).astype(np.int64), width, power)
    return power


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frames:
    """Frames of one piece of a stretch: phase of the centre, cycles, cycles a sample at the row, and so on."""

    row: Ints
    samples: Floats
    middle: Floats
    cycles: Ints
    slope: Floats
    points: Ints
    centred: NDArray[np.bool_]


def _frames_of(row: Ints, hop: float, curve: PhaseCurve, low: float, high: float, rate_hz: float) -> _Frames:
    """Frames round the rows' samples, within two phases: shortened at edges and where the pitch bends."""
    centres = row * hop
    middle, slope = curve_at(curve, centres)
    cycles = frame_cycles(slope * rate_hz)
    # hum under the tone ripples the slopes and bends nothing: the mean of a few short frames is free of it
    calm = _running_mean(curve.slopes, _CALM_KNOTS)
    here = np.interp(centres, curve.samples, calm)
    for _ in range(3):
        half = 0.5 * cycles / slope
        ahead = np.interp(centres + half, curve.samples, calm)
        behind = np.interp(centres - half, curve.samples, calm)
        nearer = np.interp(centres + 0.5 * half, curve.samples, calm)
        nearer = np.maximum(nearer, np.interp(centres - 0.5 * half, curve.samples, calm))
        straight = np.maximum(np.abs(ahead + behind - 2 * here), np.abs(nearer - here) - np.abs(ahead - behind))
        bent = (straight > _BENT * slope) & (cycles > 2)
        if not bent.any():
            break
        cycles = np.where(bent, np.maximum(2.0 * np.floor(0.25 * cycles), 2.0), cycles)
    room = np.minimum(middle - low, high - middle)
    cycles = np.minimum(cycles, np.maximum(2.0 * np.floor(room), 2.0))
    moved = np.clip(middle, low + 0.5 * cycles, high - 0.5 * cycles)
    half = 0.5 * cycles / slope
    least = np.minimum.reduce([slope, *(np.interp(centres + f * half, curve.samples, curve.slopes) for f in _ALONG)])
    return _Frames(
        row=row,
        samples=centres,
        middle=moved,
        cycles=cycles.astype(np.int64),
        slope=slope,
        points=points_for(np.maximum(least, 0.5 * slope)),
        centred=np.abs(moved - middle) < _MOVED,
    )


def _measure_stretch(
    x: Padded,
    start: int,
    stop: int,
    stretch: Stretch,
    curve: PhaseCurve,
    rate_hz: float,
    coupling_hz: float | None,
    remains: Blocks,
    number: int,
) -> list[Rows]:
    a = max(x.start, int(np.ceil(stretch.start)))
    b = min(x.stop, int(np.floor(stretch.stop)))
    (low, high), _ = curve_at(curve, np.array([a, b - 1.0]))
    hop = HOP_S * rate_hz
    row = np.arange(int(np.ceil(max(a, start - hop) / hop)), int(np.ceil(min(b, stop + hop) / hop)))
    if high - low < 2.5 or len(row) == 0:
        return []
    frames = _frames_of(row, hop, curve, low, high, rate_hz)
    # rows on one grid are measured together; those just outside of the part only lend their mean cycle
    edges = np.clip(np.concatenate([[-0.5], 0.5 * (row[1:] + row[:-1] - 2 * row[0]), [len(row) - 0.5]]), -0.5, None)
    zones, _ = curve_at(curve, np.clip((row[0] + edges) * hop, a, b - 1.0))
    runs = []
    for i, j in _runs(frames.points):
        reach = 0.5 * frames.cycles[i:j]
        bottom = min(zones[i], float((frames.middle[i:j] - reach).min()))
        top = max(zones[j], float((frames.middle[i:j] + reach).max()))
        grid = lay_grid(x, curve, int(frames.points[i]), bottom, top)
        at = np.round(frames.middle[i:j] * grid.points).astype(np.int64) - grid.start
        runs.append(_Run(grid, i, j, at, measure_lines(grid, at, frames.cycles[i:j], frames.slope[i:j])))
    dc = _running_mean(np.concatenate([run.lines.amplitude[:, 0].real for run in runs]), _SLOW_ROWS)
    out = []
    for k, run in enumerate(runs):
        ends = np.round(zones[run.i : run.j + 1] * run.grid.points).astype(np.int64) - run.grid.start
        ends = np.clip(ends, 0, len(run.grid.y))
        sides = runs[k - 1] if k else None, runs[k + 1] if k + 1 < len(runs) else None
        left, folded = _left(run, *sides, frames, dc, ends, remains)
        own = (frames.samples[run.i : run.j] >= start) & (frames.samples[run.i : run.j] < stop)
        if own.any():
            rows = _rows(run, left, folded, frames, curve, rate_hz, coupling_hz, number)
            out.append(rows if own.all() else _only(rows, own))
    return out


@dataclass(frozen=True, slots=True)
class _Run:
    """Rows i .. j of a piece, measured on one grid."""

    grid: Grid
    i: int
    j: int
    centres: Ints
    lines: Lines


def _runs(values: Ints) -> list[tuple[int, int]]:
    """Bounds of the runs of equal values."""
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1, [len(values)]])
    return [(int(a), int(b)) for a, b in itertools.pairwise(bounds)]


def _left(
    run: _Run,
    before: _Run | None,
    after: _Run | None,
    frames: _Frames,
    dc: Floats,
    ends: Ints,
    remains: Blocks,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Residual of one run, and its power round the cycle; at its ends the cycle fades from and to the neighbour's."""
    amplitude, at = [run.lines.amplitude], [run.centres]
    low, high = run.i, run.j
    for side, other, index in ((0, before, run.i - 1), (1, after, run.j)):
        if other is None:
            continue
        line = other.lines.amplitude[-1:] if side == 0 else other.lines.amplitude[:1]
        place = np.round(frames.middle[index : index + 1] * run.grid.points).astype(np.int64) - run.grid.start
        amplitude.insert(len(amplitude) * side, line)
        at.insert(len(at) * side, place)
        low, high = (low - 1, high) if side == 0 else (low, high + 1)
    return take_out(run.grid, np.concatenate(at), amplitude, dc[low:high], ends, run.lines.amplitude, remains)


def _rows(
    run: _Run,
    left: NDArray[np.float32],
    folded: NDArray[np.float32],
    frames: _Frames,
    curve: PhaseCurve,
    rate_hz: float,
    coupling_hz: float | None,
    number: int,
) -> Rows:
    part = slice(run.i, run.j)
    slope, cycles, lines = frames.slope[part], frames.cycles[part], run.lines
    _, at_frame = curve_at(curve, run.grid.place[run.centres])
    f0 = lines.f0 * slope / at_frame * rate_hz
    undone = undo_coupling(lines.amplitude, f0, coupling_hz)
    limits = np.minimum(np.maximum(2, (BAND / slope).astype(np.int64) + 1), undone.shape[1])
    between: Between = measure_between(run.grid, left, run.centres, cycles, slope, cycles / lines.spans)
    shape = measure_shape(undone, limits, between.noise_power * 6.0 / lines.spans)
    few = undone[:, 1 : HARMONIC_COLUMNS + 1]
    harmonics = np.full((len(f0), HARMONIC_COLUMNS), np.nan, dtype=complex)
    harmonics[:, : few.shape[1]] = np.where(np.arange(1, few.shape[1] + 1) < limits[:, None], few, np.nan)
    high = _high_orders(undone, limits)
    return Rows(
        row=frames.row[part],
        stretch=number,
        f0_hz=f0,
        f0_sigma_hz=np.sqrt(lines.f0_variance) * rate_hz,
        frame_s=cycles / f0,
        centred=frames.centred[part],
        power=lines.power,
        harmonics=harmonics,
        count=np.clip(np.floor(BAND / slope), 1, HARMONIC_COLUMNS).astype(np.int64),
        noise_power=between.noise_power,
        half_power=between.half_power,
        half_noise=between.half_noise,
        spur_power=between.spur_power,
        spur_order=between.spur_order,
        high_power=high[:, 0],
        high_order=high[:, 1],
        dc_fs=lines.amplitude[:, 0].real,
        shape=np.column_stack(
            [
                shape.crest_positive,
                shape.crest_negative,
                shape.flat_positive,
                shape.flat_negative,
                shape.slope_over_sine,
            ]
        ),
        residual_fold=folded,
    )


def _only(rows: Rows, own: NDArray[np.bool_]) -> Rows:
    """Some of the rows, one after the other."""
    start = int(np.argmax(own))
    part = slice(start, start + int(np.count_nonzero(own)))
    values = {field.name: getattr(rows, field.name) for field in fields(rows)}
    return Rows(**{name: value if name == "stretch" else value[part] for name, value in values.items()})


def _high_orders(amplitude: NDArray[np.complex128], limits: Ints) -> Floats:
    """Mean square of the harmonics above the tenth, and their mean order; NaN where none fits."""
    out = np.empty((len(amplitude), 2))
    parts = np.ascontiguousarray(amplitude).view(np.float64).reshape(*amplitude.shape, 2)
    shape_kernels.high_orders(parts, limits, HARMONIC_COLUMNS + 1, out)
    return out


def _running_mean(values: Floats, width: int) -> Floats:
    width = min(len(values), width)
    before = width // 2
    padded = np.concatenate([np.full(before, values[0]), values, np.full(width - 1 - before, values[-1])])
    return np.convolve(padded, np.ones(width) / width, mode="valid")
