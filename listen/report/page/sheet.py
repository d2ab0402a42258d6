"""The printed sheet: what is kept in the case with the build. What is not known is a line to write on."""

from __future__ import annotations

import os
import time
from typing import Any

from listen.report.page.tables import sweep_table
from listen.report.page.wording import say
from listen.report.paper import readable
from listen.report.views import CheckView
from listen.report.words import name_of, rate

MOST_FINDINGS = 6


def sheet_view(result: CheckView, now: time.struct_time) -> dict[str, Any]:
    """Return what the sheet says.

    Parameters
    ----------
    result : CheckResult
    now : struct_time
        Unused where the file of the take has a date of its own.

    Returns
    -------
    dict
    """
    build = result.bench.build if result.bench is not None else None
    supply = None
    if build is not None and build.supply_v is not None:
        supply = f"{build.supply_v[0]:+g} V, {build.supply_v[1]:+g} V"
    fields = [
        ("build", readable(build.name) if build is not None and build.name else None),
        ("date", date_of(result.capture.path, now)),
        ("topology", result.topology),
        ("gain_control", result.gain_control),
        ("supply", supply),
        ("temperature", None),
        ("warm_up", None),
        ("instrument", None),
        ("interface", f"{rate(result.capture.sample_rate_hz)}, {readable(name_of(result.capture.path))}"),
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
        "table": sweep_table(result.judgement.sweep),
    }


def date_of(path: str | os.PathLike[str], now: time.struct_time) -> str:
    """Return the day on which the file was last written; today for a take from standard input."""
    try:
        when = now if os.fspath(path) == "-" else time.localtime(os.stat(path).st_mtime)
    except (OSError, ValueError):
        when = now
    return time.strftime("%Y-%m-%d", when)
