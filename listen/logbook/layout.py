"""The tables of the file, version by version; an older file is brought forward step by step."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

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


def _to_1(connection: sqlite3.Connection) -> None:
    for statement in _VERSION_1.split(";"):
        connection.execute(statement)


_STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (_to_1,)
"""Step i brings a file from version i to i + 1. A step that has been released is never changed."""

VERSION = len(_STEPS)


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
