"""Folders that results are written to: made when their parent exists, never by surprise."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from listen.errors import OutputError, is_link_of_others
from listen.report.files import check_target

_OF_FILES = {".html", ".htm", ".svg", ".png", ".wav", ".json", ".csv", ".pdf"}


def check_folder(path: str | os.PathLike[str], *, option: str) -> None:
    """Refuse a folder that cannot be made or written to, before any work is done.

    Parameters
    ----------
    path : path
    option : str
        The option that named it, for the message.

    Raises
    ------
    OutputError
        It is a file or, not being there, has a file's name; its parent does not exist, or it may not be written to.
    """
    folder, where = Path(path), f"{option} {os.fspath(path)!r}"
    try:
        exists, is_folder = folder.exists() or folder.is_symlink(), folder.is_dir()
        parent = Path(os.path.realpath(folder)).parent
        has_parent = parent.is_dir()
    except (OSError, ValueError) as error:
        raise OutputError(what=f"{where} is no name for a folder", remedy="give a shorter or plainer name") from error
    if is_link_of_others(folder):
        raise OutputError(f"{where} is a link that another user made in a shared folder", "name a folder of your own")
    if exists and not is_folder:
        raise OutputError(what=f"{where} is a file, not a folder", remedy="name a folder; it is made if need be")
    if not exists and folder.suffix.lower() in _OF_FILES:
        raise OutputError(
            what=f"{where} would be a folder of that name", remedy="name a folder: its files are named after the takes"
        )
    if not exists and not has_parent:
        raise OutputError(
            what=f"{where}: the folder {os.fspath(parent)!r} does not exist", remedy="make it first, or name another"
        )
    if not os.access(folder if exists else parent, os.W_OK):
        raise OutputError(
            what=f"{where} may not be written to", remedy="change its permissions, or name another folder"
        )


def make_folder(path: str | os.PathLike[str]) -> None:
    """Make a folder unless it is there.

    Raises
    ------
    OutputError
        It cannot be made.
    """
    try:
        Path(path).mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(
            what=f"cannot make the folder {os.fspath(path)!r} ({(error.strerror or 'it failed').lower()})",
            remedy="name another place",
        ) from error


def names_in(
    folder: str | os.PathLike[str],
    captures: Sequence[str],
    ending: str,
    *,
    option: str,
    inputs: Iterable[str | os.PathLike[str]] = (),
) -> list[Path]:
    """Return a file for each capture in a folder, none of them twice and none of them an input.

    Parameters
    ----------
    folder : path
    captures : sequence of str
    ending : str
        For example ``.html``.
    option : str
    inputs : iterable of path
        Files that must not be written over.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
    """
    out: dict[Path, None] = {}
    sources = list(inputs)
    for capture in captures:
        stem = "standard-input" if capture == "-" else Path(capture).stem or "take"
        path, number = Path(folder) / f"{stem}{ending}", 2
        while path in out:
            path, number = Path(folder) / f"{stem}-{number}{ending}", number + 1
        if Path(folder).is_dir():
            check_target(path, option=option, inputs=sources)
        out[path] = None
    return list(out)
