"""``listen compare``: two takes of a build, before and after."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from typing import Any

from listen.api.arguments import FilePath
from listen.api.checking import CheckResult, check
from listen.errors import CaptureError, OptionError
from listen.report import check_document, check_schema
from listen.report.comparing import Comparison, compare_documents
from listen.report.document import CHECK_SCHEMA
from listen.report.files import read_ordinary
from listen.report.reading import DocumentFault, hold_to_schema, parse_document
from listen.streams import beginning_of, is_handed_over_pipe

Side = FilePath | CheckResult | Mapping[str, Any]


def compare(
    before: Side, after: Side, *, progress: Callable[[float], None] | None = None, **settings: Any
) -> Comparison:
    """Compare two takes of a build: aligned by pitch, not by time, and whatever their level.

    Parameters
    ----------
    before, after : path, CheckResult or mapping
        A capture; the result of a check; or a document of the schema ``listen.check/1``, also as a ``.json`` file.
    progress : callable, optional
        Called with the part that is done, 0 to 1.
    **settings
        As for :func:`listen.check`; captures are checked with them.

    Returns
    -------
    Comparison

    Raises
    ------
    ListenError
        One of the takes, or a setting, cannot be used.
    """
    report = progress or (lambda _part: None)
    first = document_of(before, progress=lambda part: report(0.5 * part), **settings)
    second = document_of(after, progress=lambda part: report(0.5 + 0.5 * part), **settings)
    return compare_documents(first, second)


def document_of(side: Side, **settings: Any) -> Mapping[str, Any]:
    """Return the document of one side, checking a capture where it is one."""
    loaded = load_side(side, **settings)
    return check_document(loaded) if isinstance(loaded, CheckResult) else loaded


def load_side(side: Side, **settings: Any) -> CheckResult | Mapping[str, Any]:
    """Return one side as it is to be had: a capture is checked, a document or its file is read."""
    if isinstance(side, CheckResult):
        return side
    if isinstance(side, Mapping):
        return _valid(_plain(side), "the document")
    if os.fspath(side).lower().endswith(".json") or _is_piped_document(side):
        return _valid(_loaded(side), os.fspath(side))
    return check(side, **settings)


def _is_piped_document(side: FilePath) -> bool:
    """Tell whether a pipe that was handed over open, and has no ending to go by, holds JSON."""
    return is_handed_over_pipe(side) and beginning_of(side).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{")


def load_entry(number: int, logbook: FilePath | None = None) -> Mapping[str, Any]:
    """Return the check that is kept in a logbook under a number.

    Parameters
    ----------
    number : int
    logbook : path, optional
        The logbook's file; the usual one where not given.

    Returns
    -------
    mapping
        A document of the schema ``listen.check/1``.

    Raises
    ------
    ListenError
        There is no such entry, or it is no check.
    """
    from listen.logbook import logbook_path, read_entry

    entry = read_entry(logbook_path(logbook), number)
    if entry.kind != "check":
        raise OptionError(
            f"entry {number} of the logbook is a {entry.kind}, not a check",
            'name two checks; tables are compared by "listen logbook drift"',
        )
    return _valid(entry.document, f"entry {number} of the logbook")


def _loaded(path: FilePath) -> Any:
    try:
        return parse_document(read_ordinary(path))
    except OSError as error:
        raise CaptureError(
            f"{os.fspath(path)}: cannot be read ({(error.strerror or 'it failed').lower()})", "check its name and place"
        ) from error
    except ValueError as error:
        raise CaptureError(
            f"{os.fspath(path)}: is no JSON file ({error})", "give a capture, or what check --json wrote"
        ) from error


def _plain(document: Mapping[str, Any]) -> Any:
    """Return a document that came from a program as its JSON text would be read."""
    try:
        return parse_document(json.dumps(document))
    except (TypeError, ValueError) as error:
        raise CaptureError(f"the document: is no JSON ({error})", "give what check_document returned") from error


def _valid(document: Any, name: str) -> Mapping[str, Any]:
    """Refuse what is no check; a list of several is refused too, as one of them must be meant."""
    if isinstance(document, list):
        raise CaptureError(f"{name}: holds {len(document)} checks, one is compared", "write each to a file of its own")
    if not isinstance(document, Mapping) or document.get("schema") != CHECK_SCHEMA:
        schema = document.get("schema") if isinstance(document, Mapping) else None
        word = repr(schema) if schema is None or isinstance(schema, str) else "no text"
        raise CaptureError(
            f"{name}: is no check (its schema is {word}, not {CHECK_SCHEMA!r})", "give what check --json wrote"
        )
    try:
        hold_to_schema(document, check_schema())
    except DocumentFault as fault:
        raise CaptureError(f"{name}: is no whole check ({fault})", "write it again with check --json") from fault
    return document
