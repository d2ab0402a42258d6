"""A dimmer's buzz is hum: spikes 100 or 120 a second, whose lines are faint one by one and reach many kilohertz."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from listen.account.mains import MainsLines
from listen.account.mains_buzz import _of_the_quiet, with_buzz
from tests.accounts import plain_frames
from tests.tones import RATE_HZ, Take, check_of, smooth_turn, times, white

MAINS_HZ = 59.985


def buzz(seconds: float, dbfs: float, mains_hz: float = MAINS_HZ) -> np.ndarray:
    """Spikes of either sign that ring at 7 kHz for 0.2 ms: power of a sine of so many dBFS."""
    t = times(seconds)
    half = np.floor(2.0 * mains_hz * t + 0.37)
    x = np.where(np.diff(half, prepend=half[0]) > 0, (-1.0) ** half, 0.0)
    pole = np.exp((-1.0 / 2e-4 + 2j * np.pi * 7000.0) / RATE_HZ)
    ringing = lfilter([1.0], [1.0, -2.0 * pole.real, abs(pole) ** 2], x)
    return np.asarray(ringing * 10 ** (dbfs / 20) / np.sqrt(2.0 * np.mean(ringing**2)))


def low_lines(seconds: float) -> MainsLines:
    """Eight low multiples that sound all through, of 1e-3 each, and no tone."""
    time_s = np.arange(0.4, seconds - 0.4, 0.1)
    amplitude = np.full((len(time_s), 8), 1e-3 + 0j)
    return MainsLines(
        mains_hz=MAINS_HZ,
        time_s=time_s,
        lines_hz=MAINS_HZ * np.arange(1, 9),
        amplitude=amplitude,
        seen=np.ones(amplitude.shape, dtype=bool),
        level_dbc=np.full(len(time_s), -40.0),
        singing=np.zeros(len(time_s), dtype=bool),
        wander_rad=np.zeros(len(time_s)),
    )


@pytest.mark.parametrize("dbfs", [-60.0, -50.0])
def test_the_level_is_that_of_all_multiples(dbfs: float) -> None:
    """By Parseval, of the whole wave: its lines up to the eighth hold 2 % of it."""
    x = buzz(4.0, dbfs) + white(round(4.0 * RATE_HZ), -85.0)
    found = with_buzz(low_lines(4.0), Take(samples=x), None)
    assert found is not None
    expected = -40.0 + 10 * np.log10(1.0 + 10 ** (dbfs / 10) / 8e-6)
    np.testing.assert_allclose(found.level_dbc, expected, atol=0.3)


@pytest.mark.parametrize("kind", ["noise", "whistle", "other mains"])
def test_other_sounds_add_nothing(kind: str) -> None:
    t = times(4.0)
    x = white(len(t), -70.0)
    if kind == "whistle":
        x = x + 0.01 * np.sin(2 * np.pi * 40 * MAINS_HZ * t)
    if kind == "other mains":
        x = x + buzz(4.0, -50.0, 50.01)
    lines = low_lines(4.0)
    found = with_buzz(lines, Take(samples=x), None)
    assert found is not None
    np.testing.assert_allclose(found.level_dbc, lines.level_dbc, atol=0.5)


@pytest.mark.parametrize(("rings_s", "counts"), [(0.0, True), (2.6, True), (3.9, False)])
def test_a_sound_beside_it_is_not_the_buzz(rings_s: float, counts: bool) -> None:
    """A telephone whose many partials lie on multiples too, 25 dB louder, through most of the silence."""
    x = buzz(4.0, -60.0) + white(round(4.0 * RATE_HZ), -85.0)
    t = times(4.0)
    x = x + np.where(t < rings_s, buzz(4.0, -35.0), 0.0)
    found = with_buzz(low_lines(4.0), Take(samples=x), None)
    assert found is not None
    expected = -40.0 + 10 * np.log10(1.0 + 10 ** (-60.0 / 10) / 8e-6)
    assert (abs(found.level_dbc[0] - expected) < 0.5) == counts


@pytest.mark.parametrize(
    ("combs", "totals", "power"),
    [
        ([1.0, 0.0, 0.0], [2.0, 1.0, 1.0], 0.0),
        ([1.0, 3.0, 0.0], [5.0, 5.0, 1.0], 2.0),
        ([1.0, 0.0], [2.0, 2.0], 0.0),
        # louder windows hold a telephone, or a rustle that hides some lines
        ([1.0, 7.0, 0.1], [2.0, 8.1, 9.0], 1.0),
        ([1.0, 7.0, 0.1], [2.0, 7.9, 9.0], 4.0),
    ],
)
def test_it_is_there_in_most_windows_and_read_in_the_quiet(
    combs: list[float], totals: list[float], power: float
) -> None:
    assert _of_the_quiet(np.array(combs), np.array(combs), np.array(totals)) == power


def test_what_a_harmonic_hides_is_as_strong_as_elsewhere() -> None:
    """Hum of 8 lines of 1e-3, of which two are hidden for a second: 2e-6 of amplitude squared against the tone's."""
    lines = low_lines(4.0)
    late = lines.time_s > 2.0
    seen, amplitude = lines.seen.copy(), lines.amplitude.copy()
    seen[late, 1:3], amplitude[late, 1:3] = False, 0.0
    # and one that was looked for and is not there
    amplitude[late, 5] = 0.0
    frames = plain_frames(200, fundamental_dbfs=-20.0)
    found = replace(lines, seen=seen, amplitude=amplitude).hidden_over(frames)
    assert found[frames.time_s < 1.9] == pytest.approx(0.0)
    assert found[frames.time_s > 2.2] == pytest.approx(2e-6 / 10 ** (-20.0 / 10))


def test_hum_that_a_low_sawtooth_hides_is_nothing_unexplained() -> None:
    """6 Hz off the tone, on its skirt: it moves the phase that is read, and the wave's edges tremble."""
    t = times(12.0)
    phase = np.cumsum(np.where(t < 2.5, 0.0, np.where(t < 6.0, 36.2, 44.1))) / RATE_HZ
    wave = sum(np.sin(2 * np.pi * k * phase) / k for k in range(1, 480))
    x = 0.1 * wave + 0.1 * 10 ** (-47.0 / 20) * np.cos(2 * np.pi * 50.1 * t) + white(len(t), -95.0)
    kinds = [one.kind for one in check_of(x, wave="sawtooth").findings if one.severity != "note"]
    assert kinds == ["mains-hum"]


@pytest.mark.parametrize("rest_hz", [400.43, 2375.58, 2399.7, 5042.1])
@pytest.mark.parametrize("silence_s", [0.0, 2.0])
def test_a_healthy_board_beside_a_dimmer_is_not_accused(rest_hz: float, silence_s: float) -> None:
    """Spikes walk slowly through the cycle of a tone that rests near one of their multiples."""
    phase, _ = smooth_turn(0.3 * rest_hz, rest_hz, 3.0, rest_s=2.0)
    tone = np.concatenate([np.zeros(round(silence_s * RATE_HZ)), 0.25 * np.cos(2 * np.pi * phase)])
    seconds = len(tone) / RATE_HZ
    x = tone + buzz(seconds, -52.0) + white(len(tone), -90.0)
    assert [one.kind for one in check_of(x).findings] == ["mains-hum"]


def test_a_strong_line_of_a_comb_is_one_of_its_largest_tenth() -> None:
    """Lines at the odd multiples: their sizes by the transform of 200 periods, any handbook's."""
    x = buzz(4.0, -50.0)
    found = with_buzz(low_lines(4.0), Take(samples=x + white(len(x), -95.0)), None)
    assert found is not None
    count = round(200 / MAINS_HZ * RATE_HZ)
    sizes = 2.0 / count * np.abs(np.fft.rfft(x[:count]))[200 : round(0.45 * count) : 200]
    strong = np.sort(sizes[sizes > 1e-5] ** 2)
    assert strong[int(0.85 * len(strong))] < found.buzz_line < strong[int(0.95 * len(strong))]
    assert found.buzz_line < 0.1 * found.buzz_power
