"""What ``listen watch`` hears: a pipe, a growing file, or the sound card."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from typing import TYPE_CHECKING

from listen.cli.options import PASSED, Screen, aside, channel_number, word_of
from listen.cli.watch_options import channels_of, device_rate
from listen.errors import OptionError

if TYPE_CHECKING:
    from listen.watch.feeds import Feed


def add_source(watch: argparse.ArgumentParser) -> None:
    """Add the options that say what is heard."""
    watch.add_argument("--device", metavar="NAME", help="sound card: the input, by name, part of it, or number")
    watch.add_argument("--list-devices", action="store_true", help="print the inputs of the sound card, and leave")
    watch.add_argument("--channel", metavar="N", type=channel_number, help="the channel to hear, counted from 1")
    watch.add_argument("--rate", metavar="HZ", type=device_rate, help="raw samples: their rate; sound card: the rate")
    watch.add_argument(
        "--format",
        metavar="F",
        type=word_of("--format", ("s16", "s24", "s32", "f32")),
        help="raw samples are little-endian s16 (default), s24, s32 or f32",
    )
    watch.add_argument("--channels", metavar="N", type=channels_of, help="raw samples and sound card: channels (1)")


def list_devices() -> int:
    """Print the inputs of the sound card."""
    from listen.watch.sound_card import device_lines, without_library_noise

    with without_library_noise():
        text = device_lines()
    if not text:
        raise OptionError("there is no input to hear", "plug the interface in")
    Screen().put(text)
    return PASSED


def _sound_card(options: argparse.Namespace) -> Feed:
    """Open the sound card at the source's own rate, unless another is asked for."""
    from listen.watch.sound_card import DeviceFeed, choose_device

    device = choose_device(options.device)
    rate_hz = options.rate or device.rate_hz
    if rate_hz != device.rate_hz:
        aside(f"listen: {device.name} runs at {device.rate_hz} Hz; at {rate_hz} Hz it may be resampled on the way\n")
    channels = options.channels or min(device.channels, max(1, options.channel or 1))
    options.rate, options.format, options.channels = rate_hz, "f32", channels
    return DeviceFeed(device, rate_hz, channels)


def open_source(options: argparse.Namespace) -> Feed:
    """Open the source."""
    from listen.watch.feeds import FileFeed, PipeFeed

    source = options.source
    if source is None:
        return _sound_card(options)
    if options.device is not None:
        raise OptionError(f"--device and {source} are two sources", "give one of them")
    if source == "-":
        if sys.stdin is None:
            raise OptionError("standard input is closed", "send sound through a pipe, or name a file")
        if sys.stdin.isatty():
            raise OptionError("standard input is a terminal", 'send sound through a pipe, or see "listen watch --help"')
        return PipeFeed("-")
    if os.path.isdir(source):
        raise OptionError(f"{source}: is a folder", "name the file that the recorder writes")
    import stat

    with contextlib.suppress(OSError):
        if stat.S_ISFIFO(os.stat(source).st_mode):
            return PipeFeed(source)
    return FileFeed(source)
