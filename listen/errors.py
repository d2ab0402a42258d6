"""What a user can get wrong, each with its remedy.

The command line prints ``str(error)`` as its one line and leaves with status 2. ``ValueError`` stays for
programmers' mistakes and is never shown.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable

LONGEST_LINE = 300
"""Characters of a whole line of complaint, with the program's name: four lines of a terminal of 80 columns."""
LONGEST_QUOTE = 60
"""Characters of a quoted text: enough to know again what was written."""
_LONGEST_LIST = 120
_LONGEST_TEXT = 20_000
"""Of a text of megabytes the beginning and the end are looked at: what is shown of it lies there."""
_LONGEST_WORD = 120
_PROGRAM = "listen: "
_QUOTED = re.compile(r"""(?<!\w)(?:'(?:[^'\\]|\\.)*'|"[^"]*")(?!\w)""")
_WORD = re.compile(r"\S+")


def one_line(text: str) -> str:
    """Return the text on one line, with all that cannot be printed escaped (file names may hold anything)."""
    words = " ".join(text.split())
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in words)


def cut(text: str, most: int) -> str:
    """Return a text of at most so many characters: the beginning and the end, which of a path says most.

    Examples
    --------
    >>> cut("a text that is too long to be shown", 19)
    'a text th ... shown'
    """
    if len(text) <= most:
        return text
    end = (most - 5) // 3 + 1
    return f"{text[: most - 5 - end]} ... {text[-end:]}"


def complaint(what: str, remedy: str = "") -> str:
    """Return what is wrong and what to do about it on one line of at most `LONGEST_LINE` characters.

    Parameters
    ----------
    what, remedy : str
        Quoted texts in them are cut at `LONGEST_QUOTE` characters, long names without quotes at twice as many; of a
        line that is still too long ``what`` gives way first, as the remedy is of more use.

    Returns
    -------
    str
    """
    most = LONGEST_LINE - len(_PROGRAM)
    said, done = (_with_short_words(one_line(cut(text, _LONGEST_TEXT))) for text in (what, remedy))
    if not remedy:
        return cut(said, most)
    done = cut(done, most // 2 + 40)
    return f"{cut(said, most - len(done) - 2)}; {done}"


def _with_short_words(text: str) -> str:
    text = _QUOTED.sub(lambda found: found[0][0] + cut(found[0][1:-1], LONGEST_QUOTE) + found[0][-1], text)
    return _WORD.sub(lambda found: cut(found[0], _LONGEST_WORD), text)


def close_match(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that was probably meant, None where none is near."""
    import difflib

    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, and list what is known.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        What could have been written.

    Returns
    -------
    str
        For the ``remedy`` of an error.

    Examples
    --------
    >>> suggestion("chanel", ["channel", "inverted"])
    'did you mean "channel"? Known: channel, inverted'
    """
    words = list(known)
    close = close_match(word, words)
    listed = listing(words)
    return f'did you mean "{close}"? Known: {listed}' if close else f"known: {listed}"


def listing(words: Iterable[str]) -> str:
    """List words for a line of complaint: as many as there is room for, and how many more there are.

    Examples
    --------
    >>> listing(f"word-{i}" for i in range(40))[-30:]
    'word-12, word-13 and 26 others'
    """
    known = list(words)
    fit = known
    while len(", ".join(fit)) > _LONGEST_LIST and len(fit) > 1:
        fit = fit[:-1]
    more = len(known) - len(fit)
    return ", ".join(fit) + (f" and {more} others" if more else "")


def is_link_of_others(path: str | os.PathLike[str]) -> bool:
    """Tell whether a name is a link that another user made in a folder that others may write.

    What is written through it would go where they chose: over a file of yours that they may not write themselves.

    Parameters
    ----------
    path : path

    Returns
    -------
    bool
        False where the system knows no users.
    """
    if not hasattr(os, "geteuid"):
        return False
    try:
        found = os.lstat(path)
        folder = os.stat(os.path.dirname(os.path.abspath(path)))
    except (OSError, ValueError):
        return False
    shared = folder.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    return stat.S_ISLNK(found.st_mode) and found.st_uid != os.geteuid() and bool(shared)


class ListenError(Exception):
    """A mistake that the user can put right. Raise a subclass.

    Parameters
    ----------
    what : str
        What is wrong: the file or option, what was found (with its unit), what was expected.
    remedy : str
        What to do about it.

    Examples
    --------
    >>> str(CaptureError("take.wav: no samples", "record it again"))
    'take.wav: no samples; record it again'
    """

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy

    @property
    def mend(self) -> str:
        """The remedy under its former name, for programs that read it."""
        return self.remedy

    def __str__(self) -> str:
        return complaint(self.what, self.remedy)


class CaptureError(ListenError):
    """The recording cannot be used."""


class OptionError(ListenError):
    """The call asks for something that cannot be done."""


class BenchError(ListenError):
    """The bench file cannot be used."""


class LimitsError(ListenError):
    """The file of limits cannot be used."""


class OutputError(ListenError):
    """A result cannot be written where it was asked for."""


class LogbookError(ListenError):
    """The logbook cannot be read or written."""
