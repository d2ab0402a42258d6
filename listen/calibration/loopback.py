"""The loopback stimulus: what is played from an interface's output into its own input to measure the recorder."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.calibration.types import Floats

TEST_HZ = 997.0
"""AES17's measuring frequency: none of its harmonics falls on a mains line or divides a usual sample rate."""
LEVELS_DBFS = (-48.0, -36.0, -24.0, -18.0, -12.0, -6.0, -3.0)
"""Quiet first: whoever forgot the headphones hears it before it is loud. A take peaks between -12 and -6 dBFS."""
STEPS_HZ = (
    5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 41.0, 57.0, 83.0, 130.0, 220.0, 430.0, TEST_HZ, 2000.0, 4000.0, 6000.0, 8000.0,
    10e3, 12.5e3, 15e3, 18e3, 20e3, 30e3, 40e3,
)  # fmt: skip
"""From where couplings act to the band's end, off the multiples of 50 and 60 Hz while those are strong."""
STEP_DBFS = -12.0
MARKER_DBFS = -12.0
MARKER_HZ = 500.0, 8000.0
MARKER_S, LEAD_S, SILENCE_S, LEVEL_S, GAP_S = 0.25, 1.0, 3.0, 1.0, 0.1
FADE_S = 0.02
_STEP_CYCLES, _STEP_S = 12.0, 0.4
"""Twelve cycles of 5 Hz are 2.4 s: a coupling of 0.5 Hz (0.3 s) has settled in their first quarter."""
PULSES, PULSE_EVERY_S, PULSE_S, PULSE_DBFS = 8, 0.1, 0.001, -6.0
"""A bump of a millisecond to one side: a coupling of 20 Hz (8 ms) lets its peak through."""
BAND = 0.45
"""Steps above this part of the rate are silence."""

CAUTIONS = (
    "Unplug headphones and switch off loudspeakers: it holds loud steady tones from 5 Hz to 20 kHz, which harm ears, "
    "burn tweeters and drive cones to their stops.",
    "One cable from the output to the input and nothing else; direct monitoring off, or it feeds back; phantom power "
    "off.",
    "Output and gain at their least first; then raise them until the last of the level tones peaks near -3 dBFS.",
    "Record at the gain of your takes where you can; every enhancement and automatic gain off.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A stretch of the stimulus.

    Attributes
    ----------
    kind : {'marker', 'silence', 'level', 'step', 'pulses'}
    start_s, seconds : float
        From the first marker's first sample.
    f0_hz, level_dbfs : float
        Of a tone; peak of the pulses.
    """

    kind: str
    start_s: float
    seconds: float
    f0_hz: float = 0.0
    level_dbfs: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """The loopback stimulus as it was written.

    Attributes
    ----------
    duration_s : float
    sample_rate_hz : int
    cautions : tuple of str
    """

    duration_s: float
    sample_rate_hz: int
    cautions: tuple[str, ...]


def _of_kinds() -> Iterator[tuple[str, float, float, float]]:
    """Kind, seconds, pitch and level of each stretch, in order."""
    yield "marker", MARKER_S, 0.0, MARKER_DBFS
    yield "silence", SILENCE_S, 0.0, 0.0
    for level_dbfs in LEVELS_DBFS:
        yield "level", LEVEL_S, TEST_HZ, level_dbfs
    for f0_hz in STEPS_HZ:
        yield "step", max(_STEP_S, _STEP_CYCLES / f0_hz), f0_hz, STEP_DBFS
    yield "pulses", PULSES * PULSE_EVERY_S, 0.0, PULSE_DBFS
    yield "marker", MARKER_S, 0.0, MARKER_DBFS


def loopback_slots() -> tuple[Slot, ...]:
    """Return the stretches of the stimulus, the same at every sample rate."""
    slots, at_s = [], 0.0
    for kind, seconds, f0_hz, level_dbfs in _of_kinds():
        slots.append(Slot(kind=kind, start_s=at_s, seconds=seconds, f0_hz=f0_hz, level_dbfs=level_dbfs))
        at_s += seconds + GAP_S
    return tuple(slots)


def tone(slot: Slot, rate_hz: float) -> Floats:
    """Return a tone, faded in and out; silence where the rate is too low for it.

    Parameters
    ----------
    slot : Slot
    rate_hz : float

    Returns
    -------
    ndarray, shape (n,)
    """
    count = round(slot.seconds * rate_hz)
    time_s = np.arange(count) / rate_hz
    if slot.f0_hz > BAND * rate_hz:
        return np.zeros(count)
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(time_s, slot.seconds - time_s) / FADE_S, 0.0, 1.0))
    return np.asarray(10.0 ** (slot.level_dbfs / 20.0) * fade * np.sin(2.0 * np.pi * slot.f0_hz * time_s))


def marker(rate_hz: float) -> Floats:
    """Return the sweep by which a take is aligned: a quarter of a second from 500 Hz to 8 kHz, faded over its length.

    Parameters
    ----------
    rate_hz : float

    Returns
    -------
    ndarray, shape (n,)
    """
    low, high = MARKER_HZ
    time_s = np.arange(round(MARKER_S * rate_hz)) / rate_hz
    phase = 2.0 * np.pi * (low * time_s + 0.5 * (min(high, BAND * rate_hz) - low) / MARKER_S * time_s**2)
    return np.asarray(10.0 ** (MARKER_DBFS / 20.0) * np.sin(np.pi * time_s / MARKER_S) ** 2 * np.sin(phase))


def pulses(rate_hz: float) -> Floats:
    """Return bumps toward the positive side, 0.1 s apart; each is a raised cosine of a millisecond.

    Parameters
    ----------
    rate_hz : float

    Returns
    -------
    ndarray, shape (n,)
    """
    time_s = np.arange(round(PULSES * PULSE_EVERY_S * rate_hz)) / rate_hz % PULSE_EVERY_S
    bump = 0.5 - 0.5 * np.cos(2.0 * np.pi * (time_s - 0.5 * PULSE_EVERY_S) / PULSE_S)
    inside = (time_s >= 0.5 * PULSE_EVERY_S) & (time_s < 0.5 * PULSE_EVERY_S + PULSE_S)
    return np.where(inside, 10.0 ** (PULSE_DBFS / 20.0) * bump, 0.0)


def loopback_samples(rate_hz: int) -> Floats:
    """Return the stimulus, full scale 1.

    Parameters
    ----------
    rate_hz : int

    Returns
    -------
    ndarray, shape (n,)
    """
    slots = loopback_slots()
    lead = round(LEAD_S * rate_hz)
    out = np.zeros(2 * lead + round((slots[-1].start_s + slots[-1].seconds) * rate_hz))
    for slot in slots:
        part = _part(slot, rate_hz)
        at = lead + round(slot.start_s * rate_hz)
        out[at : at + len(part)] = part
    return out


def _part(slot: Slot, rate_hz: float) -> NDArray[Any]:
    if slot.kind in ("level", "step"):
        return tone(slot, rate_hz)
    if slot.kind == "pulses":
        return pulses(rate_hz)
    return marker(rate_hz) if slot.kind == "marker" else np.zeros(round(slot.seconds * rate_hz))


def slots_of(kind: str, slots: Iterable[Slot]) -> tuple[Slot, ...]:
    """Return the stretches of one kind."""
    return tuple(slot for slot in slots if slot.kind == kind)
