"""From one take to its steps: where each voltage was held, and what the pitch settled to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from listen.calibration.aligning import offset_note, offset_s
from listen.calibration.marker import find_marker
from listen.calibration.matching import match
from listen.calibration.pairing import sigmas
from listen.calibration.plateaus import Plateau, Trace, find_plateaus, find_views, pitch_trace, silences
from listen.calibration.recorded import ramp_rows, refuse_ac_coupled, voltage_plateaus
from listen.calibration.repeatability import directions
from listen.calibration.settled import settled
from listen.calibration.types import Direction, Step
from listen.calibration.voltage_input import VoltageInput
from listen.errors import CaptureError
from listen.track.types import Frames

_EDGE_S = 0.08
_LEAST_HOLD_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Take:
    """One capture, tracked.

    Attributes
    ----------
    name : str
        For messages.
    frames : Frames
    span_s : tuple of float
        What was looked at.
    voltage : Trace or None
        The recorded control voltage, millivolts.
    voltage_channel : int or None
    index : int
        Which of the captures.
    first_entry : int
        The number of the first of its voltages in all lists together; takes with one list have the same.
    """

    name: str
    frames: Frames
    span_s: tuple[float, float]
    voltage: Trace | None = None
    voltage_channel: int | None = None
    index: int = 0
    first_entry: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSteps:
    """The steps of one take.

    Attributes
    ----------
    steps : tuple of Step
    notes : tuple of str
        What was found about the take.
    left_out : int
        So many plateaus belong to no voltage.
    """

    steps: tuple[Step, ...]
    notes: tuple[str, ...]
    left_out: int = 0


def steps_of(take: Take, voltages: VoltageInput | None) -> TakeSteps:
    """Measure the steps of one take.

    Parameters
    ----------
    take : Take
    voltages : Given or None
        None where the voltage is on a channel.

    Returns
    -------
    Measured

    Raises
    ------
    CaptureError
        No table can be made; the text says which step failed and why.
    """
    trace = pitch_trace(take.frames)
    if not len(trace.time_s):
        raise CaptureError(f"{take.name}: nothing oscillates", "record the oscillator's output, and check the channel")
    if take.voltage is not None:
        return _from_voltage(take, trace, take.voltage, voltages)
    if voltages is None:
        raise ValueError("neither voltages nor a channel that holds them")
    return _from_listed_voltages(take, trace, voltages)


def _from_listed_voltages(take: Take, trace: Trace, voltages: VoltageInput) -> TakeSteps:
    begins_s = find_marker(trace)
    notes: tuple[str, ...] = ()
    left_out = 0
    start_s = take.span_s[0]
    if begins_s is not None:
        notes = (f"The start marker was found; the steps begin at {begins_s:.2f} s.",)
        start_s = begins_s
        after = trace.time_s >= begins_s
        trace = Trace(time_s=trace.time_s[after], value=trace.value[after])
    quiet = silences(trace, start_s, take.span_s[1])
    views = find_views(trace, None if voltages.times_s else len(voltages.values))
    ways = [view.plateaus for view in views]
    if voltages.times_s is None:
        matched = match(ways, quiet, voltages, take.name, [view.share for view in views])
        holds: list[Plateau | None] = list(matched.plateaus)
        notes += matched.notes
        left_out = matched.left_out
    else:
        if begins_s is not None:
            shift = begins_s - voltages.times_s[0][0]
        else:
            shift = offset_s(voltages, ways, quiet, trace, take.span_s, take.name)
            notes += offset_note(shift)
        holds = [_window(start + shift, end + shift, ways, take.span_s) for start, end in voltages.times_s]
        notes += tuple(
            f"Step {j} ({voltages.values[j - 1]:g} V) lies outside of the recording."
            for j, hold in enumerate(holds, start=1)
            if hold is None
        )
    ways_to = directions(voltages.values)
    nominal = voltages.nominal_v or (None,) * len(voltages.values)
    steps = tuple(
        replace(_step(take, trace, value, way, hold, meant), entry=take.first_entry + i, sigma_v=float(sigma))
        for i, (value, way, hold, meant, sigma) in enumerate(
            zip(voltages.values, ways_to, holds, nominal, sigmas(voltages), strict=True)
        )
    )
    return TakeSteps(steps=steps, notes=notes, left_out=left_out)


def _window(start_s: float, end_s: float, ways: list[list[Plateau]], span_s: tuple[float, float]) -> Plateau | None:
    """Return the hold that a file states, its ends moved to the changes of the pitch that are right beside them."""
    low, high = max(start_s, span_s[0]), min(end_s, span_s[1])
    if high - low < max(_LEAST_HOLD_S, 0.4 * (end_s - start_s)):
        return None
    for plateau in ways[0] if ways else []:
        if abs(plateau.end_s - high) < _EDGE_S and plateau.start_s < high - _LEAST_HOLD_S:
            high = min(high, plateau.end_s)
        if abs(plateau.start_s - low) < _EDGE_S and plateau.end_s > low + _LEAST_HOLD_S:
            low = max(low, plateau.start_s)
    return Plateau(start_s=low, end_s=high, level=np.nan) if high > low else None


def _step(take: Take, trace: Trace, value: float, way: Direction, hold: Plateau | None, meant: float | None) -> Step:
    if hold is None:
        return Step(
            cv_v=value, nominal_v=meant, f0_hz=None, direction=way, start_s=None, end_s=None, missing=True,
            capture=take.index,
        )  # fmt: skip
    step = Step(
        cv_v=value,
        nominal_v=meant,
        f0_hz=None,
        direction=way,
        start_s=hold.start_s,
        end_s=hold.end_s,
        capture=take.index,
    )
    found = None if hold.silent else settled(take.frames, trace, hold.start_s, hold.end_s)
    if found is None:
        return step
    return replace(
        step,
        f0_hz=found.f0_hz,
        f0_sigma_cents=found.f0_sigma_cents,
        settling_s=found.settling_s,
        moving_cents=found.moving_cents,
        unsettled=found.unsettled,
    )


def _from_voltage(take: Take, trace: Trace, voltage: Trace, listed: VoltageInput | None) -> TakeSteps:
    channel = take.voltage_channel or 0
    pitch_ways = find_plateaus(trace, None)
    if pitch_ways:
        refuse_ac_coupled(voltage, pitch_ways[0], take.name, channel)
    notes: tuple[str, ...] = ()
    begins_s = find_marker(voltage)
    if begins_s is not None:
        notes = (f"The start marker was found; the steps begin at {begins_s:.2f} s.",)
        after = voltage.time_s >= begins_s
        voltage = Trace(time_s=voltage.time_s[after], value=voltage.value[after])
    plateaus = voltage_plateaus(voltage)
    if plateaus is None:
        return _from_ramp(take, voltage, notes)
    if len(plateaus) < 2:
        raise CaptureError(
            f"{take.name}: the voltage on channel {channel} never changes",
            "choose the channel with --cv-channel, and step the voltage while recording",
        )
    if listed is not None and len(listed.values) != len(plateaus):
        raise CaptureError(
            f"{take.name}: channel {channel} holds {len(plateaus)} steps, {listed.source} has {len(listed.values)}",
            f"give as many, or leave {listed.source} out",
        )
    volts = [_hold_volts(voltage, p) for p in plateaus]
    nominal = listed.values if listed is not None else (None,) * len(volts)
    near = 0.003
    ways_to = directions([round(v / near) * near for v in volts])
    steps = tuple(
        _step(take, trace, v, way, p, meant) for v, way, p, meant in zip(volts, ways_to, plateaus, nominal, strict=True)
    )
    return TakeSteps(steps=steps, notes=notes)


def _hold_volts(voltage: Trace, hold: Plateau) -> float:
    """The mean over the last third, as the pitch is measured."""
    inside = (voltage.time_s >= hold.end_s - hold.hold_s / 3.0) & (voltage.time_s <= hold.end_s - 0.015)
    return float(voltage.value[inside].mean()) / 1000.0 if inside.any() else hold.level / 1000.0


def _from_ramp(take: Take, voltage: Trace, notes: tuple[str, ...]) -> TakeSteps:
    rows = ramp_rows(voltage, take.frames)
    if len(rows) < 2:
        raise CaptureError(
            f"{take.name}: the voltage on channel {take.voltage_channel} neither rests nor covers a range",
            "hold each voltage for a second, or turn it slowly over its whole range",
        )
    steps = tuple(
        Step(
            cv_v=volts,
            f0_hz=f0_hz,
            f0_sigma_cents=sigma,
            direction="up" if way == "up" else "down",
            start_s=start_s,
            end_s=end_s,
            capture=take.index,
        )
        for volts, f0_hz, sigma, start_s, end_s, way in rows
    )
    said = "The voltage is a slow ramp: the table has a row for each even part of it, and no settling."
    return TakeSteps(steps=steps, notes=(*notes, said))
