"""The printed sheet: what is kept in the case with the build. What is not known is a line to write on."""

from __future__ import annotations

import os
import time
from typing import Any

from listen.bench import BuildSettings
from listen.logbook.types import About
from listen.report.jack_volts import bench_lines
from listen.report.page.tables import sweep_table
from listen.report.page.wording import say
from listen.report.paper import readable
from listen.report.views import CaptureView, CheckView
from listen.report.words import name_of, rate

MOST_FINDINGS = 6
CHARTS_PRINTED = ("level-pitch", "parts-pitch")
"""Hold and clean at a glance, beside each other."""


def sheet_view(result: CheckView, about: About | None = None) -> dict[str, Any]:
    """Return what the sheet says.

    Parameters
    ----------
    result : CheckResult
    about : About, optional
        The circumstances of the measurement, as far as they were stated.

    Returns
    -------
    dict
    """
    build = result.bench.build if result.bench is not None else None
    fields = [
        ("build", build_name(build, about)),
        ("topology", result.topology),
        ("gain_control", result.gain_control),
        *stated_fields(about),
        ("supply", supply_text(build)),
        ("instrument", None),
        ("interface", recorded_text(result.capture)),
    ]
    worst = [finding for finding in result.judgement.findings if finding.severity != "note"]
    more = len(worst) - MOST_FINDINGS
    return {
        "fields": [{"label": say(f"sheet.{key}"), "value": value} for key, value in fields],
        "findings": [
            {
                "number": number,
                "severity": say(f"severity.{finding.severity}"),
                "sentence": finding.sentence,
            }
            for number, finding in enumerate(worst[:MOST_FINDINGS], start=1)
        ],
        "more": say("sheet.more", count=more) if more > 0 else "",
        "circuit": bench_lines(result),
        "table": sweep_table(result.judgement.sweep),
        **state_of(about),
    }


def build_name(build: BuildSettings | None, about: About | None) -> str | None:
    """Return the name of a build: as it was stated with the measurement, else as the bench file has it."""
    name = (about.build if about is not None else None) or (build.name if build is not None else None)
    return readable(name) if name else None


def stated_fields(about: About | None) -> list[tuple[str, str | None]]:
    """Return the fields of the circumstances: what was not stated is a line to write on."""
    about = about or About()
    return [
        ("date", about.measured.astimezone().strftime("%Y-%m-%d") if about.measured is not None else None),
        ("temperature", f"{about.temperature_c:g} C" if about.temperature_c is not None else None),
        ("warm_up", f"{about.warm_up_min:g} min" if about.warm_up_min is not None else None),
    ]


def state_of(about: About | None) -> dict[str, Any]:
    """Return which box of the state is ticked, and the note, as far as they were stated."""
    about = about or About()
    return {"state": about.state, "note": readable(about.note) if about.note else None}


def supply_text(build: BuildSettings | None) -> str | None:
    """Return the supply of a build, as the bench file has it."""
    if build is None or build.supply_v is None:
        return None
    return f"{build.supply_v[0]:+g} V, {build.supply_v[1]:+g} V"


def recorded_text(capture: CaptureView) -> str:
    """Return rate and name of a recording, and when its file was written: that is not when it was measured."""
    text = f"{rate(capture.sample_rate_hz)}, {readable(name_of(capture.path))}"
    written = _written_on(capture.path)
    return text if written is None else say("sheet.file_of", text=text, date=written)


def _written_on(path: str | os.PathLike[str]) -> str | None:
    try:
        return None if os.fspath(path) == "-" else time.strftime("%Y-%m-%d", time.localtime(os.stat(path).st_mtime))
    except (OSError, ValueError, OverflowError):
        return None
