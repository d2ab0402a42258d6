"""What the sound server tells of the source: it resamples, and moves a stream to another input, in silence."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import threading
from collections import deque
from dataclasses import dataclass

from listen.watch.feeds import News

_EVERY_S = 2.0
"""Asking costs 6 ms of processor time."""
_PATIENCE_S = 2.0


@dataclass(frozen=True, slots=True)
class ServerSource:
    """An input, as the server names it."""

    name: str
    rate_hz: int


def default_rate_hz() -> int | None:
    """Rate of the server's default source, where it tells: any other is resampled on the way."""
    try:
        name = _said("get-default-source").strip()
        return next((source.rate_hz for _, source in _sources() if source.name == name), None)
    except (OSError, subprocess.SubprocessError):
        return None


def heard_by(process_id: int) -> ServerSource | None:
    """Return the source from which a process hears; None where the server does not tell."""
    try:
        number = source_number(_said("list", "source-outputs"), process_id)
        return next((source for n, source in _sources() if n == number), None)
    except (OSError, subprocess.SubprocessError):
        return None


def source_number(listing: str, process_id: int) -> str | None:
    r"""Return the source's number from the server's list of those who hear.

    Examples
    --------
    >>> source_number('Source Output #3\n Source: 1\n application.process.id = "7"\n', 7)
    '1'
    """
    for one in listing.split("Source Output #")[1:]:
        who = re.search(r'application\.process\.id = "(\d+)"', one)
        source = re.search(r"^\s*Source: (\d+)", one, re.MULTILINE)
        if who and source and int(who[1]) == process_id:
            return source[1]
    return None


def change_in_words(before: ServerSource, now: ServerSource, opened_hz: int) -> str | None:
    """Say what is another about the source; None where nothing is.

    Examples
    --------
    >>> change_in_words(ServerSource("line", 48000), ServerSource("line", 44100), 48000)
    "the source's own rate is now 44100 Hz: it is resampled to 48000 Hz on the way; start again to hear it as it is"
    >>> change_in_words(ServerSource("line", 48000), ServerSource("webcam", 48000), 48000)
    'the sound server now hands over "webcam", not "line": look at the plug, and start again'
    """
    if now.name != before.name:
        return f'the sound server now hands over "{now.name}", not "{before.name}": look at the plug, and start again'
    if now.rate_hz == before.rate_hz:
        return None
    if now.rate_hz == opened_hz:
        return f"the source's own rate is {opened_hz} Hz again"
    return (
        f"the source's own rate is now {now.rate_hz} Hz: it is resampled to {opened_hz} Hz on the way; "
        "start again to hear it as it is"
    )


class ServerWatch:
    """Asks the server now and then, in a thread: it may be stalled.

    Parameters
    ----------
    opened_hz : int
        The rate at which the source is heard.
    """

    def __init__(self, opened_hz: int) -> None:
        self._opened_hz = opened_hz
        self._news: deque[News] = deque()
        self._closed = threading.Event()
        if shutil.which("pactl") is not None:
            threading.Thread(target=self._ask, daemon=True, name="listen-server").start()

    def news(self) -> list[News]:
        """Return what changed since the last call."""
        out = []
        while self._news:
            out.append(self._news.popleft())
        return out

    def close(self) -> None:
        """Ask no more."""
        self._closed.set()

    def _ask(self) -> None:
        before: ServerSource | None = None
        while not self._closed.is_set():
            now = heard_by(os.getpid())
            if now is not None:
                sentence = change_in_words(before, now, self._opened_hz) if before is not None else None
                if sentence is not None:
                    self._news.append(News(now.rate_hz, sentence))
                before = now
            self._closed.wait(_EVERY_S)


def _sources() -> list[tuple[str, ServerSource]]:
    """All inputs with their numbers."""
    found = []
    for line in _said("list", "short", "sources").splitlines():
        cells = line.split("\t")
        rate = re.search(r"(\d+)Hz", cells[3]) if len(cells) >= 4 else None
        if rate:
            found.append((cells[0], ServerSource(cells[1], int(rate[1]))))
    return found


def _said(*words: str) -> str:
    tool = shutil.which("pactl")
    if tool is None:
        raise FileNotFoundError("pactl")
    done = subprocess.run(
        [tool, *words],
        capture_output=True, text=True, timeout=_PATIENCE_S, check=True, stdin=subprocess.DEVNULL,
        env={**os.environ, "LC_ALL": "C"},  # it is a translated program
    )  # fmt: skip
    return done.stdout
