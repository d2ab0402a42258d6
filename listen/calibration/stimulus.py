"""The staircase to play: a voltage as samples, with a start marker, its steps, and the cautions that go with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.calibration.marker import PULSES, marker_s
from listen.calibration.types import Floats
from listen.calibration.voltage_input import VoltageInput
from listen.errors import OptionError

LEAST_DWELL_S, MOST_DWELL_S = 0.1, 60.0
LONGEST_S = 3600.0
LEAD_S = 1.0
TAIL_S = 0.5
EDGE_S = 0.001
"""A change takes a millisecond: an even slope, so that no converter rings."""
LEAST_MARKER_V = 0.5

CAUTIONS = (
    "Meter the output before you connect anything: its level control must give the volts that the steps file says.",
    "Only a DC-coupled output can hold a voltage; an ordinary one lets it fall back to zero in a fraction of a second.",
    "Never play it into a loudspeaker or headphones: a held voltage burns a voice coil.",
    "Start with the volume at its least and phantom power off; no control input likes more than its supply.",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stimulus:
    """What to play.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        Full scale is 1.
    sample_rate_hz : int
    rows : tuple of (start_s, end_s, cv_v)
        When each voltage is held.
    cautions : tuple of str
    """

    samples: Floats
    sample_rate_hz: int
    rows: tuple[tuple[float, float, float], ...]
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def duration_s(self) -> float:
        """How long it plays."""
        return len(self.samples) / self.sample_rate_hz


def make_stimulus(
    voltages: VoltageInput,
    *,
    dwell_s: float,
    volts_per_full_scale: float,
    offset_v: float = 0.0,
    sample_rate_hz: int = 48000,
    marker: bool = True,
) -> Stimulus:
    """Make a staircase.

    Parameters
    ----------
    voltages : Given
        The voltages, in order.
    dwell_s : float
        How long each is held, 0.1 to 60 s.
    volts_per_full_scale, offset_v : float
        Of the output: volts at sample value 1, and at 0.
    sample_rate_hz : int
    marker : bool
        Put the start marker first: a pattern of the lowest and the highest voltage that is found again in any take.

    Returns
    -------
    Stimulus

    Raises
    ------
    OptionError
        A voltage is beyond the output, the dwell is out of range, or it would last over an hour.
    """
    if not LEAST_DWELL_S <= dwell_s <= MOST_DWELL_S:
        raise OptionError(
            f"--dwell {dwell_s:g} s: too {'short' if dwell_s < LEAST_DWELL_S else 'long'}", "give 0.1 to 60 s"
        )
    low, high = min(voltages.values), max(voltages.values)
    for volts in (low, high):
        if abs(volts - offset_v) > volts_per_full_scale * (1.0 - 1e-4):
            least, most = offset_v - volts_per_full_scale, offset_v + volts_per_full_scale
            raise OptionError(
                f"{voltages.source}: {volts:g} V is beyond the output, which gives {least:g} to {most:g} V",
                "choose other steps, or write the volts_per_full_scale of your output below [cv] in the bench file",
            )
    if high - low < LEAST_MARKER_V and marker:
        raise OptionError(
            f"{voltages.source}: {high - low:g} V from lowest to highest is too little for a start marker",
            "add --no-marker",
        )
    levels: list[tuple[float, float]] = [(voltages.values[0] if not marker else low, LEAD_S)]
    if marker:
        levels += [(high if level == "high" else low, seconds) for level, seconds in PULSES]
    begins_s = LEAD_S + (marker_s() if marker else 0.0)
    if begins_s + dwell_s * len(voltages.values) > LONGEST_S:
        raise OptionError(
            f"{len(voltages.values)} steps of {dwell_s:g} s last over an hour", "give fewer steps or a shorter --dwell"
        )
    levels += [(volts, dwell_s) for volts in voltages.values]
    levels.append((voltages.values[-1], TAIL_S))
    starts = begins_s + dwell_s * np.arange(len(voltages.values))
    held = staircase(levels, sample_rate_hz)
    rows = tuple((float(s), float(s + dwell_s), v) for s, v in zip(starts, voltages.values, strict=True))
    return Stimulus(samples=(held - offset_v) / volts_per_full_scale, sample_rate_hz=sample_rate_hz, rows=rows)


def staircase(levels: Sequence[tuple[float, float]], sample_rate_hz: int) -> Floats:
    """Return held levels, each reached along a straight slope of a millisecond.

    Parameters
    ----------
    levels : sequence of (level, seconds)
    sample_rate_hz : int

    Returns
    -------
    ndarray, shape (n,)
    """
    edges = np.round(np.cumsum([seconds for _, seconds in levels]) * sample_rate_hz).astype(np.int64)
    starts = np.concatenate([[0], edges[:-1]])
    slope = max(1, round(EDGE_S * sample_rate_hz))
    places, values = [0], [levels[0][0]]
    for (before, _), (level, _), start in zip(levels[:-1], levels[1:], starts[1:], strict=True):
        places += [int(start), int(start) + slope]
        values += [before, level]
    return np.interp(np.arange(edges[-1]), places, values)


def steps_csv(rows: Sequence[tuple[float, float, float]]) -> str:
    """Return the steps file of a staircase."""
    lines = ["start_s,end_s,cv_v"]
    lines += [f"{start:.4f},{end:.4f},{volts:.6g}" for start, end, volts in rows]
    return "\n".join(lines) + "\n"
