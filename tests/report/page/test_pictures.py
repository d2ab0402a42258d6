"""Pictures for lessons: size, legible words, nothing but the chart, the same bytes each time."""

from __future__ import annotations

import re
import struct
from pathlib import Path
from xml.etree import ElementTree

import pytest

from listen.api.checking import check
from listen.cli import main
from listen.report.page import check_charts
from listen.report.page.pictures import HEIGHT_PX, WIDTH_PX, picture_bytes, write_pictures

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"


@pytest.fixture(scope="module")
def charts():
    return check_charts(check(FIXTURES / "sine-board-unequal-supplies.wav"), ())


def test_a_png_has_the_size_of_a_video_frame(charts) -> None:
    data = dict(picture_bytes(charts[0]))["png"]
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", data[16:24]) == (WIDTH_PX, HEIGHT_PX) == (1920, 1080)


def test_the_same_chart_gives_the_same_bytes_and_names_no_program(charts) -> None:
    first, again = dict(picture_bytes(charts[-1])), dict(picture_bytes(charts[-1]))
    assert first == again
    assert b"Software" not in first["png"]
    assert b"matplotlib" not in first["png"].lower()
    text = re.sub(r"<!--.*?-->", "", first["svg"].decode(), flags=re.DOTALL).lower()
    assert "creator" not in text


def test_words_are_legible_at_half_the_size() -> None:
    """No letter under 24 px at full size: 12 px at half, as small print on a screen (common practice, no source)."""
    from listen.report.page.pictures import TYPE_PX

    assert TYPE_PX >= 24.0


def test_every_chart_is_written_in_both_kinds(tmp_path) -> None:
    result = check(FIXTURES / "triangle-board.wav", wave="triangle", end_s=1.6)
    written = write_pictures(result, tmp_path / "board")
    names = {path.name for path in written}
    assert names == {path.name for path in tmp_path.iterdir()}
    assert {"board-pitch-time.svg", "board-pitch-time.png", "board-cycle.png", "board-cycle.svg"} <= names
    assert not any("transfer" in name for name in names)  # a triangle is no bent sine
    assert len(names) % 2 == 0


def test_without_matplotlib_there_are_svg_files_and_one_line_that_says_how_to_have_png(
    tmp_path, monkeypatch, capsys
) -> None:
    monkeypatch.setattr("listen.report.page.pictures.importlib.util.find_spec", lambda _name: None)
    take = str(FIXTURES / "triangle-board.wav")
    call = ["check", take, "--wave", "triangle", "--end", "1.6", "--quiet", "--pictures", str(tmp_path / "pictures")]
    assert main(call) in (0, 1)
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert 'pip install "listen[pictures]"' in line
    assert {path.suffix for path in (tmp_path / "pictures").iterdir()} == {".svg"}


def test_an_svg_file_is_whole_xml_of_our_own_size_with_its_words_in_it(charts) -> None:
    chart = next(chart for chart in charts if chart.name == "crest-pitch")
    root = ElementTree.fromstring(dict(picture_bytes(chart))["svg"])
    assert (root.get("width"), root.get("height")) == ("1920", "1080")
    words = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert chart.title in words
    for label in ("upper, up", "lower, up", "attention (2 % lost)", "attention", "fault"):
        assert label in words
    assert root.find("{http://www.w3.org/2000/svg}desc").text == chart.alt
