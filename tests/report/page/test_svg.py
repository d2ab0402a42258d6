"""Scales, places and paths of the charts: round ticks, texts that touch no other, lines that are the data."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.report.page.axes import Scale, number_text, text_width
from listen.report.page.chart import Area, Chart, Limit, Line, Mark, aligned
from listen.report.page.layout import Size, curves_of, key_items, lay_out
from listen.report.page.svg import GRID_HEIGHT, GRID_WIDTH, figure_svg, path_data, shared_svg, sheet_svg


def a_chart(**more) -> Chart:
    x = np.geomspace(55.0, 3520.0, 73)
    plain = {
        "name": "a", "title": "A", "alt": "a", "x_label": "pitch, Hz", "y_label": "level, dBFS",
        "x": x, "x_axis": "pitch", "lines": (Line(label="up", y=-20.0 + np.log2(x)),),
    }  # fmt: skip
    return Chart(**{**plain, **more})


# Scales


@given(
    low=st.floats(-1e4, 1e4), span=st.floats(1e-3, 1e5), most=st.integers(3, 12),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_linear_ticks_are_round_evenly_spaced_within_the_ends_and_not_too_many(low, span, most) -> None:
    ticks = Scale(low=low, high=low + span).ticks(most)
    assert 1 <= len(ticks) <= most
    assert all(low - 1e-6 * span <= tick <= low + span * (1 + 1e-6) for tick in ticks)
    if len(ticks) > 2:
        assert np.ptp(np.diff(ticks)) < 1e-6 * span
        lead = f"{ticks[1] - ticks[0]:.3e}"[0]
        assert lead in "1259"  # 9: 0.1 as 0.0999..


@given(low=st.floats(1e-3, 2e4), octaves=st.floats(0.02, 12.0), most=st.integers(3, 12))
@settings(max_examples=200, deadline=None)
def test_logarithmic_ticks_lie_within_the_ends_and_rise(low, octaves, most) -> None:
    high = low * 2.0**octaves
    ticks = Scale(low=low, high=high, log=True).ticks(most)
    assert ticks == sorted(set(ticks))
    assert all(low * (1 - 1e-6) <= tick <= high * (1 + 1e-6) for tick in ticks)
    assert len(ticks) <= max(most, 5)


def test_an_octave_takes_the_same_room_everywhere() -> None:
    parts = Scale(low=100.0, high=1600.0, log=True).fraction(np.array([100.0, 200.0, 400.0, 1600.0, -1.0]))
    np.testing.assert_allclose(parts[:4], [0.0, 0.25, 0.5, 1.0], atol=1e-12)
    assert np.isnan(parts[4])


def test_a_minus_sign_is_a_minus_sign() -> None:
    assert number_text(-12.5) == "\u221212.5"
    assert number_text(-0.0) == "0"
    assert number_text(2500.0, kilo=True) == "2.5 k"
    assert number_text(2e-5) == "0.00002"


# Places


SIZES = [
    Size(width=780.0, height=262.0, type_size=13.0),
    Size(width=360.0, height=236.0, type_size=13.0, limit_labels=False),
    Size(width=1860.0, height=1020.0, type_size=29.0, title=True),
]


def boxes(laid) -> list[tuple[float, float, float, float, str]]:
    em = laid.size.type_size
    out = []
    for text in (*laid.x_texts, *laid.texts):
        wide = text_width(text.text, em) * (1.25 if text.kind == "title" else 1.0)
        left = text.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor] * wide
        out.append((left, text.y - 0.75 * em, left + wide, text.y + 0.05 * em, text.text))
    return out


@given(
    low=st.floats(-120.0, 3.0), span=st.floats(0.01, 100.0), size=st.sampled_from(SIZES),
    attention=st.floats(0.0, 1.0), fault=st.floats(0.0, 1.0), marks=st.integers(0, 9),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_no_text_of_a_chart_touches_another(low, span, size, attention, fault, marks) -> None:
    x = np.geomspace(55.0, 3520.0, 40)
    chart = a_chart(
        x=x, lines=(Line(label="up", y=np.linspace(low, low + span, 40)),),
        limits=tuple(
            Limit(label=f"{name} (8 % lost)", y=low + part * span)
            for name, part in (("attention", attention), ("fault", fault))
        ),
        marks=tuple(Mark(number=i + 1, severity="fault", start=60.0, end=3000.0) for i in range(marks)),
    )  # fmt: skip
    laid = lay_out(chart, size)
    assert all(text.y >= laid.box.top for text in laid.texts if text.kind == "limit")
    found = boxes(laid)
    for i, a in enumerate(found):
        for b in found[i + 1 :]:
            assert min(a[2], b[2]) - max(a[0], b[0]) <= 0.5 or min(a[3], b[3]) - max(a[1], b[1]) <= 0.5, (a, b)


def test_bars_that_would_touch_have_rows_of_their_own_and_others_share_one() -> None:
    def rows(*spans):
        marks = tuple(Mark(number=i, severity="fault", start=a, end=b) for i, (a, b) in enumerate(spans))
        return [round(bar.y, 3) for bar in lay_out(a_chart(marks=marks), SIZES[0]).bars]

    assert len(set(rows((60, 200), (100, 300)))) == 2
    assert len(set(rows((60, 100), (1000, 3000)))) == 1
    assert len(set(rows(*[(60, 3000)] * 9))) == 9


def test_edges_of_the_plot_follow_from_the_size_alone() -> None:
    with_limit = a_chart(limits=(Limit(label="attention (+1 dB)", y=-10.0),))
    for size in SIZES:
        first, other = lay_out(a_chart(), size).box, lay_out(with_limit, size).box
        assert (first.left, first.right) == (other.left, other.right)


def test_charts_of_one_group_have_the_same_ends() -> None:
    short = a_chart(name="b", x=np.geomspace(110.0, 220.0, 9), lines=(Line(label="up", y=np.zeros(9)),))
    other = a_chart(name="c", x=np.arange(9.0), x_axis="time", lines=(Line(label="up", y=np.zeros(9)),))
    a, b, c = aligned([a_chart(), short, other])
    assert a.x_range == b.x_range == pytest.approx((55.0, 3520.0))
    assert c.x_range == (0.0, 8.0)


# Paths


def points_of(data: str) -> list[np.ndarray]:
    """Points of a path of M and relative l, as any SVG reader would have them (SVG 1.1, 8.3, from memory)."""
    pieces = []
    for piece in re.findall(r"M[^M]*", data):
        head, _, rest = piece[1:].partition("l")
        numbers = [int(n) for n in re.findall(r"-?\d+", rest)]
        steps = np.array(numbers, dtype=float).reshape(-1, 2)
        start = np.array([int(n) for n in re.findall(r"-?\d+", head.split("h")[0])], dtype=float)
        pieces.append(np.concatenate([start[None], start + np.cumsum(steps, axis=0)]))
    return pieces


def test_a_path_is_the_data_and_a_gap_stays_a_gap() -> None:
    x = np.linspace(0.0, 10.0, 501)
    y = np.sin(x)
    y[200:230] = np.nan
    chart = a_chart(x=x, x_axis="time", lines=(Line(label="up", y=y),), y_range=(-1.25, 1.25))
    (curve,) = curves_of(chart)
    pieces = points_of(path_data(curve))
    assert len(pieces) == 2
    assert pieces[0][-1][0] == pytest.approx(GRID_WIDTH * x[199] / 10.0, abs=0.6)
    for piece in pieces:
        back = 1.25 - 2.5 * piece[:, 1] / GRID_HEIGHT
        # half a step of the grid, and the slope over half a step across
        np.testing.assert_allclose(back, np.sin(10.0 * piece[:, 0] / GRID_WIDTH), atol=2.5 / GRID_HEIGHT)


def test_points_are_dots_and_a_lone_point_of_a_line_is_seen() -> None:
    x = np.arange(5.0)
    lone = np.array([np.nan, 1.0, np.nan, 2.0, 3.0])
    chart = a_chart(x=x, x_axis="time", lines=(Line(label="m", y=lone), Line(label="m", y=lone, dots=True)))
    line, dots = (path_data(curve) for curve in curves_of(chart))
    assert line.count("M") == 2
    assert "h0" in line
    assert dots.count("h0") == 3


def test_a_band_is_closed_and_a_hatched_area_is_strokes_within_it() -> None:
    x = np.linspace(0.0, 10.0, 50)
    low, high = np.full(50, 1.0), np.full(50, 3.0)
    chart = a_chart(
        x=x, x_axis="time", lines=(Line(label="fit", y=np.full(50, 2.0)),), y_range=(0.0, 4.0), x_range=(0.0, 10.0),
        areas=(
            Area(label="sigma", x=x, low=low, high=high),
            Area(label="gone", x=x[10:20], low=low[:10], high=high[:10], fill="hatch"),
        ),
    )  # fmt: skip
    band, hatch, _ = curves_of(chart)
    assert path_data(band).endswith("z")
    assert {tuple(p) for p in np.round(band.pieces[0][[0, 49, 50]], 6)} == {(0.0, 0.25), (1.0, 0.25), (1.0, 0.75)}
    assert all(piece.shape == (2, 2) and piece[0, 0] == piece[1, 0] for piece in hatch.pieces)
    places = [piece[0, 0] for piece in hatch.pieces]
    assert min(places) == pytest.approx(x[10] / 10.0)
    assert max(places) == pytest.approx(x[19] / 10.0)
    assert [item.label for item in key_items(chart)] == ["sigma", "gone", "fit"]


def test_every_size_shows_the_same_lines_and_names_are_escaped() -> None:
    chart = a_chart(title="<b>", y_label="a < b & c", limits=(Limit(label="<i> (1 dB)", y=-10.0),))
    drawn = figure_svg(chart)
    assert drawn.count('href="#lines-a"') == 2
    assert 'href="#lines-a"' in sheet_svg(chart)
    assert 'id="lines-a"' in shared_svg([chart])
    assert "<b>" not in drawn
    assert "<i>" not in drawn
    assert "a &lt; b &amp; c" in drawn
