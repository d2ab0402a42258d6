"""Mains lines window by window, sidebands and the level's law, piece by piece: on matrices and levels made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.mains import (
    MainsLines,
    _alike,
    _floor,
    _hidden,
    _mirrored,
    _off_nominal,
    _peaks,
    _plausible,
    _steady,
    _usual,
    _with_the_low_ones,
    find_mains,
)
from listen.account.mains_sidebands import _modulation, _pieces
from listen.account.mains_windows import Windows, _pitch_ranges, windows_of
from listen.track.types import Envelope
from tests.accounts import tone_on_grid
from tests.tones import Take

LOW_HZ = 2400.0
ORDERS = np.arange(1, 9)


def windows(x: np.ndarray, f_low: float = np.nan, f_high: float = np.nan) -> Windows:
    """Windows of a recording at the low rate, beside a tone of some range of pitch."""
    take = Take(samples=np.zeros(20 * len(x)))
    made = windows_of(x, LOW_HZ, take, None)
    assert made is not None
    n = len(made.time_s)
    return replace(made, f_low=np.full(n, f_low), f_high=np.full(n, f_high))


def sines(seconds: float, *lines: tuple[float, float]) -> np.ndarray:
    t = np.arange(round(seconds * LOW_HZ)) / LOW_HZ
    return np.asarray(sum((a * np.cos(2 * np.pi * f * t) for f, a in lines), np.zeros(len(t))))


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "still"),
    [(40.0, 41.4, True), (40.0, 41.6, False), (200.0, 205.9, True), (200.0, 206.1, False), (np.nan, np.nan, False)],
)
def test_a_tone_keeps_still_within_a_bin_or_half_a_semitone(low_hz: float, high_hz: float, still: bool) -> None:
    made = windows(np.zeros(2400), low_hz, high_hz)
    assert made.still.tolist() == [still] * len(made.time_s)


def test_windows_lie_a_tenth_apart_and_a_short_take_has_none() -> None:
    made = windows(sines(1.25, (100.0, 0.3)))
    assert len(made.time_s) == 5
    assert np.diff(made.time_s) == pytest.approx(0.1)
    assert made.time_s[0] == pytest.approx(0.4, abs=1e-3)
    assert np.abs(made.spectra[:, round(100.0 / made.bin_hz)]) == pytest.approx(0.3, rel=1e-6)
    assert windows_of(np.zeros(1919), LOW_HZ, Take(samples=np.zeros(38_380)), None) is None
    assert windows_of(np.zeros(1920), LOW_HZ, Take(samples=np.zeros(38_400)), None) is not None


def test_hum_is_held_against_the_tone_in_each_window() -> None:
    """The loudest 3 dB; where it sounds through nine tenths of a window or more the level is its own."""
    time_s = 0.005 * np.arange(800)
    log = np.where(time_s < 2.0, -2.0, np.where((time_s > 2.0) & (time_s < 2.3), -1.6, -1.9))
    f0_hz = np.where(time_s < 3.0, 300.0, 310.0)
    for silent_s, settled in ((0.07, False), (0.1, True)):
        tracked = (time_s < 0.9) | (time_s >= 0.9 + silent_s)
        tone = tone_on_grid(time_s, f0_hz, log, tracked=tracked, strong=tracked, settled_log=-1.0)
        low, high, level = _pitch_ranges(np.array([1.0, 2.6, 3.0]), tone)
        assert (low.tolist(), high.tolist()) == ([300.0, 300.0, 300.0], [300.0, 300.0, 310.0])
        assert level[0] == pytest.approx(-1.0 if settled else -2.0)
        assert level[1] == pytest.approx((20 * -1.6 + 140 * -1.9) / 160, abs=0.01)
    far = np.where(time_s < 2.25, -2.36, -2.0)
    assert _pitch_ranges(np.array([2.3]), tone_on_grid(time_s, 300.0, far))[2][0] == pytest.approx(-2.0)
    near = np.where(time_s < 2.3, -2.34, -2.0)
    assert _pitch_ranges(np.array([2.3]), tone_on_grid(time_s, 300.0, near))[2][0] == pytest.approx(-2.17, abs=0.01)
    silent = tone_on_grid(time_s, 300.0, log, tracked=time_s < 0, strong=time_s < 0)
    assert np.isnan(_pitch_ranges(np.array([1.0]), silent)).all()
    assert np.isnan(_pitch_ranges(np.array([1.0]), None)).all()


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "half", "hidden"),
    [
        (54.9, 54.9, False, [50]),
        (55.1, 55.1, False, []),
        (100.0, 104.0, False, [100, 200, 300]),
        (204.9, 209.9, False, [200]),
        (106.0, 112.0, False, [100, 200]),
        (116.0, 122.0, False, [250]),
        (205.5, 205.5, False, []),
        (98.0, 98.0, True, [50, 100, 150, 200]),
    ],
)
def test_lines_that_a_harmonic_hides(low_hz: float, high_hz: float, half: bool, hidden: list[int]) -> None:
    """Within 5 Hz; 15 Hz where the pitch moves; two harmonics, and half orders where there are such."""
    found = _hidden(windows(np.zeros(1920), low_hz, high_hz), 50.0 * ORDERS, 3 if low_hz == 100.0 else 2, half)
    assert (50 * ORDERS)[found[0]].tolist() == hidden
    assert not _hidden(windows(np.zeros(1920)), 50.0 * ORDERS, 2, half).any()


@pytest.mark.parametrize(("low_hz", "high_hz", "hides"), [(206.0, 214.0, True), (208.0, 214.0, False)])
def test_a_moving_harmonic_hides_the_highest_line_from_above(low_hz: float, high_hz: float, hides: bool) -> None:
    """The second harmonic comes within a tremor's 15 Hz of 400 Hz, the eighth multiple, and no nearer than 12 Hz."""
    found = _hidden(windows(np.zeros(1920), low_hz, high_hz), 50.0 * ORDERS, 2, False)
    assert found[:, -1].any() == hides


def test_the_floor_is_the_quieter_sides() -> None:
    """Of exponential powers the third smallest of eight is about the lower quartile, -ln 0.75 of the mean."""
    made = windows(np.zeros(1920))
    flat = replace(made, spectra=np.ones_like(made.spectra))
    assert _floor(flat, np.array([100.0])) == pytest.approx((-1 / np.log(0.75)) ** 0.5)
    line = round(100.0 / made.bin_hz)
    for loud in (
        range(line - 2, line + 3),
        range(line + 3, line + 7),
        [*range(line - 9, line - 6), line + 7, line + 8],
    ):
        spectra = np.ones_like(made.spectra)
        spectra[:, list(loud)] = 100.0
        assert _floor(replace(made, spectra=spectra), np.array([100.0])) == pytest.approx((-1 / np.log(0.75)) ** 0.5)
    spectra = np.ones_like(made.spectra)
    spectra[:, [line - 6, line - 5, line - 3, line + 3, line + 5, line + 6]] = 10.0
    assert _floor(replace(made, spectra=spectra), np.array([100.0])) > 10.0


@pytest.mark.parametrize(
    ("tone_hz", "other", "high_hz", "mirrored"),
    [(220.0, 0.52, 0.0, True), (220.0, 0.48, 0.0, False), (220.0, 0.9, 9.0, False), (229.0, 0.9, 0.0, True),
     (231.0, 0.9, 0.0, False)],
)  # fmt: skip
def test_a_line_with_a_mirror_is_a_sideband(tone_hz: float, other: float, high_hz: float, mirrored: bool) -> None:
    """Half as large, no further than 130 Hz from a tone that keeps still."""
    x = sines(1.0, (100.0, 0.01), (2 * tone_hz - 100.0, 0.01 * other))
    made = windows(x, tone_hz, tone_hz + high_hz)
    found = _mirrored(made, np.array([100.0]), np.full((len(made.time_s), 1), 0.01 + 0j))
    assert found.ravel().tolist() == [mirrored] * len(made.time_s)


def test_a_skirt_is_no_peak() -> None:
    made = windows(sines(1.0, (100.0, 0.01)))
    for f_hz, peak in ((100.0, True), (100.5, True), (101.6, False), (98.0, False)):
        assert _peaks(made, np.array([f_hz]), np.full((3, 1), 0.0095 if peak else 0.0045)).all() == peak


@pytest.mark.parametrize(("phase", "kept"), [(0.62, True), (0.67, False)])
def test_a_line_goes_on_in_phase(phase: float, kept: bool) -> None:
    """cos 0.64 is 0.8: one of 41 windows that departs by more from those half a window before and after it."""
    turned = np.ones((41, 8), dtype=complex)
    turned[20] *= np.exp(1j * phase)
    counted = np.ones((41, 8), dtype=bool)
    found = _steady(turned, counted, ORDERS)
    assert found[20].all() == found[20].any() == kept
    assert np.delete(found, 20, axis=0).all()
    assert (_steady(turned[:4], counted[:4], ORDERS) == counted[:4]).all()


@pytest.mark.parametrize(("turn", "kept"), [(1.28, True), (1.4, False), (-1.28, True)])
def test_a_frequency_off_by_half_a_per_cent_turns_the_phase(turn: float, kept: bool) -> None:
    """0.69 rad in half a window at the first multiple, and 0.64 beside it; k times at multiple k."""
    turned = np.exp(1j * turn * np.arange(41) / 4)[:, None] * np.ones(8)
    found = _steady(turned, np.ones((41, 8), dtype=bool), ORDERS)
    assert found[:, 0].all() == found[:, 0].any() == kept
    assert found[:, 1:].all()


@pytest.mark.parametrize(("off", "alike"), [(0.34, True), (0.36, False), (-0.34j, True), (0.37j, False)])
def test_a_line_that_is_known_elsewhere_keeps_size_and_phase(off: complex, alike: bool) -> None:
    turned = np.full((11, 8), 2.0 + 0j)
    turned[5] *= 1 + off
    counted = np.zeros((11, 8), dtype=bool)
    counted[:5, :3] = True
    found = _alike(turned, counted)
    assert found[5, :3].tolist() == [alike] * 3
    assert found[6:, :3].all()
    assert not found[:, 3:].any()


@pytest.mark.parametrize(
    ("seen", "low", "high", "rise", "kept"),
    [
        (40, 0, 10, 1.0, False),
        (40, 1, 10, 1.0, False),
        (40, 3, 10, 1.0, True),
        (11, 0, 10, 1.0, True),
        (13, 0, 10, 1.0, False),
        (40, 10, 10, 19.0, True),
        (40, 10, 10, 21.0, False),
        (0, 0, 10, 99.0, True),
    ],
)
def test_high_multiples_without_low_ones_are_no_mains(seen: int, low: int, high: int, rise: float, kept: bool) -> None:
    """Looked for in three of ten windows, found in a fifth of those with high ones; 26 dB over the low one."""
    counted, looked = np.zeros((40, 8), dtype=bool), np.ones((40, 8), dtype=bool)
    looked[seen:, :3] = False
    counted[:low, :3] = True
    counted[:high, 5] = True
    amplitude = np.full((40, 8), 0.01 + 0j)
    amplitude[:, 5] = 0.01 * rise
    found = _plausible(amplitude, counted, looked)
    assert found[:high, 5].all() == found[:, 5].any() == kept
    assert (found[:, :3] == counted[:, :3]).all()


@pytest.mark.parametrize(
    ("high", "elsewhere", "kept"),
    [
        # there for a sixth of the time, while the low ones stay or fall by 2 dB: a note
        *((6, 0.01, False), (6, 0.008, False)),
        # they come and go with it, it is there most of the time, or there are no low ones at all
        *((6, 0.006, True), (21, 0.01, True), (6, 0.0, True)),
    ],
)
def test_a_high_multiple_that_comes_while_the_low_ones_stay_is_no_mains(
    high: int, elsewhere: float, kept: bool
) -> None:
    counted, seen = np.zeros((40, 8), dtype=bool), np.ones((40, 8), dtype=bool)
    amplitude = np.zeros((40, 8), dtype=complex)
    amplitude[:, 0], amplitude[:high, 0] = elsewhere, 0.01
    counted[:, 0] = amplitude[:, 0] != 0.0
    amplitude[:high, 6], counted[:high, 6] = 0.03, True
    found = _with_the_low_ones(amplitude, counted, seen)
    assert found[:high, 6].all() == found[:, 6].any() == kept
    assert (found[:, :3] == counted[:, :3]).all()


def test_the_frequency_by_the_phases_of_all_multiples() -> None:
    """Weighted least squares over k of the phase k d, without multiples that turn otherwise than the strongest."""
    n = np.arange(21)[:, None]
    for off_hz in (-0.05, 0.1):
        turned = np.exp(2j * np.pi * off_hz * ORDERS * 0.1 * n)
        assert _off_nominal(turned, np.ones((21, 8), dtype=bool), ORDERS) == pytest.approx(off_hz, rel=1e-6)
    for turn, counts in ((0.55, True), (0.65, False)):
        turned = np.ones((21, 8), dtype=complex) * np.array([2.0, 0, 1.0, 0, 0, 0, 0, 0])
        turned[:, 2] *= np.exp(1j * turn * n[:, 0] / 4)
        found = _off_nominal(turned, np.ones((21, 8), dtype=bool), ORDERS)
        expected = 3 * turn / (4 + 9) / (2 * np.pi * 0.4) if counts else 0.0
        assert found == pytest.approx(expected, abs=1e-9)
    assert _off_nominal(turned, np.zeros((21, 8), dtype=bool), ORDERS) == 0.0
    assert _off_nominal(turned[:4], np.ones((4, 8), dtype=bool), ORDERS) == 0.0
    usual = _usual(turned, (np.arange(21) < 5)[:, None] & (ORDERS != 2))
    assert usual[[0, 1, 2]].tolist() == [2.0, np.inf, pytest.approx(1.0)]


@pytest.mark.parametrize(("level_dbc", "worth"), [(-72.5, False), (-71.5, True)])
def test_what_is_worth_subtracting(level_dbc: float, worth: bool) -> None:
    none = MainsLines(
        mains_hz=50.0,
        time_s=np.zeros(0),
        lines_hz=50.0 * ORDERS,
        amplitude=np.zeros((0, 8), dtype=complex),
        seen=np.zeros((0, 8), dtype=bool),
        level_dbc=np.zeros(0),
        singing=np.zeros(0, dtype=bool),
        wander_rad=np.zeros(0),
    )
    assert not none.worth_subtracting
    assert replace(none, level_dbc=np.array([-99.0, level_dbc])).worth_subtracting is worth


@pytest.mark.parametrize(("dbfs", "found"), [(-40.0, 1e-2), (-60.0, 1e-3)])
def test_hum_without_a_tone_is_found_with_its_size(dbfs: float, found: float) -> None:
    t = np.arange(4 * 8000) / 8000.0
    x = 10 ** (dbfs / 20) * np.cos(2 * np.pi * 50.06 * t) + 1e-5 * np.random.default_rng(1).standard_normal(len(t))
    mains = find_mains(Take(samples=x, true_rate_hz=8000.0), None, 10, False)
    assert mains is not None
    assert mains.mains_hz == pytest.approx(50.06, abs=0.003)
    assert np.abs(mains.amplitude[:, 0]) == pytest.approx(found, rel=0.01)
    assert mains.level_dbc == pytest.approx(dbfs, abs=0.1)
    assert not mains.singing.any()


# Sidebands at the mains


def test_pieces_of_tone_that_are_long_enough() -> None:
    t = np.concatenate([np.arange(0.0, 1.3, 0.004), np.arange(1.4, 2.5, 0.004), np.arange(2.6, 4.0, 0.004)])
    made = Envelope(
        time_s=t,
        amplitude_fs=np.full(len(t), 0.3),
        rms_amplitude_fs=np.full(len(t), 0.3),
        f0_hz=np.full(len(t), 440.0),
        oscillating=np.ones(len(t), dtype=bool),
    )
    pieces = _pieces(made)
    assert [(round(p[0][0], 1), round(p[0][-1], 1)) for p in pieces] == [(0.0, 1.3), (2.6, 4.0)]
    assert np.diff(pieces[0][0]) == pytest.approx(0.0025)
    assert pieces[0][1] == pytest.approx(np.log(0.3))
    for f0_hz, apart_s, parts in ((440.0, 0.019, 1), (440.0, 0.021, 2), (100.0, 0.024, 1), (100.0, 0.026, 2)):
        t = np.concatenate([np.arange(0.0, 1.5, 0.004), 1.496 + apart_s + np.arange(0.0, 1.5, 0.004)])
        columns = {name: np.full(len(t), 0.3) for name in ("amplitude_fs", "rms_amplitude_fs")}
        made = Envelope(time_s=t, f0_hz=np.full(len(t), f0_hz), oscillating=t >= 0, **columns)
        assert len(_pieces(made)) == parts
    assert _pieces(replace(made, oscillating=t > 3.0)) == []


@pytest.mark.parametrize(
    ("rate_hz", "f0_hz", "seen"), [(50.0, 111.0, True), (50.0, 109.0, False), (100.0, 2000.0, True)]
)
def test_modulation_that_short_frames_show(rate_hz: float, f0_hz: float, seen: bool) -> None:
    t = 0.0025 * np.arange(400)
    ((found,), _) = _modulation(
        0.02 * np.cos(2 * np.pi * rate_hz * t)[None], np.zeros((1, 400)), np.array([f0_hz]), rate_hz
    )
    assert bool(np.isfinite(found)) is seen
    # a slow course is none of it, nor is another rate's skirt
    ((bend,), _) = _modulation((0.5 * (t - 0.5) ** 3)[None], np.zeros((1, 400)), np.array([2000.0]), 50.0)
    ((skirt,), _) = _modulation(0.02 * np.cos(2 * np.pi * 51.0 * t)[None], np.zeros((1, 400)), np.array([2000.0]), 50.0)
    assert (bend < 1e-6, skirt) == (True, 0.0)
