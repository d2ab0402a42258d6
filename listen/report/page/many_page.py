"""The page that leads to the pages of many takes: a row each, worst first."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from listen.report.document import tool_version
from listen.report.files import write_whole
from listen.report.many import OUTCOMES, Row, counts_of, pitch_text, worst_text
from listen.report.page.pages import render_plain
from listen.report.page.wording import say
from listen.report.paper import readable

NAMES = ("index.html", "all-takes.html")
_WORST_FIRST = {"unusable": 0, "fault": 1, "attention": 2, "pass": 3}
"""As the exit status has it: a take that could not be checked comes before all."""


def write_index(rows: Sequence[Row], pages: Sequence[str | None], folder: str | os.PathLike[str]) -> Path:
    """Write the index of many takes into the folder of their pages.

    Parameters
    ----------
    rows : sequence of Row
    pages : sequence of str or None
        The page of each, in that folder.
    folder : path

    Returns
    -------
    Path
        ``index.html``, or ``all-takes.html`` where a take's own page is called so.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    taken = {os.path.basename(page) for page in pages if page is not None}
    target = Path(folder) / next(name for name in NAMES if name not in taken)
    write_whole(target, index_bytes(rows, pages))
    return target


def index_bytes(rows: Sequence[Row], pages: Sequence[str | None]) -> bytes:
    """Return the index of many takes: HTML, UTF-8, without a script.

    Parameters
    ----------
    rows : sequence of Row
    pages : sequence of str or None
        The page of each; only its name counts.

    Returns
    -------
    bytes
    """
    order = sorted(range(len(rows)), key=lambda i: _WORST_FIRST[rows[i].outcome])
    counts = counts_of(rows)
    context = {
        "title": say("many.title", count=len(rows)),
        "counts": ", ".join(f"{counts[outcome]} {outcome}" for outcome in OUTCOMES if counts[outcome]),
        "rows": [_row(rows[i], pages[i]) for i in order],
        "about": say("many.about", version=tool_version()),
    }
    return render_plain("many.html", context)


def _row(row: Row, page: str | None) -> dict[str, Any]:
    usable = row.error is None
    return {
        "outcome": row.outcome,
        "ink": row.outcome if usable else "fault",
        "name": readable(row.label),
        "href": quote(os.path.basename(page), errors="surrogateescape") if page is not None and usable else None,
        "pitch": pitch_text(row) if usable else None,
        "words": worst_text(row) if usable else readable(row.error or ""),
    }
