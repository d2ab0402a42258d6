"""What the header of an audio file promises: libsndfile silently shortens a file that ends early."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

_BYTES_A_SAMPLE = {
    "PCM_S8": 1,
    "PCM_U8": 1,
    "ULAW": 1,
    "ALAW": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}

_MOST_CHUNKS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class DataChunk:
    """Where the samples stand in a file.

    Attributes
    ----------
    size_offset : int
        Byte at which the chunk's size is written.
    data_offset : int
        Byte of the first sample.
    promised_bytes : int or None
        None where the size was left open, as a stream's writer leaves it.
    held_bytes : int
        What the file holds after `data_offset`, up to the promise.
    big_endian : bool
    """

    size_offset: int
    data_offset: int
    promised_bytes: int | None
    held_bytes: int
    big_endian: bool

    def promised_samples(self, n_samples: int, channels: int, subtype: str) -> int | None:
        """Return how many samples a channel the header promises, None where it says nothing beyond `n_samples`."""
        if self.promised_bytes is None or self.promised_bytes <= self.held_bytes:
            return None
        width = _BYTES_A_SAMPLE.get(subtype)
        if width is not None:
            promised = self.promised_bytes // (width * channels)
        elif self.held_bytes > 0:
            promised = round(n_samples * self.promised_bytes / self.held_bytes)
        else:
            return None
        return promised if promised > n_samples else None


def _is_open_ended(size: int) -> bool:
    """Whether a 32-bit size is one of those that writers of streams put in: none, all ones, or the signed limit."""
    margin = 1 << 16
    return size == 0 or size >= (1 << 32) - margin or abs(size - (1 << 31)) <= margin


def find_data_chunk(file: BinaryIO, size_bytes: int) -> DataChunk | None:
    """Find the chunk that holds the samples of a WAV or AIFF file.

    Parameters
    ----------
    file : binary file, open for reading
    size_bytes : int
        Size of the whole file.

    Returns
    -------
    DataChunk or None
        None for other formats, and where there is no such chunk.

    References
    ----------
    RIFF/WAVE and AIFF chunk layouts; EBU Tech 3306 (RF64: 64-bit sizes in the chunk ``ds64``).
    """
    file.seek(0)
    head = file.read(12)
    if len(head) < 12:
        return None
    form, kind = head[:4], head[8:]
    big_endian = form in (b"RIFX", b"FORM")
    if form in (b"RIFF", b"RIFX", b"RF64", b"BW64") and kind == b"WAVE":
        wanted, skip = b"data", 0
    elif form == b"FORM" and kind in (b"AIFF", b"AIFC"):
        wanted, skip = b"SSND", 8
    else:
        return None
    size_64: int | None = None
    offset = 12
    for _ in range(_MOST_CHUNKS):
        file.seek(offset)
        chunk = file.read(8)
        if len(chunk) < 8:
            return None
        size = struct.unpack(">I" if big_endian else "<I", chunk[4:])[0]
        if chunk[:4] == b"ds64":
            sizes = file.read(16)
            size_64 = struct.unpack("<Q", sizes[8:])[0] if len(sizes) == 16 else None
        if chunk[:4] == wanted:
            promised: int | None = None if _is_open_ended(size) else size
            if size == 0xFFFFFFFF and size_64 not in (None, 0, (1 << 64) - 1):
                promised = size_64
            held = max(0, size_bytes - offset - 8)
            return DataChunk(
                size_offset=offset + 4,
                data_offset=offset + 8 + skip,
                promised_bytes=None if promised is None else promised - skip,
                held_bytes=max(0, (held if promised is None else min(held, promised)) - skip),
                big_endian=big_endian,
            )
        offset += 8 + size + size % 2
    return None
