"""Mains lines in the residual: 50 and 60 Hz and their multiples, over seconds rather than frames."""

from __future__ import annotations

import numpy as np

from listen.sorting import medians
from listen.track import fourier
from listen.track.types import Floats

RATE_HZ = 1000.0
"""The residual is kept at about this rate."""
MAINS_HZ = (50.0, 60.0)
ORDERS = 6
WINDOW_S = 1.0
HUM_LINES_HZ = np.array([mains * k for mains in MAINS_HZ for k in range(1, ORDERS + 1)])
_SEARCH = 0.004
_BESIDE_HZ = (4.0, 9.0)
_AT_ONCE = 64


def block_samples(rate_hz: float) -> int:
    """Samples that become one of the low-rate residual."""
    return max(1, round(rate_hz / RATE_HZ))


class HumLines:
    """Level of each mains line, second by second, of a residual that comes piece by piece and is not kept."""

    def __init__(self, low_rate_hz: float, start_s: float) -> None:
        self._rate_hz, self._start_s = low_rate_hz, start_s
        self._width = round(WINDOW_S * low_rate_hz)
        self._pieces: list[Floats] = []
        self._held = 0
        self._levels: list[tuple[Floats, Floats]] = []

    def add(self, low: Floats) -> None:
        """Take in a piece: all but the tone and its harmonics, at the low rate; NaN where it says nothing."""
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
        floor = np.concatenate([beside for _, beside in self._levels])
        starts = self._step * np.arange(len(lines))
        return self._start_s + (starts + self._width / 2) / self._rate_hz, lines, floor

    @property
    def _step(self) -> int:
        return max(1, self._width // 2)

    def _measure(self) -> None:
        rest = np.concatenate(self._pieces)
        count = max(0, (len(rest) - self._width) // self._step + 1)
        if count:
            views = np.lib.stride_tricks.sliding_window_view(rest, self._width)[:: self._step][:count]
            self._levels += [_window_lines(views[i : i + _AT_ONCE], self._rate_hz) for i in range(0, count, _AT_ONCE)]
        self._pieces = [rest[count * self._step :].copy()]
        self._held = len(self._pieces[0])


def _window_lines(views: Floats, low_rate_hz: float) -> tuple[Floats, Floats]:
    """Lines and floor, in dBFS, of some windows of equal length."""
    width = views.shape[1]
    lost = np.isnan(views)
    usable = lost.mean(axis=1) < 0.2
    filled = np.where(lost, 0.0, views) if lost.any() else views
    # a slow drift is no line
    place = np.linspace(-1, 1, width)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(width) + 0.5) / width)
    size = 4 * 2 ** int(np.ceil(np.log2(width)))
    padded = np.zeros((len(views), size))
    kept = padded[:, :width]
    np.subtract(filled, filled.mean(axis=1, keepdims=True), out=kept)
    kept -= np.outer(kept @ place / (place @ place), place)
    kept *= window
    reach = HUM_LINES_HZ[-1] + max(_BESIDE_HZ[1], 8 * low_rate_hz / width)
    bins = int(reach * size / low_rate_hz) + 2
    spectrum = np.abs(fourier.spectra(padded)[:, :bins]) * (4.0 / width)
    frequency = np.arange(spectrum.shape[1]) * low_rate_hz / size
    lines = np.full((len(views), len(HUM_LINES_HZ)), np.nan)
    floor = np.full_like(lines, np.nan)
    for i, line_hz in enumerate(HUM_LINES_HZ):
        off = np.abs(frequency - line_hz)
        near = off <= max(_SEARCH * line_hz, 0.6 * low_rate_hz / width)
        beside = off >= max(_BESIDE_HZ[0], 2.5 * low_rate_hz / width)
        beside &= off <= max(_BESIDE_HZ[1], 8 * low_rate_hz / width)
        if not near.any() or not beside.any():
            continue
        with np.errstate(divide="ignore"):
            lines[:, i] = 20 * np.log10(spectrum[:, near].max(axis=1))
            floor[:, i] = 20 * np.log10(medians(spectrum[:, beside], axis=1))
    lines[~usable] = np.nan
    return lines, floor
