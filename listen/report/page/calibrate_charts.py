"""Charts of a calibration: the law, the error with its bands and terms, the octaves, the settling."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.calibration.types import Calibration, Step
from listen.report.page.chart import AxisKind, Chart, Dash, Limit, Line, LineInk, aligned
from listen.report.page.wording import say
from listen.units import format_hz_note, format_seconds

Floats = NDArray[np.float64]

GOOD_CENTS, USABLE_CENTS = 3.0, 10.0
"""Over five octaves: common practice, no source."""
_WIDE_CENTS = 20.0
_NO_OCTAVE_CENTS = 240.0
"""A scale further than this from an octave a volt was not meant to be one."""
_LEAST_CENTS = 1.0
"""A fifth of what an ear tells (common practice, no source): less is drawn as nothing."""
_ROOM = 0.56
"""Of the values' span to either side of their middle: a little more than half."""
_STYLES: dict[str, tuple[LineInk, Dash]] = {
    "offset": ("faint", "dotted"),
    "scale": ("first", "solid"),
    "proportional": ("second", "dashed"),
    "inverse": ("second", "dotted"),
}


def calibration_charts(calibration: Calibration) -> tuple[Chart, ...]:
    """Return the charts that a table allows.

    Parameters
    ----------
    calibration : Calibration

    Returns
    -------
    tuple of Chart
    """
    charts = (
        _pitch(calibration),
        _error(calibration),
        _split(calibration),
        _octaves(calibration),
        _settling(calibration),
    )
    return aligned([chart for chart in charts if chart is not None])


def _pitch(calibration: Calibration) -> Chart | None:
    x, lines = _ways(calibration, lambda step: step.f0_hz)
    known = [step for step in calibration.steps if step.f0_hz is not None]
    if len(x) < 2 or not known:
        return None
    low, high = min(known, key=lambda s: s.f0_hz or 0.0), max(known, key=lambda s: s.f0_hz or 0.0)
    return _chart(
        calibration,
        "pitch",
        (x, lines),
        _HERTZ,
        ((low.f0_hz or 1.0) / 1.12, (high.f0_hz or 1.0) * 1.12),
        low=format_hz_note(low.f0_hz or 0.0),
        low_at=_place(calibration, low.cv_v),
        high=format_hz_note(high.f0_hz or 0.0),
        high_at=_place(calibration, high.cv_v),
    )


def _error(calibration: Calibration) -> Chart | None:
    x, lines = _ways(calibration, lambda step: None if step.doubtful else step.error_cents)
    if calibration.law is None or len(x) < 2 or not lines:
        return None
    reach = max(float(np.nanmax(np.abs(line.y))) for line in lines)
    bands = [("good", GOOD_CENTS)] if reach < _WIDE_CENTS else []
    bands.append(("usable", USABLE_CENTS))
    limits = [
        Limit(label=say(f"calibration.{name}") if sign > 0 else "", y=sign * cents)
        for name, cents in bands
        if cents <= 1.5 * max(reach, GOOD_CENTS)
        for sign in (1.0, -1.0)
    ]
    top = 1.15 * max(reach, GOOD_CENTS, *(abs(float(np.max(limit.y))) for limit in limits))
    return _chart(
        calibration,
        "error",
        (x, lines),
        _CENTS,
        (-top, top),
        tuple(limits),
        worst=f"{calibration.law.worst_error_cents:+z.1f}",
        worst_at=_place(calibration, calibration.law.worst_at_v),
        rms=f"{calibration.law.rms_error_cents:.2f}",
    )


def _split(calibration: Calibration) -> Chart | None:
    """Each fitted term over the table: cents that it adds at each voltage."""
    if calibration.split is None or calibration.law is None:
        return None
    steps = sorted((s for s in calibration.steps if s.f0_hz is not None), key=lambda s: s.cv_v)
    x = np.array(sorted({same_v(step.cv_v) for step in steps}))
    if len(x) < 2:
        return None
    pitch = np.array([np.mean([s.f0_hz for s in steps if same_v(s.cv_v) == v]) for v in x])
    shapes = {"offset": np.ones_like(x), "scale": x, "proportional": pitch / 1000.0, "inverse": 1.0 / pitch}
    lines, said = [], []
    for term in calibration.split.terms:
        if term.value is None or term.name not in shapes:
            continue
        value = term.value
        if term.name == "scale":  # the law itself is no error
            value -= 1200.0 * np.copysign(1.0, value)
            if abs(value) > _NO_OCTAVE_CENTS:
                continue
        y = value * shapes[term.name]
        ink, dash = _STYLES[term.name]
        name = say(f"calibration.term.{term.name}")
        lines.append(Line(label=name, y=y, ink=ink, dash=dash))
        said.append(f"{name} {float(y[0]):+z.1f} to {float(y[-1]):+z.1f} cents")
    if not lines:
        return None
    return _chart(
        calibration, "split", (x, tuple(lines)), _CENTS, _cents_range([line.y for line in lines]), terms="; ".join(said)
    )


def _octaves(calibration: Calibration) -> Chart | None:
    rows = sorted(calibration.intervals, key=lambda interval: interval.from_v + interval.to_v)
    x = np.array([0.5 * (row.from_v + row.to_v) for row in rows])
    if len(np.unique(x)) < 2:
        return None
    x, first = np.unique(x, return_index=True)
    y = np.array([rows[i].width_cents - 1200.0 for i in first])
    low, high = int(np.argmin(y)), int(np.argmax(y))
    return _chart(
        calibration,
        "octaves",
        (x, _dotted(y)),
        _TENTHS_OF_CENTS,
        _cents_range([y]),
        low=f"{y[low]:+z.1f}",
        low_at=_place(calibration, float(x[low])),
        high=f"{y[high]:+z.1f}",
        high_at=_place(calibration, float(x[high])),
    )


def _cents_range(lines: Sequence[Floats]) -> tuple[float, float]:
    """Ends of a scale of cents, a cent high at least: what is alike is drawn alike, with ticks of few digits."""
    known = np.concatenate(lines)
    middle, span = 0.5 * float(known.min() + known.max()), float(np.ptp(known))
    reach = max(0.5 * _LEAST_CENTS, _ROOM * span)
    return middle - reach, middle + reach


def _settling(calibration: Calibration) -> Chart | None:
    x, lines = _ways(calibration, lambda step: step.settling_s)
    known = [step for step in calibration.steps if step.settling_s is not None]
    if len(x) < 2 or not known:
        return None
    slowest = max(known, key=lambda step: step.settling_s or 0.0)
    return _chart(
        calibration,
        "settling",
        (x, lines),
        _SECONDS,
        (0.0, max(0.05, 1.15 * (slowest.settling_s or 0.0))),
        high=format_seconds(slowest.settling_s or 0.0),
        high_at=_place(calibration, slowest.cv_v),
    )


def _ways(calibration: Calibration, value: Callable[[Step], float | None]) -> tuple[Floats, tuple[Line, ...]]:
    """A line for each way the voltage came, repeats averaged."""
    x = np.array(sorted({same_v(step.cv_v) for step in calibration.steps}))
    lines: list[Line] = []
    ways: tuple[tuple[str, LineInk, Dash], ...] = (("up", "first", "solid"), ("down", "second", "dashed"))
    for direction, ink, dash in ways:
        y = np.full(len(x), np.nan)
        for i, v in enumerate(x):
            found = [
                value(step) for step in calibration.steps if same_v(step.cv_v) == v and step.direction == direction
            ]
            known = [number for number in found if number is not None]
            if known:
                y[i] = float(np.mean(known))
        if np.isfinite(y).any():
            lines.append(Line(label=say(f"turn.{direction}"), y=y, ink=ink, dash=dash))
            lines.append(Line(label=say(f"turn.{direction}"), y=y, ink=ink, dots=True))
    return x, tuple(lines)


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What is drawn over the voltage: the words of its axis, and how a value is read out."""

    label: str
    unit: str
    decimals: int
    axis: AxisKind = "plain"


_HERTZ = _Quantity("axis.pitch", "Hz", 1, "pitch-y")
_CENTS, _TENTHS_OF_CENTS = (_Quantity("calibration.axis_cents", "cents", decimals) for decimals in (2, 1))
_SECONDS = _Quantity("calibration.axis_seconds", "s", 3)


def _chart(
    calibration: Calibration,
    name: str,
    curves: tuple[Floats, tuple[Line, ...]],
    quantity: _Quantity,
    y_range: tuple[float, float],
    limits: tuple[Limit, ...] = (),
    **said: str,
) -> Chart:
    """A chart over the voltage, or over the places of a dial; ``said`` are the numbers of its words."""
    volts = calibration.axis == "volts"
    words = "pitch_dial" if name == "pitch" and not volts else name
    return Chart(
        name=f"cv-{name}",
        title=say(f"calibration.chart.{words}"),
        alt=say(f"calibration.chart.{words}_alt", **said),
        x_label=say("calibration.axis_volts" if volts else "calibration.axis_places"),
        y_label=say(quantity.label),
        x=curves[0],
        x_axis="volts",
        x_unit="V" if volts else "",
        y_axis=quantity.axis,
        lines=curves[1],
        limits=limits,
        y_range=y_range,
        unit=quantity.unit,
        decimals=quantity.decimals,
    )


def _dotted(y: Floats) -> tuple[Line, Line]:
    """A line with its points."""
    label = say("calibration.axis_cents")
    return Line(label=label, y=y), Line(label=label, y=y, dots=True)


def same_v(cv_v: float) -> float:
    """Return a voltage to a tenth of a millivolt: read twice, it is the same step."""
    return round(cv_v, 4) + 0.0


def _place(calibration: Calibration, cv_v: float) -> str:
    return f"{same_v(cv_v):g} V" if calibration.axis == "volts" else f"{same_v(cv_v):g}"
