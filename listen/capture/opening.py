"""Open a recording: one channel of it, a span of it, and what is known of the chain that made it."""

from __future__ import annotations

import hashlib
import math
import os
import stat
import sys
import weakref
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

import numpy as np

from listen.bench import CaptureSettings, RecorderSettings
from listen.capture.codes import no_samples
from listen.capture.reader import SampleReader, os_error
from listen.capture.types import Floats
from listen.errors import CaptureError, OptionError
from listen.streams import open_to_read

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
MOST_CHANNELS = 32
SHORTEST_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One channel of a recording; samples are read when they are asked for.

    Attributes
    ----------
    path : str
        As it was given; ``-`` is standard input.
    format, subtype : str
        libsndfile's names: ``WAV``, ``PCM_24``.
    sample_rate_hz : float
        The nominal rate, as the file says.
    true_rate_hz : float
        The nominal rate corrected by the interface's clock error; times and pitches follow this one.
    channels : int
        In the file.
    channel : int
        The one looked at, counted from 1.
    n_samples : int
        In the file, a channel.
    start_sample, stop_sample : int
        The span looked at, as sample numbers of the file.
    duration_s : float
        Of the whole file.
    volts_per_full_scale : float or None
    inverted : bool
        The interface turns the wave over; `read` turns it back.
    polarity_known : bool
        Whether that was stated at all; else the halves are those of the recording.
    ac_coupling_hz : float or None
        The interface's high-pass corner; 0 is DC-coupled, None is unknown.
    header_samples : int or None
        What the header promises, where that is more than the file holds.
    recorder : RecorderSettings or None
        What the recorder does by itself.
    """

    path: str
    format: str
    subtype: str
    sample_rate_hz: float
    true_rate_hz: float
    channels: int
    channel: int
    n_samples: int
    start_sample: int
    stop_sample: int
    duration_s: float
    volts_per_full_scale: float | None
    inverted: bool
    ac_coupling_hz: float | None
    header_samples: int | None
    reader: SampleReader = field(repr=False, compare=False)
    polarity_known: bool = False
    recorder: RecorderSettings | None = None

    @property
    def may_hold_nonfinite(self) -> bool:
        """Whether the format can write what is no number (whole numbers cannot)."""
        return not self.subtype.startswith("PCM")

    def read(self, start: int, stop: int) -> Floats:
        """Read samples of the channel.

        Parameters
        ----------
        start, stop : int
            Sample numbers of the file, 0 <= start <= stop <= n_samples.

        Returns
        -------
        ndarray, shape (stop - start,)
            Full scale is 1, halves as the circuit makes them, samples that are not finite as 0.

        Raises
        ------
        CaptureError
            The file can no longer be read.
        ValueError
            If the numbers are outside the file.
        """
        samples = self.read_raw(start, stop)
        if self.may_hold_nonfinite:
            bad = no_samples(samples)
            if bad.any():
                samples[bad] = 0.0
        return samples

    def read_raw(self, start: int, stop: int) -> Floats:
        """Read like `read`, but leave in what is no sample."""
        if not 0 <= start <= stop <= self.n_samples:
            raise ValueError(f"samples {start} to {stop} of {self.n_samples}")
        samples = self.reader.read(start, stop, self.channel - 1)
        return np.negative(samples, out=samples) if self.inverted else samples

    def sha256(self) -> str:
        """Return the SHA-256 of the file's bytes, in hexadecimal."""
        try:
            with Path(self.reader.path).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as cause:
            raise os_error(self.path, cause) from cause


class _SpooledReader(SampleReader):
    """Reads a copy of a stream; the copy goes when the reader does."""

    def __init__(self, path: str, name: str) -> None:
        weakref.finalize(self, _remove, path)
        super().__init__(path, name)

    def __reduce__(self) -> NoReturn:
        raise TypeError("a capture read from a stream cannot be sent to another process")


def _remove(path: str) -> None:
    Path(path).unlink(missing_ok=True)


def _spool(path: str) -> SampleReader:
    """Copy a stream to a temporary file: how long it is shows only at its end."""
    import shutil
    import tempfile

    name = "standard input" if path == "-" else path
    copy_path = ""
    try:
        descriptor, copy_path = tempfile.mkstemp(prefix="listen-")
        with os.fdopen(descriptor, "wb") as copy:
            if path == "-" and sys.stdin is None:
                raise CaptureError("standard input is closed", "send a recording through a pipe, or name a file")
            if path == "-":
                shutil.copyfileobj(sys.stdin.buffer, copy)
            else:
                beginning, stream = open_to_read(path)
                with stream:
                    copy.write(beginning)
                    shutil.copyfileobj(stream, copy)
        return _SpooledReader(copy_path, name)
    except BaseException as cause:
        if copy_path:
            _remove(copy_path)
        if isinstance(cause, OSError):
            raise os_error(name, cause) from cause
        raise


def _reader(path: str) -> SampleReader:
    if path == "-":
        return _spool(path)
    if not path:
        raise CaptureError("a capture's file name is empty", "name a recording, for example take.wav")
    try:
        mode = Path(path).stat().st_mode
    except OSError as cause:
        raise os_error(path, cause) from cause
    except ValueError as cause:
        raise CaptureError(f"{path}: is no file name", "check the name") from cause
    if stat.S_ISDIR(mode):
        raise os_error(path, IsADirectoryError())
    if stat.S_ISFIFO(mode):
        return _spool(path)
    if not stat.S_ISREG(mode):
        raise CaptureError(f"{path}: is a device, not a file", "name a recording, for example take.wav")
    return SampleReader(path, path)


def _checked_format(reader: SampleReader) -> None:
    rate = reader.sample_rate_hz
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise CaptureError(
            f"{reader.name}: sample rate {rate} Hz, expected 8000 to 384000 Hz", "record at 48000 or 96000 Hz"
        )
    if reader.channels > MOST_CHANNELS:
        raise CaptureError(
            f"{reader.name}: {reader.channels} channels, expected at most {MOST_CHANNELS}", "export fewer channels"
        )
    if reader.n_samples == 0:
        raise CaptureError(f"{reader.name}: holds no samples", "record it again")
    if reader.n_samples < SHORTEST_S * rate:
        if reader.header_samples is not None:
            promised = f"the {reader.header_samples} samples that its header promises"
            raise CaptureError(
                f"{reader.name}: holds {reader.n_samples} of {promised}",
                "copy it again, or record it again",
            )
        raise CaptureError(
            f"{reader.name}: {1e3 * reader.n_samples / rate:.1f} ms long, at least 50 ms is needed",
            "record ten seconds or more",
        )


def _chosen_channel(reader: SampleReader, channel: int | None, settings: CaptureSettings) -> int:
    source = "--channel" if channel is not None else "[capture] channel of the bench file"
    chosen = channel if channel is not None else settings.channel
    if chosen is None:
        return 1
    if not 1 <= chosen <= reader.channels:
        have = "1 channel" if reader.channels == 1 else f"{reader.channels} channels"
        raise OptionError(
            f"{source} {chosen}: {reader.name} has {have}",
            "give 1" if reader.channels == 1 else f"give 1 to {reader.channels}; channels count from 1",
        )
    return chosen


def _span(reader: SampleReader, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    rate, n = reader.sample_rate_hz, reader.n_samples
    duration_s = n / rate
    for option, value in (("--start", start_s), ("--end", end_s)):
        if value is not None and not (math.isfinite(value) and value >= 0.0):
            raise OptionError(f"{option} {value:g}: expected seconds from the start of the file", "give 0 or more")
    if start_s is not None and start_s >= duration_s:
        raise OptionError(
            f"--start {start_s:g}: {reader.name} is {duration_s:.3f} s long", f"give less than {duration_s:.3f}"
        )
    if end_s is not None and end_s <= (start_s or 0.0):
        raise OptionError(f"--end {end_s:g} is not after --start {start_s or 0.0:g}", "give a later end")
    start = 0 if start_s is None else round(start_s * rate)
    stop = n if end_s is None else min(n, round(end_s * rate))
    if stop - start < SHORTEST_S * rate:
        raise OptionError(
            f"--start and --end leave {1e3 * (stop - start) / rate:.1f} ms of {reader.name}, at least 50 ms is needed",
            "choose a longer span",
        )
    return start, stop


def open_capture(
    path: str | os.PathLike[str],
    *,
    channel: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    settings: CaptureSettings | None = None,
) -> Capture:
    """Open a recording.

    Parameters
    ----------
    path : path-like
        WAV (any kind that libsndfile reads), FLAC, AIFF and the like; ``-`` or a named pipe is read to its end first.
    channel : int, optional
        Counted from 1; beats the settings. Default: the first.
    start_s, end_s : float, optional
        Look at a part only, seconds from the file's first sample at the nominal rate. An end beyond the file's end
        is that end.
    settings : CaptureSettings, optional
        What the bench file says of the recording chain.

    Returns
    -------
    Capture

    Raises
    ------
    CaptureError
        The file cannot be used: missing, a folder, not readable, no sound file, empty, under 50 ms, a rate outside
        8 to 384 kHz, over 32 channels.
    OptionError
        The channel is not in the file, or the span is empty or outside it.
    """
    settings = settings if settings is not None else CaptureSettings()
    reader = _reader(os.fspath(path))
    _checked_format(reader)
    start, stop = _span(reader, start_s, end_s)
    rate_hz = float(reader.sample_rate_hz)
    return Capture(
        path=os.fspath(path),
        format=reader.format,
        subtype=reader.subtype,
        sample_rate_hz=rate_hz,
        true_rate_hz=rate_hz * (1.0 + 1e-6 * settings.clock_error_ppm),
        channels=reader.channels,
        channel=_chosen_channel(reader, channel, settings),
        n_samples=reader.n_samples,
        start_sample=start,
        stop_sample=stop,
        duration_s=reader.n_samples / rate_hz,
        volts_per_full_scale=settings.volts_per_full_scale,
        inverted=bool(settings.inverted),
        polarity_known=settings.inverted is not None,
        ac_coupling_hz=settings.ac_coupling_hz,
        recorder=settings.recorder,
        header_samples=reader.header_samples,
        reader=reader,
    )
