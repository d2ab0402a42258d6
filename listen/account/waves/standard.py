"""Recognition of the standard waves by the levels of their harmonics."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.curve.bins import Bins

Floats = NDArray[np.floating[Any]]

_ORDERS = 6
"""H2 to H7: what of a standard wave stands well over an ordinary floor."""
_FLOOR_DBC = -42.0
"""Fainter lines say nothing of which wave is meant: a sine's own distortion, slopes that are not quite alike."""
_LIKE_DB, _UNLIKE_DB = 2.5, 6.0
"""R.m.s. difference of the levels up to which a wave is another one, and from which it is not the stated one: the
nearest two, a triangle and a square, are 9.8 dB apart."""
_SINE_LIKE_DB = 5.0
"""A sine may be distorted by several per cent and is still no triangle, which is 11.5 dB from it."""
_FEWEST = 3
"""H2 to H4: one odd harmonic and two even ones; of fewer a triangle and a bent sine are alike."""
_PULSES = np.linspace(0.02, 0.5, 49)
"""Duties that a pulse is held against: up to a half, for from there on the levels come again. By a hundredth; narrower
than 2 % they are the same to 0.3 dB (H2 to H7)."""
_NO_SINE = 0.45
"""Sum of H2 to H7 over the fundamental, r.s.s.: a sine whose both halves are cut until it is a square has 0.41. What
has more is no sine that something bends."""
_SLEWED_DB_PER_OCTAVE = -4.5
"""A triangle whose level falls nearly as 1 / f (6 dB an octave) is a sine whose slopes are held: by three quarters of
it, for a part of the range may lie below the onset."""


def _standard(name: str) -> Floats:
    """Levels of H2 .. H7 in dBc: Fourier series of the waves, any handbook's."""
    k = np.arange(2, _ORDERS + 2)
    odd = k % 2 == 1
    with np.errstate(divide="ignore"):
        level = {
            "sine": np.full(_ORDERS, -np.inf),
            "triangle": np.where(odd, -40.0 * np.log10(k), -np.inf),
            "square": np.where(odd, -20.0 * np.log10(k), -np.inf),
            "sawtooth": -20.0 * np.log10(k),
        }[name]
    return np.asarray(np.maximum(level, _FLOOR_DBC))


def _pulse(share: float) -> Floats:
    """Levels of H2 .. H7 of a pulse that is high for part of the cycle: |sin(pi k d)| / k, any handbook's."""
    k = np.arange(1, _ORDERS + 2)
    lines = np.abs(np.sin(np.pi * k * share)) / k
    return np.asarray(np.maximum(20 * np.log10(np.maximum(lines[1:] / lines[0], 1e-9)), _FLOOR_DBC))


def other_wave(bins: Bins, stated: str) -> str | None:
    """Name of the recognised wave where it is not the stated one.

    Parameters
    ----------
    bins : Bins
        Harmonics along the pitch.
    stated : {'sine', 'triangle', 'sawtooth', 'square', 'pulse', 'any'}

    Returns
    -------
    str or None
        None where it is the stated wave, or like no standard wave at all pitches; 'any' where a sine is stated and it
        is neither that nor a standard wave.
    """
    if stated == "any":
        return None
    fit = bins.fits[:, :_ORDERS]
    use = fit.sum(axis=1) >= _FEWEST
    if not use.any():
        return None
    with np.errstate(divide="ignore"):
        level = np.maximum(20 * np.log10(np.abs(bins.r[use, :_ORDERS])), _FLOOR_DBC)

    def off(standard: Floats, share: float) -> float:
        """R.m.s. difference of the levels that so many of the bins stay below."""
        square = np.where(fit[use], (level - standard) ** 2, 0.0)
        return float(np.quantile(np.sqrt(square.sum(axis=1) / np.maximum(fit[use].sum(axis=1), 1)), share))

    own = [_pulse(duty) for duty in _PULSES] if stated == "pulse" else [_standard(stated)]
    if min(off(standard, 0.5) for standard in own) < _UNLIKE_DB:
        return None
    best = min(("sine", "triangle", "square", "sawtooth"), key=lambda name: off(_standard(name), 0.5))
    like = _SINE_LIKE_DB if best == "sine" else _LIKE_DB
    if best == stated:
        return None
    if off(_standard(best), 0.9) > like:
        lines = np.where(fit[use], np.abs(bins.r[use, :_ORDERS]) ** 2, 0.0)
        if np.median(np.sqrt(lines.sum(axis=1))) < _NO_SINE:
            return None
        if stated != "pulse" and min(off(_pulse(duty), 0.9) for duty in _PULSES) < _LIKE_DB:
            return "pulse"
        return "any" if stated == "sine" else None
    if stated == "sine" and best == "triangle" and (_falls(bins) or float(np.median(bins.r[use, 1].real)) < 0):
        # slopes that are held, or tops cut off: a triangle's third harmonic raises its crests, a clip's lowers them
        return None
    return best


def _falls(bins: Bins) -> bool:
    """Whether the level falls with the pitch as that of a slew-limited sine."""
    if len(bins) < 3 or bins.f0_hz[-1] < 1.5 * bins.f0_hz[0]:
        return False
    slope = np.polyfit(np.log2(bins.f0_hz), 20 * np.log10(bins.amplitude_fs), 1)[0]
    return bool(slope < _SLEWED_DB_PER_OCTAVE)
