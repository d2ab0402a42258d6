"""One part of a capture: the rows whose centres lie in it, worked out from its samples and a margin."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.track import shape_kernels
from listen.track.hum import block_samples
from listen.track.lines import BAND, Lines, frame_cycles, measure_lines
from listen.track.phase import PhaseCurve, PhaseSamples, RoughCurve, phase_samples, refine
from listen.track.shape import measure_shape, residual_tables, undo_coupling
from listen.track.steps import find_steps
from listen.track.stretches import Stretch
from listen.track.types import HARMONIC_COLUMNS, Floats, PhaseStep

HOP_S = 0.020
MARGIN_S = 0.6
FOLD = 16
_MOVED = 0.3
"""A frame that an edge moves by more than this many cycles is no measure of what is at its centre."""
_CALM_KNOTS = 7
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
    residue = x[start - first : stop - first].copy()
    rows: list[Rows] = []
    short: list[ShortFrames] = []
    steps: list[PhaseStep] = []
    for number, whole, rough in stretches:
        pieces, cuts = _pieces(whole, rough, x, first, rate_hz)
        steps.extend(step for at, step in cuts if start <= at < stop)
        for stretch, curve in pieces:
            short.append(_short_frames(curve, start, stop, rate_hz))
            measured = _measure_stretch(x, first, start, stop, stretch, curve, rate_hz, coupling_hz, residue, number)
            if measured is not None:
                rows.append(measured)
    block = block_samples(rate_hz)
    length = len(residue) // block * block
    low_rate = residue[:length].reshape(-1, block).mean(axis=1)
    hop = HOP_S * rate_hz
    quiet = _quiet_power(x, first, np.arange(np.ceil(start / hop), np.ceil(stop / hop)) * hop, int(hop))
    return Part(rows=tuple(rows), short=tuple(short), steps=tuple(steps), low=low_rate, quiet_power=quiet)


def _short_frames(curve: PhaseCurve, start: int, stop: int, rate_hz: float) -> ShortFrames:
    inside = (curve.samples >= start) & (curve.samples < stop)
    return ShortFrames(
        time_s=curve.samples[inside] / rate_hz,
        amplitude_fs=curve.amplitude_fs[inside].astype(np.float32),
        rms_amplitude_fs=np.sqrt(2 * curve.power[inside]).astype(np.float32),
        f0_hz=(curve.raw_slopes[inside] * rate_hz).astype(np.float32),
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
    total = np.concatenate([[0.0], np.cumsum(x)])
    square = np.concatenate([[0.0], np.cumsum(x * x)])
    a = np.clip(np.round(centres - first - width / 2).astype(np.int64), 0, len(x))
    b = np.clip(a + width, 0, len(x))
    n = np.maximum(b - a, 1)
    power: Floats = np.maximum((square[b] - square[a]) / n - ((total[b] - total[a]) / n) ** 2, 0.0)
    return power


def _frames_of(
    centres: Floats, phase: PhaseSamples, curve: PhaseCurve, rate_hz: float
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Phase, whole cycles and slope of the frames round some samples: shortened at edges and where the pitch bends."""
    place = centres - phase.first
    grid = np.arange(len(phase.phase))
    middle = np.interp(place, grid, phase.phase)
    slope = np.interp(place, grid, phase.dphi)
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
    room = np.minimum(middle - phase.phase[0], phase.phase[-1] - middle)
    cycles = np.minimum(cycles, np.maximum(2.0 * np.floor(room), 2.0))
    moved = np.clip(middle, phase.phase[0] + 0.5 * cycles, phase.phase[-1] - 0.5 * cycles)
    return moved, cycles, slope, np.abs(moved - middle) < _MOVED


def _measure_stretch(
    x: Floats,
    first: int,
    start: int,
    stop: int,
    stretch: Stretch,
    curve: PhaseCurve,
    rate_hz: float,
    coupling_hz: float | None,
    residue: Floats,
    number: int,
) -> Rows | None:
    a = max(first, int(np.ceil(stretch.start)))
    b = min(first + len(x), int(np.floor(stretch.stop)))
    phase = phase_samples(curve.samples, curve.turns, curve.slopes, a, b - a)
    if phase.phase[-1] - phase.phase[0] < 2.5:
        return None
    part = x[a - first : b - first]
    hop = HOP_S * rate_hz
    row = np.arange(int(np.ceil(max(a, start - hop) / hop)), int(np.ceil(min(b, stop + hop) / hop)))
    if len(row) == 0:
        return None
    centres = row * hop
    middle, cycles, slope, centred = _frames_of(centres, phase, curve, rate_hz)
    lines = measure_lines(part, phase, middle, cycles, slope)
    own = (centres >= start) & (centres < stop)
    fold = _fold(part, phase, centres, middle, lines, a, residue, start)
    if not own.any():
        return None
    at_frame = np.interp(middle, phase.phase, phase.dphi)
    f0 = lines.f0 * slope / at_frame * rate_hz
    within = [a[: max(2, int(BAND / k) + 1)] for a, k in zip(lines.amplitude, slope, strict=True)]
    undone = undo_coupling(within, f0, coupling_hz)
    high = _high_orders(undone)
    line_noise = lines.noise_power * 6.0 / lines.spans
    shape = measure_shape(undone, line_noise)
    harmonics = np.full((len(row), HARMONIC_COLUMNS), np.nan, dtype=complex)
    for i, amplitude in enumerate(undone):
        few = amplitude[1 : HARMONIC_COLUMNS + 1]
        harmonics[i, : len(few)] = few
    count = np.minimum(np.floor(BAND / slope), HARMONIC_COLUMNS).astype(np.int64)
    noise = np.where(np.isfinite(lines.noise_power), lines.noise_power, np.nan)
    columns = np.column_stack(
        [shape.crest_positive, shape.crest_negative, shape.flat_positive, shape.flat_negative, shape.slope_over_sine]
    )
    return Rows(
        row=row[own],
        stretch=number,
        f0_hz=f0[own],
        f0_sigma_hz=(np.sqrt(lines.f0_variance) * rate_hz)[own],
        frame_s=(cycles / f0)[own],
        centred=centred[own],
        power=lines.power[own],
        harmonics=harmonics[own],
        count=np.maximum(count, 1)[own],
        noise_power=noise[own],
        half_power=lines.half_power[own],
        half_noise=lines.half_noise[own],
        spur_power=lines.spur_power[own],
        spur_order=lines.spur_order[own],
        high_power=high[own, 0],
        high_order=high[own, 1],
        dc_fs=np.array([amplitude[0].real for amplitude in lines.amplitude])[own],
        shape=columns[own],
        residual_fold=fold[own],
    )


def _high_orders(amplitude: list[NDArray[np.complex128]]) -> Floats:
    """Mean square of the harmonics above the tenth, and their mean order."""
    out = np.full((len(amplitude), 2), np.nan)
    for i, a in enumerate(amplitude):
        high = a[HARMONIC_COLUMNS + 1 :]
        if len(high):
            power = high.real**2 + high.imag**2
            total = float(power.sum())
            out[i, 0] = 0.5 * total
            if total > 0:
                out[i, 1] = float(power @ np.arange(HARMONIC_COLUMNS + 1, len(a))) / total
    return out


def _moving_mean(values: Floats) -> Floats:
    """Mean over half a second of rows: the offset, and not the hum that a single frame's mean holds."""
    return _running_mean(values, 25)


def _running_mean(values: Floats, width: int) -> Floats:
    width = min(len(values), width)
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def _fold(
    part: Floats,
    phase: PhaseSamples,
    centres: Floats,
    middle: Floats,
    lines: Lines,
    a: int,
    residue: Floats,
    start: int,
) -> NDArray[np.float32]:
    """Residual of the stretch, written into ``residue``; its power by place in the cycle is returned."""
    n = len(part)
    tables = residual_tables(lines.amplitude)
    places = np.round(centres).astype(np.int64) - a
    edges = np.concatenate([[0], np.clip(places, 0, n), [n]])
    repeat = np.concatenate([[0], np.arange(len(places)), [len(places) - 1]])
    left = part.copy()
    slow = _moving_mean(np.array([amplitude[0].real for amplitude in lines.amplitude]))
    shape_kernels.residual(part, phase.phase, edges, repeat, middle, tables, slow, left)
    crest = middle - np.array([np.angle(amplitude[1]) for amplitude in lines.amplitude]) / (2 * np.pi)
    inner = np.round(0.5 * (places[1:] + places[:-1])).astype(np.int64)
    half = round(0.5 * (centres[1] - centres[0])) if len(centres) > 1 else n // 2
    bounds = np.concatenate([[max(0, places[0] - half)], inner, [min(n, places[-1] + half)]])
    fold = np.empty((len(places), 2, FOLD), dtype=np.float32)
    shape_kernels.fold_residual(left, phase.phase, bounds, crest - 0.5 / FOLD, FOLD, fold)
    low, high = max(a + bounds[0], start), min(a + bounds[-1], start + len(residue))
    if high > low:
        residue[low - start : high - start] = left[low - a : high - a]
    return fold
