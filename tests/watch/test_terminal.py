"""The screen on a terminal: keys, resize, signals, and the terminal given back."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.terminals import needs_terminals
from tests.tones import times
from tests.watch.streams import encoded
from tests.watch.test_endings import SLOW

REPO = Path(__file__).resolve().parents[2]


def screen_of(written: bytes, columns: int = 220) -> str:
    """What stands on a terminal after some bytes: the moves, erasures and characters that the screen uses (ECMA-48)."""
    rows: dict[int, list[str]] = {}
    row = column = 0
    text = written.decode(errors="replace")
    for match in re.finditer(r"\x1b\[([?0-9;]*)([A-Za-z])|\x1b[^\[]|([\r\n\b])|([^\x1b\r\n\b])", text):
        numbers, order, control, character = match.groups()
        if character:
            line = rows.setdefault(row, [" "] * columns)
            if column < columns:
                line[column] = character
            column += 1
        elif control:
            column = 0 if control == "\r" else max(0, column - 1) if control == "\b" else column
            row += control == "\n"
        elif order == "h" and numbers == "?1049":
            rows, row, column = {}, 0, 0
        elif order == "l" and numbers == "?1049":
            row, column = max(rows, default=0) + 1, 0
        elif order in ("A", "B", "C", "D", "H", "J", "K") and "?" not in (numbers or ""):
            n = int((numbers or "").split(";")[0] or 1)
            row += {"A": -n, "B": n}.get(order, 0)
            column = max(0, column + {"C": n, "D": -n}.get(order, 0))
            if order == "H":
                row = column = 0
            elif order in ("J", "K"):
                rows.setdefault(row, [" "] * columns)[column:] = [" "] * (columns - column)
                for below in [r for r in rows if r > row and order == "J"]:
                    del rows[below]
    return "\n".join("".join(rows[r]).rstrip() for r in sorted(rows))


class Terminal:
    """A command on a terminal of its own; its standard input is a pipe."""

    def __init__(
        self,
        folder: Path,
        *options: str,
        environment: dict[str, str] | None = None,
        columns: int = 80,
        program: str = "-m listen.cli",
    ) -> None:
        self.seen = b""
        feed = folder / "feed.py"
        t = times(3.0)
        wave = 0.3 * np.sin(2 * np.pi * 440 * t) + 0.001 * np.sin(2 * np.pi * 880 * t)
        (folder / "tone.raw").write_bytes(encoded(wave, "s16"))
        feed.write_text(
            f"import os, sys, time\nopen({str(folder / 'feeder')!r}, 'w').write(str(os.getpid()))\n"
            f"data = open({str(folder / 'tone.raw')!r}, 'rb').read() * 20\n"
            "begun = time.monotonic()\n"
            "for i in range(0, len(data), 960):\n"
            "    time.sleep(max(0.0, begun + i / 96000 - time.monotonic()))\n"
            "    sys.stdout.buffer.write(data[i:i + 960])\n"
            "    sys.stdout.buffer.flush()\n"
        )
        words = " ".join(options)
        python = sys.executable
        needs_terminals()
        self.pid, self.handle = pty.fork()
        if self.pid == 0:
            os.chdir(REPO)
            os.environ.update({"TERM": "xterm-256color", **(environment or {})})
            watch = f"sh -c 'echo $$ >{folder}/pid; exec {python} {program} watch - --rate 48000 {words}'"
            command = f"{python} {feed} 2>/dev/null | {{ {watch}; echo status $?; }}"
            os.execvp("sh", ["sh", "-c", command])
        self.resize(columns, 30)

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.handle, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def type(self, keys: str) -> None:
        os.write(self.handle, keys.encode())

    def until(self, words: str, seconds: float = 40.0) -> str:
        """Read until some words stand on the screen; return the screen."""
        end_s = time.monotonic() + seconds
        while words not in (shown := screen_of(self.seen)):
            assert time.monotonic() < end_s, shown
            if select.select([self.handle], [], [], 0.1)[0]:
                try:
                    data = os.read(self.handle, 65536)
                except OSError:
                    data = b""
                if not data:
                    break
                self.seen += data
        return screen_of(self.seen)

    def close(self) -> None:
        for act in (
            lambda: os.close(self.handle),
            lambda: os.kill(self.pid, signal.SIGKILL),
            lambda: os.waitpid(self.pid, 0),
        ):
            try:
                act()
            except OSError:
                pass


@pytest.fixture
def opened():
    running: list[Terminal] = []

    def start(*arguments, **settings) -> Terminal:
        running.append(Terminal(*arguments, **settings))
        return running[-1]

    yield start
    for terminal in running:
        terminal.close()


def given_back(drawn: bytes) -> bool:
    """Whether the other screen was left and the cursor is seen again."""
    return drawn.rfind(b"\x1b[?1049l") > drawn.rfind(b"\x1b[?1049h") and drawn.rfind(b"\x1b[?25h") > 0


def test_keys_a_resize_and_the_end(tmp_path, opened):
    terminal = opened(tmp_path)
    terminal.until("steady")
    terminal.until("median of the last")
    terminal.type(" ")
    terminal.until("reference held at")
    terminal.type("1")
    terminal.until("off the note")
    terminal.resize(30, 10)
    terminal.until("pitch")
    terminal.resize(100, 40)
    terminal.until("reference held at")
    terminal.type("?")
    terminal.until("hold all readings")
    terminal.type("q")
    drawn = terminal.until("status 0")
    assert "status 0" in drawn
    assert given_back(terminal.seen)
    # the page of the take follows on the ordinary screen
    assert "It sings" in drawn


@pytest.mark.parametrize("how", ["ctrl-c", "interrupted", "terminated", "closed pipe"])
def test_the_terminal_is_given_back(tmp_path, opened, how):
    """With the page of the take on it, the take whole, and the status of its check."""
    kept = tmp_path / "take.wav"
    terminal = opened(tmp_path, "--keep", str(kept))
    terminal.until("steady")
    terminal.until("median of the last")
    if how == "ctrl-c":
        terminal.type("\x03")
    elif how == "closed pipe":
        os.kill(int((tmp_path / "feeder").read_text()), signal.SIGKILL)
    else:
        number = signal.SIGTERM if how == "terminated" else signal.SIGINT
        os.kill(int((tmp_path / "pid").read_text()), number)
    drawn = terminal.until("status ")
    if how == "terminated" and "status 2" in drawn:  # a busy machine has not checked it within the second
        assert "listen check" in drawn
    else:
        assert "It sings" in drawn
        assert "status 0" in drawn
    assert given_back(terminal.seen)
    assert soundfile.info(kept).duration > 0.5


def test_sigterm_gives_the_terminal_back_where_the_check_takes_longer_than_a_second(tmp_path, opened):
    program = tmp_path / "slow.py"
    program.write_text(SLOW.format(long="time.sleep(30)"))
    terminal = opened(tmp_path, "--keep", str(tmp_path / "take.wav"), program=str(program))
    terminal.until("median of the last")
    before = termios.tcgetattr(terminal.handle)
    sent_s = time.monotonic()
    os.kill(int((tmp_path / "pid").read_text()), signal.SIGTERM)
    drawn = terminal.until("status 2")
    assert time.monotonic() - sent_s < 2.0
    assert "it is whole: listen check" in drawn
    assert given_back(terminal.seen)
    after = termios.tcgetattr(terminal.handle)
    assert after[3] & termios.ECHO
    assert not before[3] & termios.ECHO
    assert soundfile.info(tmp_path / "take.wav").duration > 0.5


def test_a_terminal_that_is_closed_leaves_a_whole_take(tmp_path, opened):
    kept = tmp_path / "take.wav"
    terminal = opened(tmp_path, "--keep", str(kept))
    terminal.until("median of the last")
    process_id = int((tmp_path / "pid").read_text())
    os.close(terminal.handle)
    end_s = time.monotonic() + 20.0
    while Path(f"/proc/{process_id}").exists():
        assert time.monotonic() < end_s
        time.sleep(0.1)
    sizes = kept.read_bytes()[4:8]
    assert int.from_bytes(sizes, "little") == kept.stat().st_size - 8  # an open take has all ones here


@pytest.mark.parametrize("columns", [60, 40, 30])
def test_a_narrow_terminal_has_no_line_that_is_wider(tmp_path, opened, columns):
    terminal = opened(tmp_path, columns=columns)
    shown = terminal.until("median of the last" if columns >= 60 else "median" if columns >= 40 else "steady")
    assert max(len(line) for line in shown.splitlines()) <= columns
    terminal.type("q")
    terminal.until("status 0")
    assert given_back(terminal.seen)


def test_no_colour_where_none_is_wanted(tmp_path, opened):
    terminal = opened(tmp_path, environment={"NO_COLOR": "1"})
    terminal.until("steady")
    terminal.until("median of the last")
    terminal.type("q")
    terminal.until("status 0")
    screen = terminal.seen[: terminal.seen.rfind(b"\x1b[?1049l")]
    assert b"[0;1m" not in screen
    # colours are ESC [ 3n m and 9n m; ESC [ 3 A and the like move the cursor
    assert re.search(rb"\x1b\[[0-9;]*[39][0-7]m", screen) is None


def test_a_dumb_terminal_has_plain_lines(tmp_path, opened):
    terminal = opened(tmp_path, "--seconds", "2", environment={"TERM": "dumb"})
    drawn = terminal.until("status 0")
    assert "hearing channel 1 of 1" in drawn
    assert b"?1049h" not in terminal.seen
