"""Entries out."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from listen.errors import OptionError, close_match
from listen.logbook.book import reading
from listen.logbook.types import BuildLine, Entry, Kind, State
from listen.logbook.wording import name_key

FilePath = str | os.PathLike[str]

_SELECT = """
SELECT entry.id, build.name, kind, state, measured_utc, stored_utc, note, temperature_c, warm_up_min, document,
       struck_utc, struck_why
FROM entry JOIN build ON build.id = entry.build_id
"""
_LAST = " WHERE build_id = ? AND struck_utc IS NULL ORDER BY measured_utc DESC, entry.id DESC LIMIT 1"
_IN_ORDER = " ORDER BY measured_utc, entry.id"


def read_builds(path: FilePath) -> tuple[BuildLine, ...]:
    """Return all builds, the one measured last first; what was struck out counts for nothing.

    Raises
    ------
    LogbookError
        There is no logbook, or it cannot be read.
    """
    lines = []
    with reading(Path(path)) as connection:
        for build_id, name in connection.execute("SELECT id, name FROM build").fetchall():
            counts = dict(
                connection.execute(
                    "SELECT kind, count(*) FROM entry WHERE build_id = ? AND struck_utc IS NULL GROUP BY kind",
                    (build_id,),
                )
            )
            last = _entries(connection, _LAST, build_id)
            lines.append(
                BuildLine(
                    name=name,
                    checks=counts.get("check", 0),
                    calibrations=counts.get("calibration", 0),
                    notes=counts.get("note", 0),
                    last=last[0] if last else None,
                )
            )
    return tuple(sorted(lines, key=_recency, reverse=True))


def _recency(line: BuildLine) -> tuple[float, int]:
    return (line.last.measured.timestamp(), line.last.number) if line.last else (float("-inf"), 0)


def read_history(path: FilePath, build: str | None = None) -> tuple[Entry, ...]:
    """Return the entries of one build, oldest first; of all builds where none is named.

    Raises
    ------
    OptionError
        There is no such build; the message has the nearest name.
    LogbookError
        There is no logbook, or it cannot be read.
    """
    with reading(Path(path)) as connection:
        if build is None:
            return _entries(connection, _IN_ORDER)
        return _entries(connection, " WHERE build_id = ?" + _IN_ORDER, _build_id(connection, build))


def read_entry(path: FilePath, number: int) -> Entry:
    """Return one entry.

    Raises
    ------
    OptionError
        There is no entry of that number.
    LogbookError
        There is no logbook, or it cannot be read.
    """
    with reading(Path(path)) as connection:
        found = _entries(connection, " WHERE entry.id = ?", number)
        if found:
            return found[0]
        (last,) = connection.execute("SELECT max(id) FROM entry").fetchone()
    raise OptionError(
        f"the logbook has no entry {number}", f"its last is {last}" if last else "nothing has been kept in it yet"
    )


def _build_id(connection: sqlite3.Connection, build: str) -> int:
    key = name_key(build)
    known = {str(k): (int(i), str(name)) for i, name, k in connection.execute("SELECT id, name, name_key FROM build")}
    if key in known:
        return known[key][0]
    near = close_match(key, known)
    raise OptionError(
        f"the logbook has no build {build!r}",
        f'did you mean "{known[near][1]}"?' if near else _listed(name for _, name in known.values()),
    )


def _listed(names: Iterable[str]) -> str:
    known = list(names)
    shown = ", ".join(f'"{name}"' for name in known[:5])
    return f"it has {shown}" + (f" and {len(known) - 5} more" if len(known) > 5 else "") if known else "it has none yet"


def _entries(connection: sqlite3.Connection, rest: str, *values: int) -> tuple[Entry, ...]:
    # `rest` is one of the fixed pieces above; what a user wrote only ever goes in as a value.
    return tuple(_entry(*row) for row in connection.execute(_SELECT + rest, values))


def _entry(
    number: int,
    build: str,
    kind: Kind,
    state: State | None,
    measured_utc: str,
    stored_utc: str,
    note: str | None,
    temperature_c: float | None,
    warm_up_min: float | None,
    document: str | None,
    struck_utc: str | None,
    struck_why: str | None,
) -> Entry:
    return Entry(
        number=number,
        build=build,
        kind=kind,
        state=state,
        measured=datetime.fromisoformat(measured_utc),
        stored=datetime.fromisoformat(stored_utc),
        note=note,
        temperature_c=temperature_c,
        warm_up_min=warm_up_min,
        document_text=document,
        struck=None if struck_utc is None else datetime.fromisoformat(struck_utc),
        struck_why=struck_why,
    )
