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
    """Return the logbook's place by the convention of the system; nothing is made there."""
    from platformdirs import user_data_path

    return user_data_path("listen", appauthor=False) / FILE


def make_default_folder(path: Path) -> None:
    """Make the folder of the default place; a folder that the user named must exist.

    Raises
    ------
    LogbookError
        It cannot be made.
    """
    if path.parent.is_dir() or path != default_path():
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogbookError(
            f"the folder {os.fspath(path.parent)!r} cannot be made ({(error.strerror or 'it failed').lower()})",
            f"name another place with --logbook or {VARIABLE}",
        ) from error
