"""The file itself: opened, recognised, brought forward, written in whole transactions."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TypeVar

from listen.errors import LogbookError, is_link_of_others
from listen.logbook.layout import APPLICATION_ID, VERSION, bring_forward, has_its_columns
from listen.logbook.place import make_default_folder

PATIENCE_S = 20.0
"""How long to wait while others write; an entry takes a few milliseconds."""

_MAGIC = b"SQLite format 3\0"
_T = TypeVar("_T")
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_FORMAT}


@contextmanager
def write_connection(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection within a transaction that is on the disc when the block has ended, or not at all.

    Parameters
    ----------
    path : Path
        The logbook; made where it does not exist, and brought forward where it is older.

    Raises
    ------
    LogbookError
        It is not a logbook, cannot be written, or others held it for too long. Nothing was changed then.
    """
    _check_name(path)
    make_default_folder(path)
    if not path.parent.is_dir():
        raise LogbookError(
            f"logbook {os.fspath(path)!r}: the folder {os.fspath(path.parent)!r} does not exist",
            "make it first, or name another",
        )
    if not _writable(path):
        raise LogbookError(
            f"logbook {os.fspath(path)!r} may not be written", "change its permissions, or name another with --logbook"
        )
    with _meant(path, "nothing was stored"), closing(_open(path, "rwc")) as connection:
        _patiently(lambda: _prepare(connection, path))
        _patiently(lambda: connection.execute("BEGIN IMMEDIATE"))
        with _rolled_back(connection):
            _refuse_other_columns(connection)
            yield connection
            connection.execute("COMMIT")


@contextmanager
def read_connection(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection that sees the logbook as it is at one moment.

    Parameters
    ----------
    path : Path
        The logbook. An older one is brought forward; where it may not be written, a copy in memory is.

    Raises
    ------
    LogbookError
        There is none, or it cannot be read.
    """
    _check_name(path)
    if not path.exists():
        raise LogbookError(
            f"there is no logbook at {os.fspath(path)!r} yet",
            "the first entry makes it: listen check TAKE.wav --build NAME, or listen logbook note NAME TEXT",
        )
    with _meant(path, "nothing was changed"):
        with closing(_open(path, "rw") if _writable(path) else _copy(path)) as connection:
            version = _patiently(lambda: _version(connection, path))
            if version is None:
                raise LogbookError(f"logbook {os.fspath(path)!r} is empty", "nothing has been kept in it yet")
            if version < VERSION:
                _patiently(lambda: _prepare(connection, path))
            connection.execute("BEGIN")
            with _rolled_back(connection):
                _refuse_other_columns(connection)
                yield connection
                connection.execute("ROLLBACK")


def check_logbook(path: Path) -> None:
    """Refuse a logbook that could not be written, before a minute of work is spent.

    Raises
    ------
    LogbookError
        As `write_connection` does; a file that does not exist is not made.
    """
    _check_name(path)
    if path.exists():
        with write_connection(path):
            return
    make_default_folder(path)
    if not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
        with write_connection(path):  # says which of them it is
            return


def _check_name(path: Path) -> None:
    """Refuse what is no file, and a file that never was a database: SQLite would write over a very short one."""
    text = os.fspath(path)
    try:
        if text in ("", "-", ".") or path.is_dir():
            raise LogbookError(f"logbook {text!r} is no file", "name a file, for example --logbook bench.sqlite")
        if is_link_of_others(path):
            raise LogbookError(f"logbook {text!r} is a link that another user made in a shared folder", "name a file")
        os.stat(path)
        if not path.is_file():
            raise LogbookError(f"logbook {text!r} is a device or a pipe", "name a file")
        with path.open("rb") as file:
            beginning = file.read(len(_MAGIC))
    except (FileNotFoundError, NotADirectoryError):
        return
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise LogbookError(f"logbook {text!r} cannot be used ({reason.lower()})", "name another file") from error
    if beginning not in (b"", _MAGIC):
        raise LogbookError(f"{text!r} is no logbook", "name another file as logbook")


def _writable(path: Path) -> bool:
    # SQLite keeps its own files beside the logbook while it is in use.
    return os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))


def _open(path: Path, mode: str) -> sqlite3.Connection:
    """Connect without touching the file yet; transactions are begun and ended by us alone."""
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=PATIENCE_S, isolation_level=None
    )
    connection.text_factory = _text
    try:
        _patiently(
            lambda: connection.executescript(
                "PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL; PRAGMA trusted_schema = OFF"
            )
        )
    except BaseException:
        connection.close()
        raise
    return connection


def _text(data: bytes) -> str:
    """Return a text of the file; bytes that are none are a change for `verify` to tell, not the end of all reading."""
    return data.decode("utf-8", "surrogateescape")


def _copy(path: Path) -> sqlite3.Connection:
    """Copy a logbook that may not be written into memory."""
    wal = Path(f"{path}-wal")
    mode = "ro" if wal.exists() and wal.stat().st_size else "ro&immutable=1"
    memory = sqlite3.connect(":memory:", isolation_level=None)
    memory.text_factory = _text
    with closing(_open(path, mode)) as connection:
        connection.backup(memory)
    return memory


def _version(connection: sqlite3.Connection, path: Path) -> int | None:
    """Return the layout's version of a logbook, None of a file that holds nothing; refuse all else."""
    identity, version, tables = _marks(connection)
    if (identity, version, tables) == (0, 0, 0):
        return None
    if identity != APPLICATION_ID or version < 1:
        raise LogbookError(f"{os.fspath(path)!r} is the database of another program", "name another file as logbook")
    if version > VERSION:
        raise LogbookError(
            f"logbook {os.fspath(path)!r} was written by a newer listen (layout {version}, this one knows {VERSION})",
            "update listen; nothing was changed",
        )
    return int(version)


def _refuse_other_columns(connection: sqlite3.Connection) -> None:
    if not has_its_columns(connection):
        error = sqlite3.DatabaseError("its tables have other columns")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def _marks(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Application, version and number of tables at one moment: another process may be making the file just now."""
    asked = ("PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_master")
    if connection.in_transaction:
        identity, version, tables = (int(connection.execute(text).fetchone()[0]) for text in asked)
        return identity, version, tables
    connection.execute("BEGIN")
    with _rolled_back(connection):
        found = _marks(connection)
        connection.execute("ROLLBACK")
    return found


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new file, bring an older one forward."""
    version = _version(connection, path)
    connection.execute("PRAGMA journal_mode = WAL")  # where the disc cannot, SQLite keeps to its older way
    if version == VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    with _rolled_back(connection):
        # Another process may have done it in the meantime.
        version = _version(connection, path)
        if version != VERSION:
            bring_forward(connection, version or 0)
        connection.execute("COMMIT")


@contextmanager
def _rolled_back(connection: sqlite3.Connection) -> Iterator[None]:
    """Undo the open transaction when anything goes wrong, an interruption included."""
    try:
        yield
    except BaseException:
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise


def _patiently(action: Callable[[], _T]) -> _T:
    """Try again while others hold the file: SQLite's own patience does not cover every moment of making one."""
    deadline = time.monotonic() + PATIENCE_S
    pause_s = 0.005
    while True:
        try:
            return action()
        except sqlite3.OperationalError as error:
            if _primary(error) not in _BUSY or time.monotonic() > deadline:
                raise
        time.sleep(pause_s)
        pause_s = min(0.1, 2.0 * pause_s)


def _primary(error: sqlite3.Error) -> int:
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


@contextmanager
def _meant(path: Path, unchanged: str) -> Iterator[None]:
    """Say what the database has to say in one line with a remedy."""
    try:
        yield
    except UnicodeDecodeError as error:  # what the database had to say quotes damaged bytes
        raise LogbookError(
            f"logbook {os.fspath(path)!r} is damaged, {unchanged}", "restore it from a copy; keep the damaged one"
        ) from error
    except sqlite3.Error as error:
        name, code = os.fspath(path), _primary(error)
        if code == sqlite3.SQLITE_NOTADB:
            raise LogbookError(f"{name!r} is no logbook", "name another file as logbook") from error
        if code in _DAMAGED:
            raise LogbookError(
                f"logbook {name!r} is damaged ({error}), {unchanged}", "restore it from a copy; keep the damaged one"
            ) from error
        if code in _BUSY:
            raise LogbookError(
                f"logbook {name!r} has been in use by another program for {PATIENCE_S:.0f} s, {unchanged}", "try again"
            ) from error
        if code == sqlite3.SQLITE_FULL:
            raise LogbookError(f"logbook {name!r}: the disc is full, {unchanged}", "make room") from error
        raise LogbookError(
            f"logbook {name!r} cannot be used ({error}), {unchanged}",
            "see that the file and its folder may be written, or name another with --logbook",
        ) from error
