"""All charts of a check, in the order of the four questions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from listen.findings import half_adjective, half_name
from listen.report.page.against_pitch import TURNS, ByPitch, Turn, by_pitch
from listen.report.page.axes import number_text
from listen.report.page.chart import Chart, Dash, Limit, Line, LineInk, Mark, aligned
from listen.report.page.circuit_charts import circuit_charts
from listen.report.page.cycle_charts import common_ends, cycle_charts, worst_cycle
from listen.report.page.cycles import MeanCycle
from listen.report.page.over_time import level_time, pitch_time, start_chart
from listen.report.page.shape_charts import shape_charts
from listen.report.page.wave_shape import SHARED_WAVES, longer_share, share_of_even
from listen.report.page.wording import say, title_of
from listen.report.views import CheckView
from listen.track.types import Frames
from listen.units import format_db, format_hz_note, format_percent, percent_from_db

Floats = NDArray[np.float64]
Limits = Mapping[str, Mapping[str, float]]

FEWEST_BANDS = 4
_WIDEST_SPAN_DB = 10.0
"""Where the tone dies the limits of its drift say nothing."""
_HALF = ("h2", "h3", "h4", "h5")
_DASH: dict[Turn, Dash] = {"up": "solid", "down": "dashed", "rest": "dotted"}


def check_charts(result: CheckView, cycles: Sequence[MeanCycle]) -> tuple[Chart, ...]:
    """Return the charts of a check that its take allows.

    Parameters
    ----------
    result : CheckResult
    cycles : sequence of Cycle
        Of which the most distorted is drawn.

    Returns
    -------
    tuple of Chart
    """
    frames, limits, account = result.frames, result.judgement.limits, result.judgement.account
    time_marks, pitch_marks = _marks(result)
    start = account.start if account is not None else None
    charts: list[Chart | None] = [
        pitch_time(frames, start, time_marks),
        start_chart(frames, start, time_marks),
        level_time(frames, start, time_marks),
    ]
    charts += [
        _marked(chart, pitch_marks)
        for chart in pitch_charts(frames, limits, result.wave, result.capture.polarity_known)
    ]
    if cycles:
        findings = result.judgement.findings
        worst = cycles[worst_cycle(cycles, result.wave)]
        charts += list(cycle_charts(worst, result.wave, findings, common_ends(cycles, result.wave, findings)))
    charts += list(circuit_charts(result.circuit))
    shape = account.wave_shape if account is not None else None
    figures = result.circuit.shape if result.circuit is not None else None
    charts += [
        _marked(chart, pitch_marks) if chart.x_axis == "pitch" else chart
        for chart in shape_charts(figures, shape, limits)
    ]
    return aligned([chart for chart in charts if chart is not None])


def pitch_charts(frames: Frames, limits: Limits, wave: str, polarity_known: bool = False) -> list[Chart]:
    """Return the charts against pitch; none where the take stays on a note."""
    columns = {
        "level": frames.level_dbfs,
        "thd": frames.thd_percent,
        "even": np.asarray(percent_from_db(frames.even_dbc)),
        "odd": np.asarray(percent_from_db(frames.odd_dbc)),
        "positive": frames.crest_positive,
        "negative": frames.crest_negative,
        "slope": frames.slope_over_sine,
        "between": frames.residual_dbc,
        "half": frames.subharmonic_dbc,
        **({"share": longer_share(frames.harmonics_dbc[:, 0], wave)} if wave in SHARED_WAVES else {}),
        **{f"h{k}": frames.harmonics_dbc[:, k - 2] for k in range(2, 6)},
    }
    bands = by_pitch(frames, columns)
    if np.count_nonzero(np.isfinite(bands.all_turns("level"))) < FEWEST_BANDS:
        return []
    judged = limits if wave == "sine" else {}
    charts = [_level(bands, limits), _thd(bands, wave), _parts(bands, judged)]
    charts += [_harmonic(bands, k) for k in range(2, 6)]
    charts += [_crest(bands, judged, wave, polarity_known), _interharmonic_chart(bands, limits)]
    if wave in SHARED_WAVES:
        charts.append(_symmetry(bands, limits, wave))
    if wave not in ("square", "sawtooth"):  # a jump is as steep as the recording lets it be
        charts.append(_slope(bands, judged, wave))
    return [chart for chart in charts if any(np.isfinite(line.y).any() for line in chart.lines)]


def _marks(result: CheckView) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    """Stretches of the findings, over time and over pitch."""
    over_time, over_pitch = [], []
    for number, finding in enumerate(result.judgement.findings, start=1):
        over_time.append(Mark(number=number, severity=finding.severity, start=finding.start_s, end=finding.end_s))
        if finding.f0_low_hz is not None and finding.f0_high_hz is not None:
            over_pitch.append(
                Mark(number=number, severity=finding.severity, start=finding.f0_low_hz, end=finding.f0_high_hz)
            )
    return tuple(over_time), tuple(over_pitch)


def _marked(chart: Chart, marks: tuple[Mark, ...]) -> Chart:
    return chart if chart.half_width else replace(chart, marks=marks)


def _lines(bands: ByPitch, column: str, label: str = "", ink: LineInk = "first") -> list[Line]:
    """Lines of one column, distinguished by pattern: turning up, turning down, at rest."""
    lines = []
    for turn in TURNS:
        y = bands.of(column, turn)
        if np.isfinite(y).any():
            words = say(f"turn.{turn}")
            words = say("line.joined", what=label, turn=words) if label else words
            lines.append(Line(label=words, y=y, ink=ink, dash=_DASH[turn], dots=turn == "rest"))
    return lines


def _chart(name: str, bands: ByPitch, lines: Sequence[Line], wave: str = "sine", **more: object) -> Chart:
    return Chart(
        name=name,
        title=title_of(name, wave),
        x_label=say("axis.pitch"),
        x=bands.f0_hz,
        x_axis="pitch",
        lines=tuple(lines),
        half_width=name in _HALF,
        **more,  # type: ignore[arg-type]
    )


def _ends(bands: ByPitch, column: str) -> tuple[float, str, float, str]:
    """Least and largest value over all turns and where."""
    values = np.stack([bands.of(column, turn) for turn in TURNS])
    if not np.isfinite(values).any():
        return np.nan, "", np.nan, ""
    low = np.unravel_index(int(np.nanargmin(values)), values.shape)
    high = np.unravel_index(int(np.nanargmax(values)), values.shape)
    at = [format_hz_note(float(bands.f0_hz[i[1]])) for i in (low, high)]
    return float(values[low]), at[0], float(values[high]), at[1]


def _level(bands: ByPitch, limits: Limits) -> Chart:
    low, low_at, high, high_at = _ends(bands, "level")
    row = limits.get("level-drift", {})
    lines = [
        Limit(label=f"{say(f'limit.{key}')} (+{row[key]:g} dB)", y=low + row[key], heavy=key == "fault")
        for key in ("attention", "fault")
        if key in row and low + row[key] < high + 2.5 and high - low < _WIDEST_SPAN_DB
    ]
    return _chart(
        "level-pitch", bands, _lines(bands, "level"),
        alt=say(
            "chart.level-pitch.alt",
            low=format_db(low, "dBFS"), low_at=low_at, high=format_db(high, "dBFS"), high_at=high_at,
        ),
        y_label=say("axis.level"), limits=tuple(lines), unit="dBFS", decimals=2,
        y_range=(low - 0.5, max(high + 0.5, low + 3.0)),
    )  # fmt: skip


def _thd(bands: ByPitch, wave: str) -> Chart:
    low, low_at, high, high_at = _ends(bands, "thd")
    return _chart(
        "thd-pitch", bands, _lines(bands, "thd"), wave,
        alt=say(
            "chart.thd-pitch.alt",
            low=format_percent(low), low_at=low_at, high=format_percent(high), high_at=high_at,
        ),
        y_label=say("axis.percent"), y_axis="log-percent", y_range=_percent_range(low, high), unit="%", decimals=3,
    )  # fmt: skip


def _parts(bands: ByPitch, limits: Limits) -> Chart:
    even_low, _, even, even_at = _ends(bands, "even")
    odd_low, _, odd, odd_at = _ends(bands, "odd")
    row, other = limits.get("odd-order-distortion", {}), limits.get("even-order-distortion", {})
    drawn = []
    for key in ("attention", "fault"):
        if key in row:
            same = other.get(key) == row[key]
            label, heavy = say(f"limit.{key}"), key == "fault"
            label += f" ({row[key]:g} %)" if same else f" ({say('line.odd')})"
            drawn.append(Limit(label=label, y=row[key], heavy=heavy))
            if not same and key in other:
                drawn.append(Limit(label=f"{say(f'limit.{key}')} ({say('line.even')})", y=other[key], heavy=heavy))
    return _chart(
        "parts-pitch", bands,
        [*_lines(bands, "odd", say("line.odd")), *_lines(bands, "even", say("line.even"), "second")],
        alt=say(
            "chart.parts-pitch.alt",
            even=format_percent(even), even_at=even_at, odd=format_percent(odd), odd_at=odd_at,
        ),
        y_label=say("axis.percent"), y_axis="log-percent", limits=tuple(drawn), unit="%", decimals=3,
        y_range=_percent_range(float(np.fmin(even_low, odd_low)), float(np.fmax(even, odd))),
    )  # fmt: skip


def _harmonic(bands: ByPitch, k: int) -> Chart:
    _, _, high, high_at = _ends(bands, f"h{k}")
    values = np.stack([bands.of(f"h{n}", turn) for n in range(2, 6) for turn in TURNS])
    known = values[np.isfinite(values)]
    bottom, top = (float(known.min()), float(known.max())) if len(known) else (-100.0, 0.0)
    return _chart(
        f"h{k}", bands, _lines(bands, f"h{k}"),
        alt=say(f"chart.h{k}.alt", high=format_db(high, "dBc"), high_at=high_at),
        y_label=say("axis.dbc"), unit="dBc", y_range=(max(bottom, top - 80.0) - 3.0, top + 3.0),
    )  # fmt: skip


def _crest(bands: ByPitch, limits: Limits, wave: str, polarity_known: bool) -> Chart:
    positive, positive_at, _, _ = _ends(bands, "positive")
    negative, negative_at, _, _ = _ends(bands, "negative")
    larger = np.fmax(bands.all_turns("positive"), bands.all_turns("negative"))
    row = limits.get("asymmetric-clipping", {})
    drawn = [
        Limit(
            label=say("chart.crest-pitch.limit", severity=say(f"limit.{key}"), percent=f"{row[key]:g} %"),
            y=larger * (1.0 - row[key] / 100.0),
            heavy=key == "fault",
        )
        for key in ("attention", "fault")
        if key in row
    ]
    return _chart(
        "crest-pitch", bands,
        [
            *_lines(bands, "positive", half_adjective("positive", polarity_known)),
            *_lines(bands, "negative", half_adjective("negative", polarity_known), "second"),
        ],
        wave,
        alt=say(
            "chart.crest-pitch.alt",
            upper=half_name("positive", polarity_known), lower=half_name("negative", polarity_known),
            positive=f"{positive:.3f}", positive_at=positive_at, negative=f"{negative:.3f}", negative_at=negative_at,
        ),
        y_label=say("axis.crest"), limits=tuple(drawn), decimals=3,
    )  # fmt: skip


def _slope(bands: ByPitch, limits: Limits, wave: str) -> Chart:
    low, low_at, _, _ = _ends(bands, "slope")
    row = limits.get("slew-limiting", {})
    drawn = [
        Limit(
            label=say("chart.slope-pitch.limit", severity=say(f"limit.{key}"), percent=f"{row[key]:g} %"),
            y=1.0 - row[key] / 100.0,
            heavy=key == "fault",
        )
        for key in ("attention", "fault")
        if key in row
    ]
    return _chart(
        "slope-pitch", bands, _lines(bands, "slope"), wave,
        alt=say("chart.slope-pitch.alt", low=f"{low:.3f}", low_at=low_at),
        y_label=say("axis.slope"), limits=tuple(drawn), decimals=3,
    )  # fmt: skip


def _symmetry(bands: ByPitch, limits: Limits, wave: str) -> Chart:
    """The longer slope of a triangle, or half of a square, in per cent of the cycle."""
    low, _, high, high_at = _ends(bands, "share")
    row = limits.get("even-order-distortion", {})
    drawn = []
    for key in ("attention", "fault"):
        if key in row:
            share = share_of_even(row[key], wave)
            drawn.append(Limit(label=f"{say(f'limit.{key}')} ({share:.1f} %)", y=share, heavy=key == "fault"))
    top = max(high, *(float(limit.y) for limit in drawn)) if drawn else high
    return _chart(
        "symmetry-pitch", bands, _lines(bands, "share"), wave,
        alt=say(f"chart.symmetry-pitch.alt_{wave}", high=format_percent(high), high_at=high_at),
        y_label=say("axis.cycle"), limits=tuple(drawn), unit="%", decimals=2,
        y_range=(min(50.0, low) - 0.15 * (top - 50.0), top + 0.15 * (top - 50.0)),
    )  # fmt: skip


def _interharmonic_chart(bands: ByPitch, limits: Limits) -> Chart:
    bottom, _, high, high_at = _ends(bands, "between")
    low_half, _, half, half_at = _ends(bands, "half")
    row = limits.get("parasitic-oscillation", {})
    drawn = [
        Limit(label=f"{say(f'limit.{key}')} ({number_text(row[key])} dBc)", y=row[key], heavy=key == "fault")
        for key in ("attention", "fault")
        if key in row
    ]
    low = float(np.fmin(bottom, low_half))
    return _chart(
        "between-pitch", bands,
        [*_lines(bands, "between", say("line.between")), *_lines(bands, "half", say("line.half"), "second")],
        alt=say(
            "chart.between-pitch.alt",
            high=format_db(high, "dBc"), high_at=high_at, half=format_db(half, "dBc"), half_at=half_at,
        ),
        y_label=say("axis.dbc"), limits=tuple(drawn), unit="dBc",
        y_range=(max(low, -120.0) - 4.0, max(float(np.fmax(high, half)) + 4.0, -25.0)),
    )  # fmt: skip


def _percent_range(low: float, high: float) -> tuple[float, float]:
    """Ends of a scale of decades."""
    if not (np.isfinite(low) and np.isfinite(high)):
        return 0.01, 10.0
    bottom = 10.0 ** np.floor(np.log10(max(low, 0.0112) * 0.9))  # less than a hundredth of a per cent is noise
    return float(bottom), float(max(4.0, high * 1.5))
