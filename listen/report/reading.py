"""Documents that are read back: strict JSON, held against the schema that the package ships."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Any, NoReturn

from listen.errors import cut

_LARGEST_NUMBER = 1e30
"""No quantity, size or count of a document comes near; its square and cube are still numbers."""
_LONGEST_NUMBER = 40
_MAY_BE_LARGE = re.compile(r"\d{19}|(?:^|(?<=[\s:,\[-]))\d[\d.]*[eE]\+?\d\d")
"""Without any of these in a text no number in it is as large: they need not be looked at one by one, which takes twice
as long as reading them."""
_LONGEST_PLACE, _LONGEST_FAULT = 80, 100


class DocumentFault(ValueError):
    """A text is no such document; the message says where and why."""


def parse_document(text: str | bytes) -> Any:
    """Return what a JSON text holds, where it is JSON by its standard (RFC 8259).

    Parameters
    ----------
    text : str or bytes
        Bytes are UTF-8, with or without a byte order mark.

    Returns
    -------
    object

    Raises
    ------
    DocumentFault
        It is no text or no JSON, is nested too deeply, or holds a number that no measurement gives (NaN, 1e400).
    """
    try:
        plain = text.decode("utf-8-sig") if isinstance(text, bytes) else text
        if _MAY_BE_LARGE.search(plain) is None:
            return json.loads(plain, parse_constant=_no_number)
        return json.loads(plain, parse_constant=_no_number, parse_float=_finite, parse_int=_whole)
    except UnicodeDecodeError as error:
        raise DocumentFault("it is not a text in UTF-8") from error
    except json.JSONDecodeError as error:
        raise DocumentFault(f"line {error.lineno}, column {error.colno}: {error.msg}") from error
    except RecursionError as error:
        raise DocumentFault("it is nested too deeply") from error


def hold_to_schema(document: Any, schema: Mapping[str, Any]) -> None:
    """Refuse a document that does not hold to a schema.

    Parameters
    ----------
    document : object
        As :func:`parse_document` returns it.
    schema : mapping
        JSON Schema, 2020-12.

    Raises
    ------
    DocumentFault
        The message has the place of the first error.

    Notes
    -----
    A key that the schema does not know is no error: a later version adds keys without another number of the schema.
    """
    validator = _validator(schema)
    try:
        try:
            fault = next(validator.iter_errors(document), None)
        except UnicodeEncodeError:  # the name of a file may be no text
            fault = next(validator.iter_errors(_as_text(document)), None)
    except (RecursionError, ValueError) as error:  # what Python just reads may be too deep for the library
        raise DocumentFault("it is nested too deeply") from error
    if fault is not None:
        place = cut(_place(fault.instance_path), _LONGEST_PLACE)
        raise DocumentFault(f"{place}: {cut(fault.message, _LONGEST_FAULT)}")


def _validator(schema: Mapping[str, Any]) -> Any:
    """Return what holds documents to a schema: to make it takes longer than to use it, and there are two schemas."""
    import jsonschema_rs

    for known, validator in _validators:
        if known is schema:
            return validator
    validator = jsonschema_rs.validator_for(_open(schema))
    _validators[:] = [*_validators[-1:], (schema, validator)]
    return validator


_validators: list[tuple[Mapping[str, Any], Any]] = []


def _open(schema: Any) -> Any:
    """Return a schema that lets objects have more keys than it names."""
    if isinstance(schema, Mapping):
        return {
            key: _open(value) for key, value in schema.items() if not (key == "additionalProperties" and value is False)
        }
    return [_open(value) for value in schema] if isinstance(schema, list) else schema


def _place(path: list[str | int]) -> str:
    """Write a place as one would in a program.

    Examples
    --------
    >>> _place(["sweep", 3, "thd_percent"]), _place([])
    ('sweep[3].thd_percent', 'the document')
    """
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".") or "the document"


def _as_text(value: Any) -> Any:
    """Return a document with a mark for each character that is none, for the library that holds it to its schema."""
    if isinstance(value, dict):
        return {_as_text(key): _as_text(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_as_text(one) for one in value]
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value


def _no_number(word: str) -> NoReturn:
    raise DocumentFault(f"{word} is no number in JSON")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or abs(value) > _LARGEST_NUMBER:
        raise DocumentFault(f"the number {cut(text, _LONGEST_NUMBER)} is beyond all measure")
    return value


def _whole(text: str) -> int:
    if len(text) > _LONGEST_NUMBER or abs(int(text)) > _LARGEST_NUMBER:
        raise DocumentFault(f"the number {cut(text, _LONGEST_NUMBER)} is beyond all measure")
    return int(text)
