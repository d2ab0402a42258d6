"""The tables of the page: what was looked at, the sweep, the limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from listen.findings.types import SweepRow
from listen.report.bench_effects import bench_facts
from listen.report.page.wording import say
from listen.report.paper import readable
from listen.report.views import CheckView
from listen.report.words import interval, rate, third
from listen.units import format_hz, format_seconds, note_name

_DECIMALS = {
    "seconds": 2, "level_dbfs": 1, "thd_percent": 2, "even_dbc": 1, "odd_dbc": 1, "crest_positive": 3,
    "crest_negative": 3, "noise_dbfs": 1,
}  # fmt: skip


def facts(result: CheckView) -> str:
    """Say in one line what was looked at and with which settings."""
    capture = result.capture
    whole_s = capture.n_samples / capture.sample_rate_hz
    parts = [f"{format_seconds(whole_s)} at {rate(capture.sample_rate_hz)}"]
    if capture.start_sample > 0 or capture.stop_sample < capture.n_samples:
        span = interval(capture.start_sample / capture.sample_rate_hz, capture.stop_sample / capture.sample_rate_hz)
        parts.append(say("page.facts_span", span=span))
    if capture.channels > 1:
        parts.append(say("page.facts_channel", channel=capture.channel, channels=capture.channels))
    parts.append(say("page.any_wave") if result.wave == "any" else result.wave)
    if result.gain_control is not None:
        parts.append(say("page.facts_gain", gain=result.gain_control))
    if result.bench_path is not None:
        parts.append(readable(bench_facts(result)))
    return ", ".join(parts)


def sweep_table(rows: Sequence[SweepRow]) -> dict[str, Any]:
    """Return the heads and cells of the sweep's table; what is not measurable is None, never a zero."""
    heads = [say("column.pitch"), say("column.notes"), *(say(f"column.{name}") for name in _DECIMALS)]
    cells = [
        [
            format_hz(third(row.f0_low_hz, row.f0_high_hz)),
            f"{note_name(row.f0_low_hz)}-{note_name(row.f0_high_hz)}",
            *(_number(getattr(row, name), decimals) for name, decimals in _DECIMALS.items()),
        ]
        for row in rows
    ]
    return {"heads": heads, "rows": cells}


def limit_rows(limits: Mapping[str, Mapping[str, float]]) -> list[dict[str, str]]:
    """Return the limits that were used, a line a kind."""
    return [
        {"kind": kind, "text": ", ".join(f"{key.replace('_', ' ')} {value:g}" for key, value in row.items())}
        for kind, row in limits.items()
        if row
    ]


def _number(value: float | None, decimals: int) -> str | None:
    return None if value is None or value != value else f"{value:.{decimals}f}"
