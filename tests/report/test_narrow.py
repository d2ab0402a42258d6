"""Terminals from 20 columns up: no page breaks, and none has a line longer than the terminal."""

from __future__ import annotations

import os
import select
import struct
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.report.paper import Paper
from tests.terminals import open_terminal

fcntl = pytest.importorskip("fcntl")
termios = pytest.importorskip("termios")

REPO = Path(__file__).resolve().parents[2]
FIXTURE = REPO / "fixtures" / "sine-board-unequal-supplies.wav"
RATE_HZ = 48_000
WIDTHS = [20, 23, 33, 40, 55, 56, 79]


def on_a_terminal(call: Sequence[object], columns: int, folder: Path) -> tuple[int, list[str]]:
    """Run a command on a terminal of so many columns; its status and what the terminal was sent, line by line."""
    ours, theirs = open_terminal()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {
        **os.environ,
        "PYTHONPATH": str(REPO),
        "LISTEN_LOGBOOK": str(folder / "book.sqlite"),
        "NO_COLOR": "1",
    }
    environment |= {"PYTHONIOENCODING": "utf-8", "TERM": "xterm"}
    words = [sys.executable, "-m", "listen.cli", *map(str, call)]
    with subprocess.Popen(words, cwd=folder, env=environment, stdin=theirs, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        sent = b""
        while True:
            if select.select([ours], [], [], 60.0)[0]:
                try:
                    piece = os.read(ours, 65536)
                except OSError:  # the other side is closed
                    break
                if not piece:
                    break
                sent += piece
            else:
                process.kill()
                break
        status = process.wait()
    os.close(ours)
    text = sent.decode("utf-8").replace("\r\n", "\n")
    return status, [part for line in text.split("\n") for part in line.split("\r")]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("narrow")
    pitch_hz = np.repeat(110.0 * 2.0 ** np.arange(5), RATE_HZ // 2)
    stairs = 0.4 * np.sin(2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ)
    soundfile.write(folder / "a staircase with a long name.wav", stairs, RATE_HZ)
    (folder / "broken.wav").write_bytes(b"RIFF")
    for _ in range(2):
        call = ["calibrate", "a staircase with a long name.wav", "--cv-steps", "0:4:1", "--build", "north shelf"]
        assert on_a_terminal(call, 80, folder)[0] == 0
    return folder


CALLS: dict[str, Sequence[object]] = {
    "check": ["check", FIXTURE],
    "many": ["check", ".", FIXTURE, "--workers", "1"],
    "compare": ["compare", FIXTURE, FIXTURE],
    "calibrate": ["calibrate", "a staircase with a long name.wav", "--cv-steps", "0:4:1"],
    "logbook": ["logbook"],
    "history": ["logbook", "show", "north shelf"],
    "entry": ["logbook", "entry", "1"],
    "drift": ["logbook", "drift", "north shelf"],
}


@pytest.mark.parametrize("columns", WIDTHS)
@pytest.mark.parametrize("name", CALLS)
def test_no_line_is_longer_than_the_terminal(bench: Path, name: str, columns: int) -> None:
    if columns not in (20, 40, 56) and name in ("check", "compare", "many"):
        pytest.skip("each of them takes a second")
    status, lines = on_a_terminal(CALLS[name], columns, bench)
    assert status in (0, 1) if name != "many" else status == 2
    # a complaint is one line whatever the terminal: it is read by programs, too
    page = [line for line in lines if not line.startswith("listen: ")]
    assert len(page) > 4
    assert max(map(len, page)) <= columns, max(page, key=len)


def test_a_narrow_page_says_what_a_wide_one_says(bench: Path) -> None:
    wide, narrow = (
        " ".join(" ".join(lines).replace("│", " ").replace("─", " ").split())
        for lines in (on_a_terminal(CALLS["check"], columns, bench)[1] for columns in (80, 20))
    )
    assert {word for word in wide.split() if word.isalpha() and len(word) < 16} <= {
        word.strip(",;:.") for word in narrow.split()
    }


def test_words_of_the_margin_stand_above_the_writing() -> None:
    paper = Paper(width=24, color=True)
    lines = [paper.rule("┬"), *paper.write("It sings from 165 Hz to 2 kHz.", label="pitch", ink="good"), paper.line()]
    text = paper.finish([*lines, paper.line("a   row of   a table, too long for it", label="1"), paper.rule("┴")])
    assert text.splitlines() == [
        *(
            "─" * 24,
            "pitch",
            "It sings from 165 Hz to",
            "2 kHz.",
            "",
            "1",
            "a row of a table, too",
            " long for it",
            "─" * 24,
        )
    ]


def test_progress_stays_on_its_line() -> None:
    from listen.report.progress import ProgressLine

    ours, theirs = open_terminal()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 22, 0, 0))
    times = iter(range(0, 1000, 5))
    with open(theirs, "w", encoding="utf-8") as stream:
        with ProgressLine("a recording with a long name.wav", stream, lambda: float(next(times))) as progress:
            for part in (0.1, 0.4, 0.9):
                progress(part)
        sent = os.read(ours, 65536).decode()
    os.close(ours)
    drawn = sent.split("\r")
    assert max(map(len, drawn)) == 21
    assert "a recording with a lo" in drawn
