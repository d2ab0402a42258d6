"""Bytes of a stream to samples: WAV headers as they come through a pipe, and raw little-endian PCM."""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import CaptureError, OptionError

Floats = NDArray[np.float64]

ENCODINGS = ("s16", "s24", "s32", "f32")
"""What raw PCM may be, as ``--format`` names it; WAV may also hold u8 and f64."""
_SUBTYPES = {"u8": "PCM_U8", "s16": "PCM_16", "s24": "PCM_24", "s32": "PCM_32", "f32": "FLOAT", "f64": "DOUBLE"}
_BYTES = {"u8": 1, "s16": 2, "s24": 3, "s32": 4, "f32": 4, "f64": 8}
_WAVE_PCM, _WAVE_FLOAT, _WAVE_EXTENSIBLE = 1, 3, 0xFFFE
_OPEN_ENDED_MARGIN = 1 << 16
_MOST_HEADER_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamFormat:
    """What the samples of a stream are.

    Attributes
    ----------
    sample_rate_hz : int
    channels : int
    encoding : str
        ``u8``, ``s16``, ``s24``, ``s32``, ``f32`` or ``f64``, little-endian, channels interleaved.
    data_bytes : int or None
        How many bytes of samples the header promises; None: until the stream ends.
    """

    sample_rate_hz: int
    channels: int
    encoding: str
    data_bytes: int | None = None

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of all channels."""
        return _BYTES[self.encoding] * self.channels

    @property
    def subtype(self) -> str:
        """Name that libsndfile has for the encoding."""
        return _SUBTYPES[self.encoding]


def begins_as_wav(head: bytes) -> bool:
    """Whether a stream begins as a WAV file does; of less than 12 bytes, whether it still may."""
    form, kind = head[:4], head[8:12]
    return any(f.startswith(form) for f in (b"RIFF", b"RF64", b"BW64")) and b"WAVE".startswith(kind)


def read_wav_header(head: bytes) -> tuple[StreamFormat, int] | None:
    """Read the header of a WAV stream as far as it has come.

    Parameters
    ----------
    head : bytes
        The stream from its first byte on.

    Returns
    -------
    (StreamFormat, int) or None
        The format and the byte of the first sample; None while the header is not complete.

    Raises
    ------
    CaptureError
        It is no WAV of PCM or floating point.

    References
    ----------
    RIFF/WAVE chunk layout; EBU Tech 3306 (RF64: 64-bit sizes in the chunk ``ds64``). A recorder that cannot seek back
    leaves 0, 7FFFFFFF, 80000000 or FFFFFFFF, or a little less, in the size of ``data``.
    """
    offset = 12
    size_64: int | None = None
    found: StreamFormat | None = None
    while len(head) >= offset + 8:
        kind, size = head[offset : offset + 4], struct.unpack_from("<I", head, offset + 4)[0]
        body = head[offset + 8 : offset + 8 + size]
        if kind == b"data":
            if found is None:
                raise CaptureError("the stream's WAV header has no format before its samples", "send it as raw PCM")
            promised = size_64 if size == 0xFFFFFFFF and size_64 else None if _open_ended(size) else size
            return (
                StreamFormat(
                    sample_rate_hz=found.sample_rate_hz,
                    channels=found.channels,
                    encoding=found.encoding,
                    data_bytes=promised,
                ),
                offset + 8,
            )
        if len(body) < size:
            if size > _MOST_HEADER_BYTES:
                raise CaptureError(f"the stream's WAV header has a chunk of {size} bytes", "send it as raw PCM")
            return None
        if kind == b"fmt ":
            found = _format_chunk(body)
        elif kind == b"ds64" and len(body) >= 16:
            size_64 = struct.unpack_from("<Q", body, 8)[0]
            size_64 = size_64 if size_64 not in (0, (1 << 64) - 1) else None
        offset += 8 + size + size % 2
    return None


def _open_ended(size: int) -> bool:
    return size == 0 or size >= (1 << 32) - _OPEN_ENDED_MARGIN or abs(size - (1 << 31)) <= _OPEN_ENDED_MARGIN


def _format_chunk(body: bytes) -> StreamFormat:
    if len(body) < 16:
        raise CaptureError("the stream's WAV header is damaged (its format is too short)", "send it as raw PCM")
    tag, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", body, 0)
    if tag == _WAVE_EXTENSIBLE and len(body) >= 26:
        tag = struct.unpack_from("<H", body, 24)[0]
    names = {
        (_WAVE_PCM, 8): "u8",
        (_WAVE_PCM, 16): "s16",
        (_WAVE_PCM, 24): "s24",
        (_WAVE_PCM, 32): "s32",
        (_WAVE_FLOAT, 32): "f32",
        (_WAVE_FLOAT, 64): "f64",
    }
    encoding = names.get((tag, bits))
    if encoding is None:
        raise CaptureError(
            f"the stream is WAV of a kind that cannot be watched (format {tag}, {bits} bits)",
            "send PCM of 8 to 32 bits, or floating point",
        )
    return checked_format(rate, channels, encoding)


def checked_format(rate_hz: int, channels: int, encoding: str) -> StreamFormat:
    """Return a format whose rate and channels can be used.

    Raises
    ------
    OptionError
        The rate is outside 8 to 384 kHz, or there are no channels or more than 32.
    """
    from listen.capture.opening import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, MOST_CHANNELS

    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise OptionError(f"a sample rate of {rate_hz} Hz, expected 8000 to 384000 Hz", "record at 48000 or 96000 Hz")
    if not 1 <= channels <= MOST_CHANNELS:
        raise OptionError(f"{channels} channels, expected 1 to {MOST_CHANNELS}", "record one or two channels")
    return StreamFormat(sample_rate_hz=rate_hz, channels=channels, encoding=encoding)


def samples_of(data: bytes, form: StreamFormat, channel: int) -> Floats:
    """Decode whole frames of one channel, as libsndfile would read them from a file.

    Parameters
    ----------
    data : bytes
        A whole number of frames.
    form : StreamFormat
    channel : int
        Counted from 1.

    Returns
    -------
    ndarray, shape (n,)
        Full scale is 1; may hold what is not finite.
    """
    if form.encoding == "s24":
        whole = np.frombuffer(data, dtype=np.uint8).reshape(-1, form.channels, 3)[:, channel - 1]
        wide = np.zeros((len(whole), 4), dtype=np.uint8)
        wide[:, 1:] = whole
        return wide.view("<i4")[:, 0] / 2.0**31
    kind = {"u8": "u1", "s16": "<i2", "s32": "<i4", "f32": "<f4", "f64": "<f8"}[form.encoding]
    values = np.frombuffer(data, dtype=kind).reshape(-1, form.channels)[:, channel - 1].astype(np.float64)
    if form.encoding == "u8":
        return (values - 128.0) / 128.0
    return values / {"s16": 2.0**15, "s32": 2.0**31}.get(form.encoding, 1.0)
