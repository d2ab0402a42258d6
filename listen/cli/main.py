"""The command line: parse, call a verb, print. It computes nothing."""

from __future__ import annotations

import argparse
import atexit
import gc
import os
import sys
from collections.abc import Callable, Sequence

from listen.cli.calibrate import add_calibrate_command
from listen.cli.check import STATUS, add_check_command
from listen.cli.compare import add_compare_command
from listen.cli.excerpt import add_excerpt_command
from listen.cli.interrupts import OwnProcess, terminated_is_interrupted
from listen.cli.logbook import add_logbook_command
from listen.cli.options import (
    INTERRUPTED,
    PASSED,
    Parser,
    Screen,
    complain,
)
from listen.cli.setup import add_bench_commands
from listen.cli.watch import add_watch_command
from listen.errors import ListenError, OptionError, OutputError

_BEFORE = "From a recording of an oscillator to a verdict that its builder can act on: pitch, start, hold, clean."

_LEAST_ADDRESS_SPACE = 600_000_000
"""A check of 12 s runs with 400 MB; with 300 the linear algebra library ends the process as if something were found."""
_NO_THREADS = "can't start new thread"
"""What Python says where the system starts no more of them; there is no kind of error for it."""


def _quiet_threads() -> None:
    """Keep the linear algebra library from spinning threads of its own inside ours; a set value stands."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _collect_seldom() -> None:
    """Spare a short-lived process the search for garbage: imports make many objects and leave hardly any behind.

    It takes a tenth of a check of ten seconds: some eighty times on the way, and over everything at the end.
    """
    gc.set_threshold(50_000, *gc.get_threshold()[1:])
    atexit.register(gc.freeze)


def _hold_standard_streams() -> None:
    """Let no file take the number of a standard stream that is closed: a library's warning would be written into it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # the lowest number that is free is given out first: this one
            os.set_inheritable(os.open(os.devnull, os.O_RDONLY if number == 0 else os.O_WRONLY), True)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = Parser(prog="listen", description=_BEFORE, epilog=STATUS)
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command")
    add_check_command(commands)
    add_calibrate_command(commands)
    add_watch_command(commands)
    add_bench_commands(commands)
    add_compare_command(commands)
    add_excerpt_command(commands)
    add_logbook_command(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments; those of the process where not given.

    Returns
    -------
    int
        The exit status.
    """
    _quiet_threads()
    if argv is not None:  # a caller with arguments of its own goes on afterwards, and keeps its ways
        with terminated_is_interrupted():
            return _status_of(argv)
    process = OwnProcess()
    try:
        _hold_standard_streams()
        process.take_signals()
        _collect_seldom()
        return process.done(_status_of(argv, process.interrupted))
    except KeyboardInterrupt:  # between two lines of ours
        return process.done(_interrupted())


def _status_of(argv: Sequence[str] | None, interrupted: Callable[[], bool] = lambda: False) -> int:
    """Run a command, and say in one line what kept it from being done."""
    try:
        return _run_command(build_parser().parse_args(argv))
    except KeyboardInterrupt:
        return _interrupted()
    except (Exception, SystemExit) as error:
        # within the import of a library an interrupt comes out as an error of that library
        return _interrupted() if interrupted() else _complain_of(error)


def _complain_of(error: BaseException) -> int:
    if isinstance(error, ListenError):
        return complain(str(error))
    if isinstance(error, SystemExit):  # argparse, after --help
        return error.code if isinstance(error.code, int) else PASSED
    if isinstance(error, MemoryError):
        return complain("there is not enough memory for this; look at a shorter span (--start, --end)")
    if isinstance(error, OSError):
        return complain(
            f"{error.strerror or error} ({error.filename or 'no file named'}); correct that and run it again"
        )
    if isinstance(error, RuntimeError) and _NO_THREADS in str(error):
        return complain("no more threads can be started; close other programs, or raise the limit (ulimit -u)")
    return _own_fault(error)


def _interrupted() -> int:
    complain("interrupted")
    return INTERRUPTED


def _own_fault(error: BaseException) -> int:
    """Say that this should not have happened, or show where it did."""
    if os.environ.get("LISTEN_TRACEBACK"):
        raise error
    return complain(
        f"this is a fault of listen itself ({type(error).__name__}: {error}); "
        "run it again with LISTEN_TRACEBACK=1 set and report what that prints"
    )


def _enough_memory() -> None:
    """Refuse to begin under a limit of address space at which a library of numbers would end the process by itself.

    Raises
    ------
    OptionError
    """
    try:
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
        if limit == resource.RLIM_INFINITY or limit >= _LEAST_ADDRESS_SPACE:
            return
    except (ImportError, OSError):  # Windows has no such limit
        return
    least_mb = _LEAST_ADDRESS_SPACE / 1e6
    raise OptionError(
        f"this process may use {limit / 1e6:.0f} MB of address space, at least {least_mb:.0f} are needed",
        "raise the limit (ulimit -v)",
    )


def _run_command(options: argparse.Namespace) -> int:
    if options.version:
        Screen().put(f"listen {_version()}\n")
        return PASSED
    if options.command is None:
        raise OptionError("no command was given", 'try "listen check TAKE.wav", or "listen --help"')
    if sys.stdout is None and "-" in (getattr(options, "json", None), getattr(options, "json_lines", None)):
        raise OutputError("standard output is closed, and the JSON is to go there", "name a file instead of -")
    _enough_memory()
    run: Callable[[argparse.Namespace], int] = options.run
    return run(options)


def _version() -> str:
    from importlib import metadata

    try:
        return metadata.version("listen")
    except metadata.PackageNotFoundError:
        return "(not installed)"
