"""Charts of the last half minute, drawn as the charts of a check's page are."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from listen.report.page.chart import Chart, Line
from listen.report.page.layout import Size, lay_out
from listen.report.page.svg import picture_svg
from listen.watch.types import Reading

SPAN_S = 30.0
_SIZE = Size(width=720.0, height=180.0, type_size=14.0, title=True)
_FEWEST = 5


def chart_pictures(readings: list[Reading]) -> dict[str, str]:
    """Draw pitch, level and distortion over time.

    Parameters
    ----------
    readings : list of Reading
        In order of time.

    Returns
    -------
    dict of name to str
        SVG, for what has been heard at all.
    """
    if not readings:
        return {}
    end_s = readings[-1].time_s
    recent = [r for r in readings if r.time_s > end_s - SPAN_S and r.state != "lost"]
    # silence would squeeze the tone's level into a line
    sounding = [r for r in recent if r.state != "silent"]
    charts = {
        "pitch": _chart("Pitch", "pitch, Hz", recent, lambda r: (r.f0_hz,), ("pitch",), least=1.01, log=True),
        "level": _chart("Level", "level, dBFS", sounding, lambda r: (r.level_dbfs,), ("level",), least=1.0),
        "clean": _chart(
            "Harmonics", "dB under the tone", recent, lambda r: (r.h2_dbc, r.h3_dbc), ("H2", "H3"), least=6.0
        ),
    }
    return {name: picture_svg(lay_out(chart, _SIZE)) for name, chart in charts.items() if chart is not None}


def _chart(
    title: str,
    label: str,
    readings: list[Reading],
    values: Callable[[Reading], tuple[float | None, ...]],
    names: tuple[str, ...],
    *,
    least: float,
    log: bool = False,
) -> Chart | None:
    """Return one chart; None where hardly anything is known. ``least``: its height at least, a ratio if ``log``."""
    table = np.array([values(r) for r in readings], dtype=np.float64).reshape(len(readings), len(names))
    known = table[np.isfinite(table)]
    if len(known) < _FEWEST:
        return None
    x = np.array([r.time_s for r in readings])
    low, high = float(known.min()), float(known.max())
    if log:
        y_range = (min(low / 1.02, high / least), max(high * 1.02, low * least))
    else:
        room = max(0.08 * (high - low), 0.5 * (least - (high - low)))
        y_range = (low - room, high + room)
    lines = tuple(
        Line(label=name, y=table[:, i], ink="second" if i else "first", dash="dashed" if i else "solid")
        for i, name in enumerate(names)
    )
    return Chart(
        name=f"watch-{title.lower()}",
        title=title,
        alt=f"{title} over the last {x[-1] - x[0]:.0f} seconds: {low:.5g} to {high:.5g}.",
        x_label="time, s",
        y_label=label,
        x=x,
        x_axis="time",
        y_axis="pitch-y" if log else "plain",
        lines=lines,
        y_range=y_range,
        x_range=(max(0.0, float(x[-1]) - SPAN_S), float(x[-1])),
    )
