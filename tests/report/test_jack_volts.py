"""The bench file buys volts at the jack, expected notes and the distance to the supplies, wherever a check is shown."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

import listen
from listen.report import check_document, check_schema
from listen.report.jack_volts import jack_volts
from listen.report.page import check_page_bytes

ROOT = Path(__file__).resolve().parents[2]
BENCH = """[build]
topology = "wien-bridge"
supply_v = [-9.0, 12.0]

[build.parts]
r1_ohm = [10e3, 100e3]
r2_ohm = [10e3, 100e3]
c1_f = 10e-9
c2_f = 10e-9

[capture]
volts_per_full_scale = 8.0
"""


def checked(folder: Path, take: str, bench: str = BENCH) -> listen.CheckResult:
    shutil.copy(ROOT / "fixtures" / take, folder / "take.wav")
    (folder / "bench.toml").write_text(bench)
    return listen.check(folder / "take.wav")


@pytest.fixture(scope="module")
def sine(tmp_path_factory):
    return checked(tmp_path_factory.mktemp("sine"), "sine-board-mended.wav")


def lines_of(text: str) -> str:
    return " ".join(text.replace("│", " ").split())


def test_volts_are_those_of_the_samples(sine) -> None:
    """Against the samples themselves: the highest and the lowest one times the volts of full scale."""
    samples, _ = soundfile.read(ROOT / "fixtures" / "sine-board-mended.wav")
    volts = jack_volts(sine)
    assert volts.high_vpp == pytest.approx(8.0 * np.ptp(samples), rel=0.03)
    assert volts.peak_v == pytest.approx((8.0 * samples.min(), 8.0 * samples.max()), rel=0.03)
    assert volts.to_supply_v == pytest.approx((8.0 * samples.min() + 9.0, 12.0 - 8.0 * samples.max()), rel=0.01)
    assert volts.high_vrms == pytest.approx(volts.high_vpp / 8.0**0.5, rel=0.01)


def test_they_stand_on_terminal_page_sheet_and_in_the_document(sine) -> None:
    volts = jack_volts(sine)
    level = f"{volts.low_vpp:.3g} to {volts.high_vpp:.3g} V peak to peak at the jack"
    supplies = f"{volts.to_supply_v[1]:.3g} V above the highest crest, {volts.to_supply_v[0]:.3g} V below the lowest"
    # f = 1 / (2 pi R C): 10 nF with 100 and 10 kohm
    notes = "the parts give 159 Hz (D#3 +40 cents) to 1.59 kHz (G6 +26 cents)"
    page = html.unescape(check_page_bytes(sine).decode())
    sheet = page[page.index('<div class="sheet"') :]
    for shown in (lines_of(str(sine)), page[: page.index("<figure")], sheet):
        for words in (level, supplies, notes):
            assert words in shown
    document = check_document(sine)
    jsonschema.validate(document, check_schema())
    assert document["jack"]["high_vpp"] == volts.high_vpp
    assert document["jack"]["to_supply_v"] == list(volts.to_supply_v)


def test_without_volts_or_supplies_nothing_is_said_of_them(tmp_path) -> None:
    some = checked(tmp_path, "sine-board-mended.wav", BENCH.replace("supply_v = [-9.0, 12.0]\n", ""))
    assert jack_volts(some).to_supply_v is None
    assert "highest crest" not in lines_of(str(some))
    none = checked(tmp_path, "sine-board-mended.wav", BENCH.split("[capture]")[0])
    assert jack_volts(none) is None
    assert check_document(none)["jack"] is None
    assert "at the jack" not in lines_of(str(none))


def test_of_other_waves_the_effective_value_is_said(tmp_path) -> None:
    """A triangle's crests are not a sine's: its r.m.s. value is that of the samples."""
    made = checked(
        tmp_path, "triangle-board.wav", '[build]\nwave = "triangle"\n[capture]\nvolts_per_full_scale = 8.0\n'
    )
    samples, rate_hz = soundfile.read(ROOT / "fixtures" / "triangle-board.wav")
    middle = samples[len(samples) // 2 - rate_hz // 2 : len(samples) // 2 + rate_hz // 2]
    volts = jack_volts(made)
    assert volts.high_vpp is None
    assert volts.low_vrms * 0.97 <= 8.0 * float(np.std(middle)) <= volts.high_vrms * 1.03
    assert re.search(r"V r\.m\.s\. at the jack", lines_of(str(made)))


def test_gain_in_hand_is_a_heading_only_where_it_is_answered(tmp_path) -> None:
    both = []
    diodes = BENCH.replace("[build]", '[build]\ngain_control = "diodes"')
    sine = checked(tmp_path, "sine-board-unequal-supplies.wav", diodes)
    for result in (sine, listen.check(ROOT / "fixtures" / "triangle-board.wav", wave="triangle")):
        known = result.circuit is not None and result.circuit.loop_gain_in_hand.value is not None
        assert ("gain in hand?" in check_page_bytes(result).decode()) == known
        both.append(known)
    assert both == [True, False]


@pytest.mark.parametrize(("stated", "known"), [("", False), ("inverted = false\n", True), ("inverted = true\n", True)])
def test_whose_half_it_is_is_known_where_the_polarity_was_stated(tmp_path, stated, known) -> None:
    result = checked(tmp_path, "sine-board-unequal-supplies.wav", BENCH + stated)
    document = check_document(result)
    jsonschema.validate(document, check_schema())
    half = document["findings"][0]
    assert half["half_known"] is known
    assert half["half"] == ("negative" if "true" in stated else "positive")
