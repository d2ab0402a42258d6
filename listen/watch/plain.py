"""A line a second for a pipe or a log, where there is no terminal to draw on."""

from __future__ import annotations

from collections.abc import Callable

from listen.units import format_hz, format_note_cents, format_percent
from listen.watch.types import Arisen, Cleared, Event, LostTime, Reading, SourceChanged, Start

_EVERY_S = 1.0
_FIRST_S = 0.1
"""A stream's first rows are too short to be anything yet: they are no silence."""
PEAK_DBFS = -12.0, -6.0
"""Where the loudest note of a take should peak."""


def clock(seconds: float) -> str:
    """Write a time of a take, 2:41.

    Examples
    --------
    >>> clock(161.4), clock(3725.0)
    ('2:41', '1:02:05')
    """
    whole = int(seconds)
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def level_hint(peak_fs: float) -> str:
    """Say whether the input's gain is right, by the largest sample.

    Examples
    --------
    >>> level_hint(0.35), level_hint(0.9), level_hint(0.05)
    ('peaks at -9 dBFS: right', 'peaks at -1 dBFS: turn the input down', 'peaks at -26 dBFS: turn the input up')
    """
    from listen.units import db_from_ratio

    if peak_fs <= 0.0:
        return "nothing comes in"
    peak_dbfs = float(db_from_ratio(peak_fs))
    low, high = PEAK_DBFS
    word = (
        "turn the input up" if peak_dbfs < low - 0.5 else "turn the input down" if peak_dbfs > high + 0.5 else "right"
    )
    return f"peaks at {peak_dbfs:.0f} dBFS: {word}"


def reading_line(reading: Reading) -> str:
    """Return one reading as a line of words and numbers.

    Parameters
    ----------
    reading : Reading
    """
    parts = [f"{clock(reading.heard_s):>7}"]
    if reading.state == "lost":
        return f"{parts[0]}  nothing comes from the source"
    if reading.f0_hz is None or reading.state == "silent":
        return f"{parts[0]}  silent  {reading.level_dbfs if reading.level_dbfs is not None else -200:.1f} dBFS"
    parts += [format_hz(reading.f0_hz, 5), format_note_cents(reading.f0_hz)]
    if reading.level_dbfs is not None:
        parts.append(f"{reading.level_dbfs:.2f} dBFS")
    if reading.state == "over":
        parts.append("the interface clips: turn the input down, no distortion is shown")
    elif reading.thd_percent is not None:
        parts.append(f"THD {format_percent(reading.thd_percent)}")
        parts += [f"{n} {x:.0f} dB" for n, x in (("H2", reading.h2_dbc), ("H3", reading.h3_dbc)) if x is not None]
    return "  ".join([*parts, reading.state])


class PlainLines:
    """Writes a reading a second, and what happens at once.

    Parameters
    ----------
    put : callable
        Takes a text, and brings it out at once.
    """

    def __init__(self, put: Callable[[str], None]) -> None:
        self._put = put
        self._next_s = 0.0
        self._state = ""
        self._hinted_s = 2.0

    def __call__(self, event: Event) -> None:
        """Write what a person wants to know of an event."""
        line = self._line(event)
        if line is not None:
            self._put(line + "\n")

    def _line(self, event: Event) -> str | None:
        if isinstance(event, Start):
            rate = f"{event.sample_rate_hz / 1000:g} kHz"
            return f"   0:00  hearing channel {event.channel} of {event.channels} at {rate}"
        if isinstance(event, Reading):
            came_or_went = "lost" in (event.state, self._state) and event.state != self._state
            self._state = event.state
            if event.state == "silent" and event.time_s < _FIRST_S:
                return None
            if event.heard_s < self._next_s and not came_or_went:
                return None
            self._next_s = event.heard_s + _EVERY_S if event.state != "lost" else event.heard_s + 1e-9
            hint = ""
            if event.heard_s >= self._hinted_s and event.peak_fs > 0.0:
                self._hinted_s = event.heard_s + 10.0
                hint = f"  ({level_hint(event.peak_fs)})"
            return reading_line(event) + hint
        if isinstance(event, Arisen):
            return f"{clock(event.time_s):>7}  {event.severity}: {event.sentence}"
        if isinstance(event, Cleared):
            return f"{clock(event.time_s):>7}  no longer in the last ten seconds: {event.kind}"
        if isinstance(event, LostTime):
            return f"{clock(event.time_s):>7}  {event.seconds:.2f} s of samples were lost"
        if isinstance(event, SourceChanged):
            return f"{clock(event.time_s):>7}  {event.sentence}"
        return None
