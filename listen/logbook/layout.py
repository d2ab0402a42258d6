"""The tables of the file, version by version; an older file is brought forward step by step."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import lru_cache

APPLICATION_ID = 0x4C53544E
"""Marks the file as a logbook of this tool among all SQLite files."""

_VERSION_1 = """
CREATE TABLE build (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    name_key TEXT NOT NULL UNIQUE
);
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    build_id INTEGER NOT NULL REFERENCES build(id),
    kind TEXT NOT NULL CHECK (kind IN ('check', 'calibration', 'note')),
    state TEXT CHECK (state IN ('as-found', 'as-left')),
    measured_utc TEXT NOT NULL,
    stored_utc TEXT NOT NULL,
    note TEXT,
    temperature_c REAL,
    warm_up_min REAL,
    recording_key TEXT,
    document TEXT
);
CREATE INDEX entry_of_build ON entry(build_id, measured_utc);
"""


_VERSION_2 = """
ALTER TABLE entry ADD COLUMN struck_utc TEXT;
ALTER TABLE entry ADD COLUMN struck_why TEXT;
ALTER TABLE entry ADD COLUMN digest TEXT;
"""

DIGESTED = "build_id, kind, state, measured_utc, stored_utc, note, temperature_c, warm_up_min, recording_key, document"
"""The columns that a digest is made of: all that never changes."""


def digest_of(row: tuple[object, ...]) -> str:
    """Return the digest of the `DIGESTED` columns of an entry, by which a later change is noticed."""
    return hashlib.sha256(json.dumps(row).encode("ascii")).hexdigest()


def is_as_stored(row: tuple[object, ...], digest: object) -> bool:
    """Tell whether the `DIGESTED` columns of an entry, and their types, are those that it was stored with."""
    try:
        return digest == digest_of(row)
    except (TypeError, ValueError):  # bytes where a text was
        return False


def _to_1(connection: sqlite3.Connection) -> None:
    for statement in _VERSION_1.split(";"):
        connection.execute(statement)


def _to_2(connection: sqlite3.Connection) -> None:
    """Entries can be struck out, and have a digest."""
    for statement in _VERSION_2.split(";"):
        connection.execute(statement)
    numbers = connection.execute("SELECT id FROM entry").fetchall()
    for (number,) in numbers:  # one at a time: documents are long
        row = connection.execute(f"SELECT {DIGESTED} FROM entry WHERE id = ?", (number,)).fetchone()
        connection.execute("UPDATE entry SET digest = ? WHERE id = ?", (digest_of(row), number))


_STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (_to_1, _to_2)
"""Step i brings a file from version i to i + 1. A step that has been released is never changed."""

VERSION = len(_STEPS)


_TABLES = ("build", "entry")


def has_its_columns(connection: sqlite3.Connection) -> bool:
    """Tell whether the tables of a logbook of the newest version have the columns that `bring_forward` makes.

    Damage to the text that declares a table leaves a file that opens, in which a build has no number.
    """
    return _columns(connection) >= _newest_columns()


@lru_cache(maxsize=1)
def _newest_columns() -> frozenset[tuple[object, ...]]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        bring_forward(connection, 0)
        return _columns(connection)


def _columns(connection: sqlite3.Connection) -> frozenset[tuple[object, ...]]:
    """Table, name, type, whether it may be empty, default and place in the key of each column."""
    return frozenset(
        (table, *row[1:]) for table in _TABLES for row in connection.execute(f"PRAGMA table_info({table})")
    )


def bring_forward(connection: sqlite3.Connection, version: int) -> None:
    """Bring the tables from a version to the newest, within the transaction that is open.

    Parameters
    ----------
    connection : sqlite3.Connection
        In a transaction: all of the steps come to stand, or none.
    version : int
        What the file is at; 0 where it is new.
    """
    for step in _STEPS[version:]:
        step(connection)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
