"""Keys set in a bench file, all that stands there left as it is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

from listen.errors import BenchError

Value = float | bool | tuple[float, ...]

_HEADER = re.compile(r"^\s*\[\s*([A-Za-z0-9_.\-]+)\s*\]\s*(#.*)?$")


def with_keys(text: str, table: str, values: Mapping[str, Value], notes: Mapping[str, str], name: str) -> str:
    """Return the text of a bench file with keys set.

    Parameters
    ----------
    text : str
        The file as it is; may be empty.
    table : str
        The table that the keys belong to.
    values : mapping of str to float, bool or tuple of float
    notes : mapping of str to str
        A remark beside a key.
    name : str
        The file, for messages.

    Returns
    -------
    str

    Raises
    ------
    BenchError
        The file is written in a way that cannot be changed without touching more.
    """
    lines = text.splitlines()
    start, end = _table(lines, table)
    if start is None:
        if lines and lines[-1].strip():
            lines.append("")
        lines.append(f"[{table}]")
        start, end = len(lines) - 1, len(lines)
    for key, value in values.items():
        remark = f"  # {notes[key]}" if key in notes else ""
        line = f"{key} = {_written(value)}{remark}"
        at = next((i for i in range(start + 1, end) if re.match(rf"^\s*{re.escape(key)}\s*=", lines[i])), None)
        if at is not None:
            lines[at] = line
        else:
            place = end
            while place > start + 1 and not lines[place - 1].strip():
                place -= 1
            lines.insert(place, line)
            end += 1
    result = "\n".join(lines) + "\n"
    _held(text, result, table, values, name)
    return result


def _table(lines: list[str], table: str) -> tuple[int | None, int]:
    start = None
    for i, line in enumerate(lines):
        header = _HEADER.match(line)
        if header and start is not None:
            return start, i
        if header and header.group(1) == table:
            start = i
    return start, len(lines)


def _written(value: Value) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_written(one) for one in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f"{value:.6g}"
    return text if "." in text or "e" in text else f"{text}.0"


def _held(before: str, after: str, table: str, values: Mapping[str, Value], name: str) -> None:
    """Refuse a result that says anything else than what was asked for."""
    try:
        old, new = tomllib.loads(before), tomllib.loads(after)
        wanted = {key: tomllib.loads(f"x = {_written(value)}")["x"] for key, value in values.items()}
        if new == {**old, table: {**old.get(table, {}), **wanted}}:
            return
    except (tomllib.TOMLDecodeError, TypeError, AttributeError):
        pass
    lines = "; ".join(f"{key} = {_written(value)}" for key, value in values.items())
    raise BenchError(f"{name}: its [{table}] cannot be changed safely", f"write these into it yourself: {lines}")
