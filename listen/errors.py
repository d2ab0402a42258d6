"""What a user can get wrong, each with its remedy.

The command line prints ``str(error)`` as its one line and leaves with status 2. ``ValueError`` stays for
programmers' mistakes and is never shown.
"""

from __future__ import annotations

from collections.abc import Iterable


def one_line(text: str) -> str:
    """Return the text on one line, with all that cannot be printed escaped (file names may hold anything)."""
    words = " ".join(text.split())
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in words)


def close_match(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that was probably meant, None where none is near."""
    import difflib

    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, and list them all.

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
    listed = ", ".join(words)
    return f'did you mean "{close}"? Known: {listed}' if close else f"known: {listed}"


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
        return one_line(f"{self.what}; {self.remedy}")


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
