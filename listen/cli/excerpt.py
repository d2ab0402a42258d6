"""The options that write pages and pictures, and ``listen excerpt``."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.cli.options import PASSED, Screen, add_build, add_span, file_name, seconds_of
from listen.errors import OptionError

if TYPE_CHECKING:
    from listen.logbook.types import About

_EXCERPT = """Sound for the ear from one place of a take, each at a safe, stated level: the second itself, the
residue (the fundamental taken out along its phase, the rest raised), and the pure tone of that pitch and level.

Start with the volume at zero: peaks are at or under -18 dBFS, but that says nothing of the level at the ear."""


def add_pages(parser: argparse.ArgumentParser) -> None:
    """Add the options that write what is looked at."""
    parser.add_argument(
        "--report",
        metavar="DIR",
        type=file_name("--report"),
        help="write a page for each capture into this folder: charts, sound, and a sheet to print; opens offline",
    )
    parser.add_argument(
        "--pictures",
        metavar="DIR",
        type=file_name("--pictures"),
        help="write each chart into this folder, as SVG and as PNG of 1920 x 1080",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PageWriter:
    """Where the pages and pictures of each capture go."""

    pages: Mapping[str, Path]
    pictures: Mapping[str, Path]
    about: About | None = None

    def write(self, result: Any, path: str) -> None:
        """Write what was asked for of one check."""
        if path in self.pages:
            from listen.report.folders import make_folder
            from listen.report.page import write_check_page

            make_folder(self.pages[path].parent)
            write_check_page(result, self.pages[path], self.about)
        if path in self.pictures:
            from listen.report.folders import make_folder
            from listen.report.page.pictures import write_pictures

            make_folder(self.pictures[path].parent)
            write_pictures(result, self.pictures[path])


def page_writer(
    options: argparse.Namespace, captures: Sequence[str], inputs: Iterable[str], about: About | None = None
) -> PageWriter:
    """Refuse folders that cannot be written to, and name every file, before any work is done."""
    if options.report is None and options.pictures is None:
        return PageWriter(pages={}, pictures={})
    from listen.report.folders import check_folder, names_in

    taken = list(inputs)
    pages: dict[str, Path] = {}
    pictures: dict[str, Path] = {}
    for option, folder, ending, found in (
        ("--report", options.report, ".html", pages),
        ("--pictures", options.pictures, "", pictures),
    ):
        if folder is not None:
            check_folder(folder, option=option)
            sources = taken if ending else ()
            found.update(zip(captures, names_in(folder, captures, ending, option=option, inputs=sources), strict=True))
    if options.pictures is not None:
        say_if_no_png()
    return PageWriter(pages=pages, pictures=pictures, about=about)


def say_if_no_png() -> None:
    """Say once, on standard error, that pictures are written as SVG alone."""
    from listen.report.page.pictures import png_is_possible

    if not png_is_possible():
        print(
            'listen: --pictures writes SVG files alone: PNG needs matplotlib, try pip install "listen[pictures]"',
            file=sys.stderr,
        )


def add_excerpt_command(commands: Any) -> None:
    """Add ``listen excerpt``."""
    parser = commands.add_parser(
        "excerpt",
        help="write sound for the ear: the worst second, its residue, the pure tone beside it",
        description=_EXCERPT,
    )
    parser.add_argument("capture", metavar="CAPTURE", help="a WAV, FLAC or AIFF file")
    parser.add_argument(
        "--into", metavar="DIR", required=True, type=file_name("--into"), help="the folder to write the files into"
    )
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--at", metavar="S", type=seconds_of("--at"), help="begin at this second (default: the worst)")
    place.add_argument(
        "--finding", metavar="N", type=_number, help="the worst place of this finding, as check numbers them"
    )
    parser.add_argument(
        "--seconds", metavar="S", type=seconds_of("--seconds"), default=1.0, help="how long (default: 1)"
    )
    add_span(parser)
    add_build(parser)
    parser.add_argument("--quiet", action="store_true", help="print nothing but complaints")
    parser.set_defaults(run=_excerpt)


def _excerpt(options: argparse.Namespace) -> int:
    """Write the sounds of one place of a take."""
    from listen.report.folders import check_folder, make_folder, names_in

    check_folder(options.into, option="--into")
    kinds = ("second", "residue", "pure")
    files = {
        kind: names_in(options.into, [options.capture], f"-{kind}.wav", option="--into", inputs=[options.capture])[0]
        for kind in kinds
    }
    from listen.api.excerpting import excerpt
    from listen.report import ProgressLine, paper_for
    from listen.report.excerpt_page import excerpt_page
    from listen.report.files import write_whole
    from listen.report.sound import wav_bytes

    with contextlib.ExitStack() as stack:
        line = None if options.quiet else stack.enter_context(ProgressLine(options.capture, sys.stderr))
        result = excerpt(
            options.capture,
            at_s=options.at,
            seconds=options.seconds,
            finding=options.finding,
            channel=options.channel,
            wave=options.wave,
            bench=options.bench,
            gain_control=options.gain_control,
            topology=options.topology,
            start_s=options.start,
            end_s=options.end,
            progress=line,
        )
    make_folder(options.into)
    for sound in result.excerpts:
        write_whole(files[sound.kind], wav_bytes(sound, bits=24))
    if not options.quiet:
        Screen().put(excerpt_page(result.finding, result.excerpts, files, paper_for(sys.stdout)))
    return PASSED


def _number(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise OptionError(f"--finding {text!r} is no finding", "findings count from 1, as check numbers them")
    return number
