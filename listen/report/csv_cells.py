"""Tables that a spreadsheet opens: text stays text, numbers stay numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Literal

_FORMULA = "=+-@\uff1d\uff0b\uff0d\uff20|%"
"""First characters that one spreadsheet or another takes for the beginning of a formula or a command (common
practice, no source; the last four are the wide forms of the first, which some versions read alike)."""


def safe_cell(text: str) -> str:
    r"""Return a text that no spreadsheet takes for a formula.

    Parameters
    ----------
    text : str
        What someone wrote.

    Returns
    -------
    str
        The same, with an apostrophe before it where a spreadsheet would begin to compute.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("north shelf"), safe_cell(" \t-2")
    ("'=1+1", 'north shelf', "' \t-2")
    """
    bare = text.lstrip()
    unprinted = bool(text) and not text[0].isprintable()  # a tab or a line break before the sign hides it
    return "'" + text if unprinted or (bare and bare[0] in _FORMULA) else text


Decimal = Literal["point", "comma"]
DECIMALS: tuple[Decimal, ...] = ("point", "comma")


def with_decimal(text: str, decimal: Decimal) -> str:
    r"""Return CSV whose cells hold neither commas nor quotes with another decimal sign.

    Parameters
    ----------
    text : str
        Commas between cells, decimal points.
    decimal : {'point', 'comma'}
        With ``comma``, semicolons are between cells, as spreadsheets expect it where commas are decimal.

    Examples
    --------
    >>> with_decimal("note,f0_hz\nA4,440.5\n", "comma")
    'note;f0_hz\nA4;440,5\n'
    """
    return text if decimal == "point" else text.translate(_TO_COMMA)


_TO_COMMA = str.maketrans(",.", ";,")


def csv_bytes(
    header: Sequence[str], rows: Iterable[Sequence[str | float | int | None]], decimal: Decimal = "point"
) -> bytes:
    """Return a table as CSV.

    Parameters
    ----------
    header : sequence of str
        The first line, the unit in each name.
    rows : iterable of sequence
        Texts are made safe, None is an empty cell, numbers have up to ten digits.
    decimal : {'point', 'comma'}
        With ``comma``, semicolons are between cells.

    Returns
    -------
    bytes
        UTF-8; with a byte order mark only where there is more than ASCII, because spreadsheets need it there and
        other readers stumble over it.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n", delimiter="," if decimal == "point" else ";")
    writer.writerow(header)
    writer.writerows([_cell(value, decimal) for value in row] for row in rows)
    text = stream.getvalue()
    return text.encode("utf-8" if text.isascii() else "utf-8-sig", "backslashreplace")


def _cell(value: str | float | int | None, decimal: Decimal) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return safe_cell(value)
    number = str(value) if isinstance(value, int) else f"{value:.10g}"
    return number if decimal == "point" else number.replace(".", ",")
