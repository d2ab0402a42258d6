"""Verification that all entries are present and unchanged."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from listen.logbook.book import read_connection
from listen.logbook.layout import DIGESTED, is_as_stored
from listen.logbook.wording import name_key, read_moment

_EVERY = f"SELECT id, digest, struck_utc, struck_why, {DIGESTED} FROM entry ORDER BY id"
_MOST = 20
"""Complaints; a file that has more is lost anyway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Result of a verification: counts and faults.

    Attributes
    ----------
    builds, entries : int
        How many there are.
    wrong : tuple of str
        One plain sentence for each thing; empty where all is well.
    """

    builds: int
    entries: int
    wrong: tuple[str, ...]


def verify(path: str | os.PathLike[str]) -> Verification:
    """Look through a whole logbook: the database itself, and each entry against its digest.

    Parameters
    ----------
    path : path
        The logbook.

    Returns
    -------
    Verification

    Raises
    ------
    LogbookError
        There is none, it is no logbook, or it is damaged so that it cannot even be read.
    """
    wrong: list[str] = []
    with read_connection(Path(path)) as connection:
        wrong += [
            f"the file: {text}" for (text,) in connection.execute(f"PRAGMA integrity_check({_MOST})") if text != "ok"
        ]
        wrong += [
            f"entry {number}: its build is missing"
            for _, number, *_ in connection.execute("PRAGMA foreign_key_check(entry)").fetchall()
        ]
        wrong += [
            f"build {number}: its name was changed after it had been stored"
            for number, name, key in connection.execute("SELECT id, name, name_key FROM build")
            if not isinstance(name, str) or name_key(name) != key
        ]
        builds, entries = (
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("build", "entry")
        )
        for number, digest, struck, why, *row in connection.execute(_EVERY):
            if not is_as_stored(tuple(row), digest) or not _is_struck_or_not(struck, why):
                wrong.append(f"entry {number}: it was changed after it had been stored")
            elif row[-1] is not None and not _is_document(row[-1]):
                wrong.append(f"entry {number}: its document cannot be read")
    return Verification(builds=builds, entries=entries, wrong=tuple(wrong[:_MOST]))


def _is_struck_or_not(moment: object, why: object) -> bool:
    """Tell whether an entry is struck out as `strike` does it, or not at all."""
    if moment is None:
        return why is None
    return isinstance(why, str) and read_moment(moment) is not None


def _is_document(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False
