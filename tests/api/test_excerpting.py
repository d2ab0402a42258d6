"""``listen excerpt``: the worst place, safe files, clear refusals."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest

import listen
from listen.cli import main
from listen.errors import OptionError

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
FAULTY = FIXTURES / "sine-board-unequal-supplies.wav"


def samples_of(path: Path) -> tuple[np.ndarray, int]:
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 3)
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype=np.uint8).reshape(-1, 3)
        rate = file.getframerate()
    padded = np.concatenate([np.zeros((len(raw), 1), dtype=np.uint8), raw], axis=1)
    return np.ascontiguousarray(padded).view("<i4")[:, 0] / 2.0**31, rate


def test_three_files_are_written_and_said(tmp_path, capsys) -> None:
    folder = tmp_path / "sounds"
    assert main(["excerpt", str(FAULTY), "--into", str(folder)]) == 0
    names = sorted(p.name for p in folder.iterdir())
    assert names == [f"sine-board-unequal-supplies-{kind}.wav" for kind in ("pure", "residue", "second")]
    out = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "lowered by 10 dB" in out
    assert "raised by 11 dB" in out
    assert "Start with the volume at zero" in out
    for name in names:
        x, rate = samples_of(folder / name)
        assert rate == 48000
        assert len(x) == 48000
        assert np.max(np.abs(x)) <= 10 ** (-18 / 20)


def test_the_worst_second_is_where_the_half_is_flattest() -> None:
    result = listen.excerpt(FAULTY)
    assert result.finding is not None
    assert result.finding.kind == "asymmetric-clipping"
    second = result.excerpts[0]
    assert 6.0 < second.start_s < second.end_s < 9.3  # the control rests at its top from 6.8 to 8.4 s


def test_the_residue_of_a_take_holds_its_harmonics_and_no_fundamental() -> None:
    result = listen.excerpt(FAULTY)
    second, residue, _ = result.excerpts
    frames = result.check.frames
    row = int(np.argmin(np.abs(frames.time_s - 0.5 * (second.start_s + second.end_s))))
    f0_hz = frames.f0_hz[row]
    middle = slice(20000, 28000)
    t = (second.start_s * 48000 + np.arange(48000))[middle] / 48000
    window = np.hanning(8000)

    def level(x: np.ndarray, k: int) -> float:
        line = np.sum(window * x[middle] * np.exp(-2j * np.pi * k * f0_hz * t)) / np.sum(window)
        return float(20 * np.log10(2 * np.abs(line)))

    raised = residue.gain_db - second.gain_db
    assert level(residue.samples, 1) - raised < level(second.samples, 1) - 60.0
    for k in (2, 3, 4, 5):
        assert level(residue.samples, k) - raised == pytest.approx(level(second.samples, k), abs=0.2), f"H{k}"


def test_a_healthy_take_gives_its_least_clean_second() -> None:
    result = listen.excerpt(FIXTURES / "sine-board-mended.wav")
    assert result.finding is None
    assert [sound.kind for sound in result.excerpts] == ["second", "residue", "pure"]


def test_a_place_can_be_named() -> None:
    second = listen.excerpt(FAULTY, at_s=2.0, seconds=0.5).excerpts[0]
    assert (second.start_s, second.end_s) == pytest.approx((2.0, 2.5), abs=1e-4)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"at_s": 99.0}, "outside of what is looked at"),
        ({"finding": 9}, "there is no finding 9; this take has 3"),
        ({"seconds": 0.0}, "an excerpt of 0 s"),
        ({"seconds": 1e9}, "ask for 0.2 to 30 s"),
        ({"at_s": 1.0, "finding": 1}, "give one of them"),
    ],
)
def test_what_cannot_be_had_is_refused_with_a_mend(settings, says) -> None:
    with pytest.raises(OptionError) as caught:
        listen.excerpt(FAULTY, **settings)
    assert says in str(caught.value)


@pytest.mark.parametrize("words", [["--into", ""], ["--into", "x/y/z"], [], ["--into", ".", "--finding", "0"]])
def test_bad_calls_end_with_one_line_and_status_2(tmp_path, monkeypatch, capsys, words) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["excerpt", str(FAULTY), *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
