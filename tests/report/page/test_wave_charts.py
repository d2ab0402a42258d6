"""Charts tell the truth of each wave: what a triangle has is not a sine's, and what is wrong is marked where it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.api.checking import check
from listen.report.page import check_charts, check_page_bytes
from listen.report.page.cycle_charts import cycle_charts, flaws_on, residue_of
from listen.report.page.cycles import POINTS, MeanCycle, mean_cycles
from listen.report.page.sounds import finding_sounds
from listen.report.page.wave_shape import ideal_wave, longer_share, share_of_even
from listen.report.sound import excerpts
from listen.units import db_from_ratio

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
RATE = 48000


@dataclass(frozen=True)
class Found:
    kind: str
    half: str | None = None
    f0_low_hz: float | None = 100.0
    f0_high_hz: float | None = 400.0


def cycle_of(wave: np.ndarray) -> MeanCycle:
    """A cycle given point by point, over its fundamental."""
    lines = np.fft.rfft(wave - wave.mean())
    lines *= np.exp(-1j * np.arange(len(lines)) * (np.angle(lines[1]) + 0.5 * np.pi))
    y = np.fft.irfft(lines, len(wave)) / (2.0 * abs(lines[1]) / len(wave))
    return MeanCycle(f0_hz=200.0, time_s=1.0, amplitude_fs=0.3, harmonics=40, y=y)


ANGLE = 2.0 * np.pi * np.arange(POINTS) / POINTS
SINE = np.sin(ANGLE)


# Marks on the cycle


@pytest.mark.parametrize(("half", "sign"), [("positive", 1.0), ("negative", -1.0)])
def test_the_flattened_half_is_hatched_where_it_is_cut_and_its_missing_crest_is_the_sines(half, sign) -> None:
    level = 0.8
    cycle = cycle_of(sign * np.minimum(SINE, level))
    (area,), (missing,) = flaws_on(cycle, "sine", [Found("asymmetric-clipping", half)])
    # a sine stands over 98 % of 0.8 from arcsin(0.784) on; a step of the cycle is 3.75 degrees
    begin = np.degrees(np.arcsin(0.98 * level)) + (180.0 if sign < 0 else 0.0)
    assert area.x[0] == pytest.approx(begin, abs=4.0)
    assert area.x[-1] == pytest.approx(2 * (90.0 + (180.0 if sign < 0 else 0.0)) - begin, abs=4.0)
    assert area.fill == "hatch"
    crest = float(np.nanmax(sign * missing.y) / np.max(sign * cycle.y))
    assert crest == pytest.approx(1.0 / level, rel=0.08)  # the mean that is taken off moves both halves
    assert np.isnan(missing.y[sign * np.append(cycle.y, cycle.y[0]) < 0.0]).all()


def test_both_flattened_halves_are_hatched_and_have_the_crest_that_their_flanks_ask_for() -> None:
    cycle = cycle_of(np.clip(SINE, -0.85, 0.85))
    areas, (missing,) = flaws_on(cycle, "sine", [Found("symmetric-clipping", "both")])
    assert len(areas) == 2
    assert np.nanmax(missing.y) / cycle.y.max() == pytest.approx(1.0 / 0.85, rel=0.02)
    assert np.nanmin(missing.y) / cycle.y.min() == pytest.approx(1.0 / 0.85, rel=0.02)


def test_a_dead_band_is_hatched_at_the_zero_crossings() -> None:
    cycle = cycle_of(np.sign(SINE) * np.maximum(np.abs(SINE) - 0.12, 0.0))
    areas, lines = flaws_on(cycle, "sine", [Found("crossover-distortion")])
    assert lines == ()
    middles = sorted(0.5 * (area.x[0] + area.x[-1]) for area in areas)
    assert any(abs(middle - 180.0) < 4.0 for middle in middles)
    assert all(min(abs(middle - at) for at in (0.0, 180.0, 360.0)) < 12.0 for middle in middles)


@pytest.mark.parametrize(
    "findings",
    [
        [],
        [Found("level-drift")],
        [Found("asymmetric-clipping", "positive", 900.0, 2000.0)],
        [Found("asymmetric-clipping", "positive", None, None)],
    ],
)
def test_a_cycle_of_which_nothing_is_said_has_no_mark(findings) -> None:
    assert flaws_on(cycle_of(np.minimum(SINE, 0.8)), "sine", findings) == ((), ())


def test_the_page_marks_the_faulty_board_and_not_the_mended_one() -> None:
    for name, marked in (("unequal-supplies", True), ("mended", False)):
        page = check_page_bytes(check(FIXTURES / f"sine-board-{name}.wav")).decode()
        assert ("missing crest" in page) == marked
        assert ('class="hatch"' in page) == marked


# Waves


@pytest.mark.parametrize("wave", ["triangle", "square", "sawtooth"])
def test_an_intended_wave_has_the_harmonics_of_its_series(wave) -> None:
    y = ideal_wave(wave, SINE, 20)
    lines = np.abs(np.fft.rfft(y))[1:21] / np.abs(np.fft.rfft(y))[1]
    k = np.arange(1, 21)
    expected = {"triangle": (k % 2) / k**2, "square": (k % 2) / k, "sawtooth": 1.0 / k}[wave]
    np.testing.assert_allclose(lines, expected, atol=1e-12)


def test_a_whole_triangle_departs_from_its_own_wave_by_nothing_and_from_a_sine_by_much() -> None:
    cycle = cycle_of(np.asarray(ideal_wave("triangle", SINE, 40)))
    assert np.max(np.abs(residue_of(cycle, "triangle"))) < 1e-9
    assert np.max(np.abs(residue_of(cycle, "sine"))) > 0.1


@pytest.mark.parametrize("share", [0.505, 0.516, 0.56, 0.62])
def test_the_share_of_the_longer_slope_or_half_is_that_of_the_wave(share) -> None:
    n = 1 << 14
    part = np.arange(n) / n
    triangle = np.where(part < share, 2 * part / share - 1, 1 - 2 * (part - share) / (1 - share))
    square = np.where(part < share, 1.0, -1.0)
    for wave, y in (("triangle", triangle), ("square", square)):
        lines = np.abs(np.fft.rfft(y))
        h2_dbc = np.array([db_from_ratio(lines[2] / lines[1])])
        assert longer_share(h2_dbc, wave)[0] == pytest.approx(100 * share, abs=0.02)
        even = 100.0 * float(np.sqrt(np.sum((lines[2:11:2] / lines[1]) ** 2)))
        assert share_of_even(even, wave) == pytest.approx(100 * share, abs=0.02)


@pytest.fixture(scope="module")
def lopsided(tmp_path_factory):
    """A triangle swept over two octaves whose rising slope takes 53 % of the cycle."""
    t = np.arange(8 * RATE) / RATE
    turns = np.cumsum(110.0 * 2.0 ** (1.0 - np.cos(2 * np.pi * t / 8))) / RATE
    k = np.arange(1, 40)
    lines = np.sin(k * np.pi * 0.53) / (k**2 * np.pi**2 * 0.53 * 0.47)
    # its corners lie at 0 and 0.53 of the cycle: (1 - exp(-2 pi i k d)) / k^2
    x = sum(a * np.sin(np.pi * n * (2 * turns - 0.53)) for n, a in zip(k, lines, strict=True))
    path = tmp_path_factory.mktemp("take") / "lopsided.wav"
    soundfile.write(path, 0.3 * x + 1e-5 * np.random.default_rng(3).standard_normal(len(t)), RATE, subtype="PCM_24")
    return check(path, wave="triangle")


def test_a_triangle_has_its_slopes_against_pitch_with_the_limits_that_judge_them(lopsided) -> None:
    chart = next(chart for chart in check_charts(lopsided, ()) if chart.name == "symmetry-pitch")
    up = next(line for line in chart.lines if line.label == "up")
    known = up.y[np.isfinite(up.y)]
    np.testing.assert_allclose(known, 53.0, atol=0.1)
    assert [limit.label for limit in chart.limits] == ["attention (50.5 %)", "fault (51.6 %)"]
    assert "slope-asymmetry" in {finding.kind for finding in lopsided.findings}
    page = check_page_bytes(lopsided).decode()
    # the finding is marked where its own figure is drawn
    figure = page[page.index('id="chart-rise-pitch"') :]
    assert 'id="segment-' in figure[: figure.index("</figure>")]


def test_the_shape_of_a_triangle_stands_against_pitch_and_beside_the_plain_wave(lopsided) -> None:
    charts = {chart.name: chart for chart in check_charts(lopsided, ())}
    np.testing.assert_allclose(charts["rise-pitch"].lines[0].y, 53.0, atol=0.1)
    assert [limit.y for limit in charts["rise-pitch"].limits] == [50.5, 49.5, 51.5, 48.5]
    np.testing.assert_allclose(charts["bow-pitch"].lines[0].y, 0.0, atol=0.2)
    assert "reset-pitch" not in charts
    cycle, plain = (line.y for line in charts["wave-cycle"].lines)
    # tips at 53 and at 50 % of the cycle, rebuilt from the harmonics in the file
    assert np.argmax(cycle) / len(cycle) == pytest.approx(0.53, abs=0.005)
    assert np.argmax(plain) / len(plain) == pytest.approx(0.50, abs=0.005)
    assert 'id="chart-wave-cycle"' in check_page_bytes(lopsided).decode()


def test_a_sine_has_no_chart_of_slopes() -> None:
    result = check(FIXTURES / "sine-board-unequal-supplies.wav")
    assert {"rise-pitch", "wave-cycle"}.isdisjoint(chart.name for chart in check_charts(result, ()))


def test_no_caption_of_a_triangle_is_a_sines(lopsided) -> None:
    cycles = mean_cycles(lopsided.capture, lopsided.frames)
    titles = {chart.name: chart.title for chart in check_charts(lopsided, cycles)}
    assert not [title for title in titles.values() if "sine" in title]
    assert "1.23" in titles["crest-pitch"]  # pi^2 / 8
    assert "12 %" in titles["thd-pitch"]
    labels = {line.label for line in cycle_charts(cycles[0], "triangle")[0].lines}
    assert labels == {"the wave", "whole triangle"}


# Over time, and silence


def test_the_level_over_the_take_shows_the_tone_and_not_the_silence_before_it() -> None:
    result = check(FIXTURES / "sine-board-unequal-supplies.wav")
    charts = {chart.name: chart for chart in check_charts(result, ())}
    level, pitch, start = charts["level-time"], charts["pitch-time"], charts["start"]
    span_db = level.y_range[1] - level.y_range[0]
    assert 1.8 < span_db < 4.0  # it drifts by 1.8 dB; its growth from -90 dBFS has a chart of its own
    assert level.x_range == pitch.x_range
    assert level.x_range[0] == pytest.approx(1.0, abs=0.1)
    assert "before the tone are not drawn" in level.alt
    assert start.y_range[1] - start.y_range[0] > 50.0


def test_silence_is_not_raised(tmp_path) -> None:
    take = tmp_path / "silence.wav"
    hiss = 2e-5 * np.random.default_rng(2).standard_normal(2 * RATE)
    soundfile.write(take, hiss, RATE, subtype="PCM_24")
    result = check(take)
    (sound,) = excerpts(result.capture, result.frames.envelope, 0.2, 1.2)
    assert sound.gain_db == 0.0
    assert sound.peak_dbfs < -70.0
    labels = [player.label for found in finding_sounds(result) for player in found.players]
    assert labels
    assert not [label for label in labels if "raised" in label]


def test_the_caution_stands_beside_the_players_and_calls_nothing_safe() -> None:
    page = check_page_bytes(check(FIXTURES / "sine-board-unequal-supplies.wav")).decode()
    sounds = page[page.index('<div class="sounds">') :]
    assert sounds.index("Start with the volume at zero") < sounds.index("<audio")
    assert "80 dBA for 40 hours a week is the reference" in sounds
    assert "is safe" not in page
