"""The page: four answers in order, findings worst first, the sweep, never wider than its paper."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import pytest

from listen.report import Paper, check_page, paper_for
from listen.report.drawing import bar, dot, lane_ends, log_part
from tests.helpers import PlainCapture, make_finding, make_judgement, make_result, make_sweep

RULED = re.compile(r"^.{9} [│|]")


class Stream(io.StringIO):
    """A stream that says what it is."""

    def __init__(self, *, terminal: bool, encoding: str = "utf-8") -> None:
        super().__init__()
        self._terminal, self._encoding = terminal, encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding

    def isatty(self) -> bool:
        return self._terminal


def labels(page: str) -> list[str]:
    return [line[:9].strip() for line in page.splitlines() if RULED.match(line) and line[:9].strip()]


def test_the_order_is_verdict_answers_findings_sweep_and_what_is_not_shown() -> None:
    assert labels(check_page(make_result())) == [
        *("take", "fault", "pitch", "start", "hold", "clean"),
        *("fault", "1", "likely", "check"),
        *("attention", "2", "likely", "check"),
        *("note", "3", "likely", "check"),
        *("sweep", "not shown"),
        "fault",
    ]


def test_a_long_page_ends_with_its_verdict() -> None:
    page = check_page(make_result())
    end = page.rsplit("┼", 1)[1]
    assert "    fault │ The positive half flattens from 245 Hz (B3) upward" in end


def test_a_finding_says_half_interval_pitch_and_notes() -> None:
    page = check_page(make_result())
    assert "│ asymmetric-clipping, positive half\n" in page
    assert "5.12 to 9.80 s, 245 Hz (B3) to 2.16 kHz (C#7 -45 cents)" in page
    assert "held down from 245 Hz (B3)" in page


def test_a_half_that_is_not_certain_is_said_so() -> None:
    judgement = make_judgement(findings=(make_finding(half_certain=False),))
    assert "positive half (probably)" in check_page(make_result(judgement))


def test_the_same_causes_are_said_once() -> None:
    two = (make_finding(), make_finding(start_s=11.0, end_s=11.5))
    page = check_page(make_result(make_judgement(findings=two)))
    assert page.count("measure both rails at the amplifier's pins") == 1
    assert "    check │ as for 1\n" in page


def test_many_of_one_kind_have_a_line_each_after_the_third() -> None:
    many = tuple(make_finding(start_s=float(i), end_s=i + 0.5) for i in range(1, 25))
    page = check_page(make_result(make_judgement(findings=many)), Paper(width=60))
    assert page.count("    check │ as for 1\n") == 2
    assert page.count("asymmetric-clipping") == 4
    lines = page.splitlines()
    last = next(i for i, line in enumerate(lines) if line.startswith("       24 │"))
    assert lines[last].startswith("       24 │ 24.00 to 24.50 s, 245 Hz")
    assert all(len(line) <= 60 for line in lines)


def test_a_finding_without_pitch_has_an_interval_alone() -> None:
    finding = make_finding("oscillation-absent", f0_low_hz=None, f0_high_hz=None, half=None)
    lines = check_page(make_result(make_judgement(findings=(finding,)))).splitlines()
    assert any(line.endswith("│ 5.12 to 9.80 s") for line in lines)


@pytest.mark.parametrize("width", [56, 60, 72, 79, 80])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_no_line_is_wider_than_the_paper(width: int, ascii_only: bool) -> None:
    result = make_result(make_judgement(headline="word " * 60 + "x" * 200))
    result = replace(
        result, capture=PlainCapture(path="a very long name " * 9 + "q" * 150 + ".wav"), bench_path="b.toml"
    )
    page = check_page(result, Paper(width=width, ascii_only=ascii_only))
    assert max(map(len, page.splitlines())) <= width
    assert all(line == line.rstrip() for line in page.splitlines())


def test_plain_characters_where_there_are_no_others() -> None:
    judgement = make_judgement(headline="0.3 V/µs \u2013 not enough … 波")
    page = check_page(make_result(judgement), Paper(ascii_only=True))
    assert page.isascii()
    assert "0.3 V/us - not enough ~ ?" in page


def test_colour_adds_nothing_that_the_words_do_not_say() -> None:
    result = make_result()
    coloured = check_page(result, Paper(color=True))
    assert "\x1b[1;31m" in coloured
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == check_page(result, Paper())


def test_a_number_stays_with_its_unit() -> None:
    for width in range(56, 81):
        page = check_page(make_result(), Paper(width=width))
        for line in page.splitlines():
            assert not re.match(r"^ {10}│ +(Hz|kHz|dB|dBFS|%)\b", line), line


def test_what_could_steer_a_terminal_is_not_printed() -> None:
    result = make_result()
    result = replace(result, capture=PlainCapture(path="bad\x1b[2J\nname\udcff.wav"))
    page = check_page(result)
    assert "\x1b" not in page
    assert "bad?[2J?name?.wav" in page
    page.encode("utf-8")


def test_settings_that_matter_are_said() -> None:
    capture = PlainCapture(start_sample=48000, stop_sample=96000)
    result = make_result(capture=capture, gain_control="lamp", wave="any", bench_path="/some/where/bench.toml")
    page = check_page(result)
    assert "12 s at 48 kHz, looked at from 1.00 to 2.00 s, channel 1 of 2, any\n" in page
    assert "wave, gain control: lamp\n" in page
    assert "with the bench file bench.toml" in page
    assert "/some/where" not in page


def test_a_pass_is_a_pass() -> None:
    judgement = make_judgement(verdict="pass", headline="A healthy board.", findings=(), not_shown=(), sweep=())
    page = check_page(make_result(judgement))
    assert labels(page) == ["take", "pass", "pitch", "start", "hold", "clean"]


def test_the_sweep_draws_level_as_a_line_and_distortion_as_bars() -> None:
    page = check_page(make_result())
    rows = [line for line in page.splitlines() if re.search(r"\d k?Hz [A-G]#?\d-", line)]
    rows = [row for row in rows if row.endswith("1.000")]
    assert len(rows) == len(make_sweep())
    places = [row.index("•") for row in rows]
    assert places == sorted(places)
    assert places[0] < places[-1]
    lengths = [len(re.findall("[█▏▎▍▌▋▊▉]", row)) for row in rows[:-1]]
    assert lengths == sorted(lengths)
    assert lengths[0] < lengths[-1]
    assert "160 Hz C#3-F3" in rows[0]
    assert "0.40" in rows[0]


def test_what_was_not_measurable_in_a_third_is_a_dot_and_no_bar() -> None:
    rows = [line for line in check_page(make_result()).splitlines() if "2.00 kHz A6-C#7" in line]
    assert len(rows) == 1
    assert "·" in rows[0]
    assert "█" not in rows[0]


def test_numbers_too_large_for_their_cell_lose_decimals() -> None:
    row = replace(
        make_sweep()[0], crest_positive=13.889, crest_negative=1234.5, thd_percent=12345.6, level_dbfs=-123.45
    )
    page = check_page(make_result(make_judgement(sweep=(row,))))
    (line,) = [line for line in page.splitlines() if "160 Hz C#3-F3" in line]
    assert line.endswith("13.89  1234")
    assert "-123.5" in line
    assert len(line) <= 80


def test_a_sweep_without_any_level_is_drawn_too() -> None:
    rows = tuple(replace(row, level_dbfs=None, thd_percent=None) for row in make_sweep())
    page = check_page(make_result(make_judgement(sweep=rows)))
    assert "•" not in page
    assert "█" not in page


@pytest.mark.parametrize(
    ("environment", "terminal", "colour"),
    [
        ({}, True, True),
        ({}, False, False),
        ({"NO_COLOR": "1"}, True, False),
        ({"NO_COLOR": ""}, True, True),
        ({"TERM": "dumb"}, True, False),
    ],
)
def test_colour_only_on_a_terminal_that_wants_it(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], terminal: bool, colour: bool
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for key, value in environment.items():
        monkeypatch.setenv(key, value)
    assert paper_for(Stream(terminal=terminal)).color is colour


@pytest.mark.parametrize(
    ("encoding", "plain"), [("utf-8", False), ("ascii", True), ("latin-1", True), ("cp1252", True)]
)
def test_the_encoding_decides_how_it_is_drawn(encoding: str, plain: bool) -> None:
    assert paper_for(Stream(terminal=False, encoding=encoding)).ascii_only is plain


def test_paper_for_a_pipe_is_eighty_columns() -> None:
    assert paper_for(Stream(terminal=False)).width == 80


@pytest.mark.parametrize(("columns", "width"), [(200, 80), (80, 80), (66, 66), (20, 20), (9, 20), (0, 80)])
def test_a_narrow_terminal_gets_a_narrow_page(monkeypatch: pytest.MonkeyPatch, columns: int, width: int) -> None:
    class Size:
        pass

    size: Any = Size()
    size.columns = columns
    monkeypatch.setattr("listen.report.paper.os.get_terminal_size", lambda _handle: size)
    stream = Stream(terminal=True)
    monkeypatch.setattr(stream, "fileno", lambda: 1)
    assert paper_for(stream).width == width


def test_bars_are_as_long_as_their_part() -> None:
    assert [bar(n / 8, 1) for n in range(9)] == [" ", "▏", "▎", "▍", "▌", "▋", "▊", "▉", "█"]
    assert bar(-1, 3) == "   "
    assert bar(9, 3) == "███"
    assert all(len(bar(n / 100, 12)) == 12 for n in range(101))


def test_dots_stay_in_their_lane() -> None:
    assert dot(-0.2, 4) == "•   "
    assert dot(1.7, 4) == "   •"
    assert dot(1 / 3, 4) == " •  "


def test_lanes_hold_all_values_and_are_never_too_narrow() -> None:
    for values in ([-10.0], [-10.4, -10.2], [-30.5, -9.1], [0.0, 0.0]):
        low, high = lane_ends(values, least=3.0)
        assert low <= min(values)
        assert max(values) <= high
        assert high - low >= 3.0


def test_decades_are_equally_wide() -> None:
    parts = [log_part(value, 0.01, 10.0) for value in (0.001, 0.01, 0.1, 1.0, 10.0, 50.0)]
    assert parts == pytest.approx([0, 0, 1 / 3, 2 / 3, 1, 1], abs=1e-12)


@pytest.mark.parametrize("width", [20, 40, 42, 43, 56])
def test_a_sweep_without_room_for_columns_has_its_heads_in_words(width: int) -> None:
    page = check_page(make_result(), Paper(width=width))
    words = " ".join(page.split())
    heads = "pitch, notes, level in dBFS, THD in %, crests + and -"
    assert (heads in words) == (width < 43)
    assert ("pitch notes" in words) == (width >= 43)
