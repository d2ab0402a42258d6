"""Search of the other channels where the selected one has no tone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from listen.account.oscillator import classify_source
from listen.account.tone import find_tone
from listen.account.types import OtherChannel
from listen.capture import Capture
from listen.track import track

_MOST_CHANNELS = 8
"""More are those of a studio: each costs a whole tracking."""


def find_other_channel(capture: Capture, threads: int) -> OtherChannel | None:
    """Find the loudest oscillator on the other channels."""
    found = []
    for channel in range(1, min(capture.channels, _MOST_CHANNELS) + 1):
        if channel == capture.channel:
            continue
        frames = track(replace(capture, channel=channel), workers=threads)
        tone = find_tone(frames)
        if tone is not None and classify_source(frames, tone, np.zeros(len(frames))).source == "oscillator":
            found.append(OtherChannel(channel=channel, level_dbfs=tone.settled_dbfs))
    return max(found, key=lambda other: other.level_dbfs, default=None)
