"""Rows of a wave averaged into bins of pitch: time-aligned harmonics with their scatter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median
from listen.track import Frames, SpectraStore

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complexfloating[Any, Any]]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

_BINS_PER_OCTAVE, _MOST_BINS = 4, 24
"""A time is 19 % more of the cycle a quarter of an octave on: enough to tell a time from a share. So many for six
octaves; a fit a bin is what takes the time."""
_NEAR_OCTAVES = 0.05
"""Rows within this of the bin's middle pitch are averaged: a time is there 3.5 % more or less of the cycle, beyond it
another part."""
_FEWEST_ROWS = 3
"""Of fewer rows there is no scatter to speak of, and of two a disturbed one is half of the mean."""
_MOST_LINES = 1200
"""All harmonics of 36 Hz at 96 kHz (below 0.45 of the rate). More cost time and tell nothing of a wave of slopes."""
_STEPS = (2, 4, 8, 16, 32, 64, 128, 256, 512, _MOST_LINES)
"""Rows are laid upon one another by so many harmonics, one after the other: a higher one turns faster."""
_STEADY_OCTAVES, _MOST_OCTAVES = 0.12, 0.5
"""A frame over which the pitch moves further is left out where there are others near by: 3 octaves a second, a quick
stroke. And in any case: there the smear below comes to 0.3 % of the cycle, about the limit of a reset (0.4 %)."""
_SMEARED = 6e-3
"""Cycles by which lines are smeared in a frame, for each octave that the pitch moves over it (measured: 1 to 7)."""
_WIDE_OCTAVES = 0.15
"""A bin whose rows lie further apart, so that a time is a tenth more of the cycle from end to end, says nothing; unless
it is the only one."""
_INDEPENDENT = 3.0
"""Frames of 40 ms every 20 ms overlap: a third of the rows are independent."""
_MANY_ROWS, _MEDIAN_VARIANCE = 8, np.pi / 2
"""Rows from which the mean is a median, whose variance is so many times a mean's (any handbook on statistics)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaveBin:
    """Harmonics of one bin of pitch.

    Attributes
    ----------
    f0_hz : float
    rows : ndarray of int, shape (n,)
        Rows of the take, all of the bin.
    row_lines : ndarray of complex, shape (n, K)
        H1 .. HK of each row over the size of its H1, laid upon one another.
    lines : ndarray of complex, shape (K,)
        Their mean near the middle pitch.
    sigma : ndarray, shape (K,)
        Of real and imaginary part each, from the rows' scatter.
    amplitude_fs : float
        Of the fundamental, peak.
    smear : float
        Cycles, r.m.s., by which a moving pitch smears the wave.
    width_octaves : float
        From the lowest to the highest pitch of the rows of the mean.
    overstated : float
        Over the standard deviation of the mean as the overlap of its rows makes it: `sigma`, by which parts are told,
        stays on the safe side.
    """

    f0_hz: float
    rows: Ints
    row_lines: Complexes
    lines: Complexes
    sigma: Floats
    amplitude_fs: float
    smear: float
    width_octaves: float
    overstated: float = 1.0


def gather(frames: Frames, rows: Flags, store: SpectraStore, response_hz: float | None) -> tuple[WaveBin, ...]:
    """Gather rows into bins of pitch, lowest first; none where there are too few.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        Rows whose shape is the board's.
    store : SpectraStore
        Harmonics of some of them.
    response_hz : float or None
        Corner of the recorder's first-order low-pass, undone where it is known.
    """
    moved = _octaves_moved(frames)
    with np.errstate(invalid="ignore"):
        rows = rows & (moved < _MOST_OCTAVES)
    number = np.searchsorted(frames.time_s, store.time_s - 1e-6)
    spectra = store.lines
    found = [
        (float(frames.f0_hz[i]), int(i), spectra[j])
        for j, i in enumerate(number.tolist())
        if i < len(frames) and abs(frames.time_s[i] - store.time_s[j]) < 1e-6 and rows[i] and len(spectra[j]) > 3
    ]
    found = [item for item in found if np.isfinite(item[0])]
    found.sort(key=lambda item: item[:2])
    if len(found) < _FEWEST_ROWS:
        return ()
    log = np.log2([item[0] for item in found])
    bins = tuple(_bin_of(found[a:b], response_hz, moved, frames) for a, b in _edges(log))
    return tuple(b for b in bins if b.width_octaves < _WIDE_OCTAVES) or bins


def _octaves_moved(frames: Frames) -> Floats:
    """Change of the pitch over each frame, in octaves."""
    log = np.log2(np.where(frames.oscillating, frames.f0_hz, np.nan))
    if len(log) < 3:
        return np.zeros(len(log))
    slope = np.abs(np.gradient(log, frames.time_s))
    # at the ends of the tone one side is not known: it stands still there, or the next row tells
    return np.asarray(np.nan_to_num(slope) * np.nan_to_num(frames.frame_s))


def _edges(log: Floats) -> list[tuple[int, int]]:
    span = float(log[-1] - log[0])
    count = int(np.clip(np.ceil(span * _BINS_PER_OCTAVE), 1, _MOST_BINS))
    bounds = np.searchsorted(log, log[0] + span * np.arange(1, count) / count).tolist()
    out: list[tuple[int, int]] = []
    start = 0
    for stop in [*bounds, len(log)]:
        if stop - start >= _FEWEST_ROWS:
            out.append((start, stop))
            start = stop
    if start < len(log):
        out[-1] = (out[-1][0], len(log))
    return out


def _bin_of(
    found: list[tuple[float, int, Complexes]], response_hz: float | None, moved: Floats, frames: Frames
) -> WaveBin:
    f0_hz = np.array([item[0] for item in found])
    count = min(min(len(item[2]) for item in found) - 1, _MOST_LINES)
    k = np.arange(1, count + 1)
    raw: Complexes = np.array([item[2][1 : count + 1] for item in found], dtype=complex)
    if response_hz:
        raw *= 1.0 + 1j * k * f0_hz[:, None] / response_hz
    size = np.abs(raw[:, 0])
    lines: Complexes = raw / np.where(size > 0, size, 1.0)[:, None]
    log = np.log2(f0_hz)
    still = moved[[item[1] for item in found]] < _STEADY_OCTAVES
    chosen = still if np.count_nonzero(still) >= _FEWEST_ROWS else np.ones(len(found), dtype=bool)
    away = np.where(chosen, np.abs(log - median(log[chosen])), np.inf)
    near = away < _NEAR_OCTAVES
    if np.count_nonzero(near) < _FEWEST_ROWS:
        near = np.isin(np.arange(len(log)), np.argsort(away, kind="stable")[:_FEWEST_ROWS])
    lines = _laid_upon(lines, near, k)
    mean = _middle(lines[near])
    n = int(np.count_nonzero(near))
    # of real and imaginary part each; the median is as near as 1.25 deviations of the mean
    scatter = np.sqrt(np.mean(np.abs(lines[near] - mean) ** 2, axis=0) / 2.0)
    return WaveBin(
        f0_hz=float(median(f0_hz[near])),
        rows=np.array([item[1] for item in found], dtype=np.int64),
        row_lines=lines,
        lines=mean,
        sigma=scatter * np.sqrt(_INDEPENDENT / n) * np.sqrt(n / max(n - 1.0, 1.0)),
        amplitude_fs=float(median(size[near])),
        smear=_SMEARED * float(median(moved[[found[i][1] for i in np.flatnonzero(near)]])),
        width_octaves=float(np.ptp(log[near])),
        overstated=_overstated(frames, np.array([found[i][1] for i in np.flatnonzero(near)])),
    )


def _overstated(frames: Frames, rows: Ints) -> float:
    """Standard deviation with a third of the rows independent, over that of rows under Hann windows that overlap."""
    time_s, length_s = frames.time_s[rows], median(frames.frame_s[rows])
    apart = np.minimum(np.abs(time_s[:, None] - time_s) / max(length_s, 1e-9), 1.0)
    shared = float(np.mean(_hann_shared(apart))) * len(rows)
    if len(rows) >= _MANY_ROWS:
        shared *= _MEDIAN_VARIANCE
    return float(np.sqrt(_INDEPENDENT / shared))


def _hann_shared(apart: Floats) -> Floats:
    """Correlation of what two Hann windows make of one noise, so many of their lengths apart (up to 1)."""
    turn = 2 * np.pi * apart
    return np.asarray((1.0 - apart) * (2.0 + np.cos(turn)) / 3.0 + np.sin(turn) / (2.0 * np.pi))


def _middle(lines: Complexes) -> Complexes:
    """Mean of the rows; of many the median, which is robust against a disturbed row."""
    if len(lines) < _MANY_ROWS:
        return np.asarray(lines.mean(axis=0))
    return np.asarray(np.median(lines.real, axis=0) + 1j * np.median(lines.imag, axis=0))


def _laid_upon(lines: Complexes, near: Flags, k: Ints) -> Complexes:
    """Align each row in time with the mean of the rows."""
    lines = lines * np.exp(-1j * np.angle(lines[:, :1]) * k)
    for top in _STEPS:
        part = slice(0, min(top, len(k)))
        for _ in range(2):
            mean = lines[near, part].mean(axis=0)
            off = np.sum(k[part] * np.imag(lines[:, part] * mean.conj()), axis=1)
            off = off / max(float(np.sum(k[part] ** 2 * np.abs(mean) ** 2)), 1e-30)
            lines = lines * np.exp(-1j * off[:, None] * k)
        if top >= len(k):
            break
    return np.asarray(lines)
