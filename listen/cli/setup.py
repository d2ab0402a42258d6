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
_GUIDE = """Three short takes tell what a check needs of the recording chain. Leave gain, pad and cable alone.

  1. Volts. A steady sine of 50 to 400 Hz into the input, a meter at the same jack, five seconds:
       listen setup --tone tone.wav --meter 2.35 --write bench.toml
  2. Polarity and coupling. Start recording, wait a second, touch a 1.5 V cell to the input through the pad, plus to the
     tip, hold it two seconds, let go:
       listen setup --cell cell.wav --write bench.toml
  3. Floor and hum. Everything connected, the oscillator switched off, five seconds:
       listen setup --silence silence.wav --write bench.toml

A fourth, half a minute long, tells what the recorder does by itself, so that the circuit is not blamed for it. Unplug
headphones and switch off loudspeakers first: it holds loud tones. Play this from the interface's output into its input:
       listen stimulus loopback.wav --loopback
       listen setup --loopback take.wav --write bench.toml

One call may take all of them. What the file holds already stays. Never connect more than the input stands; phantom
power off.
A bench.toml beside a capture is used by itself."""


def add_bench_commands(commands: Any) -> None:
    """Add ``listen stimulus`` and ``listen setup``."""
    _add_stimulus(commands)
    _add_setup(commands)


def _add_stimulus(commands: Any) -> None:
    parser = commands.add_parser(
        "stimulus",
        help="make a voltage staircase to play from a DC-coupled output, and its steps file; or a loopback stimulus",
        description="Make a voltage staircase as a WAV, and its steps file; its marker lets calibrate align itself. "
        "With --loopback: the tones that setup --loopback measures the recorder with.",
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
    parser.add_argument(
        "--loopback", action="store_true", help="make the tones for setup --loopback instead; unplug headphones first"
    )
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
    parser.add_argument(
        "--loopback", metavar="TAKE", type=file_name("--loopback"),
        help="the file of stimulus --loopback, played from the interface's output into its input",
    )  # fmt: skip
    parser.add_argument(
        "--clock", metavar="TAKE", type=file_name("--clock"), help="a tone from a frequency reference, ten seconds"
    )
    parser.add_argument("--clock-hz", metavar="HZ", type=_number("--clock-hz"), help="its pitch")
    parser.add_argument("--channel", metavar="N", type=channel_number, help="the channel to look at, counted from 1")
    parser.add_argument(
        "--write", metavar="FILE.toml", type=file_name("--write"), help="the bench file to make or to change"
    )
    parser.add_argument(
        "--replace", action="store_true",
        help="let another polarity or another recorder replace the one in the file",
    )  # fmt: skip
    parser.set_defaults(run=_setup)


def _stimulus(options: argparse.Namespace) -> int:
    from listen.api.stimulating import loopback_stimulus, stimulus
    from listen.report.bench_pages import loopback_page, stimulus_page
    from listen.report.paper import paper_for

    if options.loopback:
        _alone(options)
        loop = loopback_stimulus(options.wav, sample_rate_hz=options.rate)
        if not options.quiet:
            Screen().put(loopback_page(loop, options.wav, paper_for(sys.stdout)))
        return PASSED
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


def _alone(options: argparse.Namespace) -> None:
    """Refuse options of the staircase together with --loopback."""
    staircase = {"--cv-steps": options.cv_steps, "--cv-values": options.cv_values, "--steps-file": options.steps_file}
    other = next((name for name, value in staircase.items() if value is not None), None)
    if other is not None:
        raise OptionError(f"--loopback and {other} do not go together", "make the two files one after the other")


def _setup(options: argparse.Namespace) -> int:
    takes = (options.tone, options.cell, options.silence, options.loopback, options.clock)
    if all(take is None for take in takes) and options.meter is None and options.clock_hz is None:
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
        loopback=options.loopback,
        clock=options.clock,
        clock_hz=options.clock_hz,
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
