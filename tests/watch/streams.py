"""Streams for the tests: samples in memory handed over as a feed would, and WAV headers as recorders write them."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from listen.watch.engine import Engine
from listen.watch.feeds import News, Piece, Reason
from listen.watch.pcm import StreamFormat
from listen.watch.settings import Settings
from listen.watch.types import Event, IntervalReading, Reading, Summary

RATE_HZ = 48_000


def encoded(x: np.ndarray, encoding: str = "f32") -> bytes:
    """Samples as little-endian PCM."""
    if encoding == "f32":
        return x.astype("<f4").tobytes()
    if encoding == "s16":
        return np.clip(np.round(x * 2**15), -(2**15), 2**15 - 1).astype("<i2").tobytes()
    if encoding == "s24":
        wide = np.clip(np.round(x * 2**23), -(2**23), 2**23 - 1).astype("<i4")
        return wide.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    raise ValueError(encoding)


def wav_header(size: int, *, rate_hz: int = RATE_HZ, channels: int = 1, bits: int = 16, before: bytes = b"") -> bytes:
    """A header as a recorder that cannot seek back leaves it; ``before``: chunks before the samples."""
    width = channels * bits // 8
    form = struct.pack("<IHHIIHH", 16, 1, channels, rate_hz, rate_hz * width, width, bits)
    riff = min(size + 36 + len(before), 0xFFFFFFFF)
    return b"RIFF" + struct.pack("<I", riff) + b"WAVE" + before + b"fmt " + form + b"data" + struct.pack("<I", size)


class MemoryFeed:
    """Hands over bytes in blocks; ``pace`` gives the times at which they came, else they come all at once."""

    def __init__(self, data: bytes, block_bytes: int = 1920, *, arrivals_s: list[float] | None = None) -> None:
        self.name = "memory"
        self.live = arrivals_s is not None
        self._blocks: Iterator[bytes] = iter([data[i : i + block_bytes] for i in range(0, len(data), block_bytes)])
        self._arrivals_s = iter(arrivals_s) if arrivals_s is not None else None
        self._over = False

    @property
    def ended(self) -> Reason | None:
        return "end of stream" if self._over else None

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        del timeout_s, enough_bytes
        block = next(self._blocks, None)
        if block is None:
            self._over = True
            return []
        at_s = next(self._arrivals_s) if self._arrivals_s is not None else time.monotonic()
        return [Piece(block, at_s)]

    def news(self) -> list[News]:
        return []

    def close(self) -> None:
        self._over = True


def watched(
    x: np.ndarray, *, encoding: str = "f32", rate_hz: int = RATE_HZ, keep: Path | None = None, **settings: Any
) -> tuple[list[Event], Summary]:
    """Watch samples in blocks of 10 ms; return all events, and the last."""
    events: list[Event] = []
    raw = StreamFormat(sample_rate_hz=rate_hz, channels=1, encoding=encoding)
    data = encoded(x, encoding)
    block = rate_hz // 100 * raw.frame_bytes
    settings.setdefault("findings", False)
    engine = Engine(
        MemoryFeed(data, block),
        Settings(check={"wave": "sine"}, raw=raw, keep=None if keep is None else str(keep), **settings),
        events.append,
    )
    engine.hear()
    summary = engine.close()
    engine.discard()
    return events, summary


def readings(events: list[Event]) -> list[Reading]:
    return [event for event in events if isinstance(event, Reading)]


def intervals(events: list[Event]) -> list[IntervalReading]:
    return [event for event in events if isinstance(event, IntervalReading)]
