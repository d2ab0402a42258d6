"""The command line: parse, call a verb, print. It computes nothing."""

from __future__ import annotations

import argparse
import atexit
import contextlib
import gc
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from types import FrameType
from typing import Any

from listen.cli_bench import add_bench_commands
from listen.cli_calibrate import add_calibrate_command
from listen.cli_compare import add_compare_command
from listen.cli_logbook import add_keeping, add_logbook_command, keeper_for, stated_for
from listen.cli_many import add_many, check_many_captures, is_many
from listen.cli_page import add_excerpt_command, add_pages, page_writer
from listen.cli_parts import (
    FOUND,
    INTERRUPTED,
    PASSED,
    Parser,
    Screen,
    add_build,
    add_span,
    aside,
    complain,
    file_name,
    no_word,
)
from listen.errors import ListenError, OptionError

_STATUS = """exit status:
  0  nothing at attention or fault
  1  some finding at attention or fault
  2  the call or an input could not be used; one line on standard error says why
"""
_BEFORE = "From a recording of an oscillator to a verdict that its builder can act on: pitch, start, hold, clean."


def _quiet_threads() -> None:
    """Keep the linear algebra library from spinning threads of its own inside ours; a set value stands."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _collect_seldom() -> None:
    """Spare a short-lived process the search for garbage: imports make many objects and leave hardly any behind.

    It takes a tenth of a check of ten seconds: some eighty times on the way, and over everything at the end.
    """
    gc.set_threshold(50_000, *gc.get_threshold()[1:])
    atexit.register(gc.freeze)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = Parser(prog="listen", description=_BEFORE, epilog=_STATUS)
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command")
    check = commands.add_parser(
        "check",
        help="check captures: which notes, does it start, hold, stay clean, and what to look at next",
        description="Check captures of an oscillator, recorded while its control is turned.",
        epilog=_STATUS,
    )
    check.add_argument("captures", metavar="CAPTURE", nargs="+", help="a sound file or a folder; - is standard input")
    add_span(check)
    add_build(check)
    check.add_argument("--limits", metavar="FILE.toml", type=file_name("--limits"), help="limits of your own")
    check.add_argument(
        "--json", metavar="FILE|-", type=file_name("--json"), help="write the result as JSON; - is standard output"
    )
    check.add_argument(
        "--frames", metavar="FILE.csv", type=file_name("--frames"), help="write every frame as CSV (a folder for many)"
    )
    add_pages(check)
    add_many(check)
    check.add_argument("--quiet", action="store_true", help="print no page and no progress")
    add_keeping(check)
    check.set_defaults(run=_check)
    add_calibrate_command(commands)
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
    if argv is None:  # a caller with arguments of its own goes on afterwards, and keeps its ways
        _collect_seldom()
    try:
        with _terminated_is_interrupted():
            return _run(build_parser().parse_args(argv))
    except ListenError as error:
        return complain(str(error))
    except KeyboardInterrupt:
        complain("interrupted")
        return INTERRUPTED
    except SystemExit as leaving:  # argparse, after --help
        return leaving.code if isinstance(leaving.code, int) else PASSED
    except MemoryError:
        return complain("there is not enough memory for this; look at a shorter span (--start, --end)")
    except OSError as error:
        return complain(f"{error.strerror or error} ({error.filename or 'no file named'}); mend that and run it again")
    except Exception as error:
        if os.environ.get("LISTEN_TRACEBACK"):
            raise
        return complain(
            f"this is a fault of listen itself ({type(error).__name__}: {error}); "
            "run it again with LISTEN_TRACEBACK=1 set and report what that prints"
        )


def _run(options: argparse.Namespace) -> int:
    if options.version:
        Screen().put(f"listen {_version()}\n")
        return PASSED
    if options.command is None:
        raise OptionError("no command was given", 'try "listen check TAKE.wav", or "listen --help"')
    run: Callable[[argparse.Namespace], int] = options.run
    return run(options)


def _version() -> str:
    from importlib import metadata

    try:
        return metadata.version("listen")
    except metadata.PackageNotFoundError:
        return "(not installed)"


def _check(options: argparse.Namespace) -> int:
    """Check every capture; one that cannot be used does not stop the others."""
    if is_many(options):
        return check_many_captures(options, _settings(options))
    if options.frames is not None and len(options.captures) > 1:
        raise OptionError(f"--frames takes one capture, not {len(options.captures)}", "check them one at a time")
    if options.frames == "-":
        raise OptionError("--frames needs a file", "name one, for example --frames frames.csv")
    keeper = keeper_for(options, options.captures)
    taken = _check_outputs(options, keeper.files if keeper else ())
    writer = page_writer(options, options.captures, taken, stated_for(options))
    from listen import report
    from listen.verbs.checking import check

    screen = Screen()
    show_page = not options.quiet and options.json != "-"
    documents: list[dict[str, Any]] = []
    status, pages = PASSED, 0
    for path in options.captures:
        try:
            with contextlib.ExitStack() as stack:
                line = None if options.quiet else stack.enter_context(report.ProgressLine(path, sys.stderr))
                result = check(path, progress=line, **_settings(options))
            document = report.check_document(result) if keeper or options.json is not None else {}
            if options.json is not None:
                documents.append(document)
            if options.frames is not None:
                report.write_frames_csv(result.frames, options.frames)
            writer.write(result, path)
        except ListenError as error:
            status = complain(str(error))
            continue
        if show_page:
            screen.put(("\n" if pages else "") + report.check_page(result, report.paper_for(sys.stdout)))
            pages += 1
        status = max(status, PASSED if result.judgement.verdict == "pass" else FOUND)
        if keeper:
            say = screen.put if show_page else no_word if options.quiet else aside
            status = max(status, keeper.keep(document, path, say))
    if documents and options.json == "-":
        screen.put(report.documents_text(documents, array=len(options.captures) > 1))
    elif documents:
        report.write_documents(documents, options.json, array=len(options.captures) > 1)
    return status


def _settings(options: argparse.Namespace) -> dict[str, Any]:
    return {
        "channel": options.channel,
        "wave": options.wave,
        "bench": options.bench,
        "limits": options.limits,
        "gain_control": options.gain_control,
        "start_s": options.start,
        "end_s": options.end,
    }


def _check_outputs(options: argparse.Namespace, others: Sequence[str] = ()) -> list[str]:
    """Refuse targets that cannot be written before a minute of work is spent; return all files that are taken."""
    targets = [("--json", options.json), ("--frames", options.frames)]
    targets = [(option, target) for option, target in targets if target is not None and target != "-"]
    if not targets and options.report is None and options.pictures is None:
        return []
    from listen.report.files import check_target
    from listen.verbs.beside import bench_beside

    named = [*options.captures, options.bench, options.limits, *map(bench_beside, options.captures), *others]
    taken = [os.fspath(path) for path in named if path is not None]
    for option, target in targets:
        check_target(target, option=option, inputs=taken)
        taken.append(target)
    return taken


@contextlib.contextmanager
def _terminated_is_interrupted() -> Iterator[None]:
    """Let a polite kill unwind like Ctrl-C, so that no spare file stays behind."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread() or signal.getsignal(signal.SIGTERM) != signal.SIG_DFL:
        yield
        return
    signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)


if __name__ == "__main__":
    sys.exit(main())
