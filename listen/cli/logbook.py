"""``listen logbook``: list, show, drift, note, strike, export, verify."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from listen.cli.log_options import add_circumstances, add_logbook_file, circumstances
from listen.cli.options import FOUND, PASSED, Screen, add_decimal, file_name
from listen.errors import OptionError

if TYPE_CHECKING:
    from pathlib import Path

    from listen.logbook import Entry

_DESCRIPTION = """What was measured when: builds, checks, calibrations and notes in one file.

It is the file that --logbook names, else the one that the environment variable LISTEN_LOGBOOK names, else
logbook.sqlite where the system keeps the data of programs."""
_STATUS = """exit status:
  0  done
  1  verify: something is not as it was stored
  2  the call or the logbook could not be used; one line on standard error says why
"""


def add_logbook_command(commands: Any) -> None:
    """Add ``listen logbook`` and what it can do."""
    book = commands.add_parser(
        "logbook",
        help="what was measured when: builds, their histories, the drift of their tables, export",
        description=_DESCRIPTION,
        epilog=_STATUS,
    )
    book.add_argument("--logbook", metavar="FILE", type=file_name("--logbook"), help="the file of the logbook")
    book.set_defaults(run=_list)
    verbs = book.add_subparsers(title="what it can do", metavar="WHAT", dest="what")

    def add(name: str, run: Callable[[argparse.Namespace], int], words: str) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = verbs.add_parser(name, help=words, description=f"{words.capitalize()}.")
        add_logbook_file(parser, default=argparse.SUPPRESS)
        parser.set_defaults(run=run)
        return parser

    add("list", _list, "list all builds, the one measured last first (this is the default)")
    show = add("show", _show, "show the history of one build")
    _add_name(show)
    show.add_argument("--report", metavar="DIR", type=file_name("--report"), help="write a page into this folder")
    entry = add("entry", _entry, "show one entry")
    entry.add_argument("number", metavar="N", type=_number_of("N"), help="the number of the entry")
    _add_file(entry, "--json", "FILE|-", "write its document as it was stored; - is standard output")
    drift = add("drift", _drift, "tell how a build's table moved: all notes, the octaves, each note in cents")
    _add_name(drift)
    drift.add_argument("--entry", metavar="N", type=_number_of("--entry"), help="compare this calibration")
    drift.add_argument("--against", metavar="M", type=_number_of("--against"), help="with this earlier one")
    _add_file(drift, "--json", "FILE|-", "write it as JSON; - is standard output")
    _add_file(drift, "--csv", "FILE.csv", "write a row a note")
    add_decimal(drift)
    note = add("note", _note, "write a note, a temperature, or both")
    note.add_argument("build", metavar="BUILD", help="the name of the build")
    note.add_argument("note", metavar="TEXT", nargs="?", help="the note")
    add_circumstances(note)
    strike = add(
        "strike", _strike, "strike out an entry that was made by mistake; it stays readable and counts no more"
    )
    strike.add_argument("number", metavar="N", type=_number_of("N"), help="the number of the entry")
    strike.add_argument("why", metavar="WHY", help="what was wrong with it")
    export = add("export", _export, "write entries to files; of all builds where none is named")
    _add_name(export)
    _add_file(export, "--json", "FILE|-", "everything that was stored; - is standard output")
    _add_file(export, "--csv", "FILE.csv", "a row an entry")
    _add_file(export, "--steps", "FILE.csv", "a row a step of every calibration")
    add_decimal(export)
    add("verify", _verify, "look whether every entry is as it was stored")


def _add_name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("build", metavar="BUILD", nargs="?", help="the name of the build (needless where there is one)")


def _add_file(parser: argparse.ArgumentParser, option: str, metavar: str, words: str) -> None:
    parser.add_argument(option, metavar=metavar, type=file_name(option), help=words)


def _list(options: argparse.Namespace) -> int:
    from listen.logbook import read_builds
    from listen.report.logbook_pages import builds_page

    path = _path(options)
    Screen().put(builds_page(read_builds(path), path, _paper()))
    return PASSED


def _show(options: argparse.Namespace) -> int:
    from listen.logbook import read_history
    from listen.report.logbook_pages import history_page

    name = _build_of(options)
    entries = read_history(_path(options), name)
    if options.report is not None:
        _write_page(options, entries[0].build if entries else name, entries)
    Screen().put(history_page(entries[0].build if entries else name, entries, _paper()))
    return PASSED


def _write_page(options: argparse.Namespace, build: str, entries: Sequence[Entry]) -> None:
    """Write the page of a build's history into a folder that is made for it."""
    from listen.logbook import drift_history
    from listen.report.folders import check_folder, make_folder, names_in
    from listen.report.page.logbook_page import write_logbook_page

    check_folder(options.report, option="--report")
    plain = "".join(c if c.isalnum() or c in " -_." else "-" for c in build).strip(" .")[:100] or "build"
    inputs = [_path(options)]
    (target,) = names_in(options.report, [f"{plain}.x"], "-logbook.html", option="--report", inputs=inputs)
    make_folder(target.parent)
    write_logbook_page(build, entries, drift_history(entries), target)


def _entry(options: argparse.Namespace) -> int:
    from listen.logbook import read_entry
    from listen.report.logbook_pages import entry_page

    _check_files(options, "json")
    entry = read_entry(_path(options), options.number)
    if options.json is None:
        Screen().put(entry_page(entry, _paper()))
        return PASSED
    if entry.document_text is None:
        raise OptionError(f"entry {entry.number} is a note and has no document", 'try it without "--json"')
    _put_json(entry.document, options.json)
    return PASSED


def _drift(options: argparse.Namespace) -> int:
    from listen.api.log_entries import drift
    from listen.report.files import write_whole
    from listen.report.logbook_files import drift_csv, drift_document
    from listen.report.logbook_pages import drift_page

    _check_files(options, "json", "csv")
    history = drift(_build_of(options), logbook=options.logbook, entry=options.entry, against=options.against)
    build = history[0].entry.build
    if options.csv is not None:
        write_whole(options.csv, drift_csv(history, options.decimal))
    if options.json is not None:
        _put_json(drift_document(build, history), options.json)
    if options.json != "-":
        Screen().put(drift_page(build, history, history[-1] if options.entry else None, _paper()))
    return PASSED


def _note(options: argparse.Namespace) -> int:
    from listen.logbook import record_note
    from listen.report.logbook_words import stored_line

    if not (options.note or "").strip() and options.temperature is None and options.warm_up is None:
        raise OptionError("there is nothing to note", "give a text, --temperature or --warm-up")
    stored = record_note(build=options.build, about=circumstances(options), path=_path(options))
    Screen().put(stored_line(stored) + "\n")
    return PASSED


def _strike(options: argparse.Namespace) -> int:
    from listen.logbook import strike
    from listen.report.logbook_words import quoted

    build = strike(options.number, options.why, path=_path(options))
    Screen().put(f"entry {options.number} of {quoted(build)} is struck out\n")
    return PASSED


def _export(options: argparse.Namespace) -> int:
    from listen.logbook import read_history
    from listen.report.files import write_whole
    from listen.report.logbook_files import entries_csv, logbook_document, steps_csv

    if options.json is None and options.csv is None and options.steps is None:
        raise OptionError("an export needs a file", "name one: --json FILE, --csv FILE.csv or --steps FILE.csv")
    _check_files(options, "json", "csv", "steps")
    entries = read_history(_path(options), options.build)
    if options.csv is not None:
        write_whole(options.csv, entries_csv(entries, options.decimal))
    if options.steps is not None:
        write_whole(options.steps, steps_csv(entries, options.decimal))
    if options.json is not None:
        _put_json(logbook_document(entries), options.json)
    return PASSED


def _verify(options: argparse.Namespace) -> int:
    from listen.logbook import verify
    from listen.report.logbook_words import shown

    found = verify(_path(options))
    word = "something is not as it was stored" if found.wrong else "all is as it was stored"
    lines = [*map(shown, found.wrong), f"{word} (entries: {found.entries}, builds: {found.builds})"]
    Screen().put("\n".join(lines) + "\n")
    return FOUND if found.wrong else PASSED


def _path(options: argparse.Namespace) -> Path:
    from listen.logbook import logbook_path

    return logbook_path(options.logbook)


def _paper() -> Any:
    from listen.report.paper import paper_for

    return paper_for(sys.stdout)


def _build_of(options: argparse.Namespace) -> str:
    """Return the build that was named, or the only one there is."""
    if options.build is not None:
        return str(options.build)
    from listen.logbook import read_builds

    builds = read_builds(_path(options))
    if len(builds) != 1:
        raise OptionError(f"the logbook has {len(builds)} builds", 'name one; "listen logbook list" shows them')
    return builds[0].name


def _put_json(document: Mapping[str, Any], target: str) -> None:
    from listen.report.document import documents_text, write_documents

    if target == "-":
        Screen().put(documents_text([document], array=False))
    else:
        write_documents([document], target)


def _check_files(options: argparse.Namespace, *names: str) -> None:
    """Refuse targets that cannot be written; the logbook itself is none."""
    from listen.report.files import check_target

    path = _path(options)
    taken = [f"{path}{ending}" for ending in ("", "-wal", "-shm", "-journal")]
    for name in names:
        target = getattr(options, name)
        if target is None or (target == "-" and name == "json"):
            continue
        if target == "-":
            raise OptionError(f"--{name} needs a file", f"name one, for example --{name} logbook.csv")
        check_target(target, option=f"--{name}", inputs=taken)
        taken.append(target)


def _number_of(option: str) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 19 and int(text) > 0):
            raise OptionError(f"{option} {text!r} is no number of an entry", '"listen logbook show BUILD" has them')
        return int(text)

    return parse
