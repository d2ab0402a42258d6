"""The page of a comparison: headline, what became of each finding, the table, and the curves laid over each other."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.findings import half_name
from listen.report.comparing import Comparison
from listen.report.comparing.finding_status import words as compare_words
from listen.report.comparing.polarity import polarity_known
from listen.report.files import write_whole
from listen.report.page.against_pitch import BINS_AN_OCTAVE, by_pitch
from listen.report.page.chart import AxisKind, Chart, Line, aligned
from listen.report.page.figures import figure_view, page_data
from listen.report.page.pages import render
from listen.report.page.side_by_side import side_by_side
from listen.report.page.wording import say
from listen.report.paper import readable
from listen.report.views import CheckView
from listen.report.words import name_of, third
from listen.track.types import Frames
from listen.units import format_hz, note_name, percent_from_db

Floats = NDArray[np.float64]

_HALF = ("even-pitch", "odd-pitch", "positive-pitch", "negative-pitch")
_LEAST_PERCENT = 0.0005
"""-106 dBc: below what converters leave; both takes stay in the chart however clean one is."""


@dataclass(frozen=True, slots=True)
class _ChartSpec:
    """A chart of both takes: its name, the column it shows, the axis, and how a value is read out."""

    name: str
    column: str
    label: str
    axis: AxisKind
    unit: str
    decimals: int


_CHARTS = (
    _ChartSpec("thd-pitch", "thd", "percent", "log-percent", "%", 3),
    _ChartSpec("even-pitch", "even", "percent", "log-percent", "%", 3),
    _ChartSpec("odd-pitch", "odd", "percent", "log-percent", "%", 3),
    _ChartSpec("positive-pitch", "positive", "crest", "plain", "", 3),
    _ChartSpec("negative-pitch", "negative", "crest", "plain", "", 3),
    _ChartSpec("level-pitch", "level", "level", "plain", "dBFS", 2),
)


def write_compare_page(
    comparison: Comparison, path: str | os.PathLike[str], takes: tuple[CheckView, CheckView] | None = None
) -> None:
    """Write the page of a comparison, whole or not at all.

    Parameters
    ----------
    comparison : Comparison
    path : path
    takes : (CheckResult, CheckResult), optional
        Where both were checked just now; else curves are drawn from the thirds of an octave, and there are no mean
        cycles and no sounds.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, compare_page_bytes(comparison, takes))


def compare_page_bytes(comparison: Comparison, takes: tuple[CheckView, CheckView] | None = None) -> bytes:
    """Return the page of a comparison: HTML, UTF-8, self-contained."""
    frames = (takes[0].frames, takes[1].frames) if takes is not None else None
    side = side_by_side(takes) if takes is not None else None
    charts = aligned((*compare_charts(comparison, frames), *(side.charts if side is not None else ())))
    said = compare_words()
    names = [readable(name_of(side["capture"]["path"])) for side in (comparison.before, comparison.after)]
    context = {
        "title": say("compare.title", before=names[0], after=names[1]),
        "names": names,
        "sides": [comparison.before, comparison.after],
        "verdict_word": said["verdict"][comparison.verdict],
        "comparison": comparison,
        "findings": [
            {"mark": said["mark"][finding.fate], "sentence": finding.sentence} for finding in comparison.findings
        ],
        "figures": [figure_view(chart) for chart in charts],
        "players": side.players if side is not None else (),
        "table": _table(comparison),
    }
    return render("compare.html", context, charts, page_data(charts))


def compare_charts(comparison: Comparison, frames: tuple[Frames, Frames] | None = None) -> tuple[Chart, ...]:
    """Return the curves of both takes over pitch, laid over each other.

    Parameters
    ----------
    comparison : Comparison
    frames : (Frames, Frames), optional

    Returns
    -------
    tuple of Chart
        None where the takes share no pitch.
    """
    if frames is not None:
        x, columns = _from_frames(frames)
    else:
        x, columns = _from_rows(comparison)
    if len(x) < 2:
        return ()
    titles = _titles(polarity_known(comparison.before) and polarity_known(comparison.after))
    charts = [_chart(x, columns, titles[spec.column], spec) for spec in _CHARTS]
    return tuple(chart for chart in charts if all(np.isfinite(line.y).any() for line in chart.lines))


def _titles(known: bool) -> dict[str, str]:
    halves = ("positive", "negative")
    titles = {spec.column: say(f"compare.chart.{spec.column}") for spec in _CHARTS if spec.column not in halves}
    return titles | {half: say("compare.chart.crest", half=half_name(half, known)) for half in halves}


def _chart(x: Floats, columns: Mapping[str, tuple[Floats, Floats]], title: str, spec: _ChartSpec) -> Chart:
    before, after = columns[spec.column]
    y_range = None
    if spec.axis == "log-percent":
        known = np.concatenate([before, after])
        known = known[np.isfinite(known) & (known > 0)]
        high = float(known.max()) if len(known) else 10.0
        low = float(known.min()) if len(known) else 0.01
        y_range = (max(min(0.1, 0.7 * low), _LEAST_PERCENT), max(4.0, 1.5 * high))
    return Chart(
        name=spec.name,
        title=title,
        alt=_alt_text(x, before, after, spec.unit, spec.decimals),
        x_label=say("axis.pitch"),
        y_label=say(f"axis.{spec.label}"),
        x=x,
        x_axis="pitch",
        y_axis=spec.axis,
        lines=(
            Line(label=say("line.before"), y=before, ink="second", dash="dashed"),
            Line(label=say("line.after"), y=after),
        ),
        half_width=spec.name in _HALF,
        y_range=y_range,
        unit=spec.unit,
        decimals=spec.decimals,
    )


def _alt_text(x: Floats, before: Floats, after: Floats, unit: str, decimals: int) -> str:
    both = np.flatnonzero(np.isfinite(before) & np.isfinite(after))
    if len(both) == 0:
        return say("compare.no_overlap")
    at = int(both[int(np.argmax(np.abs(after[both] - before[both])))])
    return say(
        "compare.alt",
        pitch=format_hz(float(x[at])),
        before=f"{before[at]:.{decimals}f} {unit}".strip(),
        after=f"{after[at]:.{decimals}f} {unit}".strip(),
    )


def _from_frames(frames: tuple[Frames, Frames]) -> tuple[Floats, dict[str, tuple[Floats, Floats]]]:
    """Medians of narrow bands of both takes on one scale of pitch, whichever way they were turned."""
    sides = []
    for take in frames:
        columns = {
            "thd": take.thd_percent,
            "even": np.asarray(percent_from_db(take.even_dbc)),
            "odd": np.asarray(percent_from_db(take.odd_dbc)),
            "positive": take.crest_positive,
            "negative": take.crest_negative,
            "level": take.level_dbfs,
        }
        sides.append((by_pitch(take, columns), columns))
    known = [np.round(BINS_AN_OCTAVE * np.log2(bands.f0_hz)).astype(int) for bands, _ in sides]
    if not all(len(k) for k in known):
        return np.empty(0), {}
    low, high = min(k[0] for k in known), max(k[-1] for k in known)
    out: dict[str, tuple[Floats, Floats]] = {}
    for name in sides[0][1]:
        pair = []
        for (bands, _), k in zip(sides, known, strict=True):
            y = np.full(high - low + 1, np.nan)
            y[k[0] - low : k[-1] - low + 1] = bands.all_turns(name)
            pair.append(y)
        out[name] = (pair[0], pair[1])
    return 2.0 ** (np.arange(low, high + 1) / BINS_AN_OCTAVE), out


def _from_rows(comparison: Comparison) -> tuple[Floats, dict[str, tuple[Floats, Floats]]]:
    rows = comparison.rows
    x = np.array([(row.f0_low_hz * row.f0_high_hz) ** 0.5 for row in rows])

    def column(key: str) -> tuple[Floats, Floats]:
        before, after = ([getattr(row, side)[key] for row in rows] for side in ("before", "after"))
        return np.array(before, dtype=float), np.array(after, dtype=float)

    even, odd = column("even_dbc"), column("odd_dbc")
    return x, {
        "thd": column("thd_percent"),
        "even": (np.asarray(percent_from_db(even[0])), np.asarray(percent_from_db(even[1]))),
        "odd": (np.asarray(percent_from_db(odd[0])), np.asarray(percent_from_db(odd[1]))),
        "positive": column("crest_positive"),
        "negative": column("crest_negative"),
        "level": column("level_dbfs"),
    }


def _table(comparison: Comparison) -> dict[str, Any]:
    heads = [say("column.pitch"), say("column.notes"), *(say(f"compare.column.{i}") for i in range(1, 9))]

    def cells(values: Sequence[float | None], decimals: int) -> list[str | None]:
        return [None if value is None else f"{round(value, decimals) + 0.0:.{decimals}f}" for value in values]

    rows = [
        [
            format_hz(third(row.f0_low_hz, row.f0_high_hz)),
            f"{note_name(row.f0_low_hz)}-{note_name(row.f0_high_hz)}",
            *cells((row.before["thd_percent"], row.after["thd_percent"]), 3),
            *cells((row.thd_change_db,), 1),
            *cells((row.before["crest_positive"], row.after["crest_positive"]), 3),
            *cells((row.before["crest_negative"], row.after["crest_negative"]), 3),
            *cells((row.level_change_db,), 1),
        ]
        for row in comparison.rows
    ]
    return {"heads": heads, "rows": rows}
