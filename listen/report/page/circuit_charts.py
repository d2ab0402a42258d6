"""Charts of the circuit: the amplifier's own curve with the gain that the loop needs, and the gain in hand by pitch."""

from __future__ import annotations

import numpy as np

from listen.circuit import Circuit
from listen.circuit.types import AmplifierCurve, GainPoint
from listen.report.circuit_lines import number
from listen.report.page.chart import Area, Chart, Line
from listen.report.page.wording import say

_ONE_NOTE = 1.02
_FEWEST = 4


def circuit_charts(circuit: Circuit | None) -> tuple[Chart, ...]:
    """Return the charts that the take allows.

    Parameters
    ----------
    circuit : Circuit or None
    """
    if circuit is None:
        return ()
    charts = [_curve(circuit.amplifier_curve)] if circuit.amplifier_curve is not None else []
    points = sorted((p for p in circuit.loop_gain_along if p.source == "curve"), key=lambda p: p.f0_hz)
    if len(points) >= _FEWEST and points[-1].f0_hz > _ONE_NOTE * points[0].f0_hz:
        charts.append(_gain(points))
    return tuple(charts)


def _curve(curve: AmplifierCurve) -> Chart:
    x, y = np.array(curve.input), np.array(curve.output)
    # a few per cent of bend are not seen beside the line itself: what is drawn is the output less that line
    beyond = y - curve.needed_gain[1] * x
    return Chart(
        name="amplifier-curve",
        title=say("chart.amplifier-curve.title"),
        alt=say("chart.amplifier-curve.alt", high=number(float(beyond.max())), unit=curve.unit),
        x_label=say("axis.amplifier_input", unit=curve.unit),
        y_label=say("axis.amplifier_output", unit=curve.unit),
        x=x,
        x_axis="ratio",
        lines=(
            Line(label=say("line.amplifier"), y=beyond),
            Line(label=say("line.needed_gain"), y=np.zeros_like(x), ink="faint", dash="dotted"),
        ),
        decimals=3,
    )


def _gain(points: list[GainPoint]) -> Chart:
    f0 = np.array([p.f0_hz for p in points])
    percent, sigma = np.array([p.percent for p in points]), np.array([p.sigma for p in points])
    return Chart(
        name="gain-pitch",
        title=say("chart.gain-pitch.title"),
        alt=say("chart.gain-pitch.alt", most=number(float(percent.max())), least=number(float(percent.min()))),
        x_label=say("axis.pitch"),
        y_label=say("axis.gain_in_hand"),
        x=f0,
        x_axis="pitch",
        lines=(Line(label=say("line.gain_in_hand"), y=percent, dots=True),),
        areas=(Area(label=say("line.one_sigma"), x=f0, low=percent - sigma, high=percent + sigma),),
        decimals=2,
    )
