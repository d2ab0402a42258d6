"""The page as text: order, words, safety, size; what is not measurable is said."""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from listen.api.checking import check
from listen.cli import main
from listen.logbook import About
from listen.report.page import check_charts, check_page_bytes, write_check_page
from listen.report.page.sounds import finding_sounds
from tests.report.page.browser import Watched, open_browser

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
FAULTY = FIXTURES / "sine-board-unequal-supplies.wav"

HOSTILE = "<script>alert(1)</script> \"'&amp; =1+1 \u202eevil\u2066 {{ 7*7 }}"


@pytest.fixture(scope="module")
def result():
    return check(FAULTY)


@pytest.fixture(scope="module")
def page(result) -> str:
    return check_page_bytes(result).decode("utf-8")


class Outline(HTMLParser):
    """Elements of a page, and the text of its headings."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[str] = []
        self._in_heading = False

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "h2":
            self._in_heading = True
            self.headings.append("")

    def handle_endtag(self, tag):
        if tag == "h2":
            self._in_heading = False

    def handle_data(self, data):
        if self._in_heading:
            self.headings[-1] += data


def outline(page: str) -> Outline:
    found = Outline()
    found.feed(page)
    return found


def test_the_four_questions_come_in_order_each_answered_before_any_chart(page, result) -> None:
    headings = outline(page).headings
    assert [h.split(":")[0] for h in headings[:4]] == ["Pitch", "Start", "Hold", "Clean"]
    for question in ("pitch", "start", "hold", "clean"):
        part = page[page.index(f'id="q-{question}"') :]
        answer = result.judgement.answers[question]
        assert part.index(answer.replace("'", "&#39;")) < part.index("<figure")


def test_the_sheet_prints_what_was_stated(result) -> None:
    measured = datetime(2024, 2, 29, 12, tzinfo=UTC)
    about = About(
        build="Alder 2",
        temperature_c=21.5,
        warm_up_min=40.0,
        measured=measured,
        state="as-found",
        note="new rails",
    )
    for text, blank in ((check_page_bytes(result, about).decode(), False), (check_page_bytes(result).decode(), True)):
        sheet = text[text.index('<div class="sheet"') :]
        assert ("2024-02-29" in sheet) != blank
        assert ("<bdi>Alder 2</bdi>" in sheet) != blank
        assert ("<bdi>21.5 C</bdi>" in sheet) != blank
        assert ("<bdi>40 min</bdi>" in sheet) != blank
        assert ("<bdi>new rails</bdi>" in sheet) != blank
        assert ('<span class="box">x</span> as found' in sheet) != blank
        assert '<span class="box">x</span> as left' not in sheet


def test_many_takes_have_it_on_their_sheets_and_anew_when_it_changes(tmp_path) -> None:
    for warm_up in ("40", "50"):
        call = ["check", str(FIXTURES / "sine-board-mended.wav"), "--workers", "1", "--quiet", "--warm-up", warm_up]
        assert main([*call, "--report", str(tmp_path / "pages"), "--keep", str(tmp_path / "kept")]) == 0
        (page,) = (tmp_path / "pages").glob("*sine-board-mended.html")
        assert f"<bdi>{warm_up} min</bdi>" in page.read_text()


def test_the_verdict_and_all_findings_stand_before_the_first_chart(page, result) -> None:
    head = page[: page.index("<figure")]
    assert result.headline in head
    for finding in result.findings:
        assert finding.kind in head


def test_causes_and_checks_are_on_the_page(page, result) -> None:
    for diagnosis in result.diagnoses:
        for line in (*diagnosis.likely_causes, *diagnosis.next_checks):
            assert line.replace("'", "&#39;") in page


def test_nothing_is_referred_to_outside_of_the_file(page) -> None:
    found = outline(page)
    for tag, attributes in found.tags:
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:")), (tag, value)
    policy = next(a["content"] for _, a in found.tags if a.get("http-equiv") == "Content-Security-Policy")
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    assert all(source.startswith("'sha256-") for source in parts["script-src"].split())


def test_limits_are_drawn_in_and_said(page, result) -> None:
    chart = next(chart for chart in check_charts(result, ()) if chart.name == "parts-pitch")
    used = result.judgement.limits["odd-order-distortion"]
    assert [limit.y for limit in chart.limits] == [used["attention"], used["fault"]]
    assert [limit.label for limit in chart.limits] == ["attention (1 %)", "fault (3 %)"]
    figure = page[page.index('id="chart-parts-pitch"') :]
    assert "attention (1 %)" in figure[: figure.index("</figure>")]
    assert "odd-order-distortion: attention" in page


def test_what_the_charts_draw_is_what_was_measured(page, result) -> None:
    data = json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page)[1])
    chart = data["charts"]["thd-pitch"]
    frames = result.frames
    rows = frames.oscillating & (np.abs(np.log2(frames.f0_hz / chart["x"][-2])) < 0.5 / 24)
    drawn = next(line["y"][-2] for line in chart["lines"] if line["label"] == "up")
    assert drawn == pytest.approx(float(np.median(frames.thd_percent[rows])), rel=0.03)  # up and down differ a little


def test_an_empty_cell_says_so_and_is_no_zero(result) -> None:
    from dataclasses import replace

    row = replace(result.sweep[0], thd_percent=None)
    judgement = replace(result.judgement, sweep=(row,))
    text = check_page_bytes(replace(result, judgement=judgement)).decode()
    assert 'aria-label="not measurable"' in text


def test_hostile_words_appear_as_text_only(result, tmp_path) -> None:
    from dataclasses import replace

    from listen.bench import Bench, BuildSettings

    hostile = tmp_path / "<img src=x onerror=alert(2)>'\"&\n\u202e.wav"
    shutil.copyfile(FAULTY, hostile)
    changed = replace(
        result,
        bench=Bench(build=BuildSettings(name=HOSTILE)),
        capture=replace(result.capture, path=str(hostile)),
        judgement=replace(result.judgement, headline=HOSTILE),
    )
    text = check_page_bytes(changed).decode()
    assert "<script>alert" not in text
    assert "<img" not in text
    assert "{{ 7*7 }}" in text
    assert all("\u202e" not in name for name in re.findall(r"<bdi>(.*?)</bdi>", text))
    path = tmp_path / "page.html"
    write_check_page(changed, path)
    with open_browser() as browser, Watched(browser, path) as watched:
        assert watched.said == []
        assert watched.network() == []
        assert "<script>alert(1)</script>" in watched.page.locator("h1").first.inner_text()


def test_sound_keeps_to_its_room(result) -> None:
    all_of_them = finding_sounds(result)
    assert [bool(sound.players) for sound in all_of_them] == [True, False, False]
    assert all_of_them[1].shared_with == 1
    none = finding_sounds(result, room_bytes=1000)
    assert none[0].left_out
    assert not any(sound.players for sound in none)


def test_a_page_is_small_and_soon_made(result) -> None:
    import time

    times = []
    for _ in range(3):
        start = time.process_time()
        size = len(check_page_bytes(result))
        times.append(time.process_time() - start)
    assert size < 3_000_000
    assert min(times) < 2.0, times


def test_a_minute_with_six_findings_keeps_to_three_megabytes_and_two_seconds(tmp_path) -> None:
    import time

    import soundfile

    rate, seconds = 48000, 60
    rng = np.random.default_rng(5)
    t = np.arange(rate * seconds) / rate
    f0 = np.where(t > 40, 400.0, 100 * 2 ** (2.5 - 2.5 * np.cos(2 * np.pi * t / 20)))
    turns = np.cumsum(f0) / rate
    level = 0.35 * (1 + 0.04 * np.sin(6 * np.pi * t) * (t > 40)) * (1 + 0.05 * np.log2(f0 / 100))
    x = np.minimum(level * np.sin(2 * np.pi * turns), 0.33)
    x += 0.004 * np.sin(100 * np.pi * t) + 0.005 * np.sin(np.pi * turns) + 3e-5 * rng.standard_normal(len(t))
    x[round(30.2 * rate) : round(30.5 * rate)] *= 1e-4
    take = tmp_path / "minute.wav"
    soundfile.write(take, x, rate, subtype="PCM_24")
    checked = check(take)
    assert len([f for f in checked.findings if f.severity != "note"]) >= 5
    times = []
    for _ in range(3):
        start = time.process_time()
        page = check_page_bytes(checked)
        times.append(time.process_time() - start)
    assert page.count(b"data:audio/wav") >= 9
    assert len(page) < 3_000_000
    assert min(times) < 2.0, times


def test_silence_has_a_page_that_says_so(tmp_path) -> None:
    import soundfile

    take = tmp_path / "silence.wav"
    soundfile.write(take, np.zeros(96000), 48000)
    text = check_page_bytes(check(take)).decode()
    assert "Not measurable in this take: nothing oscillates." in text
    assert "<canvas" not in text
    assert "<figure" not in text


# The command line


def test_report_makes_its_folder_and_a_page_a_take(tmp_path, capsys) -> None:
    folder = tmp_path / "pages"
    other = tmp_path / "sine-board-unequal-supplies.wav"
    shutil.copyfile(FIXTURES / "sawtooth-board.wav", other)
    assert main(["check", str(FAULTY), str(other), "--report", str(folder), "--quiet", "--wave", "any"]) in (0, 1)
    assert sorted(p.name for p in folder.iterdir()) == [
        "sine-board-unequal-supplies-2.html",
        "sine-board-unequal-supplies.html",
    ]
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("option", ["--report", "--pictures"])
def test_a_folder_that_cannot_be_made_is_refused_before_any_work(tmp_path, capsys, option) -> None:
    assert main(["check", str(FAULTY), option, str(tmp_path / "no" / "pages")]) == 2
    line = capsys.readouterr().err
    assert "does not exist" in line
    assert line.count("\n") == 1
    file = tmp_path / "file"
    file.write_text("kept")
    assert main(["check", str(FAULTY), option, str(file)]) == 2
    assert "is a file" in capsys.readouterr().err
    assert file.read_text() == "kept"
    assert list(tmp_path.iterdir()) == [file]
