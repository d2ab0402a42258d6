"""Each chart as a picture for a lesson or a video: SVG, and PNG of 1920 x 1080, legible at half the size.

Both are drawn from one layout. PNG needs matplotlib (the extra ``pictures``); without it there are SVG files alone.
"""

from __future__ import annotations

import importlib.util
import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from listen.report.files import write_whole
from listen.report.page.chart import Chart
from listen.report.page.check_charts import check_charts
from listen.report.page.cycles import mean_cycles
from listen.report.page.layout import DrawnCurve, Laid, Sample, Size, Text, key_places, lay_out
from listen.report.page.svg import EDGE_PX, PRINTED, picture_svg
from listen.report.views import CheckView

WIDTH_PX, HEIGHT_PX = 1920, 1080
TYPE_PX = 29.0
"""At half the size 14.5 px, as text on a page."""
_DPI = 100
_PT_A_PX = 72.0 / _DPI
_DASHES: dict[str, Any] = {
    "solid": "-", "dashed": (0, (4.0, 2.2)), "dotted": (0, (0.5, 2.2)), "limit": (0, (8.0, 2.4, 1.2, 2.4)),
    "heavy-limit": (0, (5.0, 1.5, 0.8, 1.5, 0.8, 1.5)), "bar": (0, (2.5, 1.5)),
}  # fmt: skip
_WIDTHS_PX = {"line": 4.0, "limit": 2.5, "heavy-limit": 4.0, "hatch": 2.0}
_ANCHORS = {"start": "left", "middle": "center", "end": "right"}
_TEXT_INKS = {"tick": "faint", "limit": "faint"}
_DOT_PX = 13.0
_SAMPLE_EM, _SAMPLE_SPACE_EM = 2.4, 3.0
_TITLE_SIZE = 1.25


def write_pictures(result: CheckView, stem: str | os.PathLike[str]) -> list[Path]:
    """Write every chart of a check as SVG, and as PNG where that can be drawn.

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
    cycles = mean_cycles(result.capture, result.frames)
    written = []
    for chart in check_charts(result, cycles):
        for ending, data in picture_bytes(chart):
            path = Path(f"{os.fspath(stem)}-{chart.name}.{ending}")
            write_whole(path, data)
            written.append(path)
    return written


def png_is_possible() -> bool:
    """Return whether matplotlib is installed."""
    return importlib.util.find_spec("matplotlib") is not None


def picture_bytes(chart: Chart) -> Iterator[tuple[str, bytes]]:
    """Return a chart as SVG and, where matplotlib is installed, as PNG.

    Parameters
    ----------
    chart : Chart

    Yields
    ------
    (str, bytes)
        ``svg`` or ``png``, and the file's contents; the same chart gives the same bytes.
    """
    size = Size(width=WIDTH_PX - 2 * EDGE_PX, height=HEIGHT_PX - 2 * EDGE_PX, type_size=TYPE_PX, title=True)
    laid = lay_out(chart, size)
    yield "svg", picture_svg(laid).encode("utf-8")
    if png_is_possible():
        yield "png", _png(laid)


def _png(laid: Laid) -> bytes:
    """Draw a layout with matplotlib, its unit a pixel."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    settings: Any = {"font.family": ["sans-serif"], "text.parse_math": False, "path.simplify": True}
    with mpl.rc_context(settings):
        figure = Figure(figsize=(WIDTH_PX / _DPI, HEIGHT_PX / _DPI), dpi=_DPI, facecolor=PRINTED["paper"])
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(-EDGE_PX, laid.size.width + EDGE_PX)
        axes.set_ylim(laid.size.height + EDGE_PX, -EDGE_PX)
        axes.axis("off")
        _draw(axes, laid)
        stream = io.BytesIO()
        about: dict[str, Any] = {"Software": None}
        figure.savefig(stream, format="png", dpi=_DPI, metadata=about)
    return stream.getvalue()


def _draw(axes: Any, laid: Laid) -> None:
    from matplotlib.patches import Rectangle

    box = laid.box
    for rule in laid.rules:
        ink, width = ("grid", 1.5) if rule.kind == "grid" else ("faint", 2.0)
        axes.plot([rule.x1, rule.x2], [rule.y1, rule.y2], color=PRINTED[ink], lw=width * _PT_A_PX)
    clip = Rectangle((box.left - 4, box.top - 4), box.width + 8, box.height + 8, transform=axes.transData)
    scale, shift = np.array([box.width, box.height]), np.array([box.left, box.top])
    for curve in laid.curves:
        for piece in curve.pieces:
            _stroke(axes, curve, piece * scale + shift, clip)
    for text in (*laid.x_texts, *laid.texts):
        _write(axes, text, laid.size.type_size)
    for bar in laid.bars:
        heavy = bar.severity == "fault"
        axes.plot(
            [bar.x1, bar.x2], [bar.y, bar.y], color=PRINTED["ink"], lw=(7 if heavy else 4) * _PT_A_PX,
            ls="-" if heavy else _DASHES["bar"], solid_capstyle="butt",
        )  # fmt: skip
        em = laid.size.type_size
        number = Text(x=bar.x1 - 0.3 * em, y=bar.y + 0.35 * em, text=str(bar.number), kind="mark", anchor="end")
        _write(axes, number, em)
    _draw_key(axes, laid)


def _draw_key(axes: Any, laid: Laid) -> None:
    em = laid.size.type_size
    for x, y, item in key_places(laid.chart, laid.size):
        wide, middle = _SAMPLE_EM * em, y - 0.3 * em
        for sample in item.samples:
            points = np.array([[x, middle], [x + wide, middle]])
            if sample.kind == "dots":
                points = points.mean(axis=0, keepdims=True)
            elif sample.kind == "band":
                points = np.array([[x, y], [x + wide, y], [x + wide, y - 0.7 * em], [x, y - 0.7 * em]])
            elif sample.kind == "hatch":
                for part in (0.1, 0.3, 0.5, 0.7, 0.9):
                    _stroke(axes, sample, np.array([[x + part * wide, y], [x + part * wide, y - 0.7 * em]]), None)
                continue
            _stroke(axes, sample, points, None)
        _write(axes, Text(x=x + _SAMPLE_SPACE_EM * em, y=y, text=item.label, kind="key"), em)


def _stroke(axes: Any, look: DrawnCurve | Sample, points: Any, clip: Any) -> None:
    """Draw one piece as its kind asks for."""
    if look.kind == "band":
        (drawn,) = axes.fill(points[:, 0], points[:, 1], color=PRINTED["mark"], lw=0)
    elif look.kind == "dots":
        (drawn,) = axes.plot(
            points[:, 0], points[:, 1], ls="none", marker="o", ms=_DOT_PX * _PT_A_PX, mew=0, color=PRINTED[look.ink]
        )
    else:
        ink = {"limit": "limit", "heavy-limit": "limit", "hatch": "second"}.get(look.kind, look.ink)
        dash = "solid" if look.kind == "hatch" else look.kind if look.kind in _DASHES else look.dash
        (drawn,) = axes.plot(
            points[:, 0], points[:, 1], ls=_DASHES[dash], lw=_WIDTHS_PX[look.kind] * _PT_A_PX, color=PRINTED[ink],
            solid_capstyle="round", dash_capstyle="round" if dash == "dotted" else "butt",
        )  # fmt: skip
    if clip is not None:
        drawn.set_clip_path(clip)


def _write(axes: Any, text: Text, size_px: float) -> None:
    title = text.kind == "title"
    axes.text(
        text.x, text.y, text.text, ha=_ANCHORS[text.anchor], va="baseline",
        fontsize=size_px * _PT_A_PX * (_TITLE_SIZE if title else 1.0), weight="bold" if title else "normal",
        color=PRINTED[_TEXT_INKS.get(text.kind, "ink")],
    )  # fmt: skip
