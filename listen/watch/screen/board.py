"""What the screen shows of a stream of events: medians, the reference, the best, better or worse."""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

from listen.units import cents_between, db_from_ratio
from listen.watch.types import Arisen, Cleared, Event, IntervalReading, LostTime, Reading, SourceChanged, Start, Summary

QUANTITIES = ("pitch", "octave", "clean", "level", "start")
"""What the hand works on, by the keys 1 to 5."""
UNITS = {"pitch": "cents", "octave": "cents", "clean": "dB", "level": "dB", "start": "dB"}
_FIELDS = {"pitch": "cents", "clean": "thd_percent", "level": "level_dbfs"}
"""Fields of a reading behind the quantities that a single reading has."""
_REST_S = 0.5
_MOVING_S = 0.1
_SEMITONE_CENTS = 100.0
_CREST_SIGMAS = 4.0
_SEEN_S = 10.0
_SILENCE_S = 0.2
_GROWN_DB = -0.92
"""90 % of the settled level."""
_BEGUN_DB = -40.0
"""1 % of it."""


@dataclass(frozen=True, slots=True)
class Held:
    """A value, when it was held, and the standard deviation of the rows that it is the median of."""

    value: float
    time_s: float
    scatter: float = 0.0


@dataclass(frozen=True, slots=True)
class Shown:
    """A number for the screen.

    Attributes
    ----------
    value : float or None
    scatter : float
        Standard deviation of the rows that it is the median of.
    sure : bool
        At rest for half a second; else an outline.
    """

    value: float | None
    scatter: float
    sure: bool


@dataclass(slots=True)
class Board:
    """All that is shown. Fed with events; nothing here draws or waits.

    Attributes
    ----------
    quantity : str
        The big one.
    reference : dict of str to Held
        Every quantity as it was when the reference was held.
    best : dict of str to Held
    marks : list of (float, dict)
    findings : dict
        What stands.
    """

    quantity: str = "clean"
    start: Start | None = None
    reading: Reading | None = None
    interval: IntervalReading | None = None
    summary: Summary | None = None
    reference: dict[str, Held] = field(default_factory=dict)
    reference_s: float | None = None
    best: dict[str, Held] = field(default_factory=dict)
    marks: list[tuple[float, dict[str, float]]] = field(default_factory=list)
    findings: dict[tuple[str, str | None], Arisen] = field(default_factory=dict)
    lost_s: float = 0.0
    source: SourceChanged | None = None
    start_s: float | None = None
    grown_from_s: float | None = None
    peak_fs: float = 0.0
    _rows: deque[Reading] = field(default_factory=deque)
    _calm_since_s: float = math.inf
    _best_hz: float | None = None
    _silent_since_s: float = math.inf
    _growth: list[tuple[float, float]] = field(default_factory=list)

    def take(self, event: Event) -> None:
        """Take in one event."""
        if isinstance(event, Reading):
            self._take_reading(event)
        elif isinstance(event, Start):
            self.start = event
        elif isinstance(event, IntervalReading):
            self.interval = event
        elif isinstance(event, Arisen):
            self.findings[event.kind, event.half] = event
        elif isinstance(event, Cleared):
            self.findings.pop((event.kind, event.half), None)
        elif isinstance(event, LostTime):
            self.lost_s += event.seconds
            self._disturbed()
        elif isinstance(event, SourceChanged):
            self.source = event
            self._disturbed()
        else:
            self.summary = event

    def _take_reading(self, reading: Reading) -> None:
        self.reading = reading
        self.peak_fs = reading.peak_fs
        if reading.state == "lost":
            self._disturbed()
            return
        self._grown(reading)
        if reading.state != "steady":
            self._calm_since_s = math.inf
        elif self._calm_since_s == math.inf:
            self._calm_since_s = reading.time_s
        if reading.state in ("silent", "over"):
            self._rows.clear()
            return
        self._rows.append(reading)
        while self._rows[0].time_s < reading.time_s - _SEEN_S:
            self._rows.popleft()
        self._forget_best()
        if self.at_rest:
            self._keep_best(reading)

    def _disturbed(self) -> None:
        self._rows.clear()
        self._calm_since_s = math.inf

    @property
    def at_rest(self) -> bool:
        """Whether the tone has been steady for half a second."""
        return self.reading is not None and self.reading.time_s - self._calm_since_s >= _REST_S

    def shown(self, quantity: str) -> Shown:
        """Return the median of what is at rest, or of the last tenth of a second while the hand moves."""
        if quantity == "octave":
            found = self.interval
            return Shown(None if found is None else found.error_cents, 0.02, found is not None)
        if quantity == "start":
            return Shown(self.start_s, 0.02, self.start_s is not None)
        values = self._values(quantity)
        if not values:
            return Shown(None, 0.0, False)
        return Shown(median(values), _scatter(values), self.at_rest)

    def _values(self, quantity: str) -> list[float]:
        if not self._rows:
            return []
        calm = self._calm_since_s != math.inf
        newest_s = self._rows[-1].time_s
        since_s = max(newest_s - _REST_S, self._calm_since_s) if calm else newest_s - _MOVING_S
        name = _FIELDS.get(quantity, quantity)
        newest_first = itertools.takewhile(lambda row: row.time_s >= since_s - 1e-9, reversed(self._rows))
        values = [value for row in newest_first if (value := getattr(row, name)) is not None]
        return values[::-1]

    def median_of(self, name: str) -> float | None:
        """Return the median of a field of the readings, over the same rows."""
        values = self._values(name)
        return median(values) if values else None

    def spread(self, name: str) -> float:
        """Return the largest less the smallest of a field, over the same rows."""
        values = self._values(name)
        return max(values) - min(values) if values else math.inf

    def hold(self) -> bool:
        """Hold all readings as the reference; refused while nothing is at rest."""
        if not self.at_rest or self.reading is None:
            return False
        self.reference_s = self.reading.heard_s
        self.reference = {
            name: Held(value, self.reference_s)
            for name in (*QUANTITIES, "h2_dbc", "h3_dbc", "f0_hz")
            if (value := self.shown(name).value) is not None
        }
        return True

    def mark(self) -> bool:
        """Note all readings; refused while nothing is at rest."""
        if not self.at_rest or self.reading is None:
            return False
        values = {name: value for name in QUANTITIES if (value := self.shown(name).value) is not None}
        self.marks.append((self.reading.heard_s, values))
        return True

    def better_by(self, quantity: str) -> float | None:
        """Return by how much the reading is better than the reference.

        Returns
        -------
        float or None
            Decibels or cents, negative where it is worse; None where nothing was held, or nothing is at rest.
        """
        held, now = self.reference.get(quantity), self.shown(quantity)
        if held is None or now.value is None or not (now.sure and (self.at_rest or quantity in ("octave", "start"))):
            return None
        if UNITS[quantity] == "cents":
            return abs(held.value) - abs(now.value)
        if quantity == "level":
            return -abs(now.value - held.value)
        if held.value <= 0.0 or now.value <= 0.0:
            return None
        return float(db_from_ratio(held.value / now.value))

    def half(self) -> tuple[str, float] | None:
        """Return the half that is held down, and by how many per cent of the other, where that is beyond doubt."""
        upper, lower = self._values("crest_positive"), self._values("crest_negative")
        if len(upper) < 3 or len(upper) != len(lower) or not self.at_rest:
            return None
        scatter = max(_scatter(upper), _scatter(lower), 1e-5)
        a, b = median(upper), median(lower)
        if abs(a - b) < _CREST_SIGMAS * scatter or max(a, b) <= 0.0 or abs(a - b) < 1e-3:
            return None
        return ("positive", 100.0 * (1.0 - a / b)) if a < b else ("negative", 100.0 * (1.0 - b / a))

    def level_rest(self) -> tuple[float, float] | None:
        """Return within how many decibels the level has stayed, and for how many seconds."""
        if self._calm_since_s == math.inf:
            return None
        rows = [row for row in self._rows if row.time_s >= self._calm_since_s and row.level_dbfs is not None]
        levels = [row.level_dbfs for row in rows if row.level_dbfs is not None]
        if len(levels) < 3:
            return None
        return max(levels) - min(levels), rows[-1].time_s - rows[0].time_s

    def _forget_best(self) -> None:
        """The best is that of one note; a median, for a single row may be a glitch."""
        f0_hz = self.median_of("f0_hz")
        if f0_hz is None or self._best_hz is None:
            return
        if abs(cents_between(f0_hz, self._best_hz)) > _SEMITONE_CENTS:
            self.best, self._best_hz = {}, None

    def _keep_best(self, reading: Reading) -> None:
        if reading.f0_hz is None:
            return
        self._best_hz = self._best_hz or reading.f0_hz
        for name in ("pitch", "octave", "clean"):
            shown = self.shown(name)
            if shown.value is None:
                continue
            best = self.best.get(name)
            if best is None or abs(shown.value) < abs(best.value):
                self.best[name] = Held(shown.value, reading.heard_s, shown.scatter)

    def _grown(self, reading: Reading) -> None:
        """Follow a start: from silence to a level at rest."""
        level = reading.level_dbfs
        if reading.state == "silent":
            self._silent_since_s = min(self._silent_since_s, reading.time_s)
            # a stream's first rows are too short to be anything yet: they are no silence
            shown = reading.time_s - self._silent_since_s >= _SILENCE_S
            self._growth = [(reading.time_s, level)] if level is not None and shown else []
            return
        self._silent_since_s = math.inf
        if not self._growth or level is None:
            return
        self._growth.append((reading.time_s, level))
        if reading.state != "steady":
            if len(self._growth) > 3000:
                self._growth = []
            return
        begun = next((t for t, db in self._growth[1:] if db > level + _BEGUN_DB), None)
        grown = next((t for t, db in self._growth[1:] if db > level + _GROWN_DB), None)
        if begun is not None and grown is not None:
            self.start_s = max(0.02, grown - begun)
            self.grown_from_s = begun
        self._growth = []


def _scatter(values: list[float]) -> float:
    """Return the standard deviation of some values about their mean (in exact fractions it takes 20 times as long)."""
    mean = math.fsum(values) / len(values)
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / len(values))
