"""The options by which a command logs what it found, and the circumstances that go with it."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from listen.cli.options import PASSED, complain, file_name
from listen.errors import ListenError, OptionError
from listen.units import read_number

if TYPE_CHECKING:
    from pathlib import Path

    from listen.logbook import About

_ABOUT = ("note", "temperature", "warm_up", "measured", "as_found", "as_left")


def add_logbook_options(parser: argparse.ArgumentParser, *, states: bool = False, note: str = "--note") -> None:
    """Add the options that keep a result in the logbook.

    Parameters
    ----------
    parser : ArgumentParser
        Of a command whose result is kept.
    states : bool
        Whether it can be as found and as left.
    note : str
        The option for a note to the entry, where ``--note`` has another meaning.
    """
    group = parser.add_argument_group("logbook", "--build or --logbook keeps the result there")
    add_logbook_file(group)
    group.add_argument("--build", metavar="NAME", help="the build it belongs to (default: the bench file's)")
    group.add_argument(note, dest="note", metavar="TEXT", help="a note to the entry")
    add_circumstances(group)
    if states:
        state = group.add_mutually_exclusive_group()
        state.add_argument("--as-found", action="store_true", help="made before anything was adjusted")
        state.add_argument("--as-left", action="store_true", help="made after adjusting; later tables are held to it")


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeper:
    """Where results are kept, and in what circumstances they were measured."""

    path: Path
    about: About
    names: Mapping[str, str | None]

    @property
    def files(self) -> list[str]:
        """All files of the logbook: none of them may be written over."""
        return [f"{self.path}{ending}" for ending in ("", "-wal", "-shm", "-journal")]

    def keep(self, document: Mapping[str, Any], capture: str, say: Callable[[str], None]) -> int:
        """Keep a document, and say so once it is on the disc; return the exit status."""
        from listen.logbook import record
        from listen.report.logbook_words import stored_line

        name = self.names[capture]
        assert name is not None
        try:
            stored = record(document, build=name, path=self.path, about=self.about)
        except ListenError as error:  # what was found has been shown already
            return complain(str(error))
        say(stored_line(stored) + "\n")
        return PASSED


def keeper_for(options: argparse.Namespace, captures: Sequence[str]) -> Keeper | None:
    """Return where to keep results, None where they are not to be kept.

    Raises
    ------
    ListenError
        The logbook could not be written, or the name of the build is not known: before any work is done.
    """
    if options.build is None and options.logbook is None:
        stated = _stated(options)
        if stated and getattr(options, "report", None) is None:
            option = "--" + stated[0].replace("_", "-")
            raise OptionError(
                f"{option} goes into the logbook",
                "add --build NAME, so that the result is kept there, or --report DIR: its sheet has it too",
            )
        return None
    from listen.logbook import check_logbook, logbook_path
    from listen.logbook.wording import checked, normalised_name

    about = checked(circumstances(options))
    names = {capture: options.build if options.build is not None else _named(options, capture) for capture in captures}
    for capture, name in names.items():
        if name is None:
            raise OptionError(
                f"--logbook needs the name of the build of {capture}",
                "add --build NAME, or a name to the bench file: [build] name",
            )
        normalised_name(name)
    path = logbook_path(options.logbook)
    check_logbook(path)
    return Keeper(path=path, about=about, names=names)


def stated_for(options: argparse.Namespace) -> About | None:
    """Return the circumstances as they were stated, for the sheet of a page; None where nothing was.

    Raises
    ------
    OptionError
        A value is out of range.
    """
    if getattr(options, "report", None) is None or not _stated(options):
        return None
    from listen.logbook.wording import checked

    about = circumstances(options)
    # when it was measured is now in a logbook where nothing else was said; on a sheet it is left open
    return replace(checked(about), measured=about.measured)


def _stated(options: argparse.Namespace) -> list[str]:
    """Return the options that state a circumstance."""
    return [name for name in _ABOUT if getattr(options, name, None) is not None and getattr(options, name) is not False]


def add_logbook_file(parser: Any, default: Any = None) -> None:
    """Add the option that names the file of the logbook."""
    parser.add_argument(
        "--logbook",
        metavar="FILE",
        type=file_name("--logbook"),
        default=default,
        help="the file of the logbook (default: LISTEN_LOGBOOK, or the system's place)",
    )


def add_circumstances(parser: Any) -> None:
    """Add the options that state in what circumstances a take was measured."""
    parser.add_argument(
        "--temperature", metavar="C", type=decimal_of("--temperature"), help="of the room, degrees Celsius"
    )
    parser.add_argument(
        "--warm-up", metavar="MIN", type=decimal_of("--warm-up"), help="minutes since the supply was switched on"
    )
    parser.add_argument(
        "--measured",
        metavar="WHEN",
        type=moment_of,
        help="when it was measured, 2026-03-01 or 2026-03-01T19:30 (default: now)",
    )


def _named(options: argparse.Namespace, capture: str) -> str | None:
    """Return the name in the bench file that belongs to a capture."""
    from listen.api.bench_lookup import find_bench_file
    from listen.bench import load_bench

    path = options.bench or find_bench_file(capture)
    if path is None:
        return None
    try:
        return load_bench(path).build.name
    except ListenError:  # the command itself says what is wrong with it, and keeps nothing
        return os.fspath(path)


def circumstances(options: argparse.Namespace) -> About:
    """Return the circumstances that were stated."""
    from listen.logbook import About

    as_found, as_left = getattr(options, "as_found", False), getattr(options, "as_left", False)
    return About(
        build=options.build,
        note=options.note,
        temperature_c=options.temperature,
        warm_up_min=options.warm_up,
        measured=options.measured,
        state="as-found" if as_found else "as-left" if as_left else None,
    )


def decimal_of(option: str) -> Callable[[str], float]:
    """Return a reader of a number with a decimal point or comma."""

    def parse(text: str) -> float:
        number = read_number(text)
        if number is None:
            raise OptionError(f"{option} {text!r} is no number", f"for example {option} 21.5 or {option} 21,5")
        return number

    return parse


def moment_of(text: str) -> Any:
    """Return the moment that was typed, refusing one that lies ahead."""
    from datetime import UTC, datetime, timedelta

    from listen.logbook.wording import EARLIEST_YEAR

    try:
        when = datetime.fromisoformat(text.strip()).astimezone()
        future = when.astimezone(UTC) > datetime.now(UTC) + timedelta(days=1)
        if when.year < EARLIEST_YEAR:
            raise ValueError
    except (ValueError, OverflowError, OSError):
        raise OptionError(
            f"--measured {text!r} is no moment", "for example --measured 2026-03-01, or 2026-03-01T19:30"
        ) from None
    if future:
        raise OptionError(f"--measured {text!r} lies ahead", "give the day on which it was measured")
    return when
