"""The sound card, through sounddevice and PortAudio: an optional part, loaded here alone."""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from listen.errors import CaptureError, OptionError
from listen.watch.feeds import News, Piece, Reason, Waiting
from listen.watch.sound_server import ServerWatch, default_rate_hz

_BLOCK_S = 0.01
"""Asked for by name: left to itself the library may call with one to five samples at a time."""
_LOOK_S = 0.1
_CLOSING_S = 0.3
_SERVER_DEVICES = ("pulse", "default", "pipewire")
"""Names under which a sound server stands behind ALSA: it takes any rate and resamples in silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """An input of the sound card.

    Attributes
    ----------
    number : int
        PortAudio's.
    name : str
    channels : int
        At most.
    rate_hz : int
        The source's own.
    """

    number: int
    name: str
    channels: int
    rate_hz: int


@contextlib.contextmanager
def without_library_noise() -> Iterator[None]:
    """Keep what C code writes to descriptor 2 off the terminal; `sys.stderr` goes on as it was."""
    try:
        sys.stderr.flush()
        saved = os.dup(2)
    except (OSError, AttributeError):
        yield
        return
    before = sys.stderr
    own = before is not None and _descriptor(before) == 2
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    mine = os.fdopen(os.dup(saved), "w", encoding=getattr(before, "encoding", None), errors="backslashreplace")
    if own:
        sys.stderr = mine
    try:
        yield
    finally:
        with contextlib.suppress(OSError, ValueError):
            mine.flush()
        sys.stderr = before
        os.dup2(saved, 2)
        os.close(saved)
        mine.close()


def _descriptor(stream: Any) -> int | None:
    try:
        return int(stream.fileno())
    except (OSError, ValueError, AttributeError):
        return None


def _library() -> Any:
    try:
        import sounddevice
    except ImportError as cause:
        raise OptionError(
            "hearing a sound card needs the package sounddevice", 'install it: pip install "listen[live]"'
        ) from cause
    except OSError as cause:  # the package is there, PortAudio is not
        raise OptionError(
            "hearing a sound card needs the library PortAudio", "install it, on Debian: apt install libportaudio2"
        ) from cause
    return sounddevice


def input_devices() -> list[Device]:
    """Return all inputs there are.

    Raises
    ------
    OptionError
        sounddevice or PortAudio is missing.
    """
    library = _library()
    server_hz = default_rate_hz()
    found = []
    for number, entry in enumerate(library.query_devices()):
        if entry["max_input_channels"] > 0:
            behind = any(entry["name"].startswith(name) for name in _SERVER_DEVICES)
            rate_hz = server_hz if behind and server_hz else round(entry["default_samplerate"])
            channels = int(entry["max_input_channels"])
            found.append(Device(number=number, name=str(entry["name"]), channels=channels, rate_hz=rate_hz))
    return found


def choose_device(wanted: str | None) -> Device:
    """Return the input of a name, a part of it, or a number; the system's own choice where nothing is wanted.

    Raises
    ------
    OptionError
        There is no such input, or more than one; the text names those there are.
    """
    devices = input_devices()
    if not devices:
        raise OptionError(
            "there is no input to hear", "plug the interface in, or send sound through a pipe: listen watch -"
        )
    if wanted is None:
        default = _library().default.device[0]
        named = [d for d in devices if d.number == default] or [d for d in devices if d.name in _SERVER_DEVICES]
        return (named or devices)[0]
    exact = [d for d in devices if wanted in (d.name, str(d.number))]
    near = exact or [d for d in devices if wanted.lower() in d.name.lower()]
    if len(near) == 1:
        return near[0]
    those = ", ".join(f"{d.name} ({d.number})" for d in (near or devices))
    what = f"--device {wanted!r} is not there" if not near else f"--device {wanted!r} may be any of several"
    raise OptionError(what, f"there are: {those}")


def device_lines() -> str:
    """Return the inputs, one a line."""
    return "".join(
        f"{d.number:>3}  {d.name}, {d.channels} channel{'' if d.channels == 1 else 's'}, {d.rate_hz} Hz\n"
        for d in input_devices()
    )


class DeviceFeed:
    """Hears a device: 32-bit floating point, in blocks of 10 ms.

    Parameters
    ----------
    device : Device
    rate_hz : int
    channels : int

    Raises
    ------
    CaptureError
        It cannot be opened.
    """

    raw = True
    live = True

    def __init__(self, device: Device, rate_hz: int, channels: int) -> None:
        self.name = device.name
        self.overflows = 0
        self._waiting = Waiting()
        library = _library()
        try:
            self._stream = library.RawInputStream(
                device=device.number,
                samplerate=rate_hz,
                channels=channels,
                dtype="float32",
                blocksize=max(1, round(_BLOCK_S * rate_hz)),
                callback=self._heard,
            )
            self._stream.start()
        except library.PortAudioError as cause:
            raise CaptureError(
                f"{device.name} cannot be heard at {rate_hz} Hz ({str(cause).splitlines()[0]})",
                "close other programs that hear it, or give another --rate or --device",
            ) from cause
        self._thread = threading.Thread(target=self._guard, daemon=True, name="listen-device")
        self._thread.start()
        behind = any(device.name.startswith(name) for name in _SERVER_DEVICES)
        self._server = ServerWatch(rate_hz) if behind else None

    @property
    def ended(self) -> Reason | None:
        """See `Feed`."""
        return self._waiting.ended

    def take(self, timeout_s: float, enough_bytes: int = 1) -> list[Piece]:
        """See `Feed`."""
        return self._waiting.take(timeout_s, enough_bytes)

    def news(self) -> list[News]:
        """See `Feed`: what the sound server tells."""
        return self._server.news() if self._server is not None else []

    def close(self) -> None:
        """See `Feed`."""
        if self._waiting.closed:
            return
        if self._server is not None:
            self._server.close()
        self._waiting.close()
        # a server that stands still holds the library for as long: it is not waited for, here or when Python ends
        closing = threading.Thread(target=self._abort, daemon=True, name="listen-device-close")
        closing.start()
        closing.join(_CLOSING_S)
        if closing.is_alive():
            at_exit = getattr(_library(), "_exit_handler", None)
            if at_exit is not None:
                atexit.unregister(at_exit)

    def _abort(self) -> None:
        with contextlib.suppress(Exception):
            self._stream.abort()
            self._stream.close()

    def _heard(self, data: Any, _n: int, _time: Any, status: Any) -> None:
        if status.input_overflow:
            self.overflows += 1
        self._waiting.put(bytes(data), time.monotonic(), wait=False)

    def _guard(self) -> None:
        """A stream whose device was unplugged just ends, without an error."""
        while not self._waiting.closed:
            try:
                active = bool(self._stream.active)
            except Exception:  # of the library; the stream is gone either way
                active = False
            if not active:
                self._waiting.end("source lost")
                return
            time.sleep(_LOOK_S)


def open_output(rate_hz: int) -> Any:
    """Open the system's output for one channel of 32-bit floating point.

    Raises
    ------
    CaptureError
        There is none, or it cannot be opened.
    OptionError
        sounddevice or PortAudio is missing.
    """
    library = _library()
    try:
        names = [str(entry["name"]) for entry in library.query_devices() if entry["max_output_channels"] > 0]
        device = next((name for name in _SERVER_DEVICES if name in names), None)
        stream = library.RawOutputStream(samplerate=rate_hz, channels=1, dtype="float32", device=device)
        stream.start()
    except library.PortAudioError as cause:
        raise CaptureError(
            f"no sound can be played ({str(cause).splitlines()[0]})", "leave out --sound, or check the output"
        ) from cause
    return stream
