"""Mains that modulates notes too low for the short frames: 1 + m cos and a phase of m sin make m / 2 on each side."""

from __future__ import annotations

import numpy as np
import pytest

from listen.account.low_note_sidebands import low_note_sidebands
from listen.account.mains_sidebands import _lasting, find_sidebands
from listen.account.sideband_search import RATES_HZ
from tests.accounts import mains_sidebands, plain_frames, tone_on_grid
from tests.tones import Take, check_of, frames_of, smooth_turn, times, white

SIZE, M = 0.3, 0.03
SIDEBAND_DBC = 20 * np.log10(M / 2)


def turn(
    low_hz: float, high_hz: float, rate_hz: float, how: str, m: float = M, h2: float = 0.03
) -> tuple[np.ndarray, np.ndarray]:
    """Samples and pitch of a turn with rests of a second, its level or its phase modulated."""
    phase, f0_hz = smooth_turn(low_hz, high_hz, 3.0)
    t = times(5.0)[: len(phase)]
    swing = m * np.cos(2 * np.pi * rate_hz * t)
    level = 1.0 + (swing if how == "level" else 0.0)
    turned = 2 * np.pi * phase + (swing if how == "pitch" else 0.0)
    wave = np.cos(turned) + h2 * np.cos(2 * turned)
    return SIZE * level * wave + white(len(phase), -95.0), f0_hz


def given(x: np.ndarray, f0_hz: np.ndarray, half_orders: bool = False) -> dict[float, np.ndarray]:
    """Windows in which each rate can be seen."""
    grid = np.arange(0.0, len(x) / 48_000 - 0.01, 0.005)
    tone = tone_on_grid(grid, np.interp(grid, times(len(x) / 48_000)[: len(x)], f0_hz), np.log(SIZE))
    found = low_note_sidebands(Take(samples=x), tone, half_orders)
    return {rate_hz: found.amplitude[rate_hz][np.isfinite(found.amplitude[rate_hz])] for rate_hz in RATES_HZ}


@pytest.mark.parametrize("how", ["level", "pitch"])
@pytest.mark.parametrize(
    ("rate_hz", "low_hz", "high_hz"), [(50.0, 30.5, 44.0), (60.0, 43.6, 111.0), (120.0, 66.0, 91.0)]
)
def test_sidebands_of_a_low_note_at_rest_and_in_a_turn(how: str, rate_hz: float, low_hz: float, high_hz: float) -> None:
    found = given(*turn(low_hz, high_hz, rate_hz, how))
    assert len(found[rate_hz]) >= 4
    np.testing.assert_allclose(20 * np.log10(found[rate_hz]), SIDEBAND_DBC, atol=0.4)
    for other_hz in RATES_HZ:
        # a swinging phase has lines at twice the rate, (m / 2)^2 / 2 of the tone: -79 dBc
        assert other_hz == rate_hz or np.all(found[other_hz] < 2e-4)


def test_a_still_tone_and_added_hum_have_none() -> None:
    x, f0_hz = turn(43.6, 111.0, 60.0, "level", m=0.0)
    assert not any(size.any() for size in given(x, f0_hz).values())
    for mains_hz in (50.0, 60.0):
        hum = sum(0.01 * np.cos(2 * np.pi * mains_hz * k * times(5.0)[: len(x)] + k) for k in (1, 2, 3))
        assert not any(size.any() for size in given(x + hum, f0_hz).values())


def test_where_added_hum_would_lie_alike_nothing_is_seen() -> None:
    """Two multiples of the mains lie as far from a tone on a third: hum and modulation look alike there."""
    t = times(4.0)
    x = SIZE * np.cos(2 * np.pi * 150.2 * t) + 0.005 * (np.cos(2 * np.pi * 50.2 * t) + np.cos(2 * np.pi * 250.2 * t))
    seen = given(x, np.full(len(t), 150.2))
    assert not len(seen[50.0])
    assert not len(seen[100.0])
    assert not seen[60.0].any()


def test_half_orders_and_harmonics_hide_them() -> None:
    """Every other cycle of 119 Hz is 1 % higher: lines 59.5 Hz off on both sides."""
    t = times(4.0)
    x = SIZE * (1.0 + 0.01 * np.cos(2 * np.pi * 59.5 * t)) * np.cos(2 * np.pi * 119.0 * t)
    assert not len(given(x, np.full(len(t), 119.0), half_orders=True)[60.0])
    second = SIZE * (np.cos(2 * np.pi * 58.0 * t) + 0.05 * np.cos(2 * np.pi * 116.0 * t))
    assert not len(given(second, np.full(len(t), 58.0))[60.0])


def test_they_are_joined_with_what_the_short_frames_show() -> None:
    x, f0_hz = turn(43.6, 400.0, 60.0, "level")
    grid = np.arange(0.0, len(x) / 48_000 - 0.01, 0.005)
    tone = tone_on_grid(grid, np.interp(grid, times(len(x) / 48_000)[: len(x)], f0_hz), np.log(SIZE))
    frames = frames_of(x)
    sides = find_sidebands(frames.envelope, low_note_sidebands(Take(samples=x), tone, False))
    assert sides is not None
    assert (sides.mains_hz, sides.rate_hz) == (60.0, 60.0)
    assert sides.level_dbc == pytest.approx(SIDEBAND_DBC, abs=0.3)
    assert np.all(np.diff(sides.time_s) > 0)
    assert sides.time_s[0] < 1.1 < 3.9 < sides.time_s[-1]
    assert np.median(10 * np.log10(sides.power_over(frames))) == pytest.approx(SIDEBAND_DBC + 3.01, abs=0.4)


@pytest.mark.parametrize(
    ("f0_hz", "level_dbc", "hidden"),
    [
        *((60.0, -40.0, True), (120.0, -40.0, True), (60.0, -51.0, False), (120.0, -51.0, False)),
        # in frames of four cycles 24 Hz off the second harmonic of 48 Hz is a null of the window (Hann, two bins)
        *((66.0, -40.0, True), (48.0, -40.0, False), (200.0, -40.0, False), (440.0, -30.0, False)),
    ],
)
def test_rows_whose_harmonics_hold_a_sideband_are_told(f0_hz: float, level_dbc: float, hidden: bool) -> None:
    frames = plain_frames(20, f0_hz=f0_hz, frame_s=max(0.04, 4.0 / f0_hz))
    assert mains_sidebands(level_dbc).on_harmonics(frames).all() == hidden
    assert mains_sidebands(level_dbc).on_harmonics(frames).any() == hidden


def test_a_low_note_that_the_mains_modulates_has_no_even_order() -> None:
    """From 43.6 to 115 Hz: at 60 Hz the upper sideband is the second harmonic's line, 1.5 % of the tone."""
    x, _ = turn(43.6, 115.0, 60.0, "level", h2=0.0)
    assert [(one.kind, one.severity) for one in check_of(x).findings] == [("mains-hum", "attention")]


@pytest.mark.parametrize(
    ("amplitude", "windows"),
    [
        ([0.0, 0.0, 0.01, 0.008, 0.0, 0.0, 0.0], slice(2, 4)),
        # one alone, or two of which one is a skirt of the other, may be chance
        ([0.0, 0.0, 0.01, 0.0, 0.0, 0.0, 0.0], None),
        ([0.0, 0.0, 0.01, 0.004, 0.0, 0.0, 0.0], None),
        ([0.004, 0.005, 0.0, 0.02, 0.02, 0.0, 0.0, 0.0, 0.0, 0.0], slice(3, 5)),
        ([0.0, 0.01, 0.01, 0.01], slice(0, 4)),
        ([], None),
    ],
)
def test_two_windows_alike_are_a_second_of_ripple(amplitude: list[float], windows: slice | None) -> None:
    time_s = 1.0 + 0.5 * np.arange(len(amplitude))
    both = np.ones(len(amplitude), dtype=bool)
    assert _lasting(time_s, np.array(amplitude), both) == windows
    if windows is not None and windows.stop < len(amplitude):
        assert _lasting(time_s, np.array(amplitude), ~both) is None
    if amplitude:
        # ... but not two with another sound between them
        time_s[3:] += 1.0
        assert windows != slice(2, 4) or _lasting(time_s, np.array(amplitude), both) is None


@pytest.mark.parametrize("how", ["level", "pitch"])
def test_ripple_of_a_second_and_a_half_is_told_where_it_was(how: str) -> None:
    """-38 dBc of 100 Hz while the control rests at 2.94 kHz, in a take of 12 s."""
    t = times(12.0)
    there = np.clip(np.minimum(t - 6.0, 7.5 - t) / 0.05, 0.0, 1.0)
    swing = 0.025 * there * np.cos(2 * np.pi * 100.0 * t)
    turned = 2 * np.pi * 2940.0 * t + (swing if how == "pitch" else 0.0)
    x = SIZE * (1.0 + (swing if how == "level" else 0.0)) * np.cos(turned) + white(len(t), -90.0)
    (found,) = [one for one in check_of(x).findings if one.kind != "room-sound"]
    assert (found.kind, found.severity) == ("mains-hum", "attention")
    # both together
    assert found.evidence["level_dbc"] == pytest.approx(-38.1 + 3.0, abs=1.0)
    assert found.start_s == pytest.approx(6.0, abs=0.6)
    assert found.end_s == pytest.approx(7.5, abs=0.6)
