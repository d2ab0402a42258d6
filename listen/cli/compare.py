"""``listen compare``."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from pathlib import Path
from typing import Any

from listen.cli.options import FOUND, PASSED, Screen, add_build, add_limits, add_span, ask_about_limits, file_name
from listen.errors import OptionError

_DESCRIPTION = (
    """Compare two takes of a build, before and after: aligned by pitch, not by time, and whatever their level."""
)
_STATUS = """exit status:
  0  nothing at attention or fault is left after
  1  something is left, is new, or cannot be seen in the second take
  2  the call or an input could not be used; one line on standard error says why
"""
_GOOD = ("mended", "healthy")


def add_compare_command(commands: Any) -> None:
    """Add ``listen compare``."""
    parser = commands.add_parser(
        "compare",
        help="compare two takes of a build: what got better, what worse, which findings are gone or new",
        description=_DESCRIPTION,
        epilog=_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    for name, when in (("before", "before the change"), ("after", "after it")):
        words = f"the take {when}: a capture, what check --json wrote, or with --entries a number in the logbook"
        parser.add_argument(name, metavar=name.upper(), help=words)
    parser.add_argument("--entries", action="store_true", help="BEFORE and AFTER are entries of the logbook")
    parser.add_argument(
        "--logbook",
        metavar="FILE",
        type=file_name("--logbook"),
        help="the file of the logbook, for --entries (default: LISTEN_LOGBOOK, or the system's place)",
    )
    add_span(parser)
    add_build(parser)
    add_limits(parser)
    parser.add_argument(
        "--json", metavar="FILE|-", type=file_name("--json"), help="write the result as JSON; - is standard output"
    )
    parser.add_argument(
        "--report", metavar="DIR", type=file_name("--report"), help="write a page with both curves into this folder"
    )
    parser.add_argument("--quiet", action="store_true", help="print no page and no progress")
    parser.set_defaults(run=_compare)


def _compare(options: argparse.Namespace) -> int:
    """Compare two takes."""
    ask_about_limits(options)
    page = _outputs(options)
    from listen import report
    from listen.api.checking import CheckResult
    from listen.api.comparing import load_entry, load_side
    from listen.report.comparing import compare_document, compare_documents, compare_page

    settings = {
        "channel": options.channel,
        "wave": options.wave,
        "bench": options.bench,
        "limits": options.limits,
        "gain_control": options.gain_control,
        "topology": options.topology,
        "start_s": options.start,
        "end_s": options.end,
    }
    sides: list[Any] = []
    for path in (options.before, options.after):
        if options.entries:
            sides.append(load_entry(_entry(path), options.logbook))
            continue
        with contextlib.ExitStack() as stack:
            line = None if options.quiet else stack.enter_context(report.ProgressLine(path, sys.stderr))
            sides.append(load_side(path, progress=line, **settings))
    documents = [report.check_document(side) if isinstance(side, CheckResult) else side for side in sides]
    comparison = compare_documents(*documents)
    if page is not None:
        from listen.report.folders import make_folder
        from listen.report.page.compare_page import write_compare_page

        checked = [side for side in sides if isinstance(side, CheckResult)]
        make_folder(page.parent)
        write_compare_page(comparison, page, (checked[0], checked[1]) if len(checked) == 2 else None)
    document = compare_document(comparison)
    screen = Screen()
    if options.json == "-":
        screen.put(report.documents_text([document], array=False))
    elif options.json is not None:
        report.write_documents([document], options.json)
    if not options.quiet and options.json != "-":
        screen.put(compare_page(comparison, report.paper_for(sys.stdout)))
    return PASSED if comparison.verdict in _GOOD else FOUND


def _entry(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise OptionError(
            f"{text!r} is no entry of the logbook", 'with --entries give two numbers; "listen logbook show" lists them'
        )
    return int(text)


def _outputs(options: argparse.Namespace) -> Path | None:
    """Refuse targets that cannot be written before any work is done; return the page's file."""
    if options.logbook is not None and not options.entries:
        raise OptionError("--logbook is of use with --entries alone", "add --entries and give two numbers")
    takes = [] if options.entries else [options.before, options.after]
    inputs = [*takes, *(path for path in (options.bench, options.limits, options.logbook) if path)]
    if options.json is not None and options.json != "-":
        from listen.report.files import check_target

        check_target(options.json, option="--json", inputs=inputs)
    if options.report is None:
        return None
    from listen.report.folders import check_folder, names_in

    check_folder(options.report, option="--report")
    stems = [Path(os.fspath(path)).stem or "take" for path in (options.before, options.after)]
    name = f"{stems[0]}-and-{stems[1]}"[:200]
    return names_in(options.report, [f"{name}.x"], ".html", option="--report", inputs=inputs)[0]
