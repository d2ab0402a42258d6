"""Lines that sound in one zone of the tuning alone: the board's where they come again at the same pitches."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.fixed_lines import FixedLine, find_fixed_lines
from tests.accounts import tone_on_grid
from tests.tones import RATE_HZ, Take, check_of, times, white

SIZE = 0.3
QUIET = np.array([0.0, *[-200.0] * 10])
FADE_S = 0.05


def there_and_back(line_hz: float, up: tuple[float, float], down: tuple[float, float]) -> tuple[Take, object]:
    """From 110 to 880 Hz in 6 s, a rest of 2 s, and back; a line while the pitch is in a zone, on either way."""
    t = times(16.0)
    octaves = np.interp(t, [1.0, 7.0, 9.0, 15.0], [0.0, 3.0, 3.0, 0.0])
    f0_hz = 110.0 * 2**octaves
    zone = np.where(t < 8.0, (f0_hz > up[0]) & (f0_hz < up[1]), (f0_hz > down[0]) & (f0_hz < down[1]))
    fade = np.convolve(zone.astype(float), np.full(round(FADE_S * RATE_HZ), 1 / round(FADE_S * RATE_HZ)), "same")
    line = SIZE * 10 ** (-30.0 / 20) * fade * np.cos(2 * np.pi * line_hz * t)
    x = SIZE * np.cos(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ) + line + white(len(t), -90.0)
    grid = np.arange(0.0, t[-1], 0.005)
    tone = tone_on_grid(grid, np.interp(grid, t, f0_hz), np.log(SIZE), settled_log=float(np.log(SIZE)))
    return Take(samples=x), tone


def found(*where: tuple[float, float], line_hz: float = 12_264.0) -> list[FixedLine]:
    return find_fixed_lines(*there_and_back(line_hz, *where), QUIET, False)


@pytest.mark.parametrize("line_hz", [12_264.0, 5_003.0])
def test_a_line_at_every_pass_over_a_zone(line_hz: float) -> None:
    (line,) = found((230.0, 330.0), (225.0, 330.0), line_hz=line_hz)
    assert line.frequency_hz == pytest.approx(line_hz, abs=2.0)
    assert line.level_dbc == pytest.approx(-30.0, abs=0.7)
    assert line.of_the_recording is False


@pytest.mark.parametrize(
    "where",
    [((230.0, 330.0), (1.0, 1.0)), ((230.0, 330.0), (500.0, 700.0)), ((230.0, 330.0), (180.0, 260.0))],
    ids=["one pass", "elsewhere", "a part"],
)
def test_a_line_that_does_not_come_again_at_the_same_pitches_may_be_any_sound(
    where: tuple[tuple[float, float], tuple[float, float]],
) -> None:
    assert found(*where) == []


def test_the_zone_is_told() -> None:
    take, _ = there_and_back(12_264.0, (230.0, 330.0), (230.0, 330.0))
    (told,) = (f for f in check_of(take.samples).findings if f.severity != "note")
    assert told.kind == "parasitic-oscillation"
    assert told.f0_low_hz == pytest.approx(230.0, rel=0.08)
    assert told.f0_high_hz == pytest.approx(330.0, rel=0.08)
