"""Layout of a chart: the same for the page, the print, and pictures as SVG or PNG.

Margins follow from the type size alone, so that charts below each other share their edges. Below the plot stand the
ticks and then the name of x, above it the name of y and then the findings' bars: none can reach another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from listen.report.page.axes import Scale, number_text, text_width
from listen.report.page.chart import Area, AxisKind, Chart, Dash, Line, LineInk

Floats = NDArray[np.float64]
Anchor = Literal["start", "middle", "end"]
TextKind = Literal["tick", "axis", "limit", "mark", "key", "title"]

_LEFT_EM, _RIGHT_EM, _NARROW_RIGHT_EM = 4.8, 7.2, 1.6
_BELOW_EM, _NAME_EM, _LINE_EM = 3.0, 1.7, 1.2
_MARK_EM = 1.05
_MARK_APART = 0.08
"""Of the plot's width, from one bar to the number of the next in the same row."""
_HATCH = 0.008
"""Between two strokes of a hatched area, in widths of the plot: 5 px on a page."""
LABEL_LETTERS = 12
"""A limit's second line is left out beside the chart where it is longer; the key has it whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Width and height of the plot with all around it, and the size of its type, in one unit."""

    width: float
    height: float
    type_size: float
    limit_labels: bool = True
    """Beside the plot; on a narrow screen the key alone has them."""
    title: bool = False
    """Title and key within the picture, for a file of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """The plot itself."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A word: ``x, y`` is its baseline's start, middle or end."""

    x: float
    y: float
    text: str
    kind: TextKind
    anchor: Anchor = "start"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A straight line: of the grid, or the frame."""

    x1: float
    y1: float
    x2: float
    y2: float
    kind: Literal["grid", "frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A finding's interval over the plot."""

    x1: float
    x2: float
    y: float
    number: int
    severity: str
    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnCurve:
    """A line or an area in parts of the plot: 0, 0 its upper left corner, 1, 1 the lower right one.

    Attributes
    ----------
    pieces : list of ndarray, shape (m, 2)
        Unbroken pieces; of a band, closed; of a hatched area, its strokes.
    kind : str
        ``line``, ``dots``, ``limit``, ``heavy-limit``, ``band`` or ``hatch``.
    """

    pieces: list[Floats]
    kind: str
    ink: LineInk = "first"
    dash: Dash = "solid"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyItem:
    """One entry of the key: a sample and its words."""

    label: str
    samples: tuple[Sample, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """How a thing looks in the chart."""

    kind: str
    ink: LineInk = "first"
    dash: Dash = "solid"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """A chart with its places."""

    chart: Chart
    size: Size
    box: Box
    rules: tuple[Rule, ...]
    x_texts: tuple[Text, ...]
    texts: tuple[Text, ...]
    bars: tuple[Bar, ...]
    curves: tuple[DrawnCurve, ...]


def lay_out(chart: Chart, size: Size) -> Laid:
    """Return a chart with all its places.

    Parameters
    ----------
    chart : Chart
    size : Size

    Returns
    -------
    Laid
    """
    em = size.type_size
    rows = count_mark_rows(chart)
    keys = _key_texts(chart, size) if size.title else ()
    head = (2.6 + _LINE_EM * (1 + max((row for row, _, _ in keys), default=-1))) * em if size.title else 0.0
    top = head + _NAME_EM * em + (_MARK_EM * rows + 0.2) * em
    right = (_RIGHT_EM if size.limit_labels else _NARROW_RIGHT_EM) * em
    box = Box(
        left=_LEFT_EM * em,
        top=top,
        width=size.width - _LEFT_EM * em - right,
        height=size.height - top - _BELOW_EM * em,
    )
    x_rules, x_texts = _x_ticks(chart, box, em, size.width)
    y_rules, y_texts = _y_ticks(chart, box, em)
    frame = (
        Rule(x1=box.left, y1=box.top, x2=box.left, y2=box.bottom, kind="frame"),
        Rule(x1=box.left, y1=box.bottom, x2=box.right, y2=box.bottom, kind="frame"),
    )
    texts = [
        *y_texts,
        Text(x=0.0, y=head + em, text=chart.y_label, kind="axis"),
        Text(x=box.right, y=box.bottom + 2.6 * em, text=chart.x_label, kind="axis", anchor="end"),
    ]
    if size.limit_labels:
        texts += _limit_texts(chart, box, em)
    if size.title:
        texts.append(Text(x=0.0, y=1.3 * em, text=chart.title, kind="title"))
    return Laid(
        chart=chart,
        size=size,
        box=box,
        rules=(*x_rules, *y_rules, *frame),
        x_texts=tuple(x_texts),
        texts=tuple(texts),
        bars=tuple(_bars(chart, box, em)),
        curves=tuple(curves_of(chart)),
    )


def key_items(chart: Chart) -> tuple[KeyItem, ...]:
    """Return the key: each label once, with all that bears it."""
    found: dict[str, list[Sample]] = {}
    for area in chart.areas:
        found.setdefault(area.label, []).append(Sample(kind=area.fill))
    for line in chart.lines:
        found.setdefault(line.label, []).append(
            Sample(kind="dots" if line.dots else "line", ink=line.ink, dash=line.dash)
        )
    for limit in chart.limits:
        if limit.label:
            found.setdefault(limit.label, []).append(Sample(kind="heavy-limit" if limit.heavy else "limit"))
    return tuple(KeyItem(label=label, samples=tuple(dict.fromkeys(looks))) for label, looks in found.items())


def key_places(chart: Chart, size: Size) -> list[tuple[float, float, KeyItem]]:
    """Return the places of the key within a picture: left end and baseline of each entry."""
    em = size.type_size
    return [(x, (2.0 + _LINE_EM * (row + 1)) * em, item) for row, x, item in _key_texts(chart, size)]


def _key_texts(chart: Chart, size: Size) -> list[tuple[int, float, KeyItem]]:
    """Rows of the key, filled from the left."""
    em, row, x = size.type_size, 0, 0.0
    out = []
    for item in key_items(chart):
        wide = 3.0 * em + text_width(item.label, em) + 1.4 * em
        if x + wide > size.width and x > 0.0:
            row, x = row + 1, 0.0
        out.append((row, x, item))
        x += wide
    return out


def _kilo(axis: AxisKind) -> bool:
    return axis in ("pitch", "pitch-y", "log")


def _x_ticks(chart: Chart, box: Box, em: float, width: float) -> tuple[list[Rule], list[Text]]:
    scale = chart.x_scale
    ticks = x_tick_values(chart, scale, box.width / em)
    rules, texts = [], []
    for value, part in zip(ticks, scale.fraction(np.array(ticks)).tolist(), strict=True):
        x = box.left + part * box.width
        rules.append(Rule(x1=x, y1=box.top, x2=x, y2=box.bottom, kind="grid"))
        words = number_text(value, kilo=_kilo(chart.x_axis))
        x = min(x, width - 0.5 * text_width(words, em))
        texts.append(Text(x=x, y=box.bottom + 1.25 * em, text=words, kind="tick", anchor="middle"))
    return rules, texts


def x_tick_values(chart: Chart, scale: Scale, width_em: float) -> list[float]:
    """Return the ticks along a plot so many letters' heights wide."""
    if chart.x_axis == "degrees":
        return [0.0, 90.0, 180.0, 270.0, 360.0]
    return scale.ticks(max(3, int(width_em / 4.6)))


def _y_ticks(chart: Chart, box: Box, em: float) -> tuple[list[Rule], list[Text]]:
    scale = chart.y_scale
    rules, texts = [], []
    ticks = scale.ticks(max(3, int(box.height / (2.3 * em))))
    for value, part in zip(ticks, scale.fraction(np.array(ticks)).tolist(), strict=True):
        y = box.bottom - part * box.height
        rules.append(Rule(x1=box.left, y1=y, x2=box.right, y2=y, kind="grid"))
        words = number_text(value, kilo=_kilo(chart.y_axis))
        texts.append(Text(x=box.left - 0.5 * em, y=y + 0.35 * em, text=words, kind="tick", anchor="end"))
    return rules, texts


def _limit_texts(chart: Chart, box: Box, em: float) -> list[Text]:
    """Words beside the right end of each limit, whole, moved apart where they would touch."""
    wanted: list[tuple[float, list[str]]] = []
    scale = chart.y_scale
    for limit in chart.limits:
        y = np.broadcast_to(np.asarray(limit.y, dtype=float), chart.x.shape)
        known = np.flatnonzero(np.isfinite(y))
        if not limit.label or len(known) == 0:
            continue
        part = float(scale.fraction(y[known[-1]]))
        if not 0.0 <= part <= 1.0:
            continue
        head, bracket, rest = limit.label.partition(" (")
        lines = [head] if not bracket or len(rest) + 1 > LABEL_LETTERS else [head, f"({rest}"]
        wanted.append((box.bottom - part * box.height, lines))
    wanted.sort(key=lambda item: item[0])
    out: list[Text] = []
    for middle, (_, lines) in zip(spread(wanted, box, em), wanted, strict=True):
        for i, words in enumerate(lines):
            baseline = middle + 0.35 * em + (i - 0.5 * (len(lines) - 1)) * _LINE_EM * em
            out.append(Text(x=box.right + 0.5 * em, y=baseline, text=words, kind="limit"))
    return out


def spread(wanted: Sequence[tuple[float, Sequence[str]]], box: Box, em: float) -> list[float]:
    """Return middles of blocks of text that touch no other: pushed down, then back up from the lower edge."""
    half = [0.5 * len(lines) * _LINE_EM * em for _, lines in wanted]
    places = [max(y, box.top + h) for (y, _), h in zip(wanted, half, strict=True)]
    for i in range(1, len(places)):
        places[i] = max(places[i], places[i - 1] + half[i - 1] + half[i])
    low = box.bottom + em
    for i in range(len(places) - 1, -1, -1):
        places[i] = min(places[i], low - half[i])
        low = places[i] - half[i]
    return places


def count_mark_rows(chart: Chart) -> int:
    """Return how many rows the findings' bars take over a chart."""
    return max(_mark_rows(chart), default=-1) + 1


def _mark_rows(chart: Chart) -> list[int]:
    """Return the row of each bar, 0 next to the plot: the lowest in which it touches no other."""
    scale = chart.x_scale
    ends: list[list[tuple[float, float]]] = []
    out = []
    for mark in chart.marks:
        start, end = (min(max(float(scale.fraction(value)), 0.0), 1.0) for value in (mark.start, mark.end))
        taken = (start - _MARK_APART, max(end, start + 0.02))
        free = (i for i, row in enumerate(ends) if all(taken[1] <= a or b <= taken[0] for a, b in row))
        row = next(free, len(ends))
        if row == len(ends):
            ends.append([])
        ends[row].append(taken)
        out.append(row)
    return out


def _bars(chart: Chart, box: Box, em: float) -> Iterator[Bar]:
    scale = chart.x_scale
    for row, mark in zip(_mark_rows(chart), chart.marks, strict=True):
        start, end = (float(scale.fraction(value)) for value in (mark.start, mark.end))
        if end < 0.0 or start > 1.0 or not np.isfinite([start, end]).all():
            continue
        x1, x2 = (box.left + min(max(part, 0.0), 1.0) * box.width for part in (start, end))
        yield Bar(
            x1=x1, x2=max(x2, x1 + 0.25 * em), y=box.top - (0.7 + _MARK_EM * row) * em,
            number=mark.number, severity=mark.severity, start=start, end=end,
        )  # fmt: skip


def curves_of(chart: Chart) -> list[DrawnCurve]:
    """Return areas, limits and lines in parts of the plot, in the order in which they are drawn."""
    across, up = chart.x_scale, chart.y_scale
    out = [_area(area, across, up) for area in chart.areas]
    x = across.fraction(chart.x)
    for limit in chart.limits:
        y = 1.0 - up.fraction(np.broadcast_to(np.asarray(limit.y, dtype=float), chart.x.shape))
        if np.ndim(limit.y) == 0:
            pieces = [np.array([[0.0, y[0]], [1.0, y[0]]])] if len(y) and np.isfinite(y[0]) else []
        else:
            pieces = _pieces(x, y)
        out.append(DrawnCurve(pieces=pieces, kind="heavy-limit" if limit.heavy else "limit"))
    return out + [_line(line, x, up) for line in chart.lines]


def _line(line: Line, x: Floats, up: Scale) -> DrawnCurve:
    y = 1.0 - up.fraction(line.y)
    return DrawnCurve(pieces=_pieces(x, y), kind="dots" if line.dots else "line", ink=line.ink, dash=line.dash)


def _area(area: Area, across: Scale, up: Scale) -> DrawnCurve:
    x = across.fraction(area.x)
    low, high = 1.0 - up.fraction(area.low), 1.0 - up.fraction(area.high)
    ok = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    if area.fill == "hatch":
        return DrawnCurve(pieces=_hatched(x[ok], low[ok], high[ok]), kind="hatch")
    pieces = []
    for run in _runs(ok):
        if run.stop - run.start >= 2:
            edge = np.column_stack([x[run], high[run]])
            pieces.append(np.concatenate([edge, np.column_stack([x[run], low[run]])[::-1]]))
    return DrawnCurve(pieces=pieces, kind="band")


def _hatched(x: Floats, low: Floats, high: Floats) -> list[Floats]:
    """Upright strokes, evenly spaced over the whole plot: they stay strokes on paper, in any zoom, and in grey."""
    if len(x) < 2:
        return []
    first, last = np.ceil(x[0] / _HATCH), np.floor(x[-1] / _HATCH)
    at = np.concatenate([[x[0]], np.arange(first, last + 1) * _HATCH, [x[-1]]])
    return [
        np.array([[place, bottom], [place, top]])
        for place, bottom, top in zip(at, np.interp(at, x, low), np.interp(at, x, high), strict=True)
    ]


def _pieces(x: Floats, y: Floats) -> list[Floats]:
    return [np.column_stack([x[run], y[run]]) for run in _runs(np.isfinite(x) & np.isfinite(y))]


def _runs(known: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
