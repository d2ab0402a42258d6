"""Residual of a tone without its harmonics: noise, interharmonics, bursts, half orders, and low-rate blocks for hum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.native import kernels
from listen.track import fourier
from listen.track.grid import Grid
from listen.track.lines import BAND
from listen.track.types import Floats, Ints

PHASE_BINS = 16
"""Of a cycle: crests and zero crossings lie four apart."""
HALF_ORDERS = 3
"""Complex lines at 1/2, 3/2 and 5/2 of the pitch: most of the difference between alternate cycles is there."""
_LEAST_HZ = 0.004
"""Lowest frequency over the sample rate: below are hum, drift and the interface's noise."""
# cycles of a frame whose residual is transformed: even, so that half orders fall on bins, of factors that the FFT has
_SMOOTH = np.array(sorted(2 * f * 2**p for p in range(14) for f in (1, 3, 5, 9, 15, 25, 27, 45)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Interharmonics:
    """Interharmonic content of each frame.

    Attributes
    ----------
    noise_power : ndarray, shape (n,)
        Variance of white noise with the same median of the interharmonic bins; NaN: no bin.
    half_power : ndarray, shape (n,)
        Mean square of the lines at odd half orders, noise subtracted; NaN: none could be measured.
    half_noise : ndarray, shape (n,)
        Expected ``half_power`` of noise alone.
    spur_power : ndarray, shape (n,)
        Mean square of the interharmonic lines above ten times their median.
    spur_order : ndarray, shape (n,)
        Their mean frequency relative to the pitch; NaN: none.
    """

    noise_power: Floats
    half_power: Floats
    half_noise: Floats
    spur_power: Floats
    spur_order: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """The residual averaged into blocks of samples, accumulated from successive grids.

    Attributes
    ----------
    start : int
        Sample of the file at which block 0 begins.
    size : int
        Samples of a block.
    sums : ndarray, shape (n, 2)
        Time integral of the residual in each block, and the time covered; added to by each grid.
    """

    start: int
    size: int
    sums: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """Interharmonic bins to search in each of n frames.

    Attributes
    ----------
    cycles : ndarray of int
        Cycles of the frame, reduced to a fast FFT length.
    first, last : ndarray of int
        First bin, and the bin after the last.
    """

    cycles: Ints
    first: Ints
    last: Ints

    def part(self, i: int, j: int) -> Read:
        """Frames i .. j."""
        return Read(cycles=self.cycles[i:j], first=self.first[i:j], last=self.last[i:j])


def subtract_mean_cycle(
    grid: Grid,
    centres: Ints,
    amplitudes: Sequence[NDArray[np.complex128]],
    dc: Floats,
    edges: Ints,
    crests: Floats,
    blocks: Blocks,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Subtract the mean cycle, cross-faded from frame to frame; residual and its phase histogram.

    Parameters
    ----------
    grid : Grid
    centres : ndarray of int, shape (n,)
        Points of the grid's signal, increasing; the first and last may lie beyond its ends.
    amplitudes : sequence of ndarray of complex, shape (m, harmonics + 1)
        n rows in all, each with as many harmonics as it has.
    dc : ndarray, shape (n,)
        Offsets to subtract.
    edges : ndarray of int, shape (f + 1,)
        Bounds, in points, of each frame's share of the grid; points beyond the grid are ignored.
    crests : ndarray, shape (f,)
        Phase of the positive crest of each frame's fundamental, in cycles, modulo 1.
    blocks : Blocks
        The residual between the outer edges is added to it.

    Returns
    -------
    left : ndarray of float32
        At the grid's points.
    folded : ndarray of float32, shape (f, 2, 16)
        Power of the residual and of its first difference in each sixteenth of the cycle; the first is centred on the
        positive crest of the fundamental.
    """
    bins = grid.points // 2 + 1
    spectra = np.zeros((len(centres), bins), dtype=np.complex64)
    row = 0
    for amplitude in amplitudes:
        columns = min(bins, amplitude.shape[1])
        rows = spectra[row : row + len(amplitude), 1:columns]
        np.multiply(amplitude[:, 1:columns], 0.5, out=rows, casting="same_kind")
        row += len(amplitude)
    tables = fourier.rows_of(spectra, grid.points, scaled=False)
    if grid.lap > grid.points:
        tables = np.tile(tables, (1, grid.lap // grid.points))
    residual = np.empty_like(grid.y)
    histogram = np.empty((len(edges) - 1, 2, PHASE_BINS), dtype=np.float32)
    kernels.subtract_mean_cycle(
        grid.y,
        grid.place,
        grid.start,
        grid.points,
        grid.lap,
        centres,
        tables,
        dc,
        edges,
        crests,
        PHASE_BINS,
        np.empty((2, grid.lap), dtype=np.float32),
        float(blocks.start),
        blocks.size,
        residual,
        blocks.sums,
        histogram,
    )
    return residual, histogram


def measure_interharmonics(
    grid: Grid, residual: NDArray[np.float32], centres: Ints, read: Read
) -> tuple[Floats, NDArray[np.complex64]]:
    """Interharmonic lines from the residual of each frame, as the kernel `interharmonic_lines` sums them.

    Parameters
    ----------
    grid : Grid
    residual : ndarray of float32
        Residual at the grid's points.
    centres : ndarray of int, shape (n,)
        Of the frames.
    read : Read
        Of these frames.

    Returns
    -------
    bins : ndarray, shape (n, 7)
        For ``settle_interharmonics``.
    half_orders : ndarray of complex, shape (n, 3)
        Peak amplitude of the lines at 1/2, 3/2 and 5/2 of the pitch, cosine phase at phase 0 of the grid.
    """
    out = np.empty((len(centres), 7))
    halves = np.zeros((len(centres), HALF_ORDERS), dtype=np.complex64)
    for m in set(read.cycles.tolist()):
        rows = np.flatnonzero(read.cycles == m)
        some = np.empty((len(rows), 7))
        lines = _bins(grid, residual, centres[rows], m, read.last[rows], read.first[rows], some)
        out[rows], halves[rows] = some, lines
    return out, halves


def bins_to_read(cycles: Ints, slopes: Floats) -> Read:
    """Bins to search in frames from their lengths in cycles and the cycles a sample at their centres."""
    smooth = _SMOOTH[np.searchsorted(_SMOOTH, cycles, side="right") - 1]
    bins = smooth / slopes
    return Read(
        cycles=smooth,
        first=np.maximum(2, (_LEAST_HZ * bins).astype(np.int64)),
        last=(BAND * bins).astype(np.int64),
    )


def settle_interharmonics(bins: Floats, read: Read, at_rate: Floats) -> Interharmonics:
    """Interharmonic powers from the sums of `measure_interharmonics`.

    Parameters
    ----------
    bins : ndarray, shape (n, 7)
    read : Read
    at_rate : ndarray, shape (n,)
        Mean cycles a sample of each frame.
    """
    smooth = read.cycles
    with np.errstate(invalid="ignore", divide="ignore"):
        # sum of (w dphi)^2 over the frame's samples, for noise of variance 1
        gain = 1.5 * smooth * at_rate
        noise = bins[:, 0] / np.log(2) / gain
        half_noise = bins[:, 4] * noise * gain * 2.0 / smooth**2
        half = np.where(bins[:, 4] > 0, bins[:, 3] * 2.0 / smooth**2 - half_noise, np.nan)
        # the bins of a line under a Hann window hold 1.5 times its power; of M bins M - 3 are searched
        spur = bins[:, 5] * 2.0 / smooth**2 / 1.5 * smooth / np.maximum(smooth - 3, 1)
        order = bins[:, 6] / smooth
    return Interharmonics(noise_power=noise, half_power=half, half_noise=half_noise, spur_power=spur, spur_order=order)


def _bins(
    grid: Grid, residual: NDArray[np.float32], centres: Ints, m: int, last: Ints, first: Ints, out: Floats
) -> NDArray[np.complex64]:
    halves = np.zeros((len(centres), HALF_ORDERS), dtype=np.complex64)
    # above the tone, its sidebands and the mains: 1.5 times the pitch
    high = int(1.5 * m) + 2
    kernels.interharmonic_lines(residual, grid.points, m, centres, last, first, high, out, halves.view(np.float32))
    # from the frame's own start to phase 0 of the grid: whole points, so that half cycles are exact
    size = m * grid.points
    begin = (grid.start + centres - size // 2) % (2 * grid.points)
    turn = np.exp(-2j * np.pi * np.outer(begin / grid.points, np.arange(HALF_ORDERS) + 0.5))
    return np.asarray(halves * turn * (2.0 / size), dtype=np.complex64)
