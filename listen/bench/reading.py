"""The bench file: what the builder knows of the build and of the recording chain (TOML, every key optional)."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, NoReturn

from listen.bench.settings import (
    Bench,
    BuildSettings,
    CaptureSettings,
    CvSettings,
    GainSettings,
    OpampSettings,
    RecorderSettings,
)
from listen.bench.values import ORDERS, TABLES, BadKeyError, checked
from listen.errors import BenchError, ListenError, suggestion
from listen.streams import read_beginning

_LARGEST_FILE_BYTES = 1_000_000
_LARGEST_NUMBER = 10**300
"""A whole number beyond is no float any more (the largest is 1.8e308)."""

_DEEP_KEY = re.compile(
    r"""(?:^|[\[{,])[ \t]*(?:(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)[ \t]*\.[ \t]*){20}""", re.MULTILINE
)
"""A key of so many tables within each other, where three are known: the time and memory to read thousands of them
grow with the square of their number."""


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
        raw = read_beginning(path, _LARGEST_FILE_BYTES + 1)
        if raw is None:
            fail("is a pipe", f"name the {what} itself")
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
        text = raw.decode("utf-8-sig")
        if _DEEP_KEY.search(text):
            fail("is nested too deeply", f"a {what} is a short text in TOML")
        document = tomllib.loads(text)
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
        A TOML file with the tables ``[build]`` (and in it ``[build.parts]``), ``[capture]``, ``[recorder]`` and
        ``[cv]``.

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
        recorder = _recorder(tables["recorder"]) if "recorder" in tables else None
    except BadKeyError as bad:
        what, remedy = bad.args
        raise BenchError(f"{os.fspath(path)}: {what}", remedy) from None
    return Bench(
        path=os.fspath(path),
        build=_build(tables.get("build", {})),
        capture=_capture(tables.get("capture", {}), recorder),
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


def _recorder(table: Mapping[str, Any]) -> RecorderSettings:
    """Make the settings of a recorder; lists that belong together are of one length."""
    rest = dict(table)
    harmonics = {k: rest.pop(f"h{k}_dbc") for k in ORDERS if f"h{k}_dbc" in rest}
    pairs = [("level_dbfs", f"h{k}_dbc", len(rest.get("level_dbfs", ())), len(own)) for k, own in harmonics.items()]
    pairs.append(("response_hz", "response_db", len(rest.get("response_hz", ())), len(rest.get("response_db", ()))))
    for one, other, wanted, there in pairs:
        if wanted != there:
            raise BadKeyError(
                f"[recorder] {other} has {there} number{'' if there == 1 else 's'}, {one} has {wanted}",
                "let listen setup --loopback write the table",
            )
    return RecorderSettings(harmonics_dbc=harmonics, **rest)


def _capture(table: Mapping[str, Any], recorder: RecorderSettings | None) -> CaptureSettings:
    """Make the settings of the recording chain: a corner that is stated beats the one that the loop showed."""
    settings = CaptureSettings(recorder=recorder, **table)
    if settings.ac_coupling_hz is None and recorder is not None:
        settings = replace(settings, ac_coupling_hz=recorder.corner_hz)
    return settings
