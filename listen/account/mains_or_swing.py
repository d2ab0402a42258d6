"""What is the mains and what the gain control's swing, where both make the same lines beside the tone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from listen.account.mains import MainsLines
from listen.account.mains_sidebands import MainsSidebands
from listen.account.mains_wander import OFF_ITS_MEAN
from listen.account.modulation import Swing
from listen.track import Frames

_ALONE = 10 ** (-10.0 / 10)
"""Power of a sideband's window, against the loudest, that counts; and what of all lines another one may have."""
_MOST = 0.75
"""Part of the loud windows at that pitch: of a rest of 2 s, four in five lie within it to their ends (0.8 s long)."""
_SLOWEST_HZ = 3.0
"""Nearer to the tone its own lobe hides a line from the search for mains (windows of 0.8 s)."""
_ONE_RATE_HZ, _SAWTOOTH_ROOM = 0.7, 1.4
"""Windows of a second read a line 0.7 Hz off at 72 % (Hann): as the line itself. And 3 dB of room for a swing that is
no exact sawtooth."""


def is_mains(swing: Swing, mains: MainsLines | None) -> bool:
    """Whether the one line beside the tone is a multiple of the mains that the tone hid."""
    if mains is None or not swing.one_sided or not mains.worth_subtracting:
        return False
    sides = np.array([swing.segment.f0_hz - swing.rate_hz, swing.segment.f0_hz + swing.rate_hz])
    multiple = np.round(sides / mains.mains_hz)
    off_hz = np.abs(sides - multiple * mains.mains_hz)
    return bool(np.any((multiple >= 1) & (off_hz < swing.unsure_hz + OFF_ITS_MEAN * sides)))


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


def is_a_sideband(mains: MainsLines | None, hunting: Sequence[Swing], frames: Frames) -> bool:
    """Whether the one line that was taken for the mains is a sideband of a tone that hunts.

    Level and pitch that swing a quarter of a turn apart have one sideband alone; where one rest puts it on a multiple
    of the mains, the other rests show the same rate.

    Parameters
    ----------
    mains : MainsLines or None
    hunting : sequence of Swing
        As found once the line is taken off.
    frames : Frames
    """
    if mains is None or not hunting:
        return False
    power = np.abs(mains.amplitude) ** 2
    line = int(np.argmax(power.sum(axis=0)))
    loud = power[:, line] > _ALONE * power[:, line].max()
    if np.delete(power, line, axis=1).sum() > _ALONE * power[:, line].sum() or not mains.singing[loud].all():
        return False
    apart_hz = np.abs(mains.lines_hz[line] - np.interp(mains.time_s[loud], frames.time_s, frames.f0_hz))
    return any(
        np.mean(np.abs(apart_hz - swing.rate_hz) < swing.unsure_hz) > _MOST and swing.rate_hz > _SLOWEST_HZ
        for swing in hunting
    )
