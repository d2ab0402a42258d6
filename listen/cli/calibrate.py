"""``listen calibrate``: parse, call the verb, print."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from listen.bench import WAVES
from listen.cli.log_options import add_logbook_options, keeper_for, stated_for
from listen.cli.options import (
    FOUND,
    PASSED,
    Screen,
    add_decimal,
    add_span,
    aside,
    channel_number,
    file_name,
    no_word,
    word_of,
)
from listen.errors import OptionError
from listen.units import read_number

_LAWS = ("auto", "volt-per-octave", "hertz-per-volt", "free")
_DESCRIPTION = """Make a pitch-against-voltage table of takes in which each voltage is held for a second or so.

The voltages: typed as read on the meter, one a plateau, in order (the usual case); as nominal steps; from a file; or
recorded on a channel. The plateaus are found in the pitch itself."""
_STATUS = """exit status:
  0  the table is made
  1  it is made, but a step is missing, does not oscillate, was still moving or does not fit the others,
     or a plateau has no voltage
  2  the call or an input could not be used; one line on standard error says why
"""


def add_calibrate_command(commands: Any) -> None:
    """Add ``listen calibrate``."""
    parser = commands.add_parser(
        "calibrate",
        help="make a pitch-against-voltage table: law, errors, inverse table, which trimmer and how far",
        description=_DESCRIPTION,
        epilog=_STATUS,
    )
    parser.add_argument("captures", metavar="CAPTURE", nargs="+", help="takes that make one table; - is standard input")
    _add_voltages(parser)
    parser.add_argument("--law", metavar="L", default="auto", type=word_of("--law", _LAWS), help=", ".join(_LAWS))
    add_span(parser)
    parser.add_argument(
        "--wave",
        metavar="W",
        type=word_of("--wave", WAVES),
        help=f"the intended wave: {', '.join(WAVES)}; what a flat top may come from depends on it",
    )
    parser.add_argument("--bench", metavar="FILE.toml", type=file_name("--bench"), help="the bench file")
    _add_trimmer(parser)
    for option, metavar, words in (
        ("--json", "FILE|-", "write the result as JSON; - is standard output"),
        ("--csv", "FILE.csv", "write the table of steps"),
        ("--inverse", "FILE.csv", "write the voltage to give for each note"),
    ):
        parser.add_argument(option, metavar=metavar, type=file_name(option), help=words)
    add_decimal(parser)
    _add_dial(parser)
    parser.add_argument(
        "--report",
        metavar="DIR",
        type=file_name("--report"),
        help="write a page into this folder: law, error curve, octaves, settling, and a sheet to print",
    )
    parser.add_argument("--quiet", action="store_true", help="print no page and no progress")
    add_logbook_options(parser, states=True)
    parser.set_defaults(run=_calibrate)


def _add_voltages(parser: argparse.ArgumentParser) -> None:
    volts = parser.add_argument_group("voltages")
    volts.add_argument("--cv-values", metavar="V,V,...", help="volts as read on the meter, one a plateau, in order")
    volts.add_argument(
        "--cv-steps",
        metavar="START:STOP:STEP[:up|down|updown]",
        help="nominal steps; beside measured volts, what was meant",
    )
    volts.add_argument(
        "--cv-file",
        metavar="STEPS.csv",
        action="append",
        type=file_name("--cv-file"),
        help="a row a step: start_s,end_s,cv_v or cv_v alone; once, or once a capture",
    )
    volts.add_argument(
        "--cv-channel", metavar="N", type=_cv_channel, help="the channel that holds the voltage (held, or a slow ramp)"
    )
    volts.add_argument("--positions", metavar="START:STOP:STEP", help="places of a dial, no volts")


def _add_trimmer(parser: argparse.ArgumentParser) -> None:
    trimmer = parser.add_argument_group("scale trimmer")
    trimmer.add_argument(
        "--before", metavar="TABLE.json", type=file_name("--before"), help="the table before the trimmer was turned"
    )
    trimmer.add_argument("--turned", metavar="TURNS", type=_turns, help="turns since then, clockwise positive")
    trimmer.add_argument(
        "--clockwise",
        metavar="W",
        type=word_of("--clockwise", ("wider", "narrower")),
        help="your own note of what clockwise does to an octave: wider or narrower",
    )


def _add_dial(parser: argparse.ArgumentParser) -> None:
    dial = parser.add_argument_group("scale of a dial")
    dial.add_argument(
        "--dial",
        metavar="FILE.svg",
        type=file_name("--dial"),
        help="write a scale to print at 1:1 and put under the knob: a mark a note (with --positions)",
    )
    dial.add_argument(
        "--dial-angle",
        metavar="DEG",
        type=_size("--dial-angle", "degrees"),
        default=300.0,
        help="degrees from the lowest position to the highest (default: 300)",
    )
    dial.add_argument(
        "--dial-diameter",
        metavar="MM",
        type=_size("--dial-diameter", "millimetres"),
        default=40.0,
        help="where the marks begin, the knob's diameter (default: 40)",
    )


def _calibrate(options: argparse.Namespace) -> int:
    for option, name in (("csv", "table.csv"), ("inverse", "table.csv"), ("dial", "dial.svg")):
        if getattr(options, option) == "-":
            raise OptionError(f"--{option} needs a file", f"name one, for example --{option} {name}")
    if options.dial is not None:
        from listen.report.dial import check_dial

        check_dial(options.positions is not None, options.dial_angle, options.dial_diameter)
    keeper = keeper_for(options, options.captures)
    taken = _check_outputs(options, keeper.files if keeper else [])
    page, about = _page(options, taken), stated_for(options)
    from listen import report
    from listen.api.calibrating import calibrate
    from listen.report.calibration_document import calibration_document, inverse_csv, steps_csv, write_text
    from listen.report.calibration_page import calibration_page

    screen = Screen()
    with contextlib.ExitStack() as stack:
        line = None if options.quiet else stack.enter_context(report.ProgressLine(options.captures[0], sys.stderr))
        result = calibrate(*options.captures, progress=line, **_settings(options))
    document = calibration_document(result) if keeper or options.json is not None else {}
    if page is not None:
        from listen.report.folders import make_folder
        from listen.report.page.calibrate_page import write_calibration_page

        make_folder(page.parent)
        write_calibration_page(result, page, about)
    if options.csv is not None:
        write_text(options.csv, steps_csv(result.calibration, options.decimal))
    if options.inverse is not None:
        write_text(options.inverse, inverse_csv(result.calibration, options.decimal))
    if options.dial is not None:
        from listen.report.dial import dial_svg

        dial = dial_svg(result.calibration, angle_deg=options.dial_angle, diameter_mm=options.dial_diameter)
        write_text(options.dial, dial)
    show_page = not options.quiet and options.json != "-"
    if show_page:
        screen.put(calibration_page(result, report.paper_for(sys.stdout)))
    if options.json == "-":
        screen.put(report.documents_text([document], array=False))
    elif options.json is not None:
        report.write_documents([document], options.json)
    status = PASSED if result.calibration.whole else FOUND
    if keeper:
        say: Callable[[str], None] = screen.put if show_page else no_word if options.quiet else aside
        status = max(status, keeper.keep(document, options.captures[0], say))
    return status


def _settings(options: argparse.Namespace) -> dict[str, Any]:
    names = ("cv_channel", "cv_file", "cv_steps", "cv_values", "positions", "law", "channel", "wave", "bench", "before")
    settings = {name: getattr(options, name) for name in (*names, "turned", "clockwise")}
    return {**settings, "start_s": options.start, "end_s": options.end}


def _page(options: argparse.Namespace, taken: list[str]) -> Path | None:
    """Refuse a folder that cannot be written to; return the file of the page."""
    if options.report is None:
        return None
    from listen.report.folders import check_folder, names_in

    check_folder(options.report, option="--report")
    ending = "-calibration.html"
    return names_in(options.report, options.captures[:1], ending, option="--report", inputs=taken)[0]


def _check_outputs(options: argparse.Namespace, others: list[str]) -> list[str]:
    """Refuse targets that cannot be written before a minute of work is spent; return all files that are taken."""
    targets = [(f"--{name}", getattr(options, name)) for name in ("json", "csv", "inverse", "dial")]
    targets = [(option, target) for option, target in targets if target is not None and target != "-"]
    from listen.api.bench_lookup import find_bench_file
    from listen.report.files import check_target

    named = [*options.captures, *(options.cv_file or ()), options.bench, options.before, *others]
    taken = [os.fspath(path) for path in (*named, *map(find_bench_file, options.captures)) if path is not None]
    for option, target in targets:
        check_target(target, option=option, inputs=taken)
        taken.append(target)
    return taken


def _cv_channel(text: str) -> int:
    try:
        return channel_number(text)
    except OptionError:
        raise OptionError(
            f"--cv-channel {text!r} is no channel", "channels count from 1: --cv-channel 2 is the right one"
        ) from None


def _size(option: str, unit: str) -> Callable[[str], float]:
    def parse(text: str) -> float:
        size = read_number(text)
        if size is None:
            raise OptionError(f"{option} {text!r} is no number of {unit}", "for example 32.5 or 32,5")
        return size

    return parse


def _turns(text: str) -> float:
    turns = read_number(text)
    if turns is None or not 0.0 < abs(turns) <= 1000.0:
        raise OptionError(f"--turned {text!r} is no number of turns", "for example 0.5 or 0,5 (clockwise), or -0.5")
    return turns
