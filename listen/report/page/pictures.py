"""Each chart as a picture for a lesson or a video: SVG, and PNG of 1920 x 1080, legible at half the size."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from listen.report.files import write_whole
from listen.report.page.chart import Chart, Line
from listen.report.page.check_charts import check_charts
from listen.report.page.cycles import mean_cycles
from listen.report.views import CheckView

WIDTH_PX, HEIGHT_PX = 1920, 1080
_DPI = 100
_FONT_PT = 21.0
"""At 100 dots an inch 29 px: 15 px where the picture is shown at half its size."""
_SMALL_PT = 18.0
_INKS = {"first": "#143a6b", "second": "#b5500f", "faint": "#5f5e58"}
_INK, _FAINT, _GRID, _PAPER = "#1c1c1a", "#5f5e58", "#e0dccf", "#ffffff"
_DASHES: dict[str, Any] = {"solid": "-", "dashed": (0, (5, 2.5)), "dotted": (0, (1, 2))}
_LABEL_APART = 0.052
_ROWS = 6


def write_pictures(result: CheckView, stem: str | os.PathLike[str]) -> list[Path]:
    """Write every chart of a check as SVG and PNG.

    Parameters
    ----------
    result : CheckResult
    stem : path
        Files are called ``STEM-CHART.svg`` and ``STEM-CHART.png``.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        A file cannot be written.
    """
    charts = check_charts(result, mean_cycles(result.capture, result.frames))
    written = []
    for chart in charts:
        for ending, data in picture_bytes(chart):
            path = Path(f"{os.fspath(stem)}-{chart.name}.{ending}")
            write_whole(path, data)
            written.append(path)
    return written


def picture_bytes(chart: Chart) -> Iterator[tuple[str, bytes]]:
    """Return a chart as SVG and as PNG.

    Parameters
    ----------
    chart : Chart

    Yields
    ------
    (str, bytes)
        ``svg`` or ``png``, and the file's contents; the same chart gives the same bytes.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    settings: Any = {
        "font.size": _FONT_PT,
        "font.family": ["sans-serif"],
        "svg.fonttype": "path",
        "svg.hashsalt": "listen",
        "axes.unicode_minus": False,
        "text.parse_math": False,
        "path.simplify": True,
    }
    with mpl.rc_context(settings):
        figure = Figure(figsize=(WIDTH_PX / _DPI, HEIGHT_PX / _DPI), dpi=_DPI, facecolor=_PAPER)
        FigureCanvasAgg(figure)
        _draw(figure, chart)
        for ending in ("svg", "png"):
            stream = io.BytesIO()
            about: dict[str, Any] = {"Date": None, "Creator": None} if ending == "svg" else {"Software": None}
            figure.savefig(stream, format=ending, dpi=_DPI, metadata=about)
            yield ending, stream.getvalue()


def _draw(figure: Any, chart: Chart) -> None:
    right = 0.97 if not chart.lines else 0.95 - 0.0098 * max(len(line.label) for line in chart.lines)
    axes = figure.add_axes((0.105, 0.13, right - 0.105, 0.69))
    figure.text(0.03, 0.962, chart.title, fontsize=1.25 * _FONT_PT, color=_INK, weight="bold", va="center")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(_FAINT)
    axes.tick_params(colors=_FAINT, labelsize=_FONT_PT, length=8, width=1.5)
    axes.grid(True, color=_GRID, linewidth=1.5)
    axes.set_axisbelow(True)
    axes.set_xlabel(chart.x_label, color=_INK)
    axes.set_ylabel(chart.y_label, color=_INK)
    _scales(axes, chart)
    for line in chart.lines:
        if line.dots:
            axes.plot(chart.x, line.y, ls="none", marker="o", ms=7, color=_INKS[line.ink])
        else:
            axes.plot(chart.x, line.y, ls=_DASHES[line.dash], lw=4, color=_INKS[line.ink], solid_capstyle="round")
    for limit in chart.limits:
        y = np.broadcast_to(limit.y, chart.x.shape)
        axes.plot(chart.x, y, ls=(0, (8, 2, 2, 2)), lw=2, color=_FAINT)
        first = np.flatnonzero(np.isfinite(y))
        low, high = axes.get_ylim()
        if len(first) and low <= y[first[0]] <= high:
            axes.annotate(
                limit.label, (chart.x[first[0]], y[first[0]]), xytext=(8, 6), textcoords="offset points",
                color=_FAINT, fontsize=_SMALL_PT, zorder=4,
                bbox={"facecolor": _PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.8},
            )  # fmt: skip
    _marks(axes, chart)
    _labels(axes, [line for line in chart.lines if not line.dots], chart)


def _scales(axes: Any, chart: Chart) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    def plain(value: float, _place: int) -> str:
        return f"{value / 1000:g} k" if value >= 1000 and chart.x_axis == "pitch" else f"{value:g}"

    known = chart.x[np.any([np.isfinite(line.y) for line in chart.lines], axis=0)]
    axes.set_xlim(float(known[0]), float(known[-1]) if known[-1] > known[0] else float(known[0]) + 1.0)
    axes.margins(y=0.08)
    if chart.x_axis == "pitch":
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(FixedLocator(_decades(float(known[0]), float(known[-1]), 9)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(plain))
    elif chart.x_axis == "degrees":
        axes.xaxis.set_major_locator(FixedLocator([0, 90, 180, 270, 360]))
    low, high = chart.y_range or _own_range(chart)
    if chart.y_axis in ("pitch-y", "log-percent"):
        axes.set_yscale("log")
        axes.yaxis.set_major_locator(FixedLocator(_decades(low, high, 8)))
        axes.yaxis.set_minor_locator(NullLocator())
        axes.yaxis.set_major_formatter(FuncFormatter(plain))
    axes.set_ylim(low, high)


def _own_range(chart: Chart) -> tuple[float, float]:
    values = np.concatenate(
        [line.y for line in chart.lines] + [np.broadcast_to(limit.y, chart.x.shape) for limit in chart.limits]
    )
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.08 * (high - low) or 1.0
    return low - room, high + room


def _decades(low: float, high: float, most: int) -> list[float]:
    """Round ticks of a scale of decades: the densest set that has room."""
    best: list[float] = []
    for steps in ((1,), (1, 3), (1, 2, 5), (1, 1.5, 2, 3, 4, 5, 7)):
        powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
        ticks = [m * 10.0**e for e in powers for m in steps if low <= m * 10.0**e <= high]
        if not best or len(ticks) <= most:
            best = ticks
    return best


def _marks(axes: Any, chart: Chart) -> None:
    """Bars over the chart, with the numbers of the findings."""
    low, high = axes.get_xlim()
    for row, mark in enumerate(chart.marks):
        a, b = max(mark.start, low), min(mark.end, high)
        if b < a:
            continue
        y = 1.022 + 0.025 * (row % _ROWS)
        axes.plot(
            [a, b], [y, y], transform=axes.get_xaxis_transform(), clip_on=False, color=_INK,
            lw=5 if mark.severity == "fault" else 3, ls="-" if mark.severity == "fault" else (0, (4, 2)),
        )  # fmt: skip
        axes.annotate(
            str(mark.number), (a, y), xycoords=axes.get_xaxis_transform(), xytext=(-8, 0), textcoords="offset points",
            ha="right", va="center", color=_INK, fontsize=_SMALL_PT, annotation_clip=False,
        )  # fmt: skip


def _labels(axes: Any, lines: Sequence[Line], chart: Chart) -> None:
    """Names at the ends of the lines, moved apart where they would touch."""
    places = []
    for line in lines:
        known = np.flatnonzero(np.isfinite(line.y))
        if len(known):
            at = axes.transData.transform((chart.x[known[-1]], line.y[known[-1]]))
            places.append((float(axes.transAxes.inverted().transform(at)[1]), line))
    places.sort(key=lambda place: place[0])
    heights = [min(max(height, 0.02), 0.98) for height, _ in places]
    for i in range(1, len(heights)):
        heights[i] = max(heights[i], heights[i - 1] + _LABEL_APART)
    top = 1.0
    for i in range(len(heights) - 1, -1, -1):
        heights[i] = min(heights[i], top)
        top = heights[i] - _LABEL_APART
    for height, (_, line) in zip(heights, places, strict=True):
        axes.text(1.012, height, line.label, transform=axes.transAxes, color=_INKS[line.ink], va="center")
