"""Two notes held in turn: the interval between them, while a trimmer sets it."""

from __future__ import annotations

from statistics import median

from listen.units import cents_between
from listen.watch.types import IntervalReading, Reading

_AT_REST_S = 0.25
"""A note counts once it has rested for so long."""
_SAME_NOTE_CENTS = 25.0
_SAME_INTERVAL_CENTS = 250.0
"""Two holds that are further off the wanted interval are other notes."""
_MOST_ROWS = 400


class Alternation:
    """Follows the notes that are held.

    Parameters
    ----------
    ratio : float
        The wanted interval, above 1.
    """

    def __init__(self, ratio: float) -> None:
        self._wanted_cents = float(cents_between(ratio, 1.0))
        self._hold: list[float] = []
        self._hold_since_s = 0.0
        self._last: tuple[float, float] | None = None
        self._before: tuple[float, float] | None = None
        self._alternations = 0

    def add(self, reading: Reading) -> IntervalReading | None:
        """Take a reading; return the interval where a note has just come to rest, or rests on."""
        f0_hz = reading.f0_hz
        if f0_hz is None or reading.state not in ("steady", "settling"):
            self._hold = []
            return None
        if self._hold and abs(cents_between(f0_hz, self._hold[-1])) > 2.0 * 1.5:
            self._hold = []
        if not self._hold:
            self._hold_since_s = reading.time_s
        self._hold.append(f0_hz)
        del self._hold[:-_MOST_ROWS]
        if reading.state != "steady" or reading.time_s - self._hold_since_s < _AT_REST_S:
            return None
        return self._held(median(self._hold[len(self._hold) // 2 :]), reading.time_s)

    def _held(self, f0_hz: float, time_s: float) -> IntervalReading | None:
        """A note rests: the one before, the other one, or a new pair."""
        if self._last is not None and abs(cents_between(f0_hz, self._last[0])) < _SAME_NOTE_CENTS:
            same = self._last[1] == self._hold_since_s
            self._last = (f0_hz, self._hold_since_s)
            return self._reading(time_s) if same else None
        self._before, self._last = self._last, (f0_hz, self._hold_since_s)
        if self._before is None:
            return None
        reading = self._reading(time_s)
        if reading is None:
            self._alternations = 0
            return None
        self._alternations += 1
        return self._reading(time_s)

    def _reading(self, time_s: float) -> IntervalReading | None:
        if self._before is None or self._last is None:
            return None
        low_hz, high_hz = sorted((self._before[0], self._last[0]))
        cents = float(cents_between(high_hz, low_hz))
        if abs(cents - self._wanted_cents) > _SAME_INTERVAL_CENTS:
            return None
        return IntervalReading(
            time_s=time_s,
            low_hz=low_hz,
            high_hz=high_hz,
            cents=cents,
            error_cents=cents - self._wanted_cents,
            alternations=self._alternations,
        )
