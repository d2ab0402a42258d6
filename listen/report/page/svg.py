"""Charts as SVG: in a page, for wide and narrow screens and for print; and as a file of its own.

In a page the lines of a chart are written once, on a grid of whole numbers, and each size of it shows them scaled:
strokes keep their width. So a zoom is one changed attribute, and the page needs no script to be read or printed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from html import escape

import numpy as np
from numpy.typing import NDArray

from listen.report.page.chart import Chart
from listen.report.page.layout import (
    Bar,
    DrawnCurve,
    KeyItem,
    Laid,
    Sample,
    Size,
    Text,
    count_mark_rows,
    curves_of,
    key_places,
    lay_out,
)

Floats = NDArray[np.float64]

GRID_WIDTH, GRID_HEIGHT = 10000, 4000
"""Whole numbers across and down a plot: a tenth of a pixel at a page's width, also in a zoom of ten."""
_WIDE = Size(width=780.0, height=262.0, type_size=13.0)
_NARROW = Size(width=360.0, height=236.0, type_size=13.0, limit_labels=False)
_HALF = Size(width=380.0, height=222.0, type_size=12.5, limit_labels=False)
SHEET = Size(width=340.0, height=176.0, type_size=10.0)
EDGE_PX = 30.0
"""Round a picture."""
_TALL = 1.25
_EM_A_ROW = 1.05
_STYLE = """
.grid{stroke:%(grid)s;stroke-width:1.5}.frame{stroke:%(faint)s;stroke-width:2}
text{fill:%(ink)s;font-family:sans-serif}.tick,.limit{fill:%(faint)s}.title{font-weight:bold}
path{fill:none;stroke-linecap:round;stroke-linejoin:round}
.line{stroke-width:4}.dashed{stroke-dasharray:16 9}.dotted{stroke-dasharray:2 9}.dots{stroke-width:13}
.first{stroke:%(first)s}.second{stroke:%(second)s}.faint{stroke:%(faint)s}
.limit-line{stroke:%(limit)s;stroke-width:2.5;stroke-dasharray:20 6 3 6}
.heavy-limit{stroke:%(limit)s;stroke-width:4;stroke-dasharray:20 6 3 6 3 6}
.hatch{stroke:%(second)s;stroke-width:2}path.band{fill:%(mark)s}
.bar{stroke:%(ink)s;stroke-width:4}.bar.fault{stroke-width:7}.bar.attention,.bar.note{stroke-dasharray:10 6}
"""
PRINTED = {
    "ink": "#1c1c1a", "faint": "#5f5e58", "grid": "#e0dccf", "first": "#143a6b", "second": "#b5500f",
    "limit": "#6b6459", "mark": "#e6dcc0", "paper": "#ffffff",
}  # fmt: skip
"""The inks of the page on paper, as ``page.css`` has them, for pictures."""


def shared_svg(charts: Iterable[Chart]) -> str:
    """Return the lines of all charts of a page, to be shown by each of their sizes.

    Parameters
    ----------
    charts : iterable of Chart

    Returns
    -------
    str
        An SVG element that takes no room; it must stand where it is never hidden.
    """
    groups = "".join(f'<g id="lines-{escape(chart.name)}" class="lines">{lines_svg(chart)}</g>' for chart in charts)
    return f'<svg class="shared" width="0" height="0" aria-hidden="true"><defs>{groups}</defs></svg>'


def lines_svg(chart: Chart) -> str:
    """Return the paths of a chart on the page's grid."""
    return "".join(_path(curve, path_data(curve)) for curve in curves_of(chart))


def figure_svg(chart: Chart) -> str:
    """Return the SVG elements of a figure: one for wide and one for narrow screens, or one where half a width serves.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    str
    """
    if chart.half_width:
        return _sized(chart, _HALF, "any")
    return _sized(chart, _WIDE, "wide") + _sized(chart, _NARROW, "narrow")


def sheet_svg(chart: Chart) -> str:
    """Return a small SVG element for the printed sheet, without the findings' bars."""
    return _sized(replace(chart, marks=()), SHEET, "sheet")


def sample_svg(item: KeyItem) -> str:
    """Return the sample of an entry of the key."""
    paths = "".join(
        f'<path class="{_classes(sample)}" d="{_sample_path(sample, 0.0, 5.0, 26.0)}"/>' for sample in item.samples
    )
    return f'<svg class="sample lines" viewBox="0 0 26 10" width="26" height="10" aria-hidden="true">{paths}</svg>'


def picture_svg(laid: Laid) -> str:
    """Return a chart as an SVG file of its own, in pixels.

    Parameters
    ----------
    laid : Laid
        Laid out with its title and key.

    Returns
    -------
    str
    """
    size, box = laid.size, laid.box
    width, height = size.width + 2 * EDGE_PX, size.height + 2 * EDGE_PX
    clip = (
        f'<clipPath id="plot"><rect x="{box.left - 4:g}" y="{box.top - 4:g}" width="{box.width + 8:g}" '
        f'height="{box.height + 8:g}"/></clipPath>'
    )
    keys = []
    for x, y, item in key_places(laid.chart, size):
        em = size.type_size
        keys += [
            f'<path class="{_classes(s)}" d="{_sample_path(s, x, y - 0.3 * em, 2.4 * em)}"/>' for s in item.samples
        ]
        keys.append(_text(Text(x=x + 3.0 * em, y=y, text=item.label, kind="key")))
    lines = "".join(_path(curve, path_data(curve, laid)) for curve in laid.curves)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{-EDGE_PX:g} {-EDGE_PX:g} {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}" font-size="{size.type_size:g}" role="img">',
        f"<title>{escape(laid.chart.title)}</title><desc>{escape(laid.chart.alt)}</desc>",
        f"<style>{_STYLE % PRINTED}</style><defs>{clip}</defs>",
        f'<rect x="{-EDGE_PX:g}" y="{-EDGE_PX:g}" width="{width:g}" height="{height:g}" fill="{PRINTED["paper"]}"/>',
        *(_rule(laid)),
        f'<g clip-path="url(#plot)">{lines}</g>',
        *(_text(text) for text in (*laid.x_texts, *laid.texts)),
        *keys,
        *(_bar(bar, laid.size.type_size) for bar in laid.bars),
        "</svg>\n",
    ]
    return "".join(parts)


def path_data(curve: DrawnCurve, laid: Laid | None = None) -> str:
    """Return the ``d`` of a path: on the page's grid, or in the units of a layout.

    Parameters
    ----------
    curve : Curve
    laid : Laid, optional

    Returns
    -------
    str
        Points are strokes without a length: round caps make them dots that no scale stretches.
    """
    if laid is None:
        scale, shift, unit = np.array([GRID_WIDTH, GRID_HEIGHT]), np.zeros(2), 1.0
    else:
        scale, shift, unit = (
            np.array([laid.box.width, laid.box.height]),
            np.array([laid.box.left, laid.box.top]),
            0.1,
        )
    # far outside of the plot nothing is seen, and numbers stay short
    pieces = [np.round((np.clip(piece, -2.0, 3.0) * scale + shift) / unit).astype(np.int64) for piece in curve.pieces]
    if curve.kind == "dots":
        return "".join(f"M{_number(x, unit)} {_number(y, unit)}h0" for piece in pieces for x, y in piece.tolist())
    return "".join(_piece(piece, unit, closed=curve.kind == "band") for piece in pieces)


def _piece(points: NDArray[np.int64], unit: float, *, closed: bool) -> str:
    """Where a piece begins, then each step: steps are short numbers."""
    x, y = points[0].tolist()
    head = f"M{_number(x, unit)} {_number(y, unit)}"
    if len(points) == 1:
        return head + "h0"
    steps = np.diff(points, axis=0)
    steps = steps[np.any(steps != 0, axis=1)]
    if len(steps) == 0:
        return head + "h0"
    body = " ".join(f"{_number(dx, unit)} {_number(dy, unit)}" for dx, dy in steps.tolist()).replace(" -", "-")
    return f"{head}l{body}{'z' if closed else ''}"


def _number(value: int, unit: float) -> str:
    return str(value) if unit == 1.0 else f"{value * unit:.1f}".removesuffix(".0")


def _sized(chart: Chart, size: Size, variant: str) -> str:
    rows = count_mark_rows(chart)
    tall = _TALL if chart.x_axis == "ratio" else 1.0
    laid = lay_out(chart, replace(size, height=tall * size.height + _EM_A_ROW * size.type_size * rows))
    size, box = laid.size, laid.box
    name = escape(chart.name)
    clip = f"clip-{variant}-{name}"
    parts = [
        f'<svg class="chart-svg {variant}" viewBox="0 0 {size.width:g} {size.height:g}" font-size="{size.type_size:g}" '
        f'data-box="{box.left:g} {box.top:g} {box.width:g} {box.height:g}" aria-hidden="true" focusable="false">',
        f'<clipPath id="{clip}"><rect x="{box.left - 3:g}" y="{box.top - 3:g}" width="{box.width + 6:g}" '
        f'height="{box.height + 6:g}"/></clipPath>',
        *_rule(laid),
        f'<g clip-path="url(#{clip})"><use href="#lines-{name}" transform="{_placed(laid)}"/></g>',
        f'<g class="x-ticks">{"".join(_text(text) for text in laid.x_texts)}</g>',
        *(_text(text) for text in laid.texts),
        *(_bar(bar, size.type_size, link=True) for bar in laid.bars),
        "</svg>",
    ]
    return "".join(parts)


def _placed(laid: Laid) -> str:
    box = laid.box
    across, down = box.width / GRID_WIDTH, box.height / GRID_HEIGHT
    return f"translate({box.left:g} {box.top:g}) scale({across:.6g} {down:.6g})"


def _rule(laid: Laid) -> Sequence[str]:
    """The grid as one path across, one up, and the frame."""
    upright = [r for r in laid.rules if r.kind == "grid" and r.x1 == r.x2]
    level = [r for r in laid.rules if r.kind == "grid" and r.x1 != r.x2]
    frame = [r for r in laid.rules if r.kind == "frame"]
    return [
        f'<path class="{kind}" d="{"".join(f"M{r.x1:.4g} {r.y1:.4g}L{r.x2:.4g} {r.y2:.4g}" for r in rules)}"/>'
        for kind, rules in (("grid x-grid", upright), ("grid", level), ("frame", frame))
    ]


def _text(text: Text) -> str:
    anchor = "" if text.anchor == "start" else f' text-anchor="{text.anchor}"'
    style = ' font-size="125%"' if text.kind == "title" else ""
    return f'<text class="{text.kind}" x="{text.x:.5g}" y="{text.y:.5g}"{anchor}{style}>{escape(text.text)}</text>'


def _bar(bar: Bar, em: float, *, link: bool = False) -> str:
    """A finding's interval, with its number before it."""
    words = Text(x=bar.x1 - 0.3 * em, y=bar.y + 0.35 * em, text=str(bar.number), kind="mark", anchor="end")
    body = f'<path class="bar {bar.severity}" d="M{bar.x1:.5g} {bar.y:.5g}H{bar.x2:.5g}"/>{_text(words)}'
    if not link:
        return body
    return (
        f'<a class="mark-link" href="#finding-{bar.number}" tabindex="-1" data-start="{bar.start:.5f}" '
        f'data-end="{bar.end:.5f}">{body}</a>'
    )


def _path(curve: DrawnCurve, data: str) -> str:
    return f'<path class="{_classes(curve)}" d="{data}"/>'


def _classes(look: DrawnCurve | Sample) -> str:
    if look.kind == "line":
        return f"line {look.ink} {look.dash}"
    if look.kind == "dots":
        return f"dots {look.ink}"
    return "limit-line" if look.kind == "limit" else look.kind


def _sample_path(sample: Sample, x: float, y: float, width: float) -> str:
    if sample.kind == "dots":
        return f"M{x + 0.5 * width:g} {y:g}h0"
    if sample.kind == "band":
        return f"M{x:g} {y - 0.15 * width:g}h{width:g}v{0.3 * width:g}h{-width:g}z"
    if sample.kind == "hatch":
        return "".join(
            f"M{x + part * width:g} {y - 0.15 * width:g}v{0.3 * width:g}" for part in (0.1, 0.3, 0.5, 0.7, 0.9)
        )
    return f"M{x:g} {y:g}h{width:g}"
