"""``listen check`` of a folder, or of several captures at once: options, table, files."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.cli.log_options import keeper_for, stated_for
from listen.cli.options import FOUND, PASSED, Screen, aside, complain, file_name, no_word
from listen.errors import OptionError, OutputError
from listen.streams import is_handed_over_pipe

if TYPE_CHECKING:
    from listen.api.gathering import Found
    from listen.report.many import Row

_FOLDERS = (("report", "page", ".html"), ("frames", "frames", ".csv"), ("pictures", "pictures", ""))
_LONGEST_NAME = 180
_STATUS = {"pass": PASSED, "attention": FOUND, "fault": FOUND}


def add_many(parser: argparse.ArgumentParser) -> None:
    """Add the options that make one run of many captures."""
    group = parser.add_argument_group(
        "many captures", "a folder, or any of these options, makes one run of all captures, with one table at its end"
    )
    group.add_argument(
        "--workers", metavar="N", type=_count, help="processes to check with (default: the cores that may be used)"
    )
    group.add_argument(
        "--keep",
        metavar="DIR",
        type=file_name("--keep"),
        help="keep each result in this folder; the same command then carries on where it was stopped",
    )
    group.add_argument(
        "--cluster",
        metavar="ADDRESS",
        type=_address,
        help="let a Dask cluster do it, by its scheduler's address; trusted, private networks only",
    )


def is_many(options: argparse.Namespace) -> bool:
    """Tell whether this is one run of many captures, and not a page for each."""
    batch_options = (options.workers, options.keep, options.cluster)
    return any(value is not None for value in batch_options) or any(map(os.path.isdir, options.captures))


def check_many_captures(options: argparse.Namespace, settings: Mapping[str, Any]) -> int:
    """Check all captures that were named or lie in the folders that were named; return the worst status."""
    from listen.api.gathering import gather

    folders = {option: getattr(options, option) for option in ("report", "frames", "pictures", "keep")}
    found = gather(options.captures, skip=[folder for folder in folders.values() if folder is not None])
    _one_kind_of_workers(options)
    _usable_settings(settings)
    keeper = keeper_for(options, [item.path for item in found if item.error is None])
    outputs = _outputs(options, found, keeper.files if keeper else ())
    from listen.api.many import check_many
    from listen.report.progress import ProgressLine

    with contextlib.ExitStack() as stack:
        name = options.captures[0].rstrip(os.sep) if len(options.captures) == 1 else f"{len(found)} captures"
        line = None if options.quiet else stack.enter_context(ProgressLine(name, sys.stderr))
        many = check_many(
            found,
            settings=settings,
            outputs=outputs,
            workers=options.workers,
            cluster=options.cluster,
            keep=options.keep,
            documents=keeper is not None or options.json is not None,
            about=stated_for(options),
            progress=line,
        )
    _write_index(options, many.rows, outputs)
    status = _print_table(options, many.rows, many.from_before)
    return max(status, _keep_in_logbook(keeper, many.rows, options)) if keeper else status


def _print_table(options: argparse.Namespace, rows: Sequence[Row], from_before: int) -> int:
    """Print the table, write the document, and return the worst status."""
    from listen.report.files import write_whole
    from listen.report.many import many_document, many_page
    from listen.report.paper import paper_for

    screen = Screen()
    unusable = [row for row in rows if row.error is not None]
    shown = not options.quiet and options.json != "-"
    if shown:
        screen.put(many_page(rows, from_before=from_before, paper=paper_for(sys.stdout)))
    if options.json == "-":
        for piece in many_document(rows):
            screen.put(piece.decode("ascii"))
    elif options.json is not None and len(unusable) < len(rows):  # else an older result would be all that is lost
        write_whole(options.json, many_document(rows))
    if shown and len(unusable) > 1:
        complain(f"{len(unusable)} of {len(rows)} captures could not be checked; the table says why")
    for row in unusable if not shown or len(unusable) == 1 else ():
        complain(f"{row.path}: {row.error}")
    return max(_STATUS.get(row.outcome, 2) for row in rows)


def _keep_in_logbook(keeper: Any, rows: Iterable[Row], options: argparse.Namespace) -> int:
    """Keep all that was checked in the logbook, once the run is over: a run that was stopped leaves nothing twice."""
    import json

    said: list[str] = []
    status = PASSED
    for row in rows:
        if row.document is not None:
            status = max(status, keeper.keep(json.loads(row.document), row.path, said.append))
    say: Callable[[str], None] = no_word if options.quiet else aside
    say(f"{len(said)} results are in the logbook {keeper.path}\n")
    return status


def _one_kind_of_workers(options: argparse.Namespace) -> None:
    if options.cluster is not None and options.workers is not None:
        raise OptionError("--workers and --cluster exclude each other", "a cluster has its own workers: leave one out")
    if options.frames == "-":
        raise OptionError("--frames needs a folder here", "name one, for example --frames frames")


def _usable_settings(settings: Mapping[str, Any]) -> None:
    """Refuse a bench file or limits that would fail each capture alike."""
    for option in ("bench", "limits"):
        if settings[option] is not None and is_handed_over_pipe(settings[option]):
            raise OptionError(f"--{option} {settings[option]} is a pipe, and every capture needs it", "name a file")
    if settings["bench"] is not None:
        from listen.bench import load_bench

        load_bench(settings["bench"])
    if settings["limits"] is not None:
        from listen.findings import load_limits

        load_limits(settings["limits"], gain_control=settings["gain_control"], wave=settings["wave"])


def _outputs(
    options: argparse.Namespace, found: Sequence[Found], others: Sequence[str]
) -> Sequence[Mapping[str, str]] | None:
    """Refuse what cannot be written before any work is done, make the folders, and name the files of each capture."""
    asked = [(option, kind, ending) for option, kind, ending in _FOLDERS if getattr(options, option) is not None]
    if not asked and options.json in (None, "-") and options.keep is None:
        return None
    from listen.api.bench_lookup import find_bench_file
    from listen.report.files import check_target
    from listen.report.folders import check_folder, make_folder, names_in

    bench_files = {os.path.dirname(item.path): find_bench_file(item.path) for item in found}
    taken = [*(item.path for item in found), options.bench, options.limits, *bench_files.values(), *others]
    inputs = [os.fspath(path) for path in taken if path is not None]
    if options.json not in (None, "-"):
        check_target(options.json, option="--json", inputs=inputs)
    for option in (*(option for option, _, _ in asked), *(["keep"] if options.keep is not None else [])):
        check_folder(getattr(options, option), option=f"--{option}")
    if options.pictures is not None:
        from listen.cli.excerpt import say_if_no_png

        say_if_no_png()
    outputs: list[dict[str, str]] = [{} for _ in found]
    places = {os.path.realpath(path) for path in [*inputs, *([options.json] if options.json else [])]}
    for option, kind, ending in asked:
        folder = getattr(options, option)
        files = names_in(folder, [_flat(item.label) for item in found], ending, option=f"--{option}")
        for target, output in zip(files, outputs, strict=True):
            if os.path.realpath(target) in places:
                raise OutputError(f"--{option} would write over {os.fspath(target)!r}", "name another folder")
            output[_kind(kind, options)] = os.path.abspath(target) if options.cluster else os.fspath(target)
        make_folder(folder)
    return outputs if asked else None


def _kind(kind: str, options: argparse.Namespace) -> str:
    """Name what is written so that a file with other decimal signs is not taken for the one that is wanted."""
    return "frames-comma" if kind == "frames" and options.decimal == "comma" else kind


def _write_index(options: argparse.Namespace, rows: Sequence[Row], outputs: Sequence[Mapping[str, str]] | None) -> None:
    """Write the page that leads to the pages of all takes."""
    if options.report is None or outputs is None:
        return
    from listen.report.page.many_page import write_index

    write_index(rows, [output.get("page") for output in outputs], options.report)


def _flat(label: str) -> str:
    """Name a file for a capture, with the folders that it lies in.

    Examples
    --------
    >>> _flat("monday/board 2/take.wav"), _flat("../take.wav")
    ('monday-board 2-take.wav', 'take.wav')
    """
    parts = [part for part in Path(label).parts if part not in (os.sep, os.pardir, os.curdir)]
    name = "-".join(parts)
    return name if len(os.fsencode(name)) <= _LONGEST_NAME else parts[-1]


def _count(text: str) -> int:
    try:
        count = int(text)
    except ValueError:
        count = 0
    if count < 1:
        raise OptionError(f"--workers {text!r} is no number of processes", "give 1 or more, or leave it out")
    return count


def _address(text: str) -> str:
    host, _, port = text.rpartition(":")
    if not host.strip("/") or not port.isdecimal() or text.startswith("inproc"):
        raise OptionError(
            f"--cluster {text!r} is no address", "give what the scheduler printed, for example tcp://192.168.1.20:8786"
        )
    return text
