"""Progress: on a terminal, after a second, gone at the end."""

from __future__ import annotations

import io

import pytest

from listen.report import ProgressLine


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def run(stream: io.StringIO, seconds: float, steps: int = 20) -> str:
    clock = Clock()
    with ProgressLine("/some/where/take.wav", stream, clock) as progress:
        for i in range(1, steps + 1):
            clock.now_s = 100.0 + seconds * i / steps
            progress(i / steps)
    return stream.getvalue()


def test_nothing_for_what_is_quick() -> None:
    assert run(Terminal(), 0.9) == ""


def test_nothing_where_there_is_no_terminal() -> None:
    assert run(io.StringIO(), 30.0) == ""


def test_part_and_time_left_and_gone_at_the_end() -> None:
    text = run(Terminal(), 20.0)
    assert "take.wav: 50 %, about 10 s left" in text
    assert "/some/where" not in text
    assert "\n" not in text
    last = text.split("\r")[-2]
    assert last.strip() == ""
    assert text.endswith("\r")


@pytest.mark.parametrize(
    ("seconds", "says"), [(2.4, "about a second left"), (20, "about 10 s left"), (400, "about 3 min left")]
)
def test_the_time_left_is_no_finer_than_anyone_can_know(seconds: float, says: str) -> None:
    assert f"take.wav: 50 %, {says}" in run(Terminal(), seconds)


def test_a_shorter_line_covers_a_longer_one() -> None:
    drawn = run(Terminal(), 200.0, steps=50).split("\r")
    lengths = [len(text) for text in drawn[1:-1]]
    assert all(later >= len(earlier.rstrip()) for earlier, later in zip(drawn[1:-2], lengths[1:], strict=True))


def test_a_terminal_that_went_away_does_not_stop_the_work() -> None:
    class Gone(Terminal):
        def write(self, _text: str) -> int:
            raise OSError("gone")

    assert run(Gone(), 20.0) == ""


def test_an_error_leaves_a_clean_line_too() -> None:
    stream, clock = Terminal(), Clock()

    def break_down() -> None:
        with ProgressLine("take.wav", stream, clock) as progress:
            clock.now_s += 5.0
            progress(0.4)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_down()
    assert stream.getvalue().endswith(" \r")
