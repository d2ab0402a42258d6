"""Truth, measured on the solved, noise-free wave: pitch, harmonics, crests of each segment of whole cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

Floats = NDArray[np.float64]

FRAME_S = 0.03
GRID = 1024
HARMONICS = 10
HOP_S = 0.02
SILENT_FS = 1e-5
COLUMNS = (
    ["time_s", "f0_hz", "fundamental_dbfs", "thd_percent", "even_dbc", "odd_dbc"]
    + [f"h{k}_dbc" for k in range(2, HARMONICS + 1)]
    + ["crest_positive", "crest_negative", "flat_positive", "flat_negative", "slope_over_sine"]
)


@njit(cache=True)
def _mean_cycle(wave: Floats, phase: Floats, first: int, start_rad: float, cycles: int, out: Floats) -> None:
    """Average whole cycles of the wave on an even grid of phase (cubic interpolation)."""
    points = len(out)
    out[:] = 0.0
    n = first
    step = 2.0 * np.pi / points
    for index in range(cycles * points):
        wanted = start_rad + index * step
        while phase[n + 1] < wanted:
            n += 1
        u = (wanted - phase[n]) / (phase[n + 1] - phase[n])
        y0, y1, y2, y3 = wave[n - 1], wave[n], wave[n + 1], wave[n + 2]
        c1 = 0.5 * (y2 - y0)
        c2 = y0 - 2.5 * y1 + 2.0 * y2 - 0.5 * y3
        c3 = 0.5 * (y3 - y0) + 1.5 * (y1 - y2)
        out[index % points] += y1 + u * (c1 + u * (c2 + u * c3))
    for index in range(points):
        out[index] /= cycles


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """Rows measured at the given times; NaN where nothing oscillates.

    Attributes
    ----------
    time_s, f0_hz, amplitude_fs : ndarray, shape (n,)
    phase_1_rad : ndarray, shape (n,)
        Phase of the fundamental against the guide.
    harmonics : ndarray, shape (n, 9)
        H2..H10 over H1; NaN above 0.45 of the file's rate.
    crest_positive, crest_negative, flat_positive, flat_negative, slope_over_sine : ndarray, shape (n,)
    """

    time_s: Floats
    f0_hz: Floats
    amplitude_fs: Floats
    phase_1_rad: Floats
    harmonics: Floats
    crest_positive: Floats
    crest_negative: Floats
    flat_positive: Floats
    flat_negative: Floats
    slope_over_sine: Floats

    @property
    def even(self) -> Floats:
        """R.s.s. of H2, H4, ... over H1."""
        return np.asarray(np.sqrt(np.nansum(self.harmonics[:, 0::2] ** 2, axis=1)))

    @property
    def odd(self) -> Floats:
        """R.s.s. of H3, H5, ... over H1."""
        return np.asarray(np.sqrt(np.nansum(self.harmonics[:, 1::2] ** 2, axis=1)))

    @property
    def thd_percent(self) -> Floats:
        """H2..H10, those that fit, to the fundamental."""
        return 100.0 * np.hypot(self.even, self.odd)

    @property
    def oscillating(self) -> NDArray[np.bool_]:
        """Rows that have a pitch."""
        return np.isfinite(self.f0_hz)


def cycle_shape(cycle: Floats) -> tuple[float, float, float, float, float]:
    """Return crests, flat spans and slope of one cycle on an even grid, over those of its fundamental."""
    spectrum = np.fft.rfft(cycle) / len(cycle)
    amplitude = 2.0 * abs(spectrum[1])
    centred = cycle - spectrum[0].real
    high, low = float(centred.max()), float(-centred.min())
    sine_share = np.arccos(0.98) / np.pi
    flat_positive = float(np.mean(centred > 0.98 * high)) / sine_share
    flat_negative = float(np.mean(centred < -0.98 * low)) / sine_share
    slope = float(np.max(np.abs(np.roll(cycle, -1) - np.roll(cycle, 1)))) * len(cycle) / (4.0 * np.pi)
    return high / amplitude, low / amplitude, flat_positive, flat_negative, slope / amplitude


def measure(
    wave: Floats, phase: Floats, rate_hz: float, times_s: Floats, file_rate_hz: float, *, start_s: float = 0.0
) -> Measured:
    """Measure the wave around each time over whole cycles of a guide phase.

    Parameters
    ----------
    wave, phase : ndarray, shape (n,)
        The noise-free wave and a phase that rises by 2 pi a cycle, at ``rate_hz``.
    rate_hz : float
    times_s : ndarray
        Centres of the frames, from the file's first sample.
    file_rate_hz : float
        Harmonics above 0.45 of it are empty.
    start_s : float
        Time of ``wave[0]``.
    """
    rows = len(times_s)
    table = np.full((rows, 8), np.nan)
    harmonics = np.full((rows, HARMONICS - 1), np.nan)
    cycle = np.empty(GRID)
    for row, time_s in enumerate(times_s):
        centre = round((time_s - start_s) * rate_hz)
        if not 8 < centre < len(wave) - 8:
            continue
        f0_hz = (phase[centre + 4] - phase[centre - 4]) * rate_hz / (16.0 * np.pi)
        if not np.isfinite(f0_hz) or f0_hz <= 0.0:
            continue
        cycles = max(1, int(FRAME_S * f0_hz))
        first_rad = 2.0 * np.pi * np.floor((phase[centre] - np.pi * cycles) / (2.0 * np.pi))
        first = int(np.searchsorted(phase, first_rad, side="right")) - 1
        if first < 1 or phase[-4] < first_rad + 2.0 * np.pi * cycles:
            continue
        _mean_cycle(wave, phase, first, first_rad, cycles, cycle)
        spectrum = np.fft.rfft(cycle) * 2.0 / GRID
        amplitude = abs(spectrum[1])
        if amplitude < SILENT_FS:
            continue
        fit = max(1, min(HARMONICS, int(0.45 * file_rate_hz / f0_hz)))
        harmonics[row, : fit - 1] = np.abs(spectrum[2 : fit + 1]) / amplitude
        table[row] = (f0_hz, amplitude, np.angle(spectrum[1]), *cycle_shape(cycle))
    return Measured(
        time_s=np.asarray(times_s),
        f0_hz=table[:, 0],
        amplitude_fs=table[:, 1],
        phase_1_rad=table[:, 2],
        harmonics=harmonics,
        crest_positive=table[:, 3],
        crest_negative=table[:, 4],
        flat_positive=table[:, 5],
        flat_negative=table[:, 6],
        slope_over_sine=table[:, 7],
    )


def corrected_f0(guide_hz: Floats, phase_1_rad: Floats, times_s: Floats) -> Floats:
    """Return the guide's pitch plus the drift of the fundamental against the guide."""
    good = np.isfinite(phase_1_rad)
    if np.count_nonzero(good) < 3:
        return guide_hz
    drift = np.full_like(guide_hz, np.nan)
    drift[good] = np.gradient(np.unwrap(phase_1_rad[good]), times_s[good]) / (2.0 * np.pi)
    return np.where(np.isfinite(drift), guide_hz + drift, guide_hz)


def crossing_phase(wave: Floats, every: int = 1) -> Floats:
    """Return a guide phase (2 pi a cycle, crests near 0) from interpolated upward zero crossings.

    With ``every`` 2 only every other crossing counts, for waves whose alternate cycles differ.
    Before the first and after the last crossing the pitch there is held; without four crossings the phase
    stands still. The wave must be free of noise.
    """
    n = np.flatnonzero((wave[:-1] < 0.0) & (wave[1:] >= 0.0))
    if len(n) < 4 * every:
        return np.zeros(len(wave))
    places = (n + _crossing_offset(wave, n))[::every]
    turns = 2.0 * np.pi * every * np.arange(len(places)) - 0.5 * np.pi
    index = np.arange(len(wave))
    phase = np.asarray(CubicSpline(places, turns)(index))
    before, after = index < places[0], index > places[-1]
    phase[before] = turns[0] + (index[before] - places[0]) * (turns[1] - turns[0]) / (places[1] - places[0])
    phase[after] = turns[-1] + (index[after] - places[-1]) * (turns[-1] - turns[-2]) / (places[-1] - places[-2])
    return phase


def _crossing_offset(wave: Floats, n: NDArray[np.int64]) -> Floats:
    """Place of the crossing after sample n, by cubic interpolation and two Newton steps."""
    n = np.clip(n, 1, len(wave) - 3)
    y0, y1, y2, y3 = wave[n - 1], wave[n], wave[n + 1], wave[n + 2]
    c1 = 0.5 * (y2 - y0)
    c2 = y0 - 2.5 * y1 + 2.0 * y2 - 0.5 * y3
    c3 = 0.5 * (y3 - y0) + 1.5 * (y1 - y2)
    u = y1 / (y1 - y2)
    for _ in range(2):
        u = u - (y1 + u * (c1 + u * (c2 + u * c3))) / (c1 + u * (2.0 * c2 + 3.0 * u * c3))
    return np.asarray(np.clip(u, 0.0, 1.0))
