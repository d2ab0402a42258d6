"""Queries of the logbook: builds, histories, entries."""

from __future__ import annotations

import math
import os
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from listen.errors import OptionError, close_match
from listen.logbook.book import read_connection
from listen.logbook.layout import DIGESTED, is_as_stored
from listen.logbook.types import KINDS, STATES, BuildLine, Entry, EntryKind
from listen.logbook.wording import name_key, read_moment

FilePath = str | os.PathLike[str]

_DIGESTED = DIGESTED.split(", ")
_COLUMNS = ("id", "build", "struck_utc", "struck_why", "digest", *_DIGESTED)
_SELECT = f"""
SELECT entry.id, build.name, struck_utc, struck_why, digest, {DIGESTED}
FROM entry JOIN build ON build.id = entry.build_id
"""
_UNKNOWN = datetime(1970, 1, 1, tzinfo=UTC)
"""When an entry was measured whose date can no longer be read."""
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
    with read_connection(Path(path)) as connection:
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
                    name=str(name),
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
    with read_connection(Path(path)) as connection:
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
    with read_connection(Path(path)) as connection:
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
    return tuple(_entry(row) for row in connection.execute(_SELECT + rest, values))


def _entry(row: tuple[Any, ...]) -> Entry:
    """Make an entry of a row; of one that was changed since it was stored, whatever can still be read."""
    found = dict(zip(_COLUMNS, row, strict=True))
    whole = is_as_stored(tuple(found[name] for name in _DIGESTED), found["digest"])
    measured, stored, struck = (read_moment(found[name]) for name in ("measured_utc", "stored_utc", "struck_utc"))
    kind: EntryKind = found["kind"] if found["kind"] in KINDS else "note"
    entry = Entry(
        number=int(found["id"]),
        build=str(found["build"]),
        kind=kind,
        state=found["state"] if found["state"] in STATES else None,
        measured=measured or stored or _UNKNOWN,
        stored=stored or measured or _UNKNOWN,
        note=_text(found["note"]),
        temperature_c=_number(found["temperature_c"]),
        warm_up_min=_number(found["warm_up_min"]),
        document_text=_text(found["document"]),
        struck=None if found["struck_utc"] is None else struck or _UNKNOWN,
        struck_why=_text(found["struck_why"]),
    )
    if whole and measured and stored and isinstance(found["build"], str) and entry.struck == struck:
        return entry
    return replace(entry, changed=True)


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None
