"""Machine code on disc: beside its source, where the set-up puts it, else in the user's cache.

It runs as part of the program, like the byte code that Python keeps in the same folders, and is trusted by the same
token: only a file that belongs to the user or to the administrator, and that no one else may write, is taken.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

_MAGIC = b"listen kernels 1\n"
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


def key_of(source: Path, processor: str) -> str:
    """A name for what machine code depends on: the sources, the compiler's library, the processor.

    Raises
    ------
    OSError
        A source cannot be read.
    """
    digest = hashlib.sha256(processor.encode())
    for path in (source, *sorted(Path(__file__).parent.glob("*.py"))):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()[:24]


def places(source: Path) -> Iterator[Path]:
    """Folders in which code is looked for, and written to the first that takes it."""
    yield source.parent / "__pycache__"
    with contextlib.suppress(RuntimeError):
        yield _user_cache()


def _user_cache() -> Path:
    """The user's cache folder of this program, by the convention of the system."""
    from platformdirs import user_cache_path

    return user_cache_path("listen", appauthor=False)


def read(source: Path, key: str) -> tuple[dict[str, str], bytes] | None:
    """Symbols and code that were kept, None where there are none that can be trusted and are whole."""
    for place in places(source):
        with contextlib.suppress(OSError, ValueError):
            found = _checked(place / _name(source, key))
            if found is not None:
                return found
    return None


def _checked(path: Path) -> tuple[dict[str, str], bytes] | None:
    with open(path, "rb") as file:
        about = os.fstat(file.fileno())
        if not stat.S_ISREG(about.st_mode) or (os.name == "posix" and not _trusted(about)):
            return None
        content = file.read()
    body = content[len(_MAGIC) + 32 :]
    if content[: len(_MAGIC)] != _MAGIC or hashlib.sha256(body).digest() != content[len(_MAGIC) : len(_MAGIC) + 32]:
        return None
    names, _, code = body.partition(b"\n")
    return dict(json.loads(names)), code


def _trusted(about: os.stat_result) -> bool:
    return about.st_uid in {0, os.geteuid()} and not about.st_mode & _OTHERS_WRITE


def write(source: Path, key: str, symbols: dict[str, str], code: bytes) -> bool:
    """Keep code in the first place that takes it; a reader sees the whole file or none.

    Returns
    -------
    bool
        Whether a place took it.
    """
    body = json.dumps(symbols).encode() + b"\n" + code
    for place in places(source):
        try:
            place.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=place, prefix=".kernels-")
        except OSError:
            continue
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_MAGIC + hashlib.sha256(body).digest() + body)
            os.chmod(name, 0o644)
            os.replace(name, place / _name(source, key))
        except OSError:
            with contextlib.suppress(OSError):
                os.unlink(name)
            continue
        return True
    return False


def _name(source: Path, key: str) -> str:
    return f"{source.stem}-{key}.kernels"
