"""Many takes in one: a row each, the table on the terminal, the JSON document."""

from __future__ import annotations

import json
import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any, Literal

from listen.report.document import tool_version
from listen.report.paper import Ink, Paper, readable
from listen.units import format_hz

MANY_SCHEMA = "listen.checks/1"
Outcome = Literal["pass", "attention", "fault", "unusable"]
OUTCOMES: tuple[Outcome, ...] = ("pass", "attention", "fault", "unusable")
_INKS: dict[str, Ink] = {"pass": "good", "attention": "mind", "fault": "bad", "unusable": "bad"}
_FILE = (8, 32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One take of many.

    Attributes
    ----------
    path : str
    label : str
        What the table calls it.
    outcome : {'pass', 'attention', 'fault', 'unusable'}
        The verdict, or that there is none.
    f0_low_hz, f0_high_hz : float or None
        Lowest and highest pitch; None where nothing oscillates.
    worst : str
        The worst finding in a few words; empty where there is none.
    others : int
        So many findings beside it.
    error : str or None
        Why it could not be checked.
    document : bytes or None
        What the check found, as JSON text, where it was asked for.
    """

    path: str
    label: str
    outcome: Outcome
    f0_low_hz: float | None = None
    f0_high_hz: float | None = None
    worst: str = ""
    others: int = 0
    error: str | None = None
    document: bytes | None = None


def row_of(path: str, label: str, document: Mapping[str, Any], text: bytes | None = None) -> Row:
    """Return the row of a take that was checked.

    Parameters
    ----------
    path, label : str
    document : mapping
        Of the schema ``listen.check/1``.
    text : bytes, optional
        The same as text, to be handed on.
    """
    findings = document["findings"]
    return Row(
        path=path,
        label=label,
        outcome=document["verdict"],
        f0_low_hz=document["summary"]["f0_low_hz"],
        f0_high_hz=document["summary"]["f0_high_hz"],
        worst=_words_of(findings[0]) if findings else "",
        others=max(0, len(findings) - 1),
        document=text,
    )


def counts_of(rows: Sequence[Row]) -> dict[str, int]:
    """Return how many takes came out how."""
    counted = Counter(row.outcome for row in rows)
    return {outcome: counted[outcome] for outcome in OUTCOMES}


def many_page(rows: Sequence[Row], *, from_before: int = 0, paper: Paper | None = None) -> str:
    """Return the table of many takes.

    Parameters
    ----------
    rows : sequence of Row
    from_before : int
        So many of them were taken from an earlier run.
    paper : Paper, optional
        80 columns without colour where not given.

    Returns
    -------
    str
        Lines of at most ``paper.width`` columns; ends with a newline.
    """
    paper = paper or Paper()
    lines = [paper.rule("┬"), *(_narrow_rows(rows, paper) if paper.narrow else _table_rows(rows, paper))]
    lines.append(paper.rule("┼"))
    counts = counts_of(rows)
    said = ", ".join(f"{counts[outcome]} {outcome}" for outcome in OUTCOMES if counts[outcome])
    lines += paper.write(f"{len(rows)} {'take' if len(rows) == 1 else 'takes'}: {said}.", label="in all")
    if from_before:
        lines += paper.write(f"{from_before} of them taken from before, not checked anew.")
    lines.append(paper.rule("┴"))
    return paper.finish(lines)


def _narrow_rows(rows: Sequence[Row], paper: Paper) -> Iterator[str]:
    """Yield rows for a page without room for a table: a paragraph each."""
    for row in rows:
        found = readable(row.error) if row.error is not None else f"{pitch_text(row)}, {worst_text(row)}"
        yield from paper.write(f"{row.label}: {found}", label=row.outcome)


def _table_rows(rows: Sequence[Row], paper: Paper) -> Iterator[str]:
    least, most = _FILE
    tones = max(5, *(len(pitch_text(row)) for row in rows))
    files = min(max(least, *(len(readable(row.label)) for row in rows)), most, paper.text_width - tones - 16)
    rest = paper.text_width - files - tones - 2
    head = f"{'file':{files}} {'pitch':{tones}} worst finding"
    yield paper.line(head, label="verdict", ink="faint", text_ink="faint")
    for row in rows:
        if row.error is None:
            lines_of = zip_longest([pitch_text(row)], textwrap.wrap(worst_text(row), rest), fillvalue="")
            rest_lines = [f"{pitch:{tones}} {words}" for pitch, words in lines_of]
        else:
            rest_lines = textwrap.wrap(readable(row.error), rest + tones + 1, break_on_hyphens=False)
        name = _broken(readable(row.label), files)
        for i, (left, right) in enumerate(zip_longest(name, rest_lines, fillvalue="")):
            label = row.outcome if i == 0 else ""
            yield paper.line(f"{left:{files}} {right}".rstrip(), label=label, ink=_INKS[row.outcome])


def many_document(rows: Sequence[Row]) -> Iterator[bytes]:
    """Yield the JSON document of many takes, piece by piece.

    Parameters
    ----------
    rows : sequence of Row
        With their documents.

    Yields
    ------
    bytes
        ASCII, a line a take; the whole holds to ``report/schemas/checks-1.json``.
    """
    head = {"schema": MANY_SCHEMA, "tool": {"name": "listen", "version": tool_version()}, "counts": counts_of(rows)}
    yield json.dumps(head, indent=2).removesuffix("\n}").encode("ascii") + b',\n  "takes": ['
    for i, row in enumerate(rows):
        take = {"path": row.path, "outcome": row.outcome, "worst": row.worst or None, "error": row.error}
        text = json.dumps(take).removesuffix("}").encode("ascii")
        yield (b",\n    " if i else b"\n    ") + text + b', "check": ' + (row.document or b"null") + b"}"
    yield b"\n  ]\n}\n"


@cache
def many_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document of many takes."""
    text = (Path(__file__).parent / "schemas" / "checks-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _words_of(finding: Mapping[str, Any]) -> str:
    from listen.findings import half_name, name_of  # only for who has rows to say

    name = name_of(finding["kind"])
    half = finding["half"]
    if half in ("positive", "negative"):
        name = name.replace("one half", half_name(half, finding.get("half_known", False)))
    return f"{name} (a note)" if finding["severity"] == "note" else name


def worst_text(row: Row) -> str:
    """Return the worst finding of a take in a few words, and how many more there are."""
    if not row.worst:
        return "nothing found"
    return f"{row.worst}, {row.others} more" if row.others else row.worst


def pitch_text(row: Row) -> str:
    """Return the lowest and highest pitch of a take."""
    if row.f0_low_hz is None or row.f0_high_hz is None:
        return "·"
    low, high = format_hz(row.f0_low_hz), format_hz(row.f0_high_hz)
    return low if low == high else f"{low}-{high}"


def _broken(text: str, columns: int) -> list[str]:
    """Break a name where a line is full: it has to be found again, so nothing of it is left out."""
    return [text[i : i + columns] for i in range(0, len(text), columns)] or [""]
