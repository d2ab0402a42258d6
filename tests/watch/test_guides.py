"""Guides replayed from takes: found, turned, done; and what stands in the logbook afterwards."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.bench import Bench
from listen.cli import main, watch
from listen.cli.log_options import Keeper
from listen.cli.watch import keep_guided
from listen.logbook import About, read_history
from listen.watch.engine import Engine
from listen.watch.guides import GUIDES, Guide, change_in_words, load_guide
from listen.watch.pcm import StreamFormat
from listen.watch.screen.board import Board
from listen.watch.settings import Settings
from listen.watch.types import Event
from tests.circuit.bridges import Bridge, record
from tests.watch.streams import RATE_HZ, MemoryFeed, encoded


def tone_of(h2_db: np.ndarray, f0_hz: float = 440.0) -> np.ndarray:
    phase = 2 * np.pi * f0_hz * np.arange(len(h2_db)) / RATE_HZ
    noise = 1e-5 * np.random.default_rng(5).standard_normal(len(phase))
    return 0.3 * (np.sin(phase) + 10 ** (h2_db / 20) * np.cos(2 * phase) + 10 ** (-54 / 20) * np.sin(3 * phase)) + noise


def turned(levels_db: list[float], rest_s: float = 2.0, turn_s: float = 0.6) -> np.ndarray:
    """A second harmonic that rests at some levels, and moves between them."""
    parts = [np.full(round(rest_s * RATE_HZ), levels_db[0])]
    for before, after in itertools.pairwise(levels_db):
        parts += [np.linspace(before, after, round(turn_s * RATE_HZ)), np.full(round(rest_s * RATE_HZ), after)]
    return np.concatenate(parts)


class Hand:
    """A screen that nobody looks at, with a hand on the Return key: pressed a second after each step is met."""

    def __init__(self, guide: Guide) -> None:
        self.guide, self.board, self.said = guide, Board(), []
        self._due_s = 0.0

    def tell(self, event: Event) -> None:
        self.board.take(event)
        self.guide.look(self.board)
        heard_s = self.board.reading.heard_s if self.board.reading is not None else 0.0
        if self.guide._met and self._due_s == 0.0:
            self.said.append(self.guide.lines()[2].strip())
            self._due_s = heard_s + 1.0
        elif self.guide._met and heard_s >= self._due_s:
            self.guide.on(self.board)
            self._due_s = 0.0

    def run(self, hear: Callable[[], object]) -> None:
        hear()

    def give_back(self) -> None:
        """There is no terminal."""


def replayed(
    guide: Guide, x: np.ndarray, keep: Path, ratio: float | None = None, bench: Bench | None = None
) -> list[str]:
    """Follow a guide through a take; Return is pressed a second after each step is met. What it said."""
    hand = Hand(guide)
    raw = StreamFormat(sample_rate_hz=RATE_HZ, channels=1, encoding="f32")
    settings = Settings(
        check={"wave": "sine", "bench": bench}, raw=raw, keep=str(keep), findings=False, interval_ratio=ratio
    )
    engine = Engine(MemoryFeed(encoded(x)), settings, hand.tell)
    engine.hear()
    engine.close()
    engine.discard()
    return hand.said


def test_symmetry_found_three_turns_done(tmp_path):
    guide = load_guide("symmetry")
    said = replayed(guide, tone_of(turned([-36.0, -44.0, -52.0, -51.5, -62.0])), tmp_path / "take.wav")
    assert said[0].startswith("as found: THD 1.6")
    assert said[1] == "H2 fell by 8 dB: go on the same way"
    assert said[2] == "H2 fell by 8 dB: go on the same way"
    assert "it no longer falls: leave it" in said[-1]
    assert change_in_words(guide) == "guide symmetry: THD 1.60 to 0.21 %, H2 -36 to -62 dB, H3 -54 to -54 dB"
    # the logbook has both ends, each with its own distortion
    log = tmp_path / "log.sqlite"
    keeper = Keeper(path=log, about=About(), names={"take": "third board"})
    keep_guided(guide, tmp_path / "take.wav", {"wave": "sine"}, keeper, "take", lambda _: None)
    entries = read_history(log, "third board")
    assert [entry.state for entry in entries] == ["as-found", "as-left"]
    thd = [entry.document["summary"]["thd_median_percent"] for entry in entries]
    assert thd == [pytest.approx(1.60, abs=0.02), pytest.approx(0.21, abs=0.02)]
    assert all(entry.note == change_in_words(guide) for entry in entries)


def test_a_turn_the_wrong_way_is_told_to_go_back(tmp_path):
    said = replayed(load_guide("symmetry"), tone_of(turned([-50.0, -44.0])), tmp_path / "take.wav")
    assert said[1] == "H2 rose by 6 dB: turn back a little"


def test_a_trimmer_that_is_still_turned_is_waited_for(tmp_path):
    """A slow turn of five seconds is one turn, noted where it ends."""
    guide = load_guide("symmetry")
    replayed(guide, tone_of(turned([-36.0, -56.0], turn_s=5.0)), tmp_path / "take.wav")
    assert len(guide.seen) == 2
    assert guide.seen[1].values["h2"] == pytest.approx(-56.0, abs=0.3)


def test_a_start_is_timed(tmp_path):
    """Off and on again: 1 to 90 % of an exponential growth takes ln(90) time constants."""
    n = RATE_HZ
    growth = np.minimum(1e-3 * np.exp(np.arange(2 * n) / (0.1 * n)), 1.0)
    on = tone_of(np.full(2 * n, -60.0))
    x = np.concatenate([on, 1e-5 * np.random.default_rng(2).standard_normal(n), growth * on])
    said = replayed(load_guide("start"), x, tmp_path / "take.wav")
    assert said[1] == "silence"
    assert said[2].startswith("it started in 0.4")


BENCH_FILE = """[build]
topology = "wien-bridge"
gain_control = "diodes"
[build.parts]
r1_ohm = 31830.988618379073
r2_ohm = 31830.988618379073
c1_f = 1e-8
c2_f = 1e-8
[build.gain]
rf_ohm = 22e3
rg_ohm = 10e3
[capture]
volts_per_full_scale = 40.0
ac_coupling_hz = 2.0
"""


def test_a_guided_start_ends_in_the_logbook_with_the_resistor_to_change(tmp_path, monkeypatch, capsys):
    """The command itself: a bridge of known parts is found at a gain of 3.2, turned three times, left at 3.06.

    Published: a Wien bridge of gain A has A/3 - 1 of gain in hand, and about (A - 3)/6 of third harmonic.
    """
    parts = []
    for gain in (3.2, 3.14, 3.1, 3.06):
        bridge = Bridge(
            f0_hz=(500.0, 500.0), gain=gain, kick_v=1e-4, seconds=2.5, silence_s=1.0, pole_hz=4e5,
            volts_per_full_scale=40.0,
        )  # fmt: skip
        record(bridge, tmp_path / "one.wav")
        parts.append(soundfile.read(tmp_path / "one.wav")[0])
    take, log = tmp_path / "session.wav", tmp_path / "log.sqlite"
    soundfile.write(take, np.concatenate([parts[0], *parts]), RATE_HZ, subtype="FLOAT")
    (tmp_path / "bench.toml").write_text(BENCH_FILE)
    hand = Hand(load_guide("start"))
    monkeypatch.setattr(watch, "_screen", lambda *_: hand)
    keeping = ["--keep", str(tmp_path / "kept.wav"), "--logbook", str(log), "--build", "third board"]
    assert main(["watch", str(take), "--guide", "start", "--bench", str(tmp_path / "bench.toml"), *keeping]) in (0, 1)
    printed = capsys.readouterr().out
    assert hand.said[1] == "silence"
    assert len([line for line in hand.said if "low distortion is the aim" in line]) == 3
    whole, found, left = read_history(log, "third board")
    assert (whole.state, found.state, left.state) == (None, "as-found", "as-left")
    assert whole.document["capture"]["path"] == str(tmp_path / "kept.wav")
    in_hand = [entry.document["circuit"]["loop_gain_in_hand"]["value"] for entry in (found, left)]
    assert in_hand == [pytest.approx(100 * 0.2 / 3, rel=0.02), pytest.approx(100 * 0.06 / 3, rel=0.02)]
    (advice,) = found.document["circuit"]["advice"]
    assert advice["to"] == pytest.approx(22e3 * 2.06 / 2.2, rel=0.005)
    assert left.document["circuit"]["advice"] == []
    # what the document advises is said, on the terminal and in the note
    words = f"change rf_ohm from 22000 to {advice['to']:g}: gain in hand {in_hand[0]:.1f} to 2.0 %"
    assert words in found.note
    assert words in printed
    assert "change" not in left.note
    assert f"gain: {in_hand[1]:.2f} % in hand" in left.note


def test_the_scale_guide_counts_alternations(tmp_path):
    n = round(0.8 * RATE_HZ)

    def notes(high_hz: float) -> list[np.ndarray]:
        return [np.full(n, 220.0), np.full(n, high_hz)] * 3

    f0_hz = np.concatenate([*notes(441.0), *notes(440.6), *notes(440.6)])
    x = 0.3 * np.sin(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ)
    said = replayed(load_guide("scale"), x, tmp_path / "take.wav", ratio=2.0)
    assert said[0] == f"as found: {1200 * np.log2(441 / 440):+.2f} cents"
    assert "turn the same way on; the upper note should read 440.0 Hz" in said[1]


@pytest.mark.parametrize("name", GUIDES)
def test_every_guide_has_three_lines_and_goes_back(name):
    guide = load_guide(name)
    first = guide.lines()
    assert len(first) == 3
    assert "waiting for" in first[1]
    guide.number = 1
    guide.back()
    assert guide.lines() == first
    assert change_in_words(guide) is None
