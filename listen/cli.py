"""The command line: parse, call a verb, print. It computes nothing."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from types import FrameType
from typing import Any, NoReturn

from listen.bench import GAIN_CONTROLS, WAVES
from listen.errors import ListenError, OptionError, OutputError, one_line, suggestion

PASSED, FOUND, UNUSABLE, INTERRUPTED = 0, 1, 2, 130

_STATUS = """exit status:
  0  nothing at attention or fault
  1  some finding at attention or fault
  2  the call or an input could not be used; one line on standard error says why
"""
_BEFORE = "From a recording of an oscillator to a verdict that its builder can act on: pitch, start, hold, clean."


class _Parser(argparse.ArgumentParser):
    """A parser that raises a line with a mend where the usual one prints its usage and leaves."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("allow_abbrev", False)
        settings.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**settings)

    def error(self, message: str) -> NoReturn:
        unknown, _, words = message.partition("unrecognized arguments: ")
        if not unknown and words.startswith("-"):
            word = words.split()[0].split("=")[0]
            raise OptionError(f"there is no option {word}", suggestion(word, sorted(_options(self))))
        raise OptionError(message, f'"{self.prog} --help" shows how it is called')


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = _Parser(prog="listen", description=_BEFORE, epilog=_STATUS)
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command")
    check = commands.add_parser(
        "check",
        help="check captures: which notes, does it start, hold, stay clean, and what to look at next",
        description="Check captures of an oscillator, recorded while its control is turned.",
        epilog=_STATUS,
    )
    check.add_argument("captures", metavar="CAPTURE", nargs="+", help="a WAV, FLAC or AIFF file; - is standard input")
    _add_span(check)
    _add_build(check)
    check.add_argument("--limits", metavar="FILE.toml", type=_file("--limits"), help="limits of your own")
    check.add_argument(
        "--json", metavar="FILE|-", type=_file("--json"), help="write the result as JSON; - is standard output"
    )
    check.add_argument(
        "--frames", metavar="FILE.csv", type=_file("--frames"), help="write every frame as CSV (one capture)"
    )
    check.add_argument("--quiet", action="store_true", help="print no page and no progress")
    check.set_defaults(run=_check)
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
    try:
        with _terminated_is_interrupted():
            return _run(build_parser().parse_args(argv))
    except ListenError as error:
        return _complain(str(error))
    except KeyboardInterrupt:
        _complain("interrupted")
        return INTERRUPTED
    except SystemExit as leaving:  # argparse, after --help
        return leaving.code if isinstance(leaving.code, int) else PASSED
    except MemoryError:
        return _complain("there is not enough memory for this; look at a shorter span (--start, --end)")
    except OSError as error:
        return _complain(f"{error.strerror or error} ({error.filename or 'no file named'}); mend that and run it again")
    except Exception as error:
        if os.environ.get("LISTEN_TRACEBACK"):
            raise
        return _complain(
            f"this is a fault of listen itself ({type(error).__name__}: {error}); "
            "run it again with LISTEN_TRACEBACK=1 set and report what that prints"
        )


def _run(options: argparse.Namespace) -> int:
    if options.version:
        _Screen().put(f"listen {_version()}\n")
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
    if options.frames is not None and len(options.captures) > 1:
        raise OptionError(f"--frames takes one capture, not {len(options.captures)}", "check them one at a time")
    if options.frames == "-":
        raise OptionError("--frames needs a file", "name one, for example --frames frames.csv")
    _check_outputs(options)
    from listen import report
    from listen.verbs.checking import check

    screen = _Screen()
    show_page = not options.quiet and options.json != "-"
    documents: list[dict[str, Any]] = []
    status, pages = PASSED, 0
    for path in options.captures:
        try:
            with contextlib.ExitStack() as stack:
                line = None if options.quiet else stack.enter_context(report.ProgressLine(path, sys.stderr))
                result = check(path, progress=line, **_settings(options))
            if options.json is not None:
                documents.append(report.check_document(result))
            if options.frames is not None:
                report.write_frames_csv(result.frames, options.frames)
        except ListenError as error:
            status = _complain(str(error))
            continue
        if show_page:
            screen.put(("\n" if pages else "") + report.check_page(result, report.paper_for(sys.stdout)))
            pages += 1
        status = max(status, PASSED if result.judgement.verdict == "pass" else FOUND)
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


def _check_outputs(options: argparse.Namespace) -> None:
    """Refuse targets that cannot be written before a minute of work is spent."""
    targets = [("--json", options.json), ("--frames", options.frames)]
    targets = [(option, target) for option, target in targets if target is not None and target != "-"]
    if not targets:
        return
    from listen.report.files import check_target
    from listen.verbs.beside import bench_beside

    taken = [*options.captures, options.bench, options.limits, *map(bench_beside, options.captures)]
    for option, target in targets:
        check_target(target, option=option, inputs=[path for path in taken if path is not None])
        taken.append(target)


def _add_span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--channel", metavar="N", type=_channel, help="the channel to look at, counted from 1")
    parser.add_argument("--start", metavar="S", type=_seconds("--start"), help="look from this second on")
    parser.add_argument("--end", metavar="S", type=_seconds("--end"), help="look up to this second")


def _add_build(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--wave",
        metavar="W",
        type=_word("--wave", WAVES),
        help=f"the intended wave: {', '.join(WAVES)} (default: sine)",
    )
    parser.add_argument(
        "--gain-control",
        metavar="G",
        type=_word("--gain-control", GAIN_CONTROLS),
        help=f"what holds the level: {', '.join(GAIN_CONTROLS)}; limits and causes depend on it",
    )
    parser.add_argument(
        "--bench",
        metavar="FILE.toml",
        type=_file("--bench"),
        help="the bench file (default: bench.toml beside the capture, where there is one)",
    )


def _word(option: str, known: Sequence[str]) -> Callable[[str], str]:
    def parse(text: str) -> str:
        if text not in known:
            raise OptionError(f"{option} {text!r} is not known", suggestion(text.lower(), known))
        return text

    return parse


def _file(option: str) -> Callable[[str], str]:
    def parse(text: str) -> str:
        if not text or "\0" in text:
            raise OptionError(f"{option} needs a file name, not {text!r}", "name a file")
        return text

    return parse


def _channel(text: str) -> int:
    try:
        channel = int(text)
    except ValueError:
        channel = 0
    if channel < 1:
        raise OptionError(f"--channel {text!r} is no channel", "channels count from 1: --channel 1 is the left one")
    return channel


def _seconds(option: str) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            seconds = float(text)
        except ValueError:
            seconds = -1.0
        if not 0.0 <= seconds < float("inf"):
            raise OptionError(
                f"{option} {text!r} is no place in a take", "give seconds from its start, for example 2.5"
            )
        return seconds

    return parse


def _options(parser: argparse.ArgumentParser) -> set[str]:
    """Return every long option of a parser and of its commands."""
    found: set[str] = set()
    for action in parser._actions:
        found.update(word for word in action.option_strings if word.startswith("--"))
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                found |= _options(command)
    return found


class _Screen:
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


def _complain(text: str) -> int:
    """Say one line on standard error."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(one_line(f"listen: {text}") + "\n")
        sys.stderr.flush()
    return UNUSABLE


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
