"""A bench file that was found beside a take: the pages say what it changed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import main
from listen.report.bench_effects import bench_changes, bench_facts
from tests.helpers import make_result

RATE_HZ = 48_000
WAYS: dict[str, tuple[str, list[str], str]] = {
    # what the file says, the options beside it, what is then said of it
    "wave": ('[build]\nwave = "triangle"\n', [], "bench.toml: the wave is a triangle"),
    "any wave": ('[build]\nwave = "any"\n', [], "bench.toml: any wave"),
    "a wave that an option overrules": (
        '[build]\nwave = "triangle"\n',
        ["--wave", "sine"],
        "bench.toml, which changes",
    ),
    "a sine is usual anyway": ('[build]\nwave = "sine"\n', [], "bench.toml, which changes nothing here"),
    "channel": ("[capture]\nchannel = 2\n", [], "bench.toml: channel 2"),
    "the first channel": ("[capture]\nchannel = 1\n", [], "bench.toml, which changes nothing here"),
    "a channel overruled": ("[capture]\nchannel = 2\n", ["--channel", "1"], "bench.toml, which changes"),
    "polarity": ("[capture]\ninverted = true\n", [], "bench.toml: polarity inverted"),
    "a known polarity": ("[capture]\ninverted = false\n", [], "bench.toml: polarity not inverted"),
    "clock": ("[capture]\nclock_error_ppm = -52.5\n", [], "bench.toml: clock -52.5 ppm"),
    "coupling": ("[capture]\nac_coupling_hz = 4.2\n", [], "bench.toml: AC coupling of 4.20 Hz undone"),
    "no coupling": ("[capture]\nac_coupling_hz = 0\n", [], "bench.toml: DC-coupled"),
    "gain control": ('[build]\ngain_control = "lamp"\n', [], "bench.toml: gain control lamp"),
    "parts": ("[build]\nsupply_v = [-12, 12]\n", [], "bench.toml: values of the circuit"),
    "a name alone": ('[build]\nname = "north shelf"\n', [], "bench.toml, which changes nothing here"),
    "several": (
        '[build]\nwave = "any"\n[capture]\nchannel = 2\ninverted = true\nclock_error_ppm = 10\n',
        [],
        "bench.toml: any wave, channel 2, polarity inverted, clock +10 ppm",
    ),
}


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    x = 0.4 * np.sin(2 * np.pi * 440.0 * np.arange(RATE_HZ // 2) / RATE_HZ)
    soundfile.write(folder / "take.wav", np.stack([x, x], axis=1), RATE_HZ)
    return folder / "take.wav"


@pytest.mark.parametrize("way", WAYS)
def test_the_page_on_the_terminal_says_what_it_changed(take: Path, capsys, way: str) -> None:
    text, options, said = WAYS[way]
    (take.parent / "bench.toml").write_text(text)
    assert main(["check", str(take), *options]) in (0, 1)
    page = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert f"with the bench file {said}" in page


def test_the_page_for_the_browser_says_it_too(take: Path, tmp_path: Path, capsys) -> None:
    (take.parent / "bench.toml").write_text("[capture]\nchannel = 2\nclock_error_ppm = 10\n")
    assert main(["check", str(take), "--report", str(tmp_path / "pages")]) in (0, 1)
    capsys.readouterr()
    assert "with the bench file bench.toml: channel 2, clock +10 ppm" in (tmp_path / "pages" / "take.html").read_text()


def test_without_a_bench_file_nothing_is_said(take: Path, capsys) -> None:
    (take.parent / "bench.toml").unlink(missing_ok=True)
    assert main(["check", str(take)]) in (0, 1)
    assert "bench file" not in capsys.readouterr().out.split("pitch")[0]
    assert bench_changes(make_result()) == []
    assert bench_facts(make_result(bench_path="x/b.toml")) == "with the bench file b.toml, which changes nothing here"
