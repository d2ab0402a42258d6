"""Mains lines in the residual: 50 and 60 Hz and their multiples, over seconds rather than frames."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from listen.native import kernels
from listen.track import fourier
from listen.track.types import Floats, Ints

RATE_HZ = 1000.0
"""The residual is kept at about this rate."""
MAINS_HZ = (50.0, 60.0)
"""Public supplies have one or the other."""
ORDERS = 6
"""Multiples of the mains. The blocks hold 500 Hz, and averaging takes 2 dB at 360 Hz (common practice, no source: the
ripple of rectifiers is at 2, 4 and 6 times the mains)."""
WINDOW_S = 1.0
"""The lobe of a line is 2 Hz wide on each side (Hann): lines of 50 and 60 Hz have a floor between them."""
HUM_LINES_HZ = np.array([mains * k for mains in MAINS_HZ for k in range(1, ORDERS + 1)])
_SEARCH = 0.004
"""Grids that are not islands keep their frequency within 0.4 % (from memory)."""
_FLOOR_HZ = (4.0, 9.0)
"""Beyond the lobe of a line that is as far off as is searched (2 + 1.4 Hz), nearer than the other
supply's line (10 Hz)."""
_AT_ONCE = 64
"""Windows in one array: their spectra of 4096 points take 2 MB."""
_MOST_NAN = 0.2
"""What is not known counts as zero, and takes as much of a line's level: 2 dB."""


def block_samples(rate_hz: float) -> int:
    """Samples averaged into one block of the low-rate residual."""
    return max(1, round(rate_hz / RATE_HZ))


class HumLines:
    """Level of each mains line over time, from a residual that arrives in pieces and is not stored."""

    def __init__(self, low_rate_hz: float, start_s: float) -> None:
        self._rate_hz, self._start_s = low_rate_hz, start_s
        self._width = round(WINDOW_S * low_rate_hz)
        self._pieces: list[Floats] = []
        self._held = 0
        self._levels: list[tuple[Floats, Floats]] = []

    def add(self, low: Floats) -> None:
        """Add a piece of the low-rate residual (signal without the tone's harmonics); NaN: unknown."""
        self._pieces.append(low)
        self._held += len(low)
        if self._held >= _AT_ONCE * self._step + self._width:
            self._measure()

    def lines(self) -> tuple[Floats, Floats, Floats]:
        """Return what was found.

        Returns
        -------
        time_s : ndarray, shape (h,)
            Centres of windows of one second, half a second apart (one shorter window for shorter takes).
        hum_dbfs, floor_dbfs : ndarray, shape (h, 12)
            Level of the lines ``HUM_LINES_HZ`` (found within 0.4 %), and the median beside each. A full-scale sine is
            0 dBFS.
        """
        if not self._levels:
            self._width = min(self._width, self._held)
        empty = np.empty((0, len(HUM_LINES_HZ)))
        if self._width < 0.2 * self._rate_hz:
            return np.empty(0), empty, empty
        self._measure()
        lines = np.concatenate([line for line, _ in self._levels])
        floor = np.concatenate([level for _, level in self._levels])
        starts = self._step * np.arange(len(lines))
        return self._start_s + (starts + self._width / 2) / self._rate_hz, lines, floor

    @property
    def _step(self) -> int:
        return max(1, self._width // 2)

    def _measure(self) -> None:
        rest = np.concatenate(self._pieces)
        count = max(0, (len(rest) - self._width) // self._step + 1)
        if count:
            for i in range(0, count, _AT_ONCE):
                some = min(_AT_ONCE, count - i)
                self._levels.append(_window_lines(rest[i * self._step :], self._width, self._step, some, self._rate_hz))
        self._pieces = [rest[count * self._step :].copy()]
        self._held = len(self._pieces[0])


@dataclass(frozen=True, slots=True)
class _Bins:
    """Bins of a spectrum at each line and of its noise floor: line k has near[near_ends[k]:near_ends[k + 1]] etc."""

    size: int
    near: Ints
    near_ends: Ints
    floor_bins: Ints
    floor_ends: Ints


@lru_cache(maxsize=4)
def _bins_of(width: int, low_rate_hz: float) -> _Bins:
    """Bins of the lines in spectra of windows of ``width`` blocks, zero-padded fourfold."""
    size = 4 * 2 ** int(np.ceil(np.log2(width)))
    reach = HUM_LINES_HZ[-1] + max(_FLOOR_HZ[1], 8 * low_rate_hz / width)
    bins = min(int(reach * size / low_rate_hz) + 2, size // 2 + 1)
    frequency = np.arange(bins) * low_rate_hz / size
    near: list[Ints] = []
    floor_bins: list[Ints] = []
    for line_hz in HUM_LINES_HZ:
        off = np.abs(frequency - line_hz)
        there = np.flatnonzero(off <= max(_SEARCH * line_hz, 0.6 * low_rate_hz / width))
        least, most = max(_FLOOR_HZ[0], 2.5 * low_rate_hz / width), max(_FLOOR_HZ[1], 8 * low_rate_hz / width)
        around = np.flatnonzero((off >= least) & (off <= most))
        whole = len(there) > 0 and len(around) > 0
        near.append(there[: None if whole else 0])
        floor_bins.append(around[: None if whole else 0])
    return _Bins(size, np.concatenate(near), _ends(near), np.concatenate(floor_bins), _ends(floor_bins))


def _ends(pieces: list[Ints]) -> Ints:
    return np.cumsum([0, *(len(piece) for piece in pieces)])


def _window_lines(rest: Floats, width: int, step: int, count: int, low_rate_hz: float) -> tuple[Floats, Floats]:
    """Levels of lines and floor, in dBFS, of ``count`` windows of equal length."""
    at = _bins_of(width, low_rate_hz)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(width) + 0.5) / width)
    padded, nan_share = np.empty((count, at.size)), np.empty(count)
    kernels.level_windows(rest, step, window, padded, nan_share)
    spectra = fourier.spectra(padded)
    parts = spectra.view(np.float64).reshape(*spectra.shape, 2)
    levels = np.empty((count, len(HUM_LINES_HZ), 2))
    room = np.empty(int(np.diff(at.floor_ends).max(initial=0)))
    kernels.line_levels(parts, 4.0 / width, at.near, at.near_ends, at.floor_bins, at.floor_ends, room, levels)
    with np.errstate(divide="ignore"):
        levels = 20 * np.log10(levels)
    lines, floor = levels[:, :, 0], levels[:, :, 1]
    lines[nan_share >= _MOST_NAN] = np.nan
    return lines, floor
