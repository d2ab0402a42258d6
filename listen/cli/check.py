"""``listen check``: one take after another; many takes and folders are in ``batch``."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence
from typing import Any

from listen.cli.batch import add_many, check_many_captures, is_many
from listen.cli.excerpt import add_pages, page_writer
from listen.cli.log_options import add_logbook_options, keeper_for, stated_for
from listen.cli.options import (
    FOUND,
    PASSED,
    Screen,
    add_build,
    add_decimal,
    add_limits,
    add_span,
    aside,
    ask_about_limits,
    complain,
    file_name,
    no_word,
)
from listen.errors import ListenError, OptionError

STATUS = """exit status:
  0  nothing at attention or fault
  1  some finding at attention or fault
  2  the call or an input could not be used; one line on standard error says why
"""


def add_check_command(commands: Any) -> None:
    """Add ``listen check``."""
    check = commands.add_parser(
        "check",
        help="check captures: which notes, does it start, hold, stay clean, and what to look at next",
        description="Check captures of an oscillator, recorded while its control is turned.",
        epilog=STATUS,
    )
    check.add_argument("captures", metavar="CAPTURE", nargs="+", help="a sound file or a folder; - is standard input")
    add_span(check)
    add_build(check)
    add_limits(check)
    check.add_argument(
        "--json", metavar="FILE|-", type=file_name("--json"), help="write the result as JSON; - is standard output"
    )
    check.add_argument(
        "--frames", metavar="FILE.csv", type=file_name("--frames"), help="write every frame as CSV (a folder for many)"
    )
    add_decimal(check)
    add_pages(check)
    add_many(check)
    check.add_argument("--quiet", action="store_true", help="print no page and no progress")
    add_logbook_options(check)
    check.set_defaults(run=_check)


def _check(options: argparse.Namespace) -> int:
    """Check every capture; one that cannot be used does not stop the others."""
    ask_about_limits(options)
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
    from listen.api.checking import check

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
                report.write_frames_csv(result.frames, options.frames, options.decimal, result.channel_pair)
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
        "topology": options.topology,
        "start_s": options.start,
        "end_s": options.end,
    }


def _check_outputs(options: argparse.Namespace, others: Sequence[str] = ()) -> list[str]:
    """Refuse targets that cannot be written before a minute of work is spent; return all files that are taken."""
    targets = [("--json", options.json), ("--frames", options.frames)]
    targets = [(option, target) for option, target in targets if target is not None and target != "-"]
    if not targets and options.report is None and options.pictures is None:
        return []
    from listen.api.bench_lookup import find_bench_file
    from listen.report.files import check_target

    named = [*options.captures, options.bench, options.limits, *map(find_bench_file, options.captures), *others]
    taken = [os.fspath(path) for path in named if path is not None]
    for option, target in targets:
        check_target(target, option=option, inputs=taken)
        taken.append(target)
    return taken
