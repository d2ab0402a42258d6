"""Mains that modulates the tone: level or pitch swings at 50, 60, 100 or 120 Hz, two sidebands about the tone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.low_note_sidebands import NO_LOW_NOTES, LowNoteSidebands
from listen.account.sideband_search import OFFSETS_HZ, RATES_HZ, WINDOW_S, is_two_sided, stands_out
from listen.account.tone import BoardTone
from listen.account.windows import hann_response
from listen.sorting import median, running_max
from listen.track import Envelope, Frames, knot_spacing_s, short_frame_s

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Complexes = NDArray[np.complex128]

_GRID_S = 0.0025
"""An even grid for the tracker's short frames, about as close as they are: 400 values a second, for rates up to 120
Hz."""
_LEAST_S = 1.2
"""Pieces of tone must be a fifth longer than a window, for the tone begins and ends in them. Chosen."""
_SMEAR, _DIFFERENCED = 0.2, 0.3
"""Where the short frames leave less of the modulation, it cannot be seen: their errors would be made up for by five and
three times."""
_FEW_CYCLES = 2.2
"""Cycles of the tone in one of the modulation: with fewer its sidebands lie beside zero and beside H2, and short frames
of two cycles average it out. There they are looked for in the samples."""
_DISTURBS = 10 ** (-50.0 / 20)
"""Of the tone: 0.3 %, a third of the limit of even and odd orders. With so much of a sideband in a harmonic's line a
row says nothing of the wave."""
_THROUGHOUT = 0.95
"""Of a window: the tone's beginning and end have sidebands of their own."""
_ONE_RUN_S, _ALIKE = 0.6, 0.5
"""Windows come every half second, and a line that lasts fills two or more of them with no less than half of its size:
one alone may be chance. 103 takes with speech, knocks, hands and clicks had none of the judged size."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MainsSidebands:
    """Sidebands at the mains frequency or its double.

    Attributes
    ----------
    mains_hz : float
    rate_hz : float
    level_dbc : float
        One sideband, r.s.s. of level and pitch modulation: median of windows of a second.
    start_s, end_s : float
        From the first to the last of these windows, within which it comes and goes; all of the take where most have it.
    time_s, amplitude : ndarray, shape (w,)
        Centres of the windows in which they can be seen, in order, and one sideband's amplitude over the tone's.
    """

    mains_hz: float
    rate_hz: float
    level_dbc: float
    start_s: float
    end_s: float
    time_s: Floats
    amplitude: Floats

    def power_over(self, frames: Frames) -> Floats:
        """Power of both against the fundamental's, row by row."""
        # a window at its edge holds less of it than its neighbour
        most = running_max(self.amplitude, 1)
        return np.asarray(2.0 * np.interp(frames.time_s, self.time_s, most) ** 2)

    def on_harmonics(self, frames: Frames) -> Flags:
        """Rows in which one lies so near to a harmonic that its level is part of what is read as the harmonic's."""
        f0_hz = np.where(frames.f0_hz > 0, frames.f0_hz, np.inf)
        apart_hz = np.abs(self.rate_hz - np.maximum(np.round(self.rate_hz / f0_hz), 1.0) * frames.f0_hz)
        read = np.abs(hann_response(np.nan_to_num(apart_hz * frames.frame_s)))
        size = np.interp(frames.time_s, self.time_s, self.amplitude)
        return np.asarray((frames.f0_hz > 0) & (size * read > _DISTURBS))


def find_sidebands(
    envelope: Envelope, low_notes: LowNoteSidebands = NO_LOW_NOTES, tone: BoardTone | None = None
) -> MainsSidebands | None:
    """Look for modulation at the mains in the tracker's short frames, and take what the samples show of low notes.

    Parameters
    ----------
    envelope : Envelope
    low_notes : LowNoteSidebands
    tone : BoardTone, optional
        Where it is not there other sounds may be tracked, whose swings for a second are nothing.

    Returns
    -------
    MainsSidebands or None
        The strongest.
    """
    size = round(WINDOW_S / _GRID_S)
    parts = [
        (t[start + size // 2], level[start : start + size], f0[start : start + size])
        for t, level, f0 in _pieces(envelope)
        for start in range(0, len(level) - size + 1, size // 2)
    ]
    time_s = np.array([part[0] for part in parts])
    level, f0 = (np.array([part[i] for part in parts]).reshape(-1, size) for i in (1, 2))
    middle = np.median(f0, axis=1) if len(parts) else np.empty(0)
    pitch = np.log(np.maximum(f0 / middle[:, None], 1e-6))
    best: MainsSidebands | None = None
    for rate_hz in RATES_HZ:
        amplitude, two_sided = _modulation(level, pitch, middle, rate_hz)
        low = np.where(low_notes.f0_hz < _FEW_CYCLES * rate_hz, low_notes.amplitude[rate_hz], np.nan)
        found = _of_windows(
            rate_hz,
            np.concatenate([time_s, low_notes.time_s]),
            np.concatenate([amplitude, low]),
            np.concatenate([two_sided & _within(time_s, tone), np.ones(len(low), dtype=bool)]),
        )
        if found is not None and (best is None or found.level_dbc > best.level_dbc):
            best = found
    return best


def _of_windows(rate_hz: float, time_s: Floats, amplitude: Floats, two_sided: Flags) -> MainsSidebands | None:
    """Sidebands at one rate by what its windows show, in any order."""
    known = np.flatnonzero(np.isfinite(amplitude))
    known = known[np.argsort(time_s[known])]
    time_s, amplitude = time_s[known], amplitude[known]
    lasts = _lasting(time_s, amplitude, two_sided[known])
    if lasts is None:
        return None
    there_s = time_s[lasts]
    whole = len(there_s) == len(time_s)
    return MainsSidebands(
        mains_hz=RATES_HZ[rate_hz],
        rate_hz=rate_hz,
        level_dbc=float(20 * np.log10(median(amplitude[lasts]))),
        start_s=0.0 if whole else float(there_s[0]) - 0.5 * WINDOW_S,
        end_s=np.inf if whole else float(there_s[-1]) + 0.5 * WINDOW_S,
        time_s=time_s,
        amplitude=amplitude,
    )


def _within(time_s: Floats, tone: BoardTone | None) -> Flags:
    """Windows through all of which the tone sounds."""
    if tone is None:
        return np.ones(len(time_s), dtype=bool)
    there = np.concatenate([[0], np.cumsum(tone.strong)])
    first, last = (np.searchsorted(tone.time_s, time_s + side * 0.5 * WINDOW_S) for side in (-1, 1))
    return np.asarray(there[last] - there[first] > _THROUGHOUT * WINDOW_S / tone.grid_s)


def _lasting(time_s: Floats, amplitude: Floats, two_sided: Flags) -> slice | None:
    """Windows in which sidebands last: all, where most have them; else the strongest run of two or more alike.

    For so short a time a line beside the tone might be taken for them: those that count are there on both sides.
    """
    if len(amplitude) >= 2 and median(amplitude) > 0:
        return slice(0, len(amplitude))
    best: slice | None = None
    loudest = 0.0
    joined = np.diff(time_s) < _ONE_RUN_S
    amplitude = np.where(two_sided, amplitude, 0.0)
    for i in range(len(amplitude)):
        alike = (amplitude > _ALIKE * amplitude[i]) & (_ALIKE * amplitude < amplitude[i])
        first, last = i, i + 1
        while first > 0 and joined[first - 1] and alike[first - 1]:
            first -= 1
        while last < len(amplitude) and joined[last - 1] and alike[last]:
            last += 1
        if last - first > 1 and amplitude[i] > loudest:
            best, loudest = slice(first, last), float(amplitude[i])
    return best


def _pieces(envelope: Envelope) -> list[tuple[Floats, Floats, Floats]]:
    """Continuous pieces resampled to an even grid: time, logarithm of the level, pitch."""
    use = envelope.oscillating & np.isfinite(envelope.f0_hz) & (envelope.f0_hz > 0)
    t, f0 = envelope.time_s[use], envelope.f0_hz[use].astype(float)
    log = np.log(np.maximum(envelope.amplitude_fs[use].astype(float), 1e-9))
    if len(t) < 2:
        return []
    breaks = np.flatnonzero(np.diff(t) > np.maximum(0.02, 2.5 / f0[:-1])) + 1
    out = []
    for part in np.split(np.arange(len(t)), breaks):
        a, b = float(t[part[0]]), float(t[part[-1]])
        if b - a >= _LEAST_S:
            grid = np.arange(a, b, _GRID_S)
            out.append((grid, np.interp(grid, t[part], log[part]), np.interp(grid, t[part], f0[part])))
    return out


def _modulation(level: Floats, pitch: Floats, f0_hz: Floats, rate_hz: float) -> tuple[Floats, Flags]:
    """Amplitude of one sideband over the carrier in each window, and whether there is one on both sides.

    Parameters
    ----------
    level, pitch : ndarray, shape (w, n)
        Logarithms, on the grid.
    f0_hz : ndarray, shape (w,)
    rate_hz : float

    Returns
    -------
    amplitude : ndarray, shape (w,)
        R.s.s. of what level and pitch show; 0 where none is detected, NaN where none can be seen.
    two_sided : ndarray of bool, shape (w,)
    """
    # the short frames' weight smears the modulation, and the pitch's difference from knot to knot a little more
    seen = hann_response([rate_hz * short_frame_s(f0) for f0 in f0_hz.tolist()])
    differenced = np.sinc([2.0 * knot_spacing_s(f0) * rate_hz for f0 in f0_hz.tolist()])
    shown = (np.abs(seen) >= _SMEAR) & (differenced >= _DIFFERENCED) & (f0_hz >= _FEW_CYCLES * rate_hz)
    out, two_sided = np.full(len(f0_hz), np.nan), np.zeros(len(f0_hz), dtype=bool)
    if not shown.any():
        return out, two_sided
    lines_at = _detrended_lines(level.shape[1], rate_hz)
    total = np.zeros(np.count_nonzero(shown))
    both = []
    for series, scale in ((level, 0.5), (pitch, 0.5 * f0_hz[shown] / rate_hz / differenced[shown])):
        lines = series[shown] @ lines_at * 2
        size = np.abs(lines)
        clear = stands_out(size)
        total += np.where(clear, (size[:, 0] * scale / seen[shown]) ** 2, 0.0)
        both.append(np.where(clear, lines[:, 0] * scale, 0.0))
    # a level of Re(a e) and a phase of Re(p e) make lines of (a + i p) / 2 and, conjugate, (a - i p) / 2
    upper, lower = np.abs(both[0] + both[1]), np.abs(both[0] - both[1])
    out[shown] = np.sqrt(total)
    two_sided[shown] = is_two_sided(upper, lower)
    return out, two_sided


@lru_cache(maxsize=16)
def _detrended_lines(n: int, rate_hz: float) -> Complexes:
    """Windowed exponentials at a rate and around it for ``n`` points of the grid, blind to a cubic: shape (n, 9)."""
    window = np.hanning(n)
    turn = np.exp(-2j * np.pi * np.outer(rate_hz + OFFSETS_HZ, np.arange(n) * _GRID_S)) * (window / window.sum())
    bends = np.vander(np.linspace(-1, 1, n), 4)
    return np.asarray((turn - (turn @ bends) @ np.linalg.pinv(bends)).T)
