"""A decimal comma works for every number that is typed on the command line, and the error lines say so."""

from __future__ import annotations

import argparse
import re

import pytest

from listen.calibration.voltage_input import parse_positions, parse_steps, parse_values
from listen.cli import build_parser, main
from listen.errors import OptionError
from listen.units import read_number

WHOLE = {"--channel", "--cv-channel", "--finding", "--workers", "--entry", "--against", "--rate"}
"""Options that take a whole number."""


def every_option() -> dict[str, list[str]]:
    """Each option that takes a value, with the words of a command that has it."""
    found: dict[str, list[str]] = {}

    def walk(parser: argparse.ArgumentParser, words: list[str]) -> None:
        places = ["x"] * sum(not a.option_strings and a.nargs != "?" for a in parser._actions if a.dest != "command")
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for name, command in action.choices.items():
                    walk(command, [*words, name])
            elif action.option_strings and action.nargs is None:
                found.setdefault(action.option_strings[-1], [*words, *places])

    walk(build_parser(), [])
    return found


def takes_numbers(option: str, call: list[str]) -> bool:
    """Whether a decimal point is read as a number and a word is not."""
    parser = build_parser()
    required = ["--into", "y"] if "excerpt" in call and option != "--into" else []
    try:
        value = vars(parser.parse_args([*call, *required, option, "2.5"])).get(option[2:].replace("-", "_"))
    except OptionError:
        return False
    return isinstance(value, float)


def test_every_number_may_have_a_decimal_comma() -> None:
    options = {option: call for option, call in every_option().items() if takes_numbers(option, call)}
    assert {"--start", "--end", "--temperature", "--warm-up", "--turned", "--meter", "--cell-volts", "--dwell"} <= set(
        options
    )
    for option, call in options.items():
        required = ["--into", "y"] if "excerpt" in call else []
        name = option[2:].replace("-", "_")
        assert vars(build_parser().parse_args([*call, *required, option, "2,5"]))[name] == 2.5, option
        with pytest.raises(OptionError, match=r"\d,\d"):
            build_parser().parse_args([*call, *required, option, "2;5"])


@pytest.mark.parametrize("text", ["-0,5", "-0.5", "-3,25"])
def test_below_zero_too(text: str) -> None:
    options = build_parser().parse_args(["check", "x", "--temperature", text])
    assert options.temperature == float(text.replace(",", "."))
    assert build_parser().parse_args(["calibrate", "x", "--turned", text]).turned == options.temperature


def test_lists_and_staircases() -> None:
    for text in ("0,98;2,01;-3,5", "0,98 2,01 -3,5", "0.98 2.01 -3.5", "0.98, 2.01, -3.5", "0.98,2.01,-3.5;"[:-1]):
        assert parse_values(text).values == (0.98, 2.01, -3.5), text
    assert parse_steps("0:1,5:0,5").values == parse_steps("0:1.5:0.5").values == (0.0, 0.5, 1.0, 1.5)
    assert parse_positions("0:1:0,5").values == (0.0, 0.5, 1.0)


def test_a_list_of_decimal_commas_without_semicolons_is_asked_about(tmp_path, capsys) -> None:
    from tests.calibration.takes import Stepped, octaves, write

    write(Stepped(volts=(0.0, 0.98, 2.01, 2.97), hold_s=(0.5,) * 4, pitch=octaves(55.0)), tmp_path / "take.wav")
    assert main(["calibrate", str(tmp_path / "take.wav"), "--cv-values", "0,00,0,98,2,01,2,97"]) == 2
    assert "put semicolons between the values: 0,98;2,01;2,97" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["1,2,3", "1,234.5", "1.2.3", "", "nan", "inf", "1_000", "two", "1,2;3"])
def test_what_could_be_read_in_two_ways_is_no_number(text: str) -> None:
    assert read_number(text) is None


def test_the_help_of_no_number_shows_a_point_alone() -> None:
    """Where an error shows an example, it shows both ways."""
    for option in ("--start", "--turned", "--temperature", "--meter"):
        call = {"--start": ["check", "x"], "--turned": ["calibrate", "x"], "--temperature": ["check", "x"]}
        with pytest.raises(OptionError) as error:
            build_parser().parse_args([*call.get(option, ["setup"]), option, "two"])
        assert re.search(r"\d\.\d.* or .*\d,\d", str(error.value))
