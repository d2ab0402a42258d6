"""Two tones that the tracker does not part: lines that beat."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.beating import _dips, _pair, _unbroken, beating
from listen.account.modulation import Swing
from listen.account.oscillator import SourceClass
from tests.account.test_oscillator_limits import sines
from tests.accounts import plain_frames, segment
from tests.tones import Take


def pair_of(*lines: tuple[float, float], near_hz: float = 300.0) -> tuple[float, float, float] | None:
    return _pair(sines(2.0, *lines, rate_hz=2000.0), 2000.0, near_hz, 1.0)


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        ([(300.0, 0.0), (307.0, -9.7)], True),
        ([(300.0, 0.0), (307.0, -10.3)], False),
        ([(300.0, 0.0), (314.0, -2.0)], True),
        ([(300.0, 0.0), (317.0, -2.0)], False),
        ([(300.0, 0.0), (307.0, -3.0), (293.0, -16.0)], True),
        ([(300.0, 0.0), (307.0, -3.0), (293.0, -14.0)], False),
        ([(300.0, 0.0), (307.0, -3.0), (296.0, -8.2)], True),
        ([(300.0, 0.0), (307.0, -3.0), (296.0, -7.4)], False),
    ],
    ids=["a third", "less", "14 Hz", "17 Hz", "a faint mirror", "a mirror", "little else", "more else"],
)
def test_two_lines_beat(lines: list[tuple[float, float]], found: bool) -> None:
    """10 dB down, 15 Hz off, a mirror 12 dB under the second, and a tenth of the power in others."""
    pair = pair_of(*lines)
    assert (pair is not None) is found
    if pair is not None:
        assert pair == (300.0, lines[1][0], pytest.approx(lines[1][1], abs=0.3))


def test_the_stronger_of_two_is_looked_for_near_the_pitch() -> None:
    lines = ((300.0, 0.0), (307.0, -3.0))
    assert pair_of(*lines, near_hz=271.0) == pair_of(*lines) == pair_of(*lines, near_hz=329.0)
    assert pair_of(*lines, near_hz=265.0) is None
    assert pair_of(*lines, near_hz=float("nan")) is None
    assert pair_of(*lines, near_hz=1029.0) is None


@pytest.mark.parametrize(
    ("part", "last_hz", "unbroken"),
    [
        ([3] * 13 + [-1] * 8, 440.0, True),
        ([3] * 12 + [-1] * 9, 440.0, False),
        ([3] * 20 + [4], 441.0, False),
        ([3] * 10 + [4] * 11, 440.4, True),
        ([3] * 10 + [4] * 11, 440.6, False),
        ([3] * 21, 460.0, True),
        ([-1] * 21, 440.0, False),
    ],
)
def test_one_segment_of_tone_fills_a_window_but_for_nulls(part: list[int], last_hz: float, unbroken: bool) -> None:
    """Or several at one pitch: nulls part them, and a step of the control does."""
    assert _unbroken(np.array(part), np.where(np.arange(21) < 10, 440.0, last_hz)) is unbroken


@pytest.mark.parametrize(("down_db", "dips"), [(7.9, 0), (8.1, 3)])
def test_dips_of_the_level(down_db: float, dips: int) -> None:
    level_dbfs = np.where(np.arange(100) % 30 == 20, -12.0 - down_db, -12.0)
    frames = plain_frames(100, level_dbfs=level_dbfs)
    assert _dips(frames, np.ones(100, dtype=bool)) == dips
    assert _dips(frames, np.zeros(100, dtype=bool)) == 0


def beats(second_s: float = 8.0, depth: float = 0.5, dips: int = 0, resting: tuple[float, float] = (0.0, 8.0)) -> bool:
    """A second tone that sounds for the first seconds of eight, beside lines of some depth."""
    rate_hz, n = 2000.0, 400
    x = sines(8.0, (300.0, 0.0), rate_hz=rate_hz)
    second = sines(8.0, (306.0, -3.0), rate_hz=rate_hz)
    x[: round(second_s * rate_hz)] += second[: round(second_s * rate_hz)]
    row = np.arange(n)
    level_dbfs = np.where((row % 40 == 30) & (row // 40 < dips), -25.0, -12.0)
    frames = plain_frames(n, f0_hz=300.0, level_dbfs=level_dbfs, rate_hz=rate_hz)
    line = Swing(segment=segment(), rate_hz=6.0, depth=depth, follows_pitch=1.0, one_sided=True, share=0.9)
    rests = (frames.time_s >= resting[0]) & (frames.time_s <= resting[1])
    heard = SourceClass(source="oscillator", clean_share=1.0, residual_dbc=-60.0)
    take = Take(samples=x, true_rate_hz=rate_hz)
    found = beating(take, frames, np.ones(n, dtype=bool), heard, (line,), rests)
    if found.source == "two-tones":
        assert (found.low_hz, found.high_hz) == (pytest.approx(300.0, abs=0.3), pytest.approx(306.0, abs=0.3))
    return found.source == "two-tones"


def test_beats_are_looked_for_where_a_line_is_strong_or_the_level_dips() -> None:
    assert beats(depth=0.32)
    assert not beats(depth=0.31)
    assert beats(depth=0.0, dips=3)
    assert not beats(depth=0.0, dips=2)


def test_beats_are_in_most_windows() -> None:
    assert not beats(second_s=3.0)
    assert beats(second_s=6.3)
    # where the control rests they are told by that alone
    assert beats(second_s=3.0, resting=(0.0, 3.0))
    assert not beats(second_s=3.0, resting=(3.4, 8.0))
