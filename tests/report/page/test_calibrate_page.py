"""The page of a calibration: law first, error with bands, what is missing in words, a sheet of two pages at most."""

from __future__ import annotations

import json
import re
import time

import numpy as np
import pytest
import soundfile

from listen.api.calibrating import calibrate
from listen.cli import main
from listen.report.page.calibrate_charts import calibration_charts
from listen.report.page.calibrate_page import calibration_page_bytes
from tests.report.page.browser import Watched, open_browser
from tests.report.page.test_browser import spot

RATE = 48000
VOLTS = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def stepped(path, cents, hold_s=0.8):
    """A take of held notes: an octave a volt from 55 Hz on, each off by some cents."""
    f0 = np.repeat([55.0 * 2 ** (v + c / 1200) for v, c in zip(VOLTS, cents, strict=True)], round(hold_s * RATE))
    x = 0.3 * np.sin(2 * np.pi * np.cumsum(f0) / RATE)
    x += 1e-5 * np.random.default_rng(4).standard_normal(len(x))
    soundfile.write(path, x, RATE, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    return stepped(tmp_path_factory.mktemp("take") / "board <b>one <i>.wav", [0.0, 1.0, -1.0, 0.0, 2.0, -30.0])


@pytest.fixture(scope="module")
def result(take):
    return calibrate(take, cv_values=",".join(map(str, VOLTS)))


@pytest.fixture(scope="module")
def page(result) -> str:
    return calibration_page_bytes(result).decode()


def data_of(page: str) -> dict:
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page)[1])


def test_the_error_curve_is_the_tables_and_has_its_bands(page, result) -> None:
    chart = data_of(page)["charts"]["cv-error"]
    assert chart["x"] == VOLTS
    drawn = next(line["y"] for line in chart["lines"] if line["label"] == "up")
    assert drawn == pytest.approx([step.error_cents for step in result.calibration.steps], abs=1e-3)
    drawn = next(chart for chart in calibration_charts(result.calibration) if chart.name == "cv-error")
    assert {limit.y for limit in drawn.limits} == {-10.0, 10.0}


def test_the_octaves_are_told_in_cents(page, result) -> None:
    chart = data_of(page)["charts"]["cv-octaves"]
    # The last octave is 32 cents narrow (from +2 to -30), the one before 2 wide.
    assert chart["lines"][0]["y"][-2:] == pytest.approx([2.0, -32.0], abs=0.2)
    assert result.calibration.intervals[-1].width_cents == pytest.approx(1168.0, abs=0.2)


def test_what_was_refused_is_said(page, result) -> None:
    for term in result.calibration.split.terms if result.calibration.split else ():
        if term.refused:
            assert "Not measurable: the term" in page


def test_a_step_that_is_not_there_is_said_and_no_zero(tmp_path) -> None:
    take = stepped(tmp_path / "take.wav", [0.0] * 6)
    x, rate = soundfile.read(take)
    hold = round(0.8 * RATE)
    x[2 * hold : 3 * hold] = 0.0
    soundfile.write(take, x, rate, subtype="PCM_24")
    file = tmp_path / "steps.csv"
    rows = [f"{0.8 * i:.3f},{0.8 * (i + 1):.3f},{v:g}" for i, v in enumerate(VOLTS)]
    file.write_text("start_s,end_s,cv_v\n" + "\n".join(rows) + "\n")
    text = calibration_page_bytes(calibrate(take, cv_file=[str(file)])).decode()
    assert "nothing oscillates" in text
    drawn = next(line["y"] for line in data_of(text)["charts"]["cv-pitch"]["lines"])
    assert drawn[2] is None


def first_screen(page: str) -> str:
    """What stands before the first chart."""
    return page[page.index("<main") : page.index("<figure")]


def sheet_of(page: str) -> str:
    return page[page.index('<div class="sheet"') : page.index("<script")]


def test_the_verdict_and_the_advice_stand_before_the_first_chart(page, result, take) -> None:
    head = first_screen(page)
    assert "The table is whole: 6 steps" in head
    assert '<span class="severity pass">' in head
    for line in result.advice:
        assert line.replace("'", "&#39;") in head
    doubted = calibrate(take, cv_values="0.0,1.0,2.0,3.0,4.2,5.0")
    head = first_screen(calibration_page_bytes(doubted).decode())
    assert '<span class="severity attention">' in head
    assert "step 5 does not fit the others" in head
    assert "its pitch is that of 4.0" in head


def test_the_sheet_prints_what_was_stated(take, tmp_path) -> None:
    values = ",".join(map(str, VOLTS))
    stated = [
        "--temperature",
        "21,5",
        "--warm-up",
        "40",
        "--as-left",
        "--measured",
        "2024-02-29",
        "--note",
        "new trimmer",
    ]
    call = ["calibrate", str(take), "--cv-values", values, "--quiet", "--report"]
    kept = ["--build", "Alder 2", "--logbook", str(tmp_path / "log.sqlite")]
    assert main([*call, str(tmp_path / "with"), *stated, *kept]) == 0
    assert main([*call, str(tmp_path / "without")]) == 0
    (page,) = (tmp_path / "with").iterdir()
    sheet = sheet_of(page.read_text())
    for words in ("Alder 2", "21.5 C", "40 min", "2024-02-29", "new trimmer"):
        assert f"<bdi>{words}</bdi>" in sheet
    boxes = re.findall(r'<span class="box">(x?)</span> (as \w+)', sheet)
    assert boxes == [("", "as found"), ("x", "as left")]
    (page,) = (tmp_path / "without").iterdir()
    sheet = sheet_of(page.read_text())
    fields = dict(re.findall(r"<dt>([^<]*)</dt><dd>(.*?)</dd>", sheet))
    written = time.strftime("%Y-%m-%d", time.localtime(take.stat().st_mtime))
    # the date of a file is not that of the measurement
    for label in ("Build", "Measured on", "Temperature", "Warm-up"):
        assert fields[label] == '<span class="blank"></span>'
    assert f"(file of {written})" in fields["Recording"]
    assert sheet.count(written) == 1


def test_the_sheet_of_a_dial_has_its_chart_and_speaks_of_positions(take, tmp_path) -> None:
    files = {name: tmp_path / f"{name}.csv" for name in ("csv", "inverse")}
    call = ["calibrate", str(take), "--positions", "0:5:1", "--quiet", "--report", str(tmp_path / "pages")]
    assert main([*call, *(f"--{name}={path}" for name, path in files.items())]) == 0
    (page,) = (tmp_path / "pages").iterdir()
    text = page.read_text()
    assert re.findall(r'data-print="([^"]*)"', text) == ["cv-pitch"]
    assert "cv-pitch" in data_of(text)["charts"]
    words = re.sub(r"<[^>]*>", " ", text[text.index("<main") : text.index("<script")]) + json.dumps(data_of(text))
    # "volts" alone is the kind of an axis, and a dial says that it has none
    words = words.replace('"volts"', "").replace("no volts", "")
    assert not re.search(r"[Vv]olts?\b|[Vv]oltage|\d V\b|, V\b", words)
    assert "Position" in words
    assert files["csv"].read_text().startswith("position,nominal_v,f0_hz")
    assert files["inverse"].read_text().startswith("note,f0_hz,position,sigma_position")


def test_it_opens_reads_and_prints(take, tmp_path, capsys) -> None:
    folder = tmp_path / "pages"
    values = ",".join(map(str, VOLTS))
    assert main(["calibrate", str(take), "--cv-values", values, "--report", str(folder), "--quiet"]) == 0
    assert capsys.readouterr().err == ""
    (page,) = folder.iterdir()
    assert page.name.endswith("-calibration.html")
    with open_browser() as browser, Watched(browser, page) as watched:
        assert watched.said == []
        assert watched.network() == []
        assert watched.page.locator("h1").first.inner_text() == "board <b>one <i>.wav"
        assert watched.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        watched.page.mouse.move(*spot(watched.page, "cv-error", 0.999))
        reading = watched.page.locator("[data-reading=cv-error]").inner_text()
        assert re.fullmatch(r"5 V: up \u2212[\d.]+ cents", reading), reading
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b", watched.page.pdf(format="A4"))) <= 2


def test_a_folder_that_cannot_be_made_is_refused(take, tmp_path, capsys) -> None:
    words = ["calibrate", str(take), "--cv-values", "0,1,2,3,4,5", "--report", str(tmp_path / "no" / "pages")]
    assert main(words) == 2
    assert "does not exist" in capsys.readouterr().err
