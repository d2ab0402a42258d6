"""Where the logbook lies."""

from __future__ import annotations

import os
from pathlib import Path

from listen.errors import LogbookError

VARIABLE = "LISTEN_LOGBOOK"
FILE = "logbook.sqlite"


def logbook_path(path: str | os.PathLike[str] | None = None) -> Path:
    """Return the file of the logbook.

    Parameters
    ----------
    path : path, optional
        As the user named it; else the environment variable ``LISTEN_LOGBOOK``, else the place where the
        system keeps the data of programs.

    Returns
    -------
    Path
        The file need not exist.
    """
    if path is not None:
        return Path(path)
    named = os.environ.get(VARIABLE)
    return Path(named) if named else default_path()


def default_path() -> Path:
    """Return the logbook's place by the convention of the system; nothing is made there.

    Raises
    ------
    LogbookError
        The system has none: this user has neither HOME nor an entry in the list of users.
    """
    from platformdirs import user_data_path

    try:
        place = user_data_path("listen", appauthor=False)
    except RuntimeError:
        place = Path("~")
    if not place.is_absolute():  # as some versions of the library say that there is none
        raise LogbookError(
            "this user has no folder for data (no HOME, no entry in the list of users)",
            f"name a file with --logbook or {VARIABLE}",
        )
    return place / FILE


def _default_or_none() -> Path | None:
    try:
        return default_path()
    except LogbookError:
        return None


def make_default_folder(path: Path) -> None:
    """Make the folder of the default place; a folder that the user named must exist.

    Raises
    ------
    LogbookError
        It cannot be made.
    """
    if path.parent.is_dir() or path != _default_or_none():
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogbookError(
            f"the folder {os.fspath(path.parent)!r} cannot be made ({(error.strerror or 'it failed').lower()})",
            f"name another place with --logbook or {VARIABLE}",
        ) from error
