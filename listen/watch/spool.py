"""The take on disc while it is heard: a WAV file that can be read at any moment, and is whole at the end."""

from __future__ import annotations

import contextlib
import os
import struct
import tempfile
from pathlib import Path
from typing import BinaryIO

from listen.errors import OutputError
from listen.watch.pcm import StreamFormat

_DS64_BYTES = 28
_LARGEST_RIFF = (1 << 32) - 1
_OPEN_SIZE = _LARGEST_RIFF
"""A size that readers of streams take as "to the end": a take that was cut off by a power cut can still be read."""


class Spool:
    """Writes a take as it comes.

    Parameters
    ----------
    form : StreamFormat
    keep : path or None
        Where it is kept; None: a temporary file that goes with `discard`.

    Raises
    ------
    OutputError
        The file cannot be made.

    Notes
    -----
    The header keeps room for ``ds64`` (EBU Tech 3306), so that a take of more than 4 GiB ends as RF64.
    """

    def __init__(self, form: StreamFormat, keep: str | os.PathLike[str] | None = None) -> None:
        self._form = form
        self._permanent = keep is not None
        self.n_bytes = 0
        try:
            if keep is None:
                handle, name = tempfile.mkstemp(prefix="listen-", suffix=".wav")
                self._file: BinaryIO = os.fdopen(handle, "wb")
                self.path = Path(name)
            else:
                self.path = Path(keep)
                # opened by the recorder before anything is heard: a name that is taken is refused, not written over
                self._file = self.path.open("xb")
            self._file.write(self._header(_OPEN_SIZE, _OPEN_SIZE))
            self._file.flush()
        except FileExistsError as cause:
            raise OutputError(f"--keep {os.fspath(keep or '')!r} is there already", "name another file") from cause
        except OSError as cause:
            raise _cannot_write(self._permanent, cause) from cause

    @property
    def n_samples(self) -> int:
        """Samples of each channel so far."""
        return self.n_bytes // self._form.frame_bytes

    def write(self, data: bytes) -> None:
        """Append whole frames.

        Raises
        ------
        OutputError
            The disc is full, or the like; what was written before stays.
        """
        try:
            self._file.write(data)
            self._file.flush()
        except OSError as cause:
            raise _cannot_write(self._permanent, cause) from cause
        self.n_bytes += len(data)

    def finish(self) -> None:
        """Write the sizes into the header; the file is then an ordinary WAV."""
        if self._file.closed:
            return
        try:
            if self.n_bytes % 2:
                self._file.write(b"\0")
            self._file.seek(0)
            self._file.write(self._header(self.n_bytes + self.n_bytes % 2 + self._before_data(), self.n_bytes))
            self._file.flush()
            if self._permanent:
                os.fsync(self._file.fileno())
            self._file.close()
        except OSError as cause:
            raise _cannot_write(self._permanent, cause) from cause

    def discard(self) -> None:
        """Remove a temporary take, or one that holds nothing."""
        with contextlib.suppress(OSError):
            self._file.close()
        if not self._permanent or self.n_bytes == 0:
            with contextlib.suppress(OSError):
                self.path.unlink()

    @staticmethod
    def _before_data() -> int:
        return 4 + 8 + _DS64_BYTES + 8 + 16 + 8

    def _header(self, riff_bytes: int, data_bytes: int) -> bytes:
        form = self._form
        large = riff_bytes > _LARGEST_RIFF
        tag = 3 if form.encoding.startswith("f") else 1
        bits = 8 * form.frame_bytes // form.channels
        rate = form.sample_rate_hz
        if large:
            sizes = struct.pack("<QQQI", riff_bytes, data_bytes, data_bytes // form.frame_bytes, 0)
            room = b"ds64" + struct.pack("<I", _DS64_BYTES) + sizes
        else:
            room = b"JUNK" + struct.pack("<I", _DS64_BYTES) + bytes(_DS64_BYTES)
        return (
            (b"RF64" if large else b"RIFF")
            + struct.pack("<I", _OPEN_SIZE if large else riff_bytes)
            + b"WAVE"
            + room
            + b"fmt "
            + struct.pack("<IHHIIHH", 16, tag, form.channels, rate, rate * form.frame_bytes, form.frame_bytes, bits)
            + b"data"
            + struct.pack("<I", _OPEN_SIZE if large else data_bytes)
        )


def _cannot_write(permanent: bool, cause: OSError) -> OutputError:
    what = "the take" if permanent else "the temporary copy of the take"
    return OutputError(f"cannot write {what} ({(cause.strerror or str(cause)).lower()})", "make room on the disc")
