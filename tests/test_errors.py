"""One line, with a mend, whatever the text holds."""

from __future__ import annotations

import pickle

import pytest

from listen import errors
from listen.errors import ListenError, close_match, one_line, suggestion

FAMILIES = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, ListenError) and kind is not ListenError
]


def test_the_families():
    names = {kind.__name__ for kind in FAMILIES}
    assert names == {"CaptureError", "OptionError", "BenchError", "LimitsError", "OutputError", "LogbookError"}


@pytest.mark.parametrize("kind", FAMILIES)
def test_both_parts_are_required(kind):
    with pytest.raises(TypeError):
        kind("what")
    error = kind("what", "remedy")
    assert (error.what, error.remedy, str(error)) == ("what", "remedy", "what; remedy")
    assert error.mend == error.remedy  # its former name, for programs that read it
    assert str(pickle.loads(pickle.dumps(error))) == "what; remedy"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("two\nlines", "two lines"),
        ("tab\tand  spaces", "tab and spaces"),
        ("bell\a", "bell\\x07"),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("not utf-8: \udcff", "not utf-8: \\udcff"),
        ("Ton höhe äöü 音", "Ton höhe äöü 音"),
    ],
)
def test_one_line_that_can_be_printed(text, line):
    assert one_line(text) == line
    assert str(errors.CaptureError(text, "mend")) == f"{line}; mend"


def test_suggestions():
    assert close_match("trianlge", ["sine", "triangle"]) == "triangle"
    assert close_match("xyz", ["sine", "triangle"]) is None
    assert suggestion("xyz", ["sine", "triangle"]) == "known: sine, triangle"
