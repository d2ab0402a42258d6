"""Results of takes that were checked before, a file each, so that an interrupted run can be carried on."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listen.errors import OutputError
from listen.report.document import tool_version
from listen.report.files import read_ordinary, write_whole

CACHE_SCHEMA = "listen.kept/1"
Stamp = list[int]
_SEAL = b', "sha256": "'


@dataclass(frozen=True, slots=True)
class ResultCache:
    """A folder of results.

    Attributes
    ----------
    folder : Path
        It exists.
    """

    folder: Path

    def look_up(self, key: Mapping[str, Any], outputs: Mapping[str, str]) -> bytes | None:
        """Return the document of a take as it was kept, None where it must be checked anew.

        Parameters
        ----------
        key : mapping
            As :func:`key_of` returns it now.
        outputs : mapping of str to str
            Files that this run writes of each take, by kind: what was kept counts only where they stand as they
            were written.
        """
        try:
            text = read_ordinary(self._file(key["path"]))
            if text != _sealed(text.rpartition(_SEAL)[0]):  # damaged, edited, or of a version that wrote no digest
                return None
            entry = json.loads(text)
            if entry["schema"] != CACHE_SCHEMA or entry["key"] != key:
                return None
            if any(not _stands(entry["written"].get(kind), target) for kind, target in outputs.items()):
                return None
            document = entry["document"]
            if document["capture"]["sha256"] != _digest(key["path"]):
                return None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):  # not there, not whole, or not ours
            return None
        return json.dumps(document, allow_nan=False).encode("ascii")

    def keep(self, key: Mapping[str, Any], document: bytes, written: Mapping[str, Mapping[str, Stamp]]) -> None:
        """Keep the document of a take and what was written of it.

        Raises
        ------
        OutputError
            It cannot be written.
        """
        head = json.dumps({"schema": CACHE_SCHEMA, "key": key, "written": written})
        text = head.removesuffix("}").encode("ascii") + b', "document": ' + document
        write_whole(self._file(key["path"]), _sealed(text), instead=True)

    def _file(self, path: str) -> Path:
        return self.folder / f"{hashlib.sha256(os.fsencode(path)).hexdigest()[:40]}.json"


def key_of(path: str, settings: Mapping[str, Any], files: Mapping[str, str | None]) -> dict[str, Any] | None:
    """Return all that a result depends on, None where the capture is not there.

    Parameters
    ----------
    path : str
    settings : mapping
        The options of the check.
    files : mapping of str to path or None
        Files that it reads beside the capture: their contents count.
    """
    try:
        found = os.stat(path)
        return {
            "path": os.path.abspath(path),
            "size": found.st_size,
            "mtime_ns": found.st_mtime_ns,
            "settings": {name: value for name, value in settings.items() if name not in files},
            "files": {name: None if file is None else [file, _digest(file)] for name, file in files.items()},
            "version": tool_version(),
        }
    except (OSError, ValueError):
        return None


def stamps(paths: list[Path]) -> dict[str, Stamp]:
    """Return size and time of files, to know them again."""
    out = {}
    for path in paths:
        found = path.stat()
        out[os.path.abspath(path)] = [found.st_size, found.st_mtime_ns]
    return out


def open_cache(folder: str | os.PathLike[str]) -> ResultCache:
    """Make the folder unless it is there, and return it.

    Raises
    ------
    OutputError
    """
    from listen.report.folders import make_folder

    make_folder(folder)
    if not Path(folder).is_dir():
        raise OutputError(f"--keep {os.fspath(folder)!r} is no folder", "name a folder; it is made if need be")
    return ResultCache(Path(folder))


def _stands(written: Mapping[str, Stamp] | None, target: str) -> bool:
    """Tell whether all that was written under a target is as it was."""
    if not written or not all(path.startswith(os.path.abspath(target)) for path in written):
        return False
    return stamps([Path(path) for path in written]) == dict(written)


def _sealed(text: bytes) -> bytes:
    """Return a result as it stands in its file: its last key is the digest of all that is before."""
    return text + _SEAL + hashlib.sha256(text).hexdigest().encode("ascii") + b'"}\n'


def _digest(path: str) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
