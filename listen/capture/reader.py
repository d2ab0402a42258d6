"""Samples of one channel, by number. The only place that calls libsndfile; its errors are wrapped here."""

from __future__ import annotations

import errno
import io
import os
import threading
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile

from listen.capture.header import DataChunk, find_data_chunk
from listen.capture.sample_cache import SampleCache, held_by_single
from listen.capture.types import Floats
from listen.errors import CaptureError

_COUNT_BLOCK = 1 << 16


class _OpenEnded(io.RawIOBase):
    """A file whose data chunk was left at size 0, read as if the size were the largest that can be written."""

    def __init__(self, file: BinaryIO, size_offset: int) -> None:
        super().__init__()
        self._file = file
        self._patch = range(size_offset, size_offset + 4)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: Any) -> int:
        start = self._file.tell()
        data = bytearray(self._file.read(len(buffer)))
        for place in self._patch:
            if start <= place < start + len(data):
                data[place - start] = 0xFF
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def _open_sound(path: str, patch_size_at: int | None) -> soundfile.SoundFile:
    if patch_size_at is not None:
        return soundfile.SoundFile(_OpenEnded(Path(path).open("rb"), patch_size_at))
    if os.name == "nt":
        return soundfile.SoundFile(path)
    # By descriptor: from a name libsndfile also guesses headerless formats by the ending. It closes it, on failure too.
    return soundfile.SoundFile(os.open(path, os.O_RDONLY), closefd=True)


class SampleReader:
    """Reads one file; keeps its place, so that reading on is not seeking. Safe between threads and processes.

    Parameters
    ----------
    path : str
        The file on disc.
    name : str
        What to call it in messages.
    """

    def __init__(self, path: str, name: str) -> None:
        self.path = path
        self.name = name
        self._lock = threading.Lock()
        self._position = 0
        self._patch_size_at: int | None = None
        self._abandoned = False
        chunk = self._data_chunk()
        self._file = self._opened()
        if self._file.frames == 0 and chunk is not None and chunk.promised_bytes is None and chunk.held_bytes > 0:
            self._file.close()
            self._patch_size_at = chunk.size_offset
            self._file = self._opened()
        self.sample_rate_hz = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.format = str(self._file.format)
        self.subtype = str(self._file.subtype)
        self.n_samples, self.header_samples = self._count(chunk)
        self._cache = SampleCache(held_by_single(self.subtype), self.n_samples)

    def __reduce__(self) -> tuple[type[SampleReader], tuple[str, str]]:
        return SampleReader, (self.path, self.name)

    def _data_chunk(self) -> DataChunk | None:
        try:
            with Path(self.path).open("rb") as file:
                size = os.fstat(file.fileno()).st_size
                if size == 0:
                    raise CaptureError(f"{self.name}: is empty (0 bytes)", "record it again")
                packed = _packed(file.read(12))
                if packed is not None:
                    raise CaptureError(
                        f"{self.name}: is a lossy sound file ({packed}), whose coder adds and leaves out harmonics",
                        "record to WAV or FLAC",
                    )
                return find_data_chunk(file, size)
        except OSError as cause:
            raise os_error(self.name, cause) from cause

    def _opened(self) -> soundfile.SoundFile:
        try:
            return _open_sound(self.path, self._patch_size_at)
        except OSError as cause:
            raise os_error(self.name, cause) from cause
        except (soundfile.SoundFileError, TypeError, ValueError) as cause:
            raise CaptureError(
                f"{self.name}: is no sound file that can be read ({_reason(cause)})",
                "give a WAV, FLAC or AIFF file, PCM of 8 to 32 bits or float",
            ) from cause

    def _count(self, chunk: DataChunk | None) -> tuple[int, int | None]:
        """Return the samples that can be read, and what the header promises where that is more."""
        frames = int(self._file.frames)
        if chunk is not None:
            return frames, chunk.promised_samples(frames, self.channels, self.subtype)
        if self.subtype.startswith(("PCM", "FLOAT", "DOUBLE", "ULAW", "ALAW")) and self.format != "FLAC":
            return frames, None
        try:
            self._file.seek(max(0, frames - 1))
            whole = len(self._file.read(1)) == min(1, frames)
        except (soundfile.SoundFileError, OverflowError):
            whole = False
        self._position = -1
        if whole:
            return frames, None
        self._file.close()
        self._file = self._opened()
        self._position = -1
        counted = 0
        try:
            while n := len(self._file.read(_COUNT_BLOCK, always_2d=True)):
                counted += n
        except soundfile.SoundFileError:
            counted = self._last_readable(counted)
        return counted, frames if counted < frames < 1 << 48 else None

    def _last_readable(self, whole_blocks: int) -> int:
        """Return how far a file that breaks off can be read, by reading its last part in small steps."""
        self._file.close()
        self._file = self._opened()
        counted = 0
        try:
            while counted < whole_blocks:
                counted += len(self._file.read(min(_COUNT_BLOCK, whole_blocks - counted), always_2d=True))
            while n := len(self._file.read(256, always_2d=True)):
                counted += n
        except soundfile.SoundFileError:
            pass
        self._file.close()
        self._file = self._opened()
        return counted

    def _go_to(self, start: int) -> None:
        """Make `start` the next sample to be read."""
        if self._position == start:
            return
        if self._file.seekable():
            self._file.seek(start)
            return
        # Some kinds (GSM 6.10) can only be read from the beginning.
        if not 0 <= self._position < start:
            self._file.close()
            self._file = self._opened()
            self._position = 0
        while self._position < start:
            n = len(self._file.read(min(_COUNT_BLOCK, start - self._position), always_2d=True))
            if n == 0:
                return
            self._position += n

    def abandon(self) -> None:
        """Let every read from now on fail, so that other threads that still work on the file end soon."""
        self._abandoned = True

    def read(self, start: int, stop: int, channel_index: int) -> Floats:
        """Read samples as they stand in the file.

        Parameters
        ----------
        start, stop : int
            Sample numbers, 0 <= start <= stop <= n_samples.
        channel_index : int
            Counted from 0.

        Returns
        -------
        ndarray, shape (stop - start,)
            Full scale is 1. May hold values that are not finite.

        Raises
        ------
        CaptureError
            The file can no longer be read, or was abandoned.
        """
        with self._lock:
            if self._abandoned:
                raise CaptureError(f"{self.name}: the work was interrupted", "run it again")
            return self._cache.read(start, stop, channel_index, lambda a, b: self._decoded(a, b, channel_index))

    def forget(self) -> None:
        """Give back the memory of what was decoded: who keeps a result keeps its reader."""
        with self._lock:
            self._cache.clear()

    def _decoded(self, start: int, stop: int, channel_index: int) -> Floats:
        try:
            self._go_to(start)
            self._position = -1
            frames = self._file.read(stop - start, dtype="float64", always_2d=True)
            self._position = start + len(frames)
        except (soundfile.SoundFileError, OSError) as cause:
            raise CaptureError(
                f"{self.name}: cannot be read beyond {start / self.sample_rate_hz:.3f} s ({_reason(cause)})",
                "the file is damaged, or changed while it was read; copy or record it again",
            ) from cause
        if len(frames) != stop - start:
            raise CaptureError(
                f"{self.name}: ends at sample {start + len(frames)}, {self.n_samples} were there when it was opened",
                "let the recording finish first",
            )
        return np.ascontiguousarray(frames[:, channel_index])


def _packed(head: bytes) -> str | None:
    """Return which lossy format a file begins as; None where it is none that is known.

    A tag or a frame's eleven ones (MPEG audio), an Ogg stream, the first box of ISO 14496-12 (MPEG-4: m4a, 3gp), the
    identifiers of ASF (wma) and of RFC 4867 (amr).
    """
    if head[:3] == b"ID3" or head[:4] == b"OggS" or (len(head) >= 4 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0):
        return "MPEG or Ogg"
    if head[4:8] == b"ftyp":
        return "MPEG-4"
    if head[:4] == b"\x30\x26\xb2\x75":
        return "Windows Media"
    return "AMR" if head[:5] == b"#!AMR" else None


def _reason(cause: Exception) -> str:
    text = getattr(cause, "error_string", None) or str(cause) or type(cause).__name__
    return str(text).rstrip(". ")


def os_error(name: str, cause: OSError) -> CaptureError:
    """Wrap an error of the operating system."""
    if isinstance(cause, FileNotFoundError):
        return CaptureError(f"{name}: no such file", "check the name and the folder")
    if isinstance(cause, IsADirectoryError):
        return CaptureError(f"{name}: is a folder", "name the recordings in it, for example take.wav")
    if isinstance(cause, PermissionError):
        return CaptureError(f"{name}: may not be read", "change its permissions")
    if cause.errno == errno.ENXIO:
        return CaptureError(f"{name}: nobody writes into this pipe", "start its writer first, or name a file")
    return CaptureError(f"{name}: cannot be read ({cause.strerror or cause})", "check the disc and the name")
