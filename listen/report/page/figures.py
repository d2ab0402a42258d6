"""Charts as data for the templates and for the page's script."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from listen.report.page.chart import Chart, plain_numbers
from listen.report.page.cycle_charts import Flaw, common_ends, cycle_charts
from listen.report.page.cycles import MeanCycle
from listen.report.page.layout import key_items
from listen.report.page.svg import figure_svg, lines_svg, sample_svg, sheet_svg
from listen.report.page.wording import say


def figure_view(chart: Chart) -> dict[str, Any]:
    """Return a figure for the templates: words, the drawing, and its key where more than one thing is drawn."""
    from markupsafe import Markup

    items = key_items(chart)
    return {
        "name": chart.name,
        "title": chart.title,
        "alt": chart.alt,
        "half_width": chart.half_width,
        "marks": [mark.number for mark in chart.marks],
        "svg": Markup(figure_svg(chart)),
        "key": [{"sample": Markup(sample_svg(item)), "label": item.label} for item in items] if len(items) > 1 else [],
    }


def sheet_figures(charts: Iterable[Chart], names: Sequence[str]) -> list[dict[str, Any]]:
    """Return the charts that a printed sheet has, small."""
    from markupsafe import Markup

    known = {chart.name: chart for chart in charts}
    return [
        {**figure_view(known[name]), "svg": Markup(sheet_svg(known[name]))} for name in names if name in known
    ]  # fmt: skip


def page_data(charts: Sequence[Chart], cycles: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Return what the script of a page reads from.

    Parameters
    ----------
    charts : sequence of Chart
    cycles : sequence of mapping
        What :func:`cycle_data` makes.

    Returns
    -------
    dict
    """
    return {
        "charts": {chart.name: chart_data(chart) for chart in charts},
        "cycles": list(cycles),
        "words": {"nothing": say("page.table_empty")},
    }


def chart_data(chart: Chart) -> dict[str, Any]:
    """Return what is read out under a chart: plain lists, None for gaps; lines of one label once."""
    scale = chart.x_scale
    lines = {line.label: line for line in reversed(chart.lines)}
    return {
        "group": chart.in_group,
        "xAxis": chart.x_axis,
        "yAxis": chart.y_axis,
        "xUnit": chart.x_unit,
        "unit": chart.unit,
        "decimals": chart.decimals,
        "log": scale.log,
        "low": scale.low,
        "high": scale.high,
        "x": plain_numbers(chart.x),
        "lines": [
            {"label": line.label, "y": plain_numbers(line.y)}
            for line in chart.lines
            if line is lines[line.label]
        ],
    }  # fmt: skip


def cycle_data(
    cycles: Sequence[MeanCycle], wave: str, findings: Sequence[Flaw], labels: Sequence[str]
) -> list[dict[str, Any]]:
    """Return each cycle as it would be drawn, so that the script need only put it in its place.

    Parameters
    ----------
    cycles : sequence of Cycle
    wave : str
    findings : sequence of Finding
    labels : sequence of str
        Of the cycles.

    Returns
    -------
    list of dict
    """
    ends = common_ends(cycles, wave, findings) if cycles else None
    return [
        {
            "f0_hz": cycle.f0_hz,
            "label": label,
            "charts": {
                chart.name: {
                    "alt": chart.alt,
                    "svg": lines_svg(chart),
                    "lines": [{"label": line.label, "y": plain_numbers(line.y)} for line in chart.lines],
                }
                for chart in cycle_charts(cycle, wave, findings, ends)
            },
        }
        for cycle, label in zip(cycles, labels, strict=True)
    ]
