"""A page of a bench notebook in text: a margin for the word, a rule, and the writing right of it."""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TextIO

Ink = Literal["good", "mind", "bad", "faint", "strong"]

WIDEST = 80
NARROWEST = 20
_MARGIN = 9
_LEAST_WITH_MARGIN = 56
"""Below, there is no room for a margin beside the writing: words of the margin get lines of their own."""
_CODES: dict[str, str] = {"good": "32", "mind": "33", "bad": "1;31", "faint": "2", "strong": "1"}
_UNITS = "Hz|kHz|s|ms|dB|dBFS|dBc|%|cents|V|octaves?|cycles?|min|ohm|k"
_ASCII = str.maketrans(
    {
        "─": "-",
        "│": "|",
        "┬": "+",
        "┴": "+",
        "┼": "+",
        "·": "-",
        "•": "o",
        "…": "~",
        "\u2013": "-",
        "µ": "u",
        "±": "~",
        "°": "",
        **dict.fromkeys("█▉▊▋▌", "#"),
        **dict.fromkeys("▍▎▏", "."),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """How a page is drawn.

    Attributes
    ----------
    width : int
        Columns, 20 to 80.
    color : bool
        Ink with terminal codes; never the only carrier of a meaning, and left out of a narrow page, whose lines are
        wrapped.
    ascii_only : bool
        Draw with plain characters, where the encoding has no others.
    """

    width: int = WIDEST
    color: bool = False
    ascii_only: bool = False

    @property
    def text_width(self) -> int:
        """Columns right of the rule; of a narrow page, all."""
        return self.width if self.narrow else self.width - _MARGIN - 3

    @property
    def narrow(self) -> bool:
        """Without a margin."""
        return self.width < _LEAST_WITH_MARGIN

    def ink(self, text: str, ink: Ink | None) -> str:
        """Colour a text, where there is colour."""
        if not self.color or ink is None or not text or self.narrow:
            return text
        return f"\x1b[{_CODES[ink]}m{text}\x1b[0m"

    def rule(self, joint: str = "┼") -> str:
        """Return a line across the page, joined to the rule of the margin."""
        if self.narrow:
            return "─" * self.width
        return self.ink("─" * (_MARGIN + 1) + joint + "─" * (self.width - _MARGIN - 2), "faint")

    def line(self, text: str = "", *, label: str = "", ink: Ink | None = None, text_ink: Ink | None = None) -> str:
        """Return one line: the word in the margin, the rule, the writing; of a narrow page two, one below the other."""
        if self.narrow:
            return "\n".join(part for part in (label.strip(), text) if part)
        margin = self.ink(f"{label:>{_MARGIN}}", ink)
        writing = f" {self.ink(text, text_ink)}" if text else ""
        return f"{margin} {self.ink('│', 'faint')}{writing}"

    def write(
        self,
        text: str,
        *,
        label: str = "",
        ink: Ink | None = None,
        text_ink: Ink | None = None,
        bullet: bool = False,
    ) -> list[str]:
        """Return a text wrapped right of the rule, its word in the margin of the first line.

        A number stays with its unit.
        """
        lines = textwrap.wrap(
            with_units_held(readable(text)),
            self.text_width,
            initial_indent="· " if bullet else "",
            subsequent_indent="  " if bullet else "",
            break_on_hyphens=False,
        )
        return [
            self.line(line.replace("\u00a0", " "), label=label if i == 0 else "", ink=ink, text_ink=text_ink)
            for i, line in enumerate(lines or [""])
        ]

    def _wrapped_lines(self, lines: list[str]) -> Iterator[str]:
        """Yield lines that fit: rows of tables are written closer, then wrapped."""
        for line in "\n".join(lines).split("\n"):
            if len(line) <= self.width:
                yield line
            else:
                yield from textwrap.wrap(" ".join(line.split()), self.width, subsequent_indent=" ")

    def finish(self, lines: list[str]) -> str:
        """Return the page as text that its paper can take."""
        text = "\n".join(line.rstrip() for line in (self._wrapped_lines(lines) if self.narrow else lines)) + "\n"
        if not self.ascii_only:
            return text
        return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def paper_for(stream: TextIO) -> Paper:
    """Return the paper that fits a stream: its width, its colours, its characters."""
    terminal = _is_terminal(stream)
    width = columns_of(stream) or WIDEST
    return Paper(
        width=max(NARROWEST, min(WIDEST, width)),
        color=terminal and _wants_color(),
        ascii_only=not _can_draw(getattr(stream, "encoding", None)),
    )


def columns_of(stream: TextIO) -> int | None:
    """Return the columns of a terminal, None of what is none or does not say."""
    if not _is_terminal(stream):
        return None
    try:
        return os.get_terminal_size(stream.fileno()).columns or None
    except (OSError, ValueError, AttributeError):
        return None


def with_units_held(text: str) -> str:
    """Return a text in which numbers hold their units, by spaces at which no line is broken.

    Examples
    --------
    >>> with_units_held("from 466 Hz on") == f"from 466{chr(160)}Hz on"
    True
    """
    return re.sub(rf"(?<=\d) (?=(?:{_UNITS})\b|%)", "\u00a0", text)


def readable(text: str) -> str:
    """Replace what would steer a terminal or cannot be written, as a file name may hold it."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except (AttributeError, ValueError):
        return False


def _wants_color() -> bool:
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return sys.platform != "win32" or "WT_SESSION" in os.environ


def _can_draw(encoding: str | None) -> bool:
    try:
        "─│┬┴┼·•█▏…".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
