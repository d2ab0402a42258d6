"""Writes to the logbook: each is one transaction, and is on the disc when the call returns."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from listen.errors import OptionError, close_match
from listen.logbook.book import write_connection
from listen.logbook.layout import DIGESTED, digest_of
from listen.logbook.place import logbook_path
from listen.logbook.queries import read_entry
from listen.logbook.types import SCHEMAS, About, EntryKind, Stored
from listen.logbook.wording import checked, name_key, normalised_name, normalised_note

_INSERT = f"INSERT INTO entry ({DIGESTED}, digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


def record(
    document: Mapping[str, Any],
    *,
    build: str,
    path: str | os.PathLike[str] | None = None,
    about: About | None = None,
) -> Stored:
    """Keep the document of a check or of a calibration.

    Parameters
    ----------
    document : mapping
        As its JSON schema has it (``listen.check/1`` or ``listen.calibration/1``): plain values alone.
    build : str
        The name of the build; the first entry of a name makes the build. Capitals make no other build.
    path : path, optional
        The logbook; the usual one where not given.
    about : About, optional
        Note, temperature, minutes since switching on, as found or as left.

    Returns
    -------
    Stored
        The entry is on the disc.

    Raises
    ------
    OptionError
        The name, the note or a number is not usable.
    LogbookError
        The logbook cannot be written; nothing was stored.
    """
    kind = SCHEMAS[document["schema"]]
    text = json.dumps(document, allow_nan=False, separators=(",", ":"))
    return _store(kind, text, _recording_key(document), build, path, about or About())


def record_check(document: Mapping[str, Any], **settings: Any) -> Stored:
    """Keep the document of a check; see `record`."""
    if document["schema"] != "listen.check/1":
        raise ValueError(f"no document of a check: {document['schema']!r}")
    return record(document, **settings)


def record_calibration(document: Mapping[str, Any], **settings: Any) -> Stored:
    """Keep the document of a calibration; see `record`."""
    if document["schema"] != "listen.calibration/1":
        raise ValueError(f"no document of a calibration: {document['schema']!r}")
    return record(document, **settings)


def record_note(*, build: str, about: About, path: str | os.PathLike[str] | None = None) -> Stored:
    """Keep a note, a temperature or both; see `record`."""
    return _store("note", None, None, build, path, about)


def strike(number: int, why: str, *, path: str | os.PathLike[str] | None = None) -> str:
    """Strike out an entry that was made by mistake: it stays, and counts for nothing.

    Parameters
    ----------
    number : int
        Of the entry.
    why : str
        What was wrong with it.
    path : path, optional
        The logbook; the usual one where not given.

    Returns
    -------
    str
        The name of its build.

    Raises
    ------
    OptionError
        There is no such entry, it has been struck out before, or no reason was given.
    LogbookError
        The logbook cannot be written; nothing was changed.
    """
    reason = normalised_note(why)
    if reason is None:
        raise OptionError("an entry is struck out for a reason", "say what was wrong with it")
    place = logbook_path(path)
    read_entry(place, number)  # no logbook is made only to strike in it
    with write_connection(place) as connection:
        name, struck = connection.execute(
            "SELECT build.name, struck_utc FROM entry JOIN build ON build.id = build_id WHERE entry.id = ?", (number,)
        ).fetchone()
        if struck is not None:
            raise OptionError(f"entry {number} has been struck out before", "there is nothing left to do")
        connection.execute(
            "UPDATE entry SET struck_utc = ?, struck_why = ? WHERE id = ?", (_utc(datetime.now(UTC)), reason, number)
        )
    return str(name)


def _store(
    kind: EntryKind,
    document: str | None,
    recording_key: str | None,
    build: str,
    path: str | os.PathLike[str] | None,
    about: About,
) -> Stored:
    name, about = normalised_name(build), checked(about)
    assert about.measured is not None
    place = logbook_path(path)
    with write_connection(place) as connection:
        build_id, spelling, similar, new = _build(connection, name)
        same = connection.execute(
            "SELECT max(id) FROM entry WHERE build_id = ? AND kind = ? AND recording_key = ? AND struck_utc IS NULL",
            (build_id, kind, recording_key),
        ).fetchone()[0]
        row = (
            build_id,
            kind,
            about.state,
            _utc(about.measured),
            _utc(datetime.now(UTC)),
            about.note,
            about.temperature_c,
            about.warm_up_min,
            recording_key,
            document,
        )
        number = connection.execute(_INSERT, (*row, digest_of(row))).lastrowid
        assert number is not None
    return Stored(number=number, build=spelling, path=Path(place), new_build=new, similar=similar, same_as=same)


def _build(connection: sqlite3.Connection, name: str) -> tuple[int, str, str | None, bool]:
    """Return the build of a name and its kept spelling; a new one with the name that is most like it."""
    key = name_key(name)
    found = connection.execute("SELECT id, name FROM build WHERE name_key = ?", (key,)).fetchone()
    if found:
        return int(found[0]), str(found[1]), None, False
    others = {str(k): str(n) for k, n in connection.execute("SELECT name_key, name FROM build")}
    near = close_match(key, others)
    build_id = connection.execute("INSERT INTO build (name, name_key) VALUES (?, ?)", (name, key)).lastrowid
    assert build_id is not None
    return build_id, name, others[near] if near else None, True


def _recording_key(document: Mapping[str, Any]) -> str | None:
    """Return a digest of the recordings that a document was made from, so that the same take is recognised."""
    captures = document.get("captures") or ([document["capture"]] if document.get("capture") else [])
    digests = [capture.get("sha256") for capture in captures]
    if not digests or None in digests:
        return None
    return hashlib.sha256(" ".join(map(str, digests)).encode("ascii", "backslashreplace")).hexdigest()


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")
