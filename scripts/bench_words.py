"""How the tables are set, and what is said of each loss."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

WIDTH = 98
Cell = str | float | None


def number(value: float | None, unit: str = "") -> str:
    """Three digits that count, without an exponent; a dash for nothing."""
    if value is None or not np.isfinite(value):
        return "-"
    size = abs(value)
    if size >= 100:
        text = f"{value:.0f}"
    elif size >= 10:
        text = f"{value:.1f}"
    elif size >= 1:
        text = f"{value:.2f}"
    elif size >= 0.001:
        text = f"{value:.4f}".rstrip("0") if size < 0.01 else f"{value:.3f}"
    else:
        text = f"{value:.5f}" if size >= 1e-5 else "0" if size == 0 else "<0.00001"
    return text + unit


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[Cell]],
    *,
    units: Sequence[str] | None = None,
    groups: Sequence[tuple[str, int]] = (),
) -> list[str]:
    """Lines of a table: the first column to the left, all others to the right.

    Parameters
    ----------
    head : sequence of str
    rows : sequence of rows
        Numbers are set by `number`, texts stand as they are.
    units : sequence of str, optional
        Written after each number of a column.
    groups : sequence of (text, number of columns)
        A line above the head, each text over the right end of its columns.
    """
    units = units or [""] * len(head)
    cells = [list(head)]
    for row in rows:
        cells.append([c if isinstance(c, str) else number(c, u) for c, u in zip(row, units, strict=True)])
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    lines = []
    for row in cells:
        first, *others = (
            text.ljust(w) if i == 0 else text.rjust(w) for i, (text, w) in enumerate(zip(row, widths, strict=True))
        )
        lines.append("  ".join((first, *others)).rstrip())
    above, first = "", 0
    for text, count in groups:
        first += count
        above += text.rjust(sum(widths[:first]) + 2 * (first - 1) - len(above))
    return [*([above] if groups else []), lines[0], "-" * len(lines[0]), *lines[1:]]


def markdown(head: Sequence[str], rows: Sequence[Sequence[Cell]], *, units: Sequence[str] | None = None) -> list[str]:
    """The same table as Markdown."""
    units = units or [""] * len(head)
    lines = ["| " + " | ".join(head) + " |", "|---" + "|---:" * (len(head) - 1) + "|"]
    for row in rows:
        cells = [c if isinstance(c, str) else number(c, u) for c, u in zip(row, units, strict=True)]
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def losses(ours: dict[str, float], others: dict[str, dict[str, float]], words: dict[str, tuple[str, str]]) -> list[str]:
    """One line for each quantity in which another is better; smaller is better in all.

    Parameters
    ----------
    ours : mapping of quantity to value
    others : mapping of name to the same
    words : mapping of quantity to (what we are, its unit)
        For example ``{"seconds": ("slower than", " s")}``.
    """
    lines = []
    for key, (phrase, unit) in words.items():
        for name, values in others.items():
            mine, theirs = ours.get(key), values.get(key)
            if mine is None or theirs is None or not np.isfinite(theirs) or mine <= theirs:
                continue
            by = f", {mine / theirs:.1f} times" if theirs > 0 and mine / theirs >= 1.05 else ""
            lines.append(f"{phrase} {name}: {number(mine, unit)} against {number(theirs, unit)}{by}")
    return lines


def wrapped(text: str, first: str = "") -> list[str]:
    """Words on lines that fit."""
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent="  ")
