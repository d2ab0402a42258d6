"""Charts of a triangle, sawtooth, square or pulse: its shape against pitch, the mean cycle beside the plain wave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from listen.report.page.chart import Chart, Limit, Line
from listen.report.page.wording import say
from listen.units import format_hz_note

if TYPE_CHECKING:
    from listen.account.waves import WaveShape
    from listen.circuit.shape import WaveFigures

Floats = NDArray[np.floating[Any]]
Limits = Mapping[str, Mapping[str, float]]

_ONE_NOTE = 1.02
_HALF = 50.0
"""Per cent of the cycle that a triangle should rise, or a square be high."""
_POINTS = 1024
"""Of the drawn cycle: a spike of a thousandth of it is still seen."""


@dataclass(frozen=True, slots=True)
class _Figure:
    """One figure against pitch: its key, the chart's name, its unit, the kind that judges it, and about what value."""

    key: str
    name: str
    unit: str
    kind: str
    about: float | None


_FIGURES = (
    _Figure("rise_percent", "rise-pitch", "%", "slope-asymmetry", _HALF),
    _Figure("duty_percent", "duty-pitch", "%", "duty", _HALF),
    _Figure("bow_percent", "bow-pitch", "%", "ramp-bow", 0.0),
    _Figure("reset_us", "reset-pitch", "us", "", None),
    _Figure("corner_us", "corner-pitch", "us", "corner-rounding", None),
)


def shape_charts(figures: WaveFigures | None, shape: WaveShape | None, limits: Limits) -> tuple[Chart, ...]:
    """Return the charts that a wave of slopes and edges allows.

    Parameters
    ----------
    figures : WaveFigures or None
    shape : WaveShape or None
        Of the account.
    limits : mapping
        Of each kind of finding.
    """
    charts = []
    if figures is not None:
        charts += [chart for figure in _FIGURES if (chart := _against_pitch(figures, figure, limits)) is not None]
    if shape is not None:
        charts.append(_mean_cycle(shape))
    return tuple(charts)


def _against_pitch(figures: WaveFigures, figure: _Figure, limits: Limits) -> Chart | None:
    rows = [(f0, v) for row in figures.along if (f0 := row["f0_hz"]) and (v := row.get(figure.key)) is not None]
    if len(rows) < 2 or max(rows)[0] < _ONE_NOTE * min(rows)[0]:
        return None
    f0_hz, values = np.array(sorted(rows)).T
    of_sawtooth = figure.key == "rise_percent" and figures.wave == "sawtooth"
    if of_sawtooth:
        return None  # it follows from the reset
    # a pulse has a duty of its own
    drawn = () if figures.wave == "pulse" and figure.about == _HALF else _limits(limits.get(figure.kind, {}), figure)
    low, high = float(values.min()), float(values.max())
    decimals = 3 if figure.about is not None else 2
    return Chart(
        name=figure.name,
        title=say(f"chart.{figure.name}.title"),
        alt=say(f"chart.{figure.name}.alt", low=f"{low:.{decimals}f}", high=f"{high:.{decimals}f}"),
        x_label=say("axis.pitch"),
        y_label=say("axis.cycle" if figure.about == _HALF else f"axis.{figure.key}"),
        x=f0_hz,
        x_axis="pitch",
        lines=(Line(label=say(f"line.{figure.key}"), y=values, dots=True),),
        limits=drawn,
        # times count from nothing: without limits beside them a scatter of nanoseconds would fill the chart
        y_range=(0.0, 1.3 * high) if figure.about is None and not drawn else None,
        unit=figure.unit,
        decimals=decimals,
    )


def _limits(row: Mapping[str, float], figure: _Figure) -> tuple[Limit, ...]:
    """Lines of a kind's limits: on both sides of what is meant, where the figure has a sign."""
    out = []
    for key in ("attention", "fault"):
        if key not in row:
            continue
        label, heavy = say(f"limit.{key}"), key == "fault"
        out.append(Limit(label=label, y=(figure.about or 0.0) + row[key], heavy=heavy))
        if figure.about is not None:
            out.append(Limit(label="", y=figure.about - row[key], heavy=heavy))
    return tuple(out)


def _mean_cycle(shape: WaveShape) -> Chart:
    """The cycle of the pitch at which it departs most from the plain wave, with all harmonics in the file."""
    cycles = [
        tuple(np.asarray(y, dtype=float) for y in shape.mean_cycle(place, _POINTS)) for place in range(len(shape.bins))
    ]
    place = int(np.argmax([float(np.sum((cycle - plain) ** 2)) for cycle, plain in cycles]))
    cycle, plain = cycles[place]
    pitch = format_hz_note(float(shape.f0_hz[place]))
    # an edge that comes a sample late departs by its whole height there
    apart = 100.0 * float(np.sqrt(np.mean((cycle - plain) ** 2)))
    return Chart(
        name="wave-cycle",
        title=say("chart.wave-cycle.title", pitch=pitch),
        alt=say("chart.wave-cycle.alt", pitch=pitch, harmonics=len(shape.bins[place].lines), apart=f"{apart:.2g}"),
        x_label=say("axis.degrees"),
        y_label=say("axis.height"),
        x=360.0 * np.arange(_POINTS) / _POINTS,
        x_axis="degrees",
        lines=(
            Line(label=say("line.cycle"), y=cycle),
            Line(label=say("line.plain_wave"), y=plain, ink="second", dash="dotted"),
        ),
        decimals=3,
    )
