"""The page in a real browser: it opens offline, shows numbers, jumps to segments, sounds, prints."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import listen
from listen.api.checking import check as check_capture
from listen.report.page import write_check_page
from tests.report.page.browser import Watched, open_browser

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
FAULTY = FIXTURES / "sine-board-unequal-supplies.wav"


@pytest.fixture(scope="module")
def browser():
    with open_browser() as found:
        yield found


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "faulty.html"
    write_check_page(check_capture(FAULTY), path)
    return path


@pytest.fixture(scope="module")
def shown(browser, faulty):
    with Watched(browser, faulty) as watched:
        yield watched


def spot(page, chart: str, part: float) -> tuple[float, float]:
    """Where a part of a chart's width is on the screen, half way up."""
    figure = page.locator(f"#chart-{chart} .plot > svg:visible")
    figure.scroll_into_view_if_needed()
    where = figure.bounding_box()
    left, top, width, height = map(float, figure.get_attribute("data-box").split())
    scale = where["width"] / float(figure.get_attribute("viewBox").split()[2])
    return where["x"] + scale * (left + part * width), where["y"] + scale * (top + 0.5 * height)


def hover(page, chart: str, part: float) -> str:
    """Move over a chart and return the reading under it."""
    page.mouse.move(*spot(page, chart, part))
    return page.locator(f"[data-reading={chart}]").inner_text()


def page_lines(figure) -> int:
    """How many lines a figure shows, each longer than a point."""
    return figure.evaluate(
        """(f) => [...f.querySelectorAll(".plot > svg")].filter((s) => s.getClientRects().length)
        .map((s) => document.querySelector(s.querySelector("use").getAttribute("href")))
        .flatMap((lines) => [...lines.querySelectorAll(".line")])
        .filter((p) => p.getTotalLength() > 100).length"""
    )


def test_nothing_is_fetched_and_nothing_complains(shown) -> None:
    assert shown.said == []
    assert shown.network() == []


def test_every_figure_is_drawn_with_its_numbers_in_words(shown) -> None:
    figures = shown.page.locator("figure.chart")
    assert figures.count() == 16
    for i in range(figures.count()):
        figure = figures.nth(i)
        assert figure.locator(".plot > svg:visible").count() == 1
        assert page_lines(figure) >= 1
        label = figure.locator(".plot").get_attribute("aria-label")
        assert re.search(r"\d", label), label


def test_the_reading_tells_pitch_and_value_where_the_pointer_is(shown) -> None:
    reading = hover(shown.page, "thd-pitch", 0.999)
    found = re.fullmatch(r"2\.2\d kHz \(C#7\): (.*)", reading)
    assert found, reading
    assert re.search(r"(up|down|at rest) 5\.[23]\d? %", found[1]), reading  # the take's THD at its top is 5.3 %


def test_charts_over_pitch_share_the_pointer(shown) -> None:
    first = hover(shown.page, "thd-pitch", 0.5)
    other = shown.page.locator("[data-reading=crest-pitch]").inner_text()
    assert first.split(":")[0] == other.split(":")[0]


def test_arrow_keys_read_and_zoom_and_escape_shows_all(shown) -> None:
    page = shown.page
    plot = page.locator("[data-chart=pitch-time]")
    plot.focus()
    page.keyboard.press("ArrowRight")
    before = page.locator("[data-reading=pitch-time]").inner_text()
    page.keyboard.press("PageUp")
    after = page.locator("[data-reading=pitch-time]").inner_text()
    assert float(after.split(" s")[0]) > float(before.split(" s")[0])
    whole = page.locator("#chart-pitch-time svg.wide use").get_attribute("transform")
    page.keyboard.press("+")
    zoomed = page.locator("#chart-pitch-time svg.wide use").get_attribute("transform")
    assert zoomed != whole
    page.keyboard.press("Escape")
    assert page.locator("#chart-pitch-time svg.wide use").get_attribute("transform") == whole
    assert page.evaluate("document.activeElement.dataset.chart") == "pitch-time"
    page.keyboard.press("End")
    assert page.locator("[data-reading=pitch-time]").inner_text().startswith("11.9")
    page.evaluate("document.activeElement.blur()")


def ticks(page, chart: str) -> list[str]:
    return page.locator(f"#chart-{chart} svg.wide .x-ticks text").all_text_contents()


def test_a_drag_zooms_all_charts_over_the_same_axis_and_a_double_click_shows_all(shown) -> None:
    page = shown.page
    before = {chart: ticks(page, chart) for chart in ("thd-pitch", "crest-pitch", "pitch-time")}
    page.mouse.move(*spot(page, "thd-pitch", 0.5))
    page.mouse.down()
    page.mouse.move(*spot(page, "thd-pitch", 0.75), steps=4)
    page.mouse.up()
    after = {chart: ticks(page, chart) for chart in before}
    assert after["thd-pitch"] == after["crest-pitch"] != before["thd-pitch"]
    assert after["pitch-time"] == before["pitch-time"]
    # a quarter of the chart, on a logarithmic scale, and nothing outside of it
    middle_hz = float(re.match(r"([\d.]+) Hz", hover(page, "thd-pitch", 0.5))[1])
    assert middle_hz == pytest.approx(165.0 * (2220.0 / 165.0) ** 0.625, rel=0.03)
    shown_hz = [1000.0 * float(t[:-2]) if t.endswith(" k") else float(t) for t in after["thd-pitch"]]
    ends = [165.0 * (2220.0 / 165.0) ** part for part in (0.5, 0.75)]
    assert ends[0] * 0.98 < min(shown_hz) < max(shown_hz) < ends[1] * 1.02
    assert page.locator("#chart-crest-pitch .show-all").is_visible()
    page.locator("#chart-crest-pitch .plot").dblclick()
    assert {chart: ticks(page, chart) for chart in before} == before
    assert not page.locator("#chart-crest-pitch .show-all").is_visible()


def test_without_a_script_everything_is_there_but_the_reading(browser, faulty) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(faulty.as_uri())
    assert page.locator("figure.chart .plot > svg:visible").count() == 16
    assert page.locator("#segment-1").count() == 1
    assert not page.locator("#cycle-pitch").is_visible()
    assert "charts stand still" in page.locator("noscript").inner_text()
    page.locator("#finding-1 .jump").click()
    assert page.url.endswith("#segment-1")
    context.close()


def test_a_finding_jumps_to_its_segment_and_back(shown) -> None:
    page = shown.page
    page.locator("#finding-1 .jump").click()
    assert page.evaluate("document.activeElement.id") == "segment-1"
    assert page.evaluate("document.activeElement.closest('figure').id") == "chart-crest-pitch"
    box = page.locator("#segment-1").bounding_box()
    assert 0 <= box["y"] <= 900
    page.locator("#segment-1").click()
    assert page.url.endswith("#finding-1")


def test_the_slider_changes_the_cycle_and_what_is_said_of_it(shown) -> None:
    page = shown.page
    before = page.locator("#chart-residue .alt").inner_text()
    page.locator("#cycle-pitch").focus()
    page.keyboard.press("Home")
    assert "165 Hz (E3)" in page.locator("#cycle-label").inner_text()
    assert page.locator("#chart-residue .alt").inner_text() != before


def test_sounds_load_and_last_a_second_and_none_plays_by_itself(shown) -> None:
    sounds = shown.page.evaluate(
        """async () => { const all = [...document.querySelectorAll("audio")];
        await Promise.all(all.map((a) => a.readyState ? 0 : new Promise((r) => (a.onloadedmetadata = a.onerror = r))));
        return all.map((a) => [a.duration, a.paused, a.autoplay, a.error && a.error.message]); }"""
    )
    assert len(sounds) == 3
    for duration, paused, autoplay, error in sounds:
        assert error is None
        assert duration == pytest.approx(1.0, abs=1e-3)
        assert paused
        assert not autoplay


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_it_prints_to_two_pages_at_most_with_its_curves(shown, size) -> None:
    pdf = shown.page.pdf(format=size)
    pages = re.findall(rb"/Type\s*/Page\b", pdf)
    assert 1 <= len(pages) <= 2
    assert shown.page.locator(".printed-plot > svg").count() == 2


@pytest.mark.parametrize(("width", "dark"), [(390, False), (320, True), (1280, True)])
def test_other_screens_need_no_sideways_scrolling(browser, faulty, width, dark) -> None:
    with Watched(browser, faulty, width=width, height=844, dark=dark) as watched:
        assert watched.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        assert watched.said == []


def contrast(first: tuple[float, ...], second: tuple[float, ...]) -> float:
    """Contrast ratio of two colours: WCAG 2.1, definitions of relative luminance and contrast ratio (from memory)."""

    def luminance(colour: tuple[float, ...]) -> float:
        parts = [c / 255 for c in colour]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_words_and_lines_stand_out_from_the_paper(browser, faulty, dark) -> None:
    with Watched(browser, faulty, dark=dark) as watched:
        colours = watched.page.evaluate(
            """() => { const s = getComputedStyle(document.documentElement);
            return Object.fromEntries(["paper", "ink", "faint", "first", "second", "limit"].map((k) =>
              [k, s.getPropertyValue("--" + k).trim()])); }"""
        )
    rgb = {name: tuple(int(text[i : i + 2], 16) for i in (1, 3, 5)) for name, text in colours.items()}
    # WCAG 2.1, 1.4.3 and 1.4.11 (from memory): 4.5 for text, 3 for graphics.
    for name in ("ink", "faint", "first", "second", "limit"):
        assert contrast(rgb[name], rgb["paper"]) >= 4.5, name
    assert contrast(rgb["first"], rgb["second"]) >= 1.4  # told apart in grey too, and by their pattern


def test_the_first_words_are_on_the_screen_within_a_second(browser, faulty) -> None:
    times = []
    for _ in range(3):
        with Watched(browser, faulty) as watched:
            times.append(watched.page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime"))
    assert min(times) < 1000.0, times


@pytest.mark.parametrize("name", ["triangle-board", "sawtooth-board", "sine-board-mended"])
def test_healthy_boards_have_a_whole_page_too(browser, tmp_path, name) -> None:
    wave = name.split("-")[0]
    path = tmp_path / "page.html"
    write_check_page(listen.check(FIXTURES / f"{name}.wav", wave=wave), path)
    with Watched(browser, path) as watched:
        assert watched.said == []
        assert watched.page.locator("figure.chart .plot > svg:visible").count() >= 12
        assert watched.page.locator("audio").count() == 0
