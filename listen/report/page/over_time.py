"""Charts over time: the pitch, the level, the start."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from listen.account import Start
from listen.report.page.chart import Chart, Line, Mark, thinned
from listen.report.page.wording import say
from listen.track.types import Frames
from listen.units import db_from_ratio, format_db, format_hz_range, format_seconds

Floats = NDArray[np.float64]

_LONGEST_START_S = 20.0
_LAST_S = 0.1
"""Of the tone, in which it may fall because the take ends."""
_LEAD_IN_S = 0.3
"""A shorter one is not worth a word."""


def pitch_time(frames: Frames, start: Start | None, marks: tuple[Mark, ...]) -> Chart | None:
    """Return the pitch over the take, from where the tone begins; None where nothing oscillates."""
    f0_hz = np.where(frames.oscillating, frames.f0_hz, np.nan)
    known = f0_hz[np.isfinite(f0_hz)]
    if len(known) == 0:
        return None
    low, high = float(known.min()), float(known.max())
    x, (y,) = thinned(frames.time_s, [f0_hz])
    seconds = format_seconds(len(known) * frames.row_every_s)
    return Chart(
        name="pitch-time",
        title=say("chart.pitch-time.title"),
        alt=say("chart.pitch-time.alt", range=format_hz_range(low, high), seconds=seconds) + _lead_in(frames, start),
        x_label=say("axis.time"),
        y_label=say("axis.pitch"),
        x=x,
        x_axis="time",
        y_axis="pitch-y",
        lines=(Line(label=say("line.pitch"), y=y),),
        marks=marks,
        x_range=_tone_s(frames, start),
        y_range=(low / 1.12, high * 1.12),
        unit="Hz",
    )


def level_time(frames: Frames, start: Start | None, marks: tuple[Mark, ...]) -> Chart | None:
    """Return the level over the take, from the envelope: it shows bounce and hunting between the frames.

    Its scale is that of the settled tone; growth has a chart of its own.
    """
    envelope = frames.envelope
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.asarray(db_from_ratio(envelope.rms_amplitude_fs))
    level = np.where(np.isfinite(level) & envelope.oscillating, level, np.nan)
    settled = np.isfinite(level)
    begin_s, end_s = _tone_s(frames, start)
    if start is not None and start.shown:
        settled &= envelope.time_s >= start.settled_s
    inside = settled & (envelope.time_s <= end_s - _LAST_S)
    known = level[inside if inside.any() else np.isfinite(level)]
    if len(known) == 0:
        return None
    low, high = float(np.quantile(known, 0.002)), float(known.max())
    x, (y,) = thinned(envelope.time_s, [_broken(envelope.time_s, level)])
    room = max(0.5, 0.15 * (high - low))
    return Chart(
        name="level-time",
        title=say("chart.level-time.title"),
        alt=say("chart.level-time.alt", low=format_db(low, "dBFS"), high=format_db(high, "dBFS"))
        + _lead_in(frames, start),
        x_label=say("axis.time"),
        y_label=say("axis.level"),
        x=x,
        x_axis="time",
        lines=(Line(label=say("line.level"), y=y),),
        marks=marks,
        x_range=(begin_s, end_s),
        y_range=(max(low, high - 60.0) - room, high + room),
        unit="dBFS",
        decimals=2,
    )


def start_chart(frames: Frames, start: Start | None, marks: tuple[Mark, ...]) -> Chart | None:
    """Return the growth of the tone on a scale of decibels; None where the take does not hold the start."""
    if start is None or not start.shown or start.settled_s - start.begin_s > _LONGEST_START_S:
        return None
    envelope = frames.envelope
    room = max(0.1, 0.35 * start.rise_s)
    near = (envelope.time_s > start.begin_s - room) & (envelope.time_s < start.settled_s + 2.0 * room)
    if np.count_nonzero(near) < 5:
        return None
    times = envelope.time_s[near]
    with np.errstate(divide="ignore", invalid="ignore"):
        loose = np.asarray(db_from_ratio(envelope.rms_amplitude_fs[near]))
        tight = np.asarray(db_from_ratio(envelope.amplitude_fs[near]))
    level = np.where(envelope.oscillating[near] & np.isfinite(tight), tight, loose)
    level = np.where(np.isfinite(level), np.maximum(level, -140.0), np.nan)
    lines = [Line(label=say("line.start"), y=level)]
    top = float(np.nanmax(level))
    growth = ""
    if start.growth_per_s:
        rate_db = float(20.0 / np.log(10.0) * start.growth_per_s)
        growing = (level > top - 34.0) & (level < top - 8.0) & (times < start.settled_s)
        if np.count_nonzero(growing) >= 3:
            middle_s, middle_db = float(np.mean(times[growing])), float(np.mean(level[growing]))
            line = middle_db + rate_db * (times - middle_s)
            lines.append(
                Line(
                    label=say("line.growth"),
                    y=np.where((line < top + 3.0) & (line > top - 70.0), line, np.nan),
                    ink="second",
                    dash="dashed",
                )
            )
            growth = say("chart.start.growth", rate=format_db(rate_db))
    low = max(float(np.nanmin(level)), top - 90.0)
    return Chart(
        name="start",
        title=say("chart.start.title"),
        alt=say("chart.start.alt", rise=format_seconds(start.rise_s), growth=growth),
        x_label=say("axis.time"),
        y_label=say("axis.level"),
        x=times,
        x_axis="time",
        lines=tuple(lines),
        marks=tuple(mark for mark in marks if mark.start < times[-1] and mark.end > times[0]),
        y_range=(low - 3.0, top + 4.0),
        group="start",
        unit="dBFS",
    )


def _tone_s(frames: Frames, start: Start | None) -> tuple[float, float]:
    """From where the tone begins to where it ends; the silence before it would only make the rest small."""
    at = np.flatnonzero(frames.envelope.oscillating)
    times = frames.envelope.time_s[at] if len(at) else frames.time_s
    first = start.begin_s if start is not None and start.shown else float(times[0])
    return float(min(first, times[0])), float(max(times[-1], times[0] + 1e-3))


def _lead_in(frames: Frames, start: Start | None) -> str:
    """Say how much of the take before the tone is not drawn."""
    seconds = _tone_s(frames, start)[0]
    return say("chart.lead_in", seconds=format_seconds(seconds)) if seconds >= _LEAD_IN_S else ""


def _broken(time_s: Floats, values: Floats) -> Floats:
    """Break the line where two neighbours are far apart, as across a silence."""
    out = values.copy()
    steps = np.diff(time_s)
    if len(steps):
        out[1:][steps > max(0.1, 5.0 * float(np.median(steps)))] = np.nan
    return out
