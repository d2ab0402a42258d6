"""``listen stimulus`` and ``listen setup``: what one does at the bench before a calibration."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from listen.cli.options import PASSED, Screen, channel_number, file_name, word_of
from listen.errors import OptionError
from listen.units import read_number

_STATUS = """exit status:
  0  done
  2  the call or an input could not be used; one line on standard error says why
"""
_GUIDE = """Three short takes tell all that a check needs of the recording chain. Leave gain, pad and cable alone.

  1. Volts. A steady sine of 50 to 400 Hz into the input, a meter at the same jack, five seconds:
       listen setup --tone tone.wav --meter 2.35 --write bench.toml
  2. Polarity and coupling. Start recording, wait a second, touch a 1.5 V cell to the input through the pad, plus to the
     tip, hold it two seconds, let go:
       listen setup --cell cell.wav --write bench.toml
  3. Floor and hum. Everything connected, the oscillator switched off, five seconds:
       listen setup --silence silence.wav --write bench.toml

One call may take all three. What the file holds already stays. Never connect more than the input stands; phantom
power off.
A bench.toml beside a capture is used by itself."""


def add_bench_commands(commands: Any) -> None:
    """Add ``listen stimulus`` and ``listen setup``."""
    _add_stimulus(commands)
    _add_setup(commands)


def _add_stimulus(commands: Any) -> None:
    parser = commands.add_parser(
        "stimulus",
        help="make a voltage staircase to play from a DC-coupled output, and its steps file",
        description="Make a voltage staircase as a WAV, and its steps file; its marker lets calibrate align itself.",
        epilog=_STATUS,
    )
    parser.add_argument("wav", metavar="FILE.wav", type=file_name("FILE.wav"), help="the file to write")
    parser.add_argument("--cv-steps", metavar="START:STOP:STEP[:up|down|updown]", help="which voltages")
    parser.add_argument("--cv-values", metavar="V,V,...", help="or these")
    parser.add_argument(
        "--dwell", metavar="S", type=_number("--dwell"), default=1.0, help="seconds each is held (default: 1)"
    )
    parser.add_argument(
        "--bench", metavar="FILE.toml", type=file_name("--bench"), help="its [cv] says how many volts full scale is"
    )
    parser.add_argument(
        "--steps-file",
        metavar="STEPS.csv",
        type=file_name("--steps-file"),
        help="default: FILE.steps.csv beside the WAV",
    )
    parser.add_argument("--rate", metavar="HZ", type=_rate, default=48000, help="sample rate (default: 48000)")
    parser.add_argument("--no-marker", action="store_true", help="leave the start marker out")
    parser.add_argument("--quiet", action="store_true", help="say nothing")
    parser.set_defaults(run=_stimulus)


def _add_setup(commands: Any) -> None:
    parser = commands.add_parser(
        "setup",
        help="measure the recording chain with three short takes, and write the bench file",
        description=_GUIDE,
        epilog=_STATUS,
    )
    parser.add_argument("--tone", metavar="TAKE", type=file_name("--tone"), help="a steady sine of 50 to 400 Hz")
    parser.add_argument(
        "--meter", metavar="V", type=_number("--meter"), help="what the meter reads there, volts r.m.s."
    )
    parser.add_argument(
        "--meter-kind", metavar="K", default="true-rms", type=word_of("--meter-kind", ("true-rms", "average")),
        help="true-rms (default) or average",
    )  # fmt: skip
    parser.add_argument(
        "--cell", metavar="TAKE", type=file_name("--cell"), help="a cell touched to the input, plus to the tip"
    )
    parser.add_argument("--cell-volts", metavar="V", type=_number("--cell-volts"), help="its volts, to compare")
    parser.add_argument("--silence", metavar="TAKE", type=file_name("--silence"), help="nothing sounding")
    parser.add_argument("--channel", metavar="N", type=channel_number, help="the channel to look at, counted from 1")
    parser.add_argument(
        "--write", metavar="FILE.toml", type=file_name("--write"), help="the bench file to make or to change"
    )
    parser.add_argument(
        "--replace", action="store_true", help="let the polarity that the cell shows replace another one in the file"
    )
    parser.set_defaults(run=_setup)


def _stimulus(options: argparse.Namespace) -> int:
    from listen.api.stimulating import stimulus
    from listen.report.bench_pages import stimulus_page
    from listen.report.paper import paper_for

    staircase, steps_file = stimulus(
        options.wav,
        cv_steps=options.cv_steps,
        cv_values=options.cv_values,
        dwell_s=options.dwell,
        bench=options.bench,
        steps_path=options.steps_file,
        sample_rate_hz=options.rate,
        marker=not options.no_marker,
    )
    if not options.quiet:
        Screen().put(stimulus_page(staircase, options.wav, steps_file, paper_for(sys.stdout)))
    return PASSED


def _setup(options: argparse.Namespace) -> int:
    if options.tone is None and options.cell is None and options.silence is None and options.meter is None:
        Screen().put(_GUIDE + "\n")
        return PASSED
    from listen.api.setting_up import setup
    from listen.report.bench_pages import setup_page
    from listen.report.paper import paper_for

    result = setup(
        tone=options.tone,
        meter_v=options.meter,
        meter=options.meter_kind,
        cell=options.cell,
        cell_v=options.cell_volts,
        silence=options.silence,
        channel=options.channel,
        write=options.write,
        replace=options.replace,
    )
    Screen().put(setup_page(result, paper_for(sys.stdout)))
    return PASSED


def _number(option: str) -> Any:
    def parse(text: str) -> float:
        number = read_number(text)
        if number is None or not 0.0 < number < 1e6:
            raise OptionError(f"{option} {text!r} is no number above 0", "for example 1.5 or 1,5")
        return number

    return parse


def _rate(text: str) -> int:
    if not text.isdecimal():
        raise OptionError(f"--rate {text!r} is no sample rate", "for example 48000")
    return int(text)
