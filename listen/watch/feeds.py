"""Where samples come from, as bytes with the time of their arrival. Needs the standard library alone.

A recorder that writes 48 kHz in 16 bits fills a pipe's 64 KiB in 0.7 s, less than the rest of the program may take to
load: reading starts first, in a thread of its own.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from listen.errors import CaptureError
from listen.streams import open_to_read

Reason = Literal["end of stream", "interrupted", "source lost"]

_READ_BYTES = 1 << 16
_MOST_WAITING_BYTES = 8 << 20
"""A file is read no further ahead than this; a pipe's writer then waits, as for any slow reader."""
_POLL_S = 0.01
QUIET_FILE_S = 10.0
"""A file whose header leaves its length open has ended when it has not grown for so long."""
_WHOLE_FILE_S = 1.0
"""A file that holds all that its header promises has ended when it has not grown for so long."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes of a stream, and when they were there, in seconds of `time.monotonic`."""

    data: bytes
    at_s: float


@dataclass(frozen=True, slots=True)
class News:
    """The source is another one, or runs at another rate."""

    rate_hz: int
    sentence: str


def together(pieces: list[Piece], most_bytes: int) -> Iterator[list[Piece]]:
    """Group pieces so that no group has more bytes, unless it is a single piece."""
    group: list[Piece] = []
    held = 0
    for piece in pieces:
        if group and held + len(piece.data) > most_bytes:
            yield group
            group, held = [], 0
        group.append(piece)
        held += len(piece.data)
    if group:
        yield group


class Feed(Protocol):
    """A source of samples that runs by itself."""

    name: str

    @property
    def ended(self) -> Reason | None:
        """Why nothing more comes, once all was taken; None while it goes on."""
        ...

    @property
    def live(self) -> bool:
        """Whether the source has a pace of its own."""
        ...

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        """Return what has come, at once where it is enough, at latest after the timeout."""
        ...

    def news(self) -> list[News]:
        """Return what became known of the source since the last call."""
        ...

    def close(self) -> None:
        """Stop reading."""
        ...


class Waiting:
    """Pieces handed from the thread that reads to the one that measures."""

    def __init__(self) -> None:
        self._pieces: deque[Piece] = deque()
        self._bytes = 0
        self._enough_bytes = 1
        self._changed = threading.Condition()
        self._ended: Reason | None = None
        self.closed = False

    @property
    def ended(self) -> Reason | None:
        """Why it ended, once all was taken."""
        with self._changed:
            return self._ended if not self._pieces else None

    def put(self, data: bytes, at_s: float, *, wait: bool = True) -> None:
        """Add bytes; wait while too many are there, but where the one who brings them must not."""
        with self._changed:
            while wait and self._bytes > _MOST_WAITING_BYTES and not self.closed:
                self._changed.wait(0.1)
            self._pieces.append(Piece(data, at_s))
            self._bytes += len(data)
            # a card brings a hundred pieces a second: who measures wakes once for several
            if self._bytes >= self._enough_bytes:
                self._changed.notify_all()

    def end(self, reason: Reason) -> None:
        """Say that nothing more comes; the first reason stands."""
        with self._changed:
            self._ended = self._ended or reason
            self._changed.notify_all()

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        """Return all pieces once they have so many bytes, or nothing more comes, at latest after the timeout."""
        with self._changed:
            self._enough_bytes = min(enough_bytes, _MOST_WAITING_BYTES // 2)
            if self._bytes < self._enough_bytes and self._ended is None:
                self._changed.wait(timeout_s)
            pieces = list(self._pieces)
            self._pieces.clear()
            self._bytes = 0
            self._changed.notify_all()
        return pieces

    def close(self) -> None:
        """Let nobody wait any longer."""
        with self._changed:
            self.closed = True
            self._changed.notify_all()


class PipeFeed:
    """Standard input, or a named pipe.

    Parameters
    ----------
    path : str
        ``-`` is standard input.

    Raises
    ------
    CaptureError
        It cannot be opened, or nobody writes into it.
    """

    def __init__(self, path: str) -> None:
        self.name = "standard input" if path == "-" else path
        self.live = True
        self._waiting = Waiting()
        self._handle = 0
        if path != "-":
            try:
                begun, self._stream = open_to_read(path)
            except OSError as cause:
                reason = (cause.strerror or "it failed").lower()
                raise CaptureError(
                    f"{path}: cannot be read ({reason})", "start its writer first, or name a file"
                ) from cause
            self._handle = self._stream.fileno()
            if begun:
                self._waiting.put(begun, time.monotonic())
        self._thread = threading.Thread(target=self._read, daemon=True, name="listen-pipe")
        self._thread.start()

    @property
    def ended(self) -> Reason | None:
        """See `Feed`."""
        return self._waiting.ended

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        """See `Feed`."""
        return self._waiting.take(timeout_s, enough_bytes)

    def news(self) -> list[News]:
        """See `Feed`: bytes tell nothing of where they come from."""
        return []

    def close(self) -> None:
        """See `Feed`."""
        self._waiting.close()

    def _read(self) -> None:
        reason: Reason = "end of stream"
        try:
            while not self._waiting.closed:
                data = os.read(self._handle, _READ_BYTES)
                if not data:
                    break
                self._waiting.put(data, time.monotonic())
        except OSError:
            reason = "source lost"
        self._waiting.end(reason)


class FileFeed:
    """A file that another program may still write.

    Parameters
    ----------
    path : str
    quiet_s : float
        How long a file of open length may stand still before it has ended.

    Raises
    ------
    CaptureError
        It cannot be opened.
    """

    def __init__(self, path: str, quiet_s: float = QUIET_FILE_S) -> None:
        self.name = path
        self._path, self._quiet_s = path, quiet_s
        self._waiting = Waiting()
        self._handle = _opened(path)
        self._grew = False
        self._thread = threading.Thread(target=self._read, daemon=True, name="listen-file")
        self._thread.start()

    @property
    def live(self) -> bool:
        """A file has a pace once it has grown under our eyes."""
        return self._grew

    @property
    def ended(self) -> Reason | None:
        """See `Feed`."""
        return self._waiting.ended

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        """See `Feed`."""
        return self._waiting.take(timeout_s, enough_bytes)

    def news(self) -> list[News]:
        """See `Feed`: bytes tell nothing of where they come from."""
        return []

    def close(self) -> None:
        """See `Feed`."""
        self._waiting.close()

    def _read(self) -> None:
        reason: Reason = "end of stream"
        try:
            quiet_since_s = time.monotonic()
            stood_still = False
            while not self._waiting.closed:
                data = os.read(self._handle, _READ_BYTES)
                now_s = time.monotonic()
                if data:
                    self._grew = self._grew or stood_still
                    self._waiting.put(data, now_s)
                    quiet_since_s = now_s
                    continue
                stood_still = True
                if now_s - quiet_since_s > self._patience_s():
                    break
                if not Path(self._path).exists():
                    reason = "source lost"
                    break
                time.sleep(_POLL_S)
        except OSError:
            reason = "source lost"
        finally:
            os.close(self._handle)
        self._waiting.end(reason)

    def _patience_s(self) -> float:
        """Whole by its header: a moment, for a recorder that keeps the header up to date. Else longer."""
        from listen.capture.header import find_data_chunk

        with Path(self._path).open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            chunk = find_data_chunk(file, size)
        promised = chunk.promised_bytes if chunk is not None else None
        whole = promised is not None and chunk is not None and chunk.held_bytes >= promised
        return min(_WHOLE_FILE_S, self._quiet_s) if whole else self._quiet_s


def _opened(path: str) -> int:
    try:
        return os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise CaptureError(f"{path}: no such file", "check the name and the folder") from None
    except OSError as cause:
        raise CaptureError(f"{path}: cannot be read ({cause.strerror or cause})", "check its permissions") from cause
