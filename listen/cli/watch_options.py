"""Readers of the options of ``listen watch``."""

from __future__ import annotations

import os
import re

from listen.errors import OptionError
from listen.units import hz_from_note, read_number

_INTERVALS = {
    "octave": 2.0,
    "fifth": 1.5,
    "fourth": 4.0 / 3.0,
    "major-third": 1.25,
    "two-octaves": 4.0,
}


def device_rate(text: str) -> int:
    """Read a sample rate in Hz."""
    number = read_number(text)
    if number is None or not 8_000 <= number <= 384_000 or number != int(number):
        raise OptionError(f"--rate {text!r} is no sample rate", "give Hz, 8000 to 384000, as 48000 or 44100,5")
    return int(number)


def channels_of(text: str) -> int:
    """Read how many channels there are."""
    if not text.isdecimal() or not 1 <= int(text) <= 32:
        raise OptionError(f"--channels {text!r} is no number of channels", "give 1 to 32")
    return int(text)


def every_of(text: str) -> float:
    """Read the time between readings."""
    number = read_number(text)
    if number is None or not 0.02 <= number <= 60.0:
        raise OptionError(f"--every {text!r} is no time between readings", "give seconds, 0.02 to 60, as 0.05 or 0,05")
    return number


def port_of(text: str) -> int:
    """Read a port."""
    if not text.isdecimal() or not (int(text) == 0 or 1024 <= int(text) <= 65535):
        raise OptionError(f"--page {text!r} is no port", "give 1024 to 65535, or 0 for any that is free")
    return int(text)


def target_note(text: str) -> float:
    """Read a note, or a pitch in Hz."""
    number: float | None
    try:
        number = hz_from_note(text)
    except ValueError:
        number = read_number(text.lower().removesuffix("hz").strip())
    if number is None or not 1.0 <= number <= 100_000.0:
        raise OptionError(f"{text!r} is no note and no pitch", "for example A4, C#3, 440.5 or 440,5")
    return number


def interval_of(text: str) -> float:
    """Read an interval: a name, a ratio (3:2, 3/2) or a number above 1."""
    if text in _INTERVALS:
        return _INTERVALS[text]
    ratio: float | None
    match = re.fullmatch(r"(\d{1,9})[:/](\d{1,9})", text)
    ratio = int(match[1]) / int(match[2]) if match and int(match[2]) else read_number(text)
    if ratio is None or not 1.0 < ratio <= 64.0:
        raise OptionError(
            f"--interval {text!r} is not known", f"give {', '.join(_INTERVALS)}, or a ratio as 3:2, 1.5 or 1,5"
        )
    return ratio


def take_name(keep: str | None, build: str | None) -> str | None:
    """Return the file that a take is kept in; in a folder it is named by build and time."""
    if keep is None:
        return None
    if keep == "" or "\0" in keep:
        raise OptionError(f"--keep needs a file name, not {keep!r}", "name a file, for example --keep take.wav")
    if not os.path.isdir(keep):
        return keep
    from datetime import datetime

    name = re.sub(r"[^\w.+-]+", "-", build or "take").strip("-.") or "take"
    stamp = datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    return os.path.join(keep, f"{name[:80]}-{stamp}.wav")
