"""Both takes of a comparison at one pitch: cycles laid over each other, sounds at one gain."""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.api.checking import check
from listen.report.page.side_by_side import side_by_side

RATE = 48000


def swept(path: Path, level: float, clip: float, *, down: bool = False):
    """A sweep over two octaves, its positive half cut off at a part of its crest."""
    t = np.arange(4 * RATE) / RATE
    octaves = 1.0 - np.cos(2 * np.pi * t / 8)
    turns = np.cumsum(220.0 * 2.0 ** (octaves[::-1] if down else octaves)) / RATE
    x = level * np.minimum(np.sin(2 * np.pi * turns), clip)
    soundfile.write(path, x + 1e-6 * np.random.default_rng(1).standard_normal(len(t)), RATE, subtype="PCM_24")
    return check(path)


@pytest.fixture(scope="module")
def sides(tmp_path_factory):
    folder = tmp_path_factory.mktemp("takes")
    return swept(folder / "before.wav", 0.4, 0.8), swept(folder / "after.wav", 0.1, 1.0, down=True)


def test_both_cycles_are_of_one_pitch_wherever_it_lies_in_the_takes(sides) -> None:
    found = side_by_side(sides)
    cycle, residue = found.charts
    before, after = (next(line.y for line in cycle.lines if line.label == name) for name in ("before", "after"))
    # each over its own fundamental: that the second take is 12 dB down does not show
    assert after.max() == pytest.approx(1.0, abs=0.005)
    assert before.max() < 0.93
    assert np.abs(residue.lines[1].y).max() < 0.005
    assert [area.label for area in cycle.areas] == ["flattened part"]
    assert "Hz" in cycle.title


def samples(source: str) -> np.ndarray:
    data, _ = soundfile.read(io.BytesIO(base64.b64decode(source.split(",", 1)[1])))
    return data


def test_both_sounds_have_one_gain_so_that_what_is_louder_stays_louder(sides) -> None:
    players = side_by_side(sides).players
    assert [p.kind for p in players] == ["second", "second", "residue", "residue"]
    gains = [re.search(r"(raised|lowered) by (\d+) dB|as recorded", p.label)[0] for p in players]
    assert gains[0] == gains[1]
    assert gains[2] == gains[3]
    rms = [float(np.sqrt(np.mean(samples(p.source) ** 2))) for p in players]
    # 0.4 against 0.1, the first with its crest cut off
    assert 20 * np.log10(rms[0] / rms[1]) == pytest.approx(11.5, abs=0.8)
    assert rms[2] > 10 * rms[3]
    assert max(np.max(np.abs(samples(p.source))) for p in players) <= 10 ** (-18 / 20) + 2 / 32768


def test_takes_without_a_shared_pitch_have_nothing_side_by_side(sides, tmp_path) -> None:
    t = np.arange(2 * RATE) / RATE
    soundfile.write(tmp_path / "other.wav", 0.3 * np.sin(2 * np.pi * 3000.0 * t), RATE, subtype="PCM_24")
    assert side_by_side((sides[0], check(tmp_path / "other.wav"))) is None
