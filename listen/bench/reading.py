"""The bench file: what the builder knows of the build and of the recording chain (TOML, every key optional)."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NoReturn

from listen.bench.settings import (
    Bench,
    BuildSettings,
    CaptureSettings,
    CvSettings,
    GainSettings,
    OpampSettings,
)
from listen.bench.values import TABLES, BadKeyError, checked
from listen.errors import BenchError, ListenError, suggestion

_LARGEST_FILE_BYTES = 1_000_000
_LARGEST_NUMBER = 10**300
"""A whole number beyond is no float any more (the largest is 1.8e308)."""


def read_toml(path: str | os.PathLike[str], error: type[ListenError], what: str) -> dict[str, Any]:
    """Read a TOML file that a user wrote.

    Parameters
    ----------
    path : path-like
        The file; UTF-8, with or without a byte order mark.
    error : type of ListenError
        What to raise.
    what : str
        What the file is, for the message: ``bench file``.

    Returns
    -------
    dict

    Raises
    ------
    ListenError
        Of the type asked for: missing, a folder, not readable, too large, not text, not TOML.
    """
    import tomllib

    def fail(problem: str, remedy: str, cause: Exception | None = None) -> NoReturn:
        raise error(f"{os.fspath(path)}: {problem}", remedy) from cause

    try:
        with Path(path).open("rb") as file:
            raw = file.read(_LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as cause:
        fail("no such file", f"check the name of the {what}", cause)
    except IsADirectoryError as cause:
        fail("is a folder", f"name the {what} itself", cause)
    except PermissionError as cause:
        fail("may not be read", "change its permissions", cause)
    except (OSError, ValueError) as cause:
        fail(f"cannot be read ({cause})", f"check the name of the {what}", cause)
    if len(raw) > _LARGEST_FILE_BYTES:
        fail("is over 1 MB", f"a {what} is a short text in TOML")
    try:
        document = tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as cause:
        fail("is not a text in UTF-8", f"a {what} is a short text in TOML", cause)
    except tomllib.TOMLDecodeError as cause:
        fail(f"is not valid TOML ({cause})", "correct that line", cause)
    except ValueError as cause:  # a number of more digits than Python reads
        fail("holds a number of thousands of digits", "write it with an exponent: 10e3", cause)
    except RecursionError as cause:
        fail("is nested too deeply", f"a {what} is a short text in TOML", cause)
    endless = _beyond_measure(document)
    if endless is not None:
        fail(f"{endless} is beyond all measure, a number of hundreds of digits", "write it with an exponent: 10e3")
    return document


def _beyond_measure(table: Any, name: str = "") -> str | None:
    """Return the name of the first whole number that is too large to reckon with, None where there is none."""
    if isinstance(table, int) and abs(table) > _LARGEST_NUMBER:
        return name
    inner: Iterable[tuple[str, Any]] = ()
    if isinstance(table, dict):
        inner = ((f"{name}.{key}".removeprefix("."), value) for key, value in table.items())
    elif isinstance(table, list):
        inner = ((name, value) for value in table)
    return next((found for found in (_beyond_measure(value, key) for key, value in inner) if found), None)


def load_bench(path: str | os.PathLike[str]) -> Bench:
    """Read a bench file.

    Parameters
    ----------
    path : path-like
        A TOML file with the tables ``[build]`` (and in it ``[build.parts]``), ``[capture]`` and ``[cv]``.

    Returns
    -------
    Bench
        What the file leaves out is at its default.

    Raises
    ------
    BenchError
        The file cannot be read, a key is unknown, or a value is out of range; the message names the key.
    """
    document = read_toml(path, BenchError, "bench file")
    tables: dict[str, dict[str, Any]] = {}
    try:
        for name, table in document.items():
            if name not in TABLES:
                kind = "table" if isinstance(table, dict) else "key"
                raise BadKeyError(f'unknown {kind} "{name}"', suggestion(name, [f"[{t}]" for t in TABLES]))
            if not isinstance(table, dict):
                raise BadKeyError(f"{name} is not a table", f"write [{name}] on a line of its own, its keys below")
            tables[name] = checked(table, TABLES[name], name)
    except BadKeyError as bad:
        what, remedy = bad.args
        raise BenchError(f"{os.fspath(path)}: {what}", remedy) from None
    return Bench(
        path=os.fspath(path),
        build=_build(tables.get("build", {})),
        capture=CaptureSettings(**tables.get("capture", {})),
        cv=CvSettings(**tables.get("cv", {})),
    )


def _build(table: Mapping[str, Any]) -> BuildSettings:
    """Make the settings of a build: what is said of its parts as a whole stands beside their values."""
    build = dict(table)
    parts = dict(build.pop("parts", {}))
    for key in ("tolerance_percent", "measured"):
        if key in parts:
            build[key] = parts.pop(key)
    gain, opamp = GainSettings(**build.pop("gain", {})), OpampSettings(**build.pop("opamp", {}))
    return BuildSettings(parts=parts, gain=gain, opamp=opamp, **build)
