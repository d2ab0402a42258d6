"""What is the mains and what the gain control's swing, where both make the same lines beside the tone."""

from __future__ import annotations

import numpy as np

from listen.account.mains import MainsLines
from listen.account.mains_sidebands import MainsSidebands
from listen.account.modulation import Swing

_RATE_TURNS = 1.0
"""A swing's rate is known to a turn over its segment: half of what a Hann line is wide on each side."""
_ONE_RATE_HZ, _SAWTOOTH_ROOM = 0.7, 1.4
"""Windows of a second read a line 0.7 Hz off at 72 % (Hann): as the line itself. And 3 dB of room for a swing that is
no exact sawtooth."""


def is_mains(swing: Swing, mains: MainsLines | None) -> bool:
    """Whether the one line beside the tone is a multiple of the mains that the tone hid."""
    if mains is None or not swing.one_sided or not mains.worth_subtracting:
        return False
    sides = np.array([swing.segment.f0_hz - swing.rate_hz, swing.segment.f0_hz + swing.rate_hz])
    multiple = np.round(sides / mains.mains_hz)
    return bool(
        np.any((multiple >= 1) & (np.abs(sides - multiple * mains.mains_hz) < _RATE_TURNS / swing.segment.seconds))
    )


def of_a_swing(sidebands: MainsSidebands | None, swings: list[Swing]) -> bool:
    """Whether mains sidebands are a multiple of a swing's rate; a sawtooth of the level has depth / pi m each."""
    if sidebands is None:
        return False
    level = 10 ** (sidebands.level_dbc / 20)
    for swing in swings:
        multiple = max(1, round(sidebands.rate_hz / swing.rate_hz))
        near = abs(sidebands.rate_hz - multiple * swing.rate_hz) < _ONE_RATE_HZ
        if near and level < _SAWTOOTH_ROOM * swing.depth / (np.pi * multiple):
            return True
    return False
