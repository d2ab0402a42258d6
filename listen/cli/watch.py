"""``listen watch``: readings while the hand is on the trimmer, and the check of the take at the end."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from listen.cli.excerpt import page_writer
from listen.cli.log_options import Keeper, add_logbook_options, keeper_for, stated_for
from listen.cli.options import (
    FOUND,
    PASSED,
    Screen,
    add_build,
    add_decimal,
    add_limits,
    aside,
    ask_about_limits,
    complain,
    file_name,
    no_word,
    seconds_of,
    word_of,
)
from listen.cli.watch_ending import last_words_of, no_terminal, stopped_by_signals
from listen.cli.watch_options import every_of, interval_of, port_of, take_name, target_note
from listen.cli.watch_source import add_source, list_devices, open_source
from listen.errors import OptionError, OutputError

if TYPE_CHECKING:
    from listen.api.checking import CheckResult
    from listen.watch.engine import Engine
    from listen.watch.feeds import Feed
    from listen.watch.guides import Guide
    from listen.watch.screen.app import ScreenApp
    from listen.watch.screen.drawing import Around
    from listen.watch.types import Event, Summary

_DESCRIPTION = """Readings while the control or a trimmer is turned, from a pipe (-), a file that grows, or the sound
card; at the end the check of the whole take.

Take headphones off while you trim; see "Before you plug anything in" in the README."""
_STATUS = """exit status, after the end of the stream, q or Ctrl-C, and where the check takes no second after SIGTERM:
  0  nothing at attention or fault in the whole take
  1  some finding at attention or fault
  2  the call or the source could not be used, or nothing could be judged, as where SIGTERM left no time for the check
"""


def add_watch_command(commands: Any) -> None:
    """Add ``listen watch``."""
    watch = commands.add_parser(
        "watch",
        help="readings while a trimmer is turned: from a pipe, a growing file or the sound card",
        description=_DESCRIPTION,
        epilog=_STATUS,
    )
    watch.add_argument(
        "source", metavar="-|FILE", nargs="?", help="- is standard input; without it, the sound card is heard"
    )
    add_source(watch)
    watch.add_argument("--every", metavar="S", type=every_of, default=0.05, help="time between readings (0.05 s)")
    watch.add_argument("--note", dest="aim", metavar="NOTE|HZ", type=target_note, help="count cents from this note")
    watch.add_argument("--interval", metavar="I", type=interval_of, help="two notes in turn: octave, fifth or a ratio")
    add_build(watch)
    add_limits(watch)
    watch.add_argument(
        "--json-lines", metavar="FILE|-", type=file_name("--json-lines"), help="write every event as a line of JSON"
    )
    watch.add_argument(
        "--keep",
        metavar="TAKE.wav",
        nargs="?",
        const=".",
        help="keep the take; a folder, or nothing: named by build and time",
    )
    watch.add_argument(
        "--frames", metavar="FILE.csv", type=file_name("--frames"), help="write every frame of the take as CSV"
    )
    add_decimal(watch)
    watch.add_argument(
        "--report", metavar="DIR", type=file_name("--report"), help="write a page of the take into this folder"
    )
    watch.add_argument(
        "--sound", action="store_true", help="two quiet pips a second, the reference and now; falling means better"
    )
    watch.add_argument(
        "--page",
        metavar="PORT",
        nargs="?",
        const=8931,
        type=port_of,
        help="serve a page with moving charts to this machine alone (port 8931; 0: any that is free)",
    )
    watch.add_argument(
        "--guide",
        metavar="NAME",
        type=word_of("--guide", ("start", "symmetry", "scale", "top")),
        help="follow a guide: start, symmetry, scale or top",
    )
    watch.add_argument("--quiet", action="store_true", help="print no readings and no page")
    watch.add_argument("--seconds", metavar="S", type=seconds_of("--seconds"), help="end after so much was heard")
    add_logbook_options(watch, note="--remark")
    watch.set_defaults(run=_watch, pictures=None)


def _watch(options: argparse.Namespace) -> int:
    """Hear the source to its end, then check the take."""
    ask_about_limits(options)
    if options.list_devices:
        return list_devices()
    with contextlib.ExitStack() as stack:
        if options.source is None:
            from listen.watch.sound_card import without_library_noise

            stack.enter_context(without_library_noise())
        feed = open_source(options)  # reads from here on: what follows takes as long to load as a pipe takes to fill
        stack.callback(feed.close)
        return _heard(options, feed)


def _heard(options: argparse.Namespace, feed: Feed) -> int:
    name = options.source or "sound card"
    keep = take_name(options.keep, options.build)
    inputs = [options.source] if options.source not in (None, "-") else []
    keeper = keeper_for(options, [name])
    taken = _check_outputs(options, keep, [*inputs, *(keeper.files if keeper else ())])
    writer = page_writer(options, [name], taken, stated_for(options))
    from listen.watch.afterwards import Afterwards
    from listen.watch.engine import Engine, nothing_judged

    screen = Screen()
    after = Afterwards(said=options.json_lines == "-" or not (options.quiet or _on_terminal(options)))
    with contextlib.ExitStack() as stack:
        sinks = [*_sinks(options, screen, stack), after.tell]

        def tell(event: Event) -> None:
            for sink in sinks:
                sink(event)

        settings = _settings(options, keep)
        engine = Engine(feed, settings, tell)
        stack.callback(engine.discard)
        view = _screen(options, settings, engine.stop)
        if options.page is not None:
            sinks.append(_page(options.page, settings, stack))
        if options.sound:
            _sound(engine, view, sinks, stack)
        words = last_words_of(engine, options, keep, view.give_back if view is not None else no_terminal, tell)
        heard = stack.enter_context(stopped_by_signals(engine, words))
        try:
            if view is not None:
                sinks.append(view.tell)
                view.run(engine.hear)
            else:
                engine.hear()
        except BaseException:
            engine.finish()
            raise
        engine.save()
        heard()
        if keep is not None and engine.heard_s > 0.0 and not options.quiet:
            aside(f"listen: kept {keep}\n")
        summary = engine.close()
        for line in after.lines():
            aside(f"listen: {line}\n")
        if summary.result is None:
            return complain(str(nothing_judged(summary)))
        status = _finish(options, summary, name, screen, keeper, writer)
        if view is not None and view.guide is not None and keeper:
            keep_guided(view.guide, engine.take_path, settings.check, keeper, name, screen.put)
        return status


def keep_guided(
    guide: Guide, path: Any, settings: dict[str, Any], keeper: Keeper, name: str, say: Callable[[str], None]
) -> None:
    """Keep a guided session's two ends in the logbook, as found and as left."""
    from listen.report import check_document
    from listen.watch.guided import guided_results

    for end in guided_results(guide, path, settings):
        about = replace(keeper.about, state=end.state, note=end.note)
        replace(keeper, about=about).keep(check_document(end.result), name, say)
        if end.circuit:
            say(f"{end.state}: {end.circuit}\n")


def _screen(options: argparse.Namespace, settings: Any, stop: Callable[[], None]) -> ScreenApp | None:
    """Return the screen, where there is a terminal to draw on and to read keys from."""
    if not _on_terminal(options):
        if options.guide is not None:
            raise OptionError(
                "--guide needs a terminal to draw on", "run it in one, without --quiet and --json-lines -"
            )
        return None
    from listen.watch.guides import load_guide
    from listen.watch.screen.app import ScreenApp, wants_colour

    guide = load_guide(options.guide) if options.guide is not None else None
    view = ScreenApp(_around(settings), stop, guide, wants_colour())
    if options.interval is not None:
        view.board.quantity = "octave"
    return view


def _page(port: int, settings: Any, stack: contextlib.ExitStack) -> Callable[[Event], None]:
    """Serve the page; say where."""
    from listen.watch.page.server import PageServer

    server = PageServer(port, _around(settings))
    stack.callback(server.close)
    aside(f"listen: the page is at {server.url}\n")
    return server.tell


def _sound(
    engine: Engine, view: ScreenApp | None, sinks: list[Callable[[Event], None]], stack: contextlib.ExitStack
) -> None:
    """Play better and worse; without a screen the first rest is the reference."""
    from listen.watch.pips import CAUTION, RATE_HZ, Pips
    from listen.watch.sound_card import open_output
    from listen.watch.types import Start

    output = open_output(RATE_HZ)
    stack.callback(output.abort)
    follow: Any = view
    if view is None:
        from listen.watch.screen.follower import Follower

        follow = Follower()
        sinks.append(follow.tell)
    say: Callable[[str], None] = view.say if view is not None else lambda text: aside(f"listen: {text}\n")
    say(CAUTION)

    def begin(event: Event) -> None:
        if isinstance(event, Start):
            pips = Pips(output, follow.better_db, event.sample_rate_hz, say)
            stack.callback(pips.close)
            engine.taps.append(pips.ear.hear)

    sinks.append(begin)


def _around(settings: Any) -> Around:
    from listen.watch.screen.drawing import Around, can_draw

    bench = settings.check["bench"]
    return Around(
        keep=settings.keep,
        volts_per_full_scale=bench.capture.volts_per_full_scale if bench is not None else None,
        polarity_known=bench is not None and bench.capture.inverted is not None,
        ac_coupling_hz=settings.ac_coupling_hz,
        ascii_only=not can_draw(sys.stdout.encoding if sys.stdout is not None else "utf-8"),
    )


def _on_terminal(options: argparse.Namespace) -> bool:
    quiet = options.quiet or options.json_lines == "-"
    return not quiet and sys.stdout is not None and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def _finish(options: argparse.Namespace, summary: Summary, name: str, screen: Screen, keeper: Any, writer: Any) -> int:
    """Print and write what a check of the take gives."""
    from listen import report

    result = summary.result
    assert result is not None
    named = result if options.keep is not None else _of_the_source(result, options.source)
    show_page = not options.quiet and options.json_lines != "-"
    if options.frames is not None:
        report.write_frames_csv(result.frames, options.frames, options.decimal, result.channel_pair)
    writer.write(result, name)
    if show_page:
        screen.put("\n" + report.check_page(named, report.paper_for(sys.stdout)))
    status = PASSED if result.verdict == "pass" else FOUND
    if keeper:
        say: Callable[[str], None] = screen.put if show_page else no_word if options.quiet else aside
        status = max(status, keeper.keep(report.check_document(named), name, say))
    return status


def _of_the_source(result: CheckResult, source: str | None) -> CheckResult:
    """Return a result under the name of what was heard: the temporary file's says nothing, and is gone."""
    name = "standard input" if source == "-" else source or "sound card"
    return replace(result, capture=replace(result.capture, path=name))


def _settings(options: argparse.Namespace, keep: str | None) -> Any:
    from listen.api.bench_lookup import find_bench_file
    from listen.bench import Bench, load_bench
    from listen.findings import load_limits
    from listen.watch.pcm import checked_format
    from listen.watch.settings import Settings

    near = keep or (options.source if options.source != "-" else None)
    path = options.bench or (find_bench_file(near) if near else None)
    bench: Bench | None = None if path is None else load_bench(path)
    known = bench.capture if bench is not None else None
    channel = options.channel or (known.channel if known else None) or 1
    if options.limits is not None:  # what is wrong with it is said before anything is heard
        load_limits(options.limits, gain_control=options.gain_control, wave=options.wave or "sine")
    raw = None
    if options.rate is not None:
        raw = checked_format(options.rate, options.channels or 1, options.format or "s16")
    return Settings(
        check={
            "channel": channel,
            "wave": options.wave,
            "bench": bench,
            "limits": options.limits,
            "gain_control": options.gain_control,
        },
        raw=raw,
        every_s=options.every,
        note_hz=options.aim,
        interval_ratio=options.interval or (2.0 if options.guide == "scale" else None),
        keep=keep,
        seconds=options.seconds,
        channel=channel,
        inverted=bool(known.inverted) if known else False,
        clock_error_ppm=known.clock_error_ppm if known else 0.0,
        ac_coupling_hz=known.ac_coupling_hz if known else None,
        recorder=known.recorder if known else None,
    )


def _sinks(options: argparse.Namespace, screen: Screen, stack: contextlib.ExitStack) -> list[Callable[[Event], None]]:
    """Return all sinks of events."""
    from listen.report.files import open_lines
    from listen.watch.json_lines import JsonLines
    from listen.watch.plain import PlainLines

    sinks: list[Callable[[Event], None]] = []
    if options.json_lines == "-":
        sinks.append(JsonLines(screen.put))
    elif options.json_lines is not None:
        file = open_lines(options.json_lines)
        stack.callback(_close, file)
        sinks.append(JsonLines(_writer(file)))
    if not options.quiet and options.json_lines != "-" and not _on_terminal(options):
        sinks.append(PlainLines(screen.put))
    return sinks


def _close(file: Any) -> None:
    """Close a file of lines: each was written at once, and what went wrong then has been said."""
    with contextlib.suppress(OSError):
        file.close()


def _writer(file: Any) -> Callable[[str], None]:
    def put(text: str) -> None:
        try:
            file.write(text)
        except OSError as cause:
            raise OutputError(f"cannot write the JSON lines ({cause.strerror or cause})", "make room there") from cause

    return put


def _check_outputs(options: argparse.Namespace, keep: str | None, others: list[str]) -> list[str]:
    """Refuse targets that cannot be written before anything is heard; return all files that are taken."""
    from listen.report.files import check_target

    taken = [os.fspath(path) for path in (options.bench, options.limits, *others) if path is not None]
    for option, target in (("--json-lines", options.json_lines), ("--frames", options.frames), ("--keep", keep)):
        if target is None or (option == "--json-lines" and target == "-"):
            continue
        if target == "-":
            raise OptionError(f"{option} needs a file", "name one, and give - alone for standard input")
        check_target(target, option=option, inputs=taken)
        taken.append(target)
    return taken
