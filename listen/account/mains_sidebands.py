"""Mains that modulates the tone: level or pitch swings at 50, 60, 100 or 120 Hz, two sidebands about the tone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.windows import hann_response
from listen.sorting import median
from listen.track import MAINS_HZ, Envelope, knot_spacing_s, short_frame_s

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_GRID_S = 0.0025
"""An even grid for the tracker's short frames, about as close as they are: 400 values a second, for rates up to 120
Hz."""
_WINDOW_S, _LEAST_S = 1.0, 1.2
"""Parts 50 from 60 Hz (Hann: 10 Hz off, 68 dB down) and lets a second of it be found; pieces of tone must be a fifth
longer, for the tone begins and ends in them. Chosen."""
_OVER_FLOOR = 3.2
"""Modulation moves on one frequency while the control turns: only what stands 10 dB out beside it counts."""
_NEIGHBOURS_HZ = (-7.0, -5.0, -3.5, 3.5, 5.0, 7.0)
"""Where the floor is read: outside the main lobe, the line itself 42 dB down (Hann), and nearer than the other mains'
10 Hz."""
_SKIRT_HZ = 1.25
"""Inside the window's main lobe of 2 Hz: stronger there, it is the skirt of another rate."""
_SMEAR, _DIFFERENCED = 0.2, 0.3
"""Where the short frames leave less of the modulation, it cannot be seen: their errors would be made up for by five and
three times."""
_FEW_CYCLES = 2.2
"""Cycles of the tone in one of the modulation: with fewer its sidebands lie beside zero and beside H2, and short frames
of two cycles average it out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsSidebands:
    """Sidebands at the mains frequency or its double.

    Attributes
    ----------
    mains_hz : float
    rate_hz : float
    level_dbc : float
        One sideband, r.s.s. of level and pitch modulation: median of windows of a second.
    """

    mains_hz: float
    rate_hz: float
    level_dbc: float


def find_sidebands(envelope: Envelope) -> MainsSidebands | None:
    """Look for modulation at the mains in the tracker's short frames; the strongest."""
    values: dict[tuple[float, int], list[float]] = {(mains, k): [] for mains in MAINS_HZ for k in (1, 2)}
    for t, level, f0 in _pieces(envelope):
        size = round(_WINDOW_S / _GRID_S)
        for start in range(0, len(t) - size + 1, size // 2):
            part = slice(start, start + size)
            middle = median(f0[part])
            for mains, k in values:
                values[mains, k].append(_modulation(level[part], f0[part] / middle, middle, mains * k))
    best: MainsSidebands | None = None
    for (mains, k), found in values.items():
        known = np.array([v for v in found if np.isfinite(v)])
        if len(known) >= 2 and median(known) > 0:
            dbc = float(20 * np.log10(median(known)))
            if best is None or dbc > best.level_dbc:
                best = MainsSidebands(mains_hz=mains, rate_hz=mains * k, level_dbc=dbc)
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


def _modulation(level: Floats, pitch: Floats, f0_hz: float, rate_hz: float) -> float:
    """Amplitude of one sideband over the carrier; 0 where none is detected, NaN where it cannot be measured."""
    # the short frames' weight smears the modulation, and the pitch's difference from knot to knot a little more
    bins = rate_hz * short_frame_s(f0_hz)
    differenced = float(np.sinc(2.0 * knot_spacing_s(f0_hz) * rate_hz))
    seen = float(hann_response(bins))
    if abs(seen) < _SMEAR or differenced < _DIFFERENCED or f0_hz < _FEW_CYCLES * rate_hz:
        return float("nan")
    total = 0.0
    lines_at, bends, undo = _lines_and_neighbours(len(level), rate_hz)
    for series, scale in ((level, 0.5), (np.log(np.maximum(pitch, 1e-6)), 0.5 * f0_hz / rate_hz / differenced)):
        lines = np.abs(lines_at @ (series - bends @ (undo @ series))) * 2
        if lines[0] > max(_OVER_FLOOR * median(lines[3:]), float(lines[1]), float(lines[2])):
            total += float(lines[0] * scale / seen) ** 2
    return float(np.sqrt(total))


@lru_cache(maxsize=16)
def _lines_and_neighbours(n: int, rate_hz: float) -> tuple[Complexes, Floats, Floats]:
    """Windowed exponentials at a rate and around it, and a cubic detrending, for ``n`` points of the grid."""
    window = np.hanning(n)
    rates_hz = rate_hz + np.array([0.0, -_SKIRT_HZ, _SKIRT_HZ, *_NEIGHBOURS_HZ])
    turn = np.exp(-2j * np.pi * np.outer(rates_hz, np.arange(n) * _GRID_S)) * (window / window.sum())
    bends = np.vander(np.linspace(-1, 1, n), 4)
    return turn, bends, np.linalg.pinv(bends)
