"""Cents, notes and thirds of an octave."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, overload

from listen.units._either import either, log2

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

A4_HZ = 440.0
"""Standard tuning frequency (ISO 16)."""

_A4_NUMBER = 69
_NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_HIGHEST_NUMBER = 200
"""Counted as MIDI counts keys: 850 kHz, above what any interface records; far beyond, a pitch is no number any more."""
_THIRD_NOMINALS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@overload
def cents_between(f0_hz: float, reference_hz: float) -> float: ...
@overload
def cents_between(f0_hz: Floats, reference_hz: float | Floats) -> Floats: ...
@overload
def cents_between(f0_hz: float | Floats, reference_hz: Floats) -> Floats: ...
def cents_between(f0_hz: Any, reference_hz: Any) -> Any:
    """Return the interval from a reference up to a pitch, 1200 log2(f0 / reference).

    Parameters
    ----------
    f0_hz, reference_hz : float or ndarray
        Hz, above 0.

    Returns
    -------
    float or ndarray
        Cents; negative where the pitch is below the reference.

    Examples
    --------
    >>> cents_between(880.0, 440.0)
    1200.0
    """
    if isinstance(f0_hz, (int, float)) and isinstance(reference_hz, (int, float)) and reference_hz == 0.0:
        return math.nan
    return either(lambda m, v: 1200.0 * log2(m, v), f0_hz / reference_hz)


@overload
def hz_from_cents(cents: float, reference_hz: float) -> float: ...
@overload
def hz_from_cents(cents: Floats, reference_hz: float | Floats) -> Floats: ...
def hz_from_cents(cents: Any, reference_hz: Any) -> Any:
    """Return the pitch that lies the given cents above a reference.

    Parameters
    ----------
    cents : float or ndarray
        Cents.
    reference_hz : float or ndarray
        Hz.

    Returns
    -------
    float or ndarray
        Hz.

    Examples
    --------
    >>> hz_from_cents(-1200.0, 440.0)
    220.0
    """
    return reference_hz * either(lambda _m, v: 2.0 ** (v / 1200.0), cents)


def note_number(f0_hz: float) -> float:
    """Return the pitch in semitones, 69 is A4 (the numbering of the MIDI standard), equal temperament.

    Parameters
    ----------
    f0_hz : float
        Hz.

    Returns
    -------
    float
        Semitones, not rounded; NaN where there is no pitch.
    """
    number = _A4_NUMBER + 12.0 * log2(math, f0_hz / A4_HZ)
    return number if math.isfinite(number) else math.nan


def note_name(f0_hz: float) -> str:
    """Return the nearest note of equal temperament, A4 = 440 Hz, in scientific pitch notation.

    Parameters
    ----------
    f0_hz : float
        Hz.

    Returns
    -------
    str
        For example ``C#5``; empty where there is no pitch.

    Examples
    --------
    >>> note_name(261.6), note_name(466.2)
    ('C4', 'A#4')
    """
    number = note_number(f0_hz)
    if math.isnan(number):
        return ""
    octave, step = divmod(math.floor(number + 0.5), 12)
    return f"{_NOTE_NAMES[step]}{octave - 1}"


def cents_off_note(f0_hz: float) -> float:
    """Return how far a pitch lies above the nearest note of equal temperament.

    Parameters
    ----------
    f0_hz : float
        Hz.

    Returns
    -------
    float
        Cents, -50 up to 50; NaN where there is no pitch.
    """
    number = note_number(f0_hz)
    return math.nan if math.isnan(number) else 100.0 * (number - math.floor(number + 0.5))


def hz_from_note(name: str) -> float:
    """Return the pitch of a note in scientific pitch notation, equal temperament, A4 = 440 Hz.

    Parameters
    ----------
    name : str
        A letter, any number of ``#`` or ``b``, the octave: ``A4``, ``Bb3``, ``c#-1``.

    Returns
    -------
    float
        Hz.

    Raises
    ------
    ValueError
        If it is not a note.

    Examples
    --------
    >>> hz_from_note("A3")
    220.0
    """
    letter, rest = name[:1].upper(), name[1:]
    octave = rest.lstrip("#b")
    signs = rest[: len(rest) - len(octave)]
    if letter not in _STEPS or not letter or not octave.lstrip("-").isdecimal() or octave.count("-") > 1:
        raise ValueError(f"not a note: {name!r}")
    number = 12 * (int(octave) + 1) + _STEPS[letter] + signs.count("#") - signs.count("b")
    if abs(number) > _HIGHEST_NUMBER:
        raise ValueError(f"not a note that sounds: {name!r}")
    return float(A4_HZ * 2.0 ** ((number - _A4_NUMBER) / 12.0))


@overload
def third_index(f_hz: float) -> int: ...
@overload
def third_index(f_hz: Floats) -> NDArray[np.int64]: ...
def third_index(f_hz: Any) -> Any:
    """Return the number of the third of an octave that holds a frequency; 0 is the one round 1 kHz.

    Parameters
    ----------
    f_hz : float or ndarray
        Hz, above 0. The lower edge belongs to the band.

    Returns
    -------
    int or ndarray of int

    References
    ----------
    ISO 266 (centres 1000 * 10^(n/10) Hz); IEC 61260-1, base ten (edges at half a step).

    Examples
    --------
    >>> third_index(440.0), third_nominal_hz(third_index(440.0))
    (-4, 400.0)
    """
    if isinstance(f_hz, (int, float)):
        return math.floor(10.0 * math.log10(f_hz / 1000.0) + 0.5)
    import numpy as np

    return np.floor(10.0 * np.log10(np.asarray(f_hz) / 1000.0) + 0.5).astype(np.int64)


def third_centre_hz(index: int) -> float:
    """Return the exact centre of a third of an octave, 1000 * 10^(index/10) Hz (ISO 266).

    Parameters
    ----------
    index : int
        0 is 1 kHz.

    Returns
    -------
    float
        Hz.
    """
    return float(1000.0 * 10.0 ** (index / 10.0))


def third_edges_hz(index: int) -> tuple[float, float]:
    """Return the exact edges of a third of an octave, the centre times 10^(-0.05) and 10^(0.05).

    Parameters
    ----------
    index : int
        0 is the band round 1 kHz.

    Returns
    -------
    tuple of float
        Lower and upper edge, Hz.
    """
    return float(1000.0 * 10.0 ** ((index - 0.5) / 10.0)), float(1000.0 * 10.0 ** ((index + 0.5) / 10.0))


def third_nominal_hz(index: int) -> float:
    """Return the rounded centre that people write, 1, 1.25, 1.6, 2 ... (ISO 266, series R10).

    Parameters
    ----------
    index : int
        0 is 1 kHz.

    Returns
    -------
    float
        Hz.
    """
    decade, step = divmod(index + 30, 10)
    return float(f"{_THIRD_NOMINALS[step]}e{decade}")
