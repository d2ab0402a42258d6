"""Several steady lines of one level that are no harmonics of each other: a chord, which the tracker follows nowhere."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.track import MAINS_HZ

Floats = NDArray[np.floating[Any]]

_LINES, _REACH_BINS = 16, 8
"""Lines that are looked for: of four notes the first four harmonics. A Hann line is four bins wide on each side, of a
window padded twice; twice that for a vibrato."""
_SHARE = 0.7
"""Part of the power in these lines: of white noise, in half a second, a hundredth."""
_LEAST_DB, FEWEST_NOTES = -20.0, 3
"""Lines that count, against the strongest, and how many there must be that are no harmonics of one: two tones are told
by themselves."""
_ONE_SERIES_HZ = 3.0
"""A line that is so near to a multiple of another one is its harmonic: lines are known to a bin of 1 Hz, their tenth
harmonics to some."""
_LEAST_DBFS = -50.0
"""Power of the window under which nothing is told: idle tones of a converter are lines, too."""
_MOST_HUM = 0.7
"""Lines of a chord lie within 3 Hz of a multiple of the mains by chance, two in nine; of hum all do."""
NOTE_S = 1.5
"""A note of the room that passes is over sooner (chords of a radio last 0.2 to 1 s: common practice, no source)."""
_LOWEST_HZ = 25.0
"""Below a dozen cycles in the window it is rumble."""


def is_chord(x: Floats, rate_hz: float) -> bool:
    """Whether nearly all of a window is lines of three notes or more.

    Parameters
    ----------
    x : ndarray, shape (n,)
        About half a second, full scale is 1.
    rate_hz : float
    """
    n = len(x)
    window = np.hanning(n)
    power = np.abs(np.fft.rfft((x - x.mean()) * window, 2 * n)) ** 2
    bin_hz = rate_hz / (2 * n)
    power[: int(_LOWEST_HZ / bin_hz)] = 0.0
    total = float(power.sum())
    # by Parseval, of a window padded twice: the mean square that the window sees
    if total <= 0.0 or total / n / np.sum(window**2) < 10 ** (_LEAST_DBFS / 10):
        return False
    rest, lines, held, least = power.copy(), [], 0.0, 10 ** (_LEAST_DB / 10) * float(power.max())
    for _ in range(_LINES):
        peak = int(np.argmax(rest))
        near = slice(max(0, peak - _REACH_BINS), peak + _REACH_BINS + 1)
        if rest[peak] > least:
            lines.append(peak * bin_hz)
        held += float(rest[near].sum())
        rest[near] = 0.0
    hum = float(np.mean([any(is_harmonic(line, mains, _ONE_SERIES_HZ) for mains in MAINS_HZ) for line in lines]))
    return held > _SHARE * total and hum < _MOST_HUM and unrelated(lines, _ONE_SERIES_HZ) >= FEWEST_NOTES


def unrelated(lines_hz: list[float], within_hz: float) -> int:
    """How many of the lines are no harmonics of a lower one."""
    found: list[float] = []
    for line in sorted(lines_hz):
        if not any(is_harmonic(line, low, within_hz) for low in found):
            found.append(line)
    return len(found)


def is_harmonic(line_hz: float, low_hz: float, within_hz: float) -> bool:
    """Whether a line is a multiple of a lower one."""
    return abs(line_hz - max(1, round(line_hz / low_hz)) * low_hz) < within_hz
