"""A line of progress on standard error, with the time left, for what takes over a second."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from types import TracebackType
from typing import TextIO

from listen.report.paper import columns_of, readable
from listen.report.words import name_of

QUIET_FOR_S = 1.0
_INTERVAL_S = 0.1


class ProgressLine:
    """A line that is drawn over itself on a terminal, and gone at the end; silent anywhere else.

    Parameters
    ----------
    name : str
        What is being looked at.
    stream : text stream
        Standard error.
    clock : callable, optional
        Seconds, for the tests.

    Examples
    --------
    >>> import io
    >>> with ProgressLine("take.wav", io.StringIO()) as progress:
    ...     progress(0.5)
    """

    def __init__(self, name: str, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._name = readable(name_of(name))[:40]
        self._stream = stream
        self._clock = clock
        self._start_s = self._last_s = clock()
        self._first: tuple[float, float] | None = None
        self._drawn = 0
        columns = columns_of(stream)
        self._most = columns - 1 if columns else None
        """Of a line that is drawn over itself; the last column may begin a new one."""
        try:
            self._shown = stream.isatty()
        except (AttributeError, ValueError):
            self._shown = False

    def __call__(self, part: float) -> None:
        """Take note that a part, 0 to 1, is done."""
        now_s = self._clock()
        # The pace is taken from the first call on: what comes before it is start-up.
        first_s, first_part = self._first = self._first or (now_s, part)
        if not self._shown or now_s - self._start_s < QUIET_FOR_S or now_s - self._last_s < _INTERVAL_S:
            return
        self._last_s = now_s
        part = min(max(part, 0.0), 1.0)
        text = f"{self._name}: {100 * part:.0f} %"
        if part > first_part:
            text += f", {_about((now_s - first_s) * (1 - part) / (part - first_part))} left"
        self._draw(text)

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._drawn:
            self._draw("")
            self._write("\r")

    def _draw(self, text: str) -> None:
        text = text[: self._most]
        self._write("\r" + text + " " * (self._drawn - len(text)))
        self._drawn = len(text)

    def _write(self, text: str) -> None:
        # A terminal that has gone away is no reason to lose the check.
        with contextlib.suppress(OSError, ValueError, UnicodeError):
            self._stream.write(text)
            self._stream.flush()


def _about(remaining_s: float) -> str:
    """Say how long, no finer than anyone can know."""
    if remaining_s < 1.5:
        return "about a second"
    if remaining_s < 90:
        return f"about {remaining_s:.0f} s"
    return f"about {remaining_s / 60:.0f} min"
