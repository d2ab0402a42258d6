"""What every command of the command line is made of: parser, options, screen, the one line of complaint."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from listen.bench import GAIN_CONTROLS, TOPOLOGIES, WAVES
from listen.errors import OptionError, OutputError, complaint, suggestion
from listen.units import read_number

PASSED, FOUND, UNUSABLE, INTERRUPTED = 0, 1, 2, 130


class Parser(argparse.ArgumentParser):
    """A parser that raises a line with a remedy where the usual one prints its usage and leaves."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("allow_abbrev", False)
        settings.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**settings)
        # Numbers below zero begin with a dash and are no options, lists and decimal commas too.
        self._negative_number_matcher = re.compile(r"^-[\d.,][\d.,;:eE+\-a-z]*$")

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Parse all arguments; of one that is not known, say which option of its command was probably meant."""
        found, rest = self.parse_known_args(args, namespace)
        option = next((word for word in rest if word.startswith("-") and word != "-"), None)
        if option is not None:
            word = option.split("=")[0]
            raise OptionError(f"there is no option {word}", suggestion(word, sorted(self._known(found))))
        if rest:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return found

    def error(self, message: str) -> NoReturn:
        """Raise what argparse has to say, with a remedy."""
        raise OptionError(message, f'"{self.prog} --help" shows how it is called')

    def _known(self, found: argparse.Namespace) -> set[str]:
        """Return the options of the command that was given, of all where none was."""
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction) and getattr(found, action.dest, None) in action.choices:
                inner = action.choices[getattr(found, action.dest)]
                return inner._known(found) if isinstance(inner, Parser) else long_options(inner)
        return long_options(self)


def add_span(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which channel and which span to look at."""
    parser.add_argument("--channel", metavar="N", type=channel_number, help="the channel to look at, counted from 1")
    parser.add_argument("--start", metavar="S", type=seconds_of("--start"), help="look from this second on")
    parser.add_argument("--end", metavar="S", type=seconds_of("--end"), help="look up to this second")


def add_build(parser: argparse.ArgumentParser) -> None:
    """Add the options that say what was built."""
    parser.add_argument(
        "--wave",
        metavar="W",
        type=word_of("--wave", WAVES),
        help=f"the intended wave: {', '.join(WAVES)} (default: sine)",
    )
    parser.add_argument(
        "--gain-control",
        metavar="G",
        type=word_of("--gain-control", GAIN_CONTROLS),
        help=f"what holds the level: {', '.join(GAIN_CONTROLS)}; limits and causes depend on it",
    )
    parser.add_argument(
        "--topology",
        metavar="T",
        type=word_of("--topology", TOPOLOGIES),
        help=f"the circuit: {', '.join(TOPOLOGIES)}; figures of the circuit depend on it",
    )
    parser.add_argument(
        "--bench",
        metavar="FILE.toml",
        type=file_name("--bench"),
        help="the bench file (default: bench.toml beside the capture, where there is one)",
    )


def word_of(option: str, known: Sequence[str]) -> Callable[[str], str]:
    """Return a reader of one of a few words."""

    def parse(text: str) -> str:
        if text not in known:
            raise OptionError(f"{option} {text!r} is not known", suggestion(text.lower(), known))
        return text

    return parse


def add_limits(parser: Any) -> None:
    """Add the options that say which limits hold."""
    parser.add_argument("--limits", metavar="FILE.toml", type=file_name("--limits"), help="limits of your own")
    parser.add_argument(
        "--small-limits", action="store_true", help="take limits that look like fractions of a per cent as written"
    )


def ask_about_limits(options: argparse.Namespace) -> None:
    """Refuse a file of limits that has a fraction where per cent are meant, unless that was confirmed."""
    if options.limits is not None and not options.small_limits:
        from listen.api.small_limits import ask_about_fractions

        ask_about_fractions(options.limits)


def add_decimal(parser: Any) -> None:
    """Add the option that says how numbers stand in CSV files."""
    parser.add_argument(
        "--decimal",
        metavar="D",
        default="point",
        type=word_of("--decimal", ("point", "comma")),
        help="in CSV files: point (default), or comma with semicolons between the cells",
    )


def file_name(option: str) -> Callable[[str], str]:
    """Return a reader of a file name."""

    def parse(text: str) -> str:
        if not text or "\0" in text:
            raise OptionError(f"{option} needs a file name, not {text!r}", "name a file")
        return text

    return parse


def channel_number(text: str) -> int:
    """Read the number of a channel."""
    try:
        channel = int(text)
    except ValueError:
        channel = 0
    if channel < 1:
        raise OptionError(f"--channel {text!r} is no channel", "channels count from 1: --channel 1 is the left one")
    return channel


def seconds_of(option: str) -> Callable[[str], float]:
    """Return a reader of a place in a take."""

    def parse(text: str) -> float:
        seconds = read_number(text)
        if seconds is None or seconds < 0.0:
            raise OptionError(
                f"{option} {text!r} is no place in a take", "give seconds from its start, for example 2.5 or 2,5"
            )
        return seconds

    return parse


def long_options(parser: argparse.ArgumentParser) -> set[str]:
    """Return every long option of a parser and of its commands."""
    found: set[str] = set()
    for action in parser._actions:
        found.update(word for word in action.option_strings if word.startswith("--"))
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                found |= long_options(command)
    return found


class Screen:
    """Standard output; a reader that has seen enough (``| head``) ends the printing, not the work."""

    def __init__(self) -> None:
        self._gone = sys.stdout is None
        with contextlib.suppress(AttributeError, ValueError):
            sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]

    def put(self, text: str) -> None:
        """Write text, at once."""
        if self._gone:
            return
        try:
            sys.stdout.write(text)
            sys.stdout.flush()
        except BrokenPipeError:
            self._give_up()
        except OSError as error:
            self._give_up()
            reason = (error.strerror or "it failed").lower()
            raise OutputError(
                f"cannot write to standard output ({reason})", "make room there and run it again"
            ) from error

    def _give_up(self) -> None:
        """Let what is still buffered go nowhere, so that the interpreter has nothing to say about it at its end."""
        self._gone = True
        with contextlib.suppress(OSError, ValueError, AttributeError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, sys.stdout.fileno())
            os.close(nowhere)


def complain(text: str) -> int:
    """Say one line on standard error."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(f"listen: {complaint(text)}\n")
        sys.stderr.flush()
    return UNUSABLE


def aside(text: str) -> None:
    """Say something on standard error that is no complaint."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(text)
        sys.stderr.flush()


def no_word(_text: str) -> None:
    """Say nothing."""
