"""What is read off the tracker's short frames and off windows that overlap: the tone's grid, sidebands, deviations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.deviations import mains_deviations
from listen.account.events_rows import moving_fast
from listen.account.mains import MainsLines
from listen.account.mains_sidebands import _modulation, find_sidebands
from listen.account.modulation import find_swings
from listen.account.settling import Settling
from listen.account.start import Start
from listen.account.swings_and_rings import _after_retunes, _ring_of_the_start
from listen.account.tone import _averaged, find_tone
from listen.account.windows import hann_response
from listen.track import knot_spacing_s, short_frame_s
from listen.track.types import Envelope
from tests.accounts import plain_frames, segment, tone_on_grid

T = 0.01 + 0.005 * np.arange(1200)


def envelope(t: np.ndarray, log: np.ndarray | float, f0_hz: float = 997.0) -> Envelope:
    level = np.exp(np.broadcast_to(np.asarray(log, dtype=float), len(t)))
    return Envelope(
        time_s=t, amplitude_fs=level, rms_amplitude_fs=level, f0_hz=np.full(len(t), f0_hz), oscillating=t > -1.0
    )


# The grid of the tone


def test_a_level_is_its_mean_over_two_cycles() -> None:
    """Alternate cycles of 100 Hz that differ cancel; of a parabola the mean over w is w^2 / 12 higher."""
    t = np.arange(0.0, 0.5, 0.0005)
    at_s = np.arange(0.05, 0.45, 0.005)
    f0_hz = np.full(len(t), 100.0)
    assert np.abs(_averaged(at_s, t, np.cos(2 * np.pi * 50.0 * t), 0.005, f0_hz)).max() < 1e-3
    assert _averaged(at_s, t, t**2, 0.005, f0_hz) == pytest.approx(at_s**2 + 0.02**2 / 12, rel=1e-4)
    # of a high note over one step of the grid
    high = _averaged(at_s, t, t**2, 0.005, np.full(len(t), 2000.0))
    assert high - at_s**2 == pytest.approx(0.005**2 / 12, rel=0.05)


@pytest.mark.parametrize(("off_cents", "turns"), [(11.5, False), (12.5, True)])
def test_a_pitch_that_leaves_the_line_through_its_ends(off_cents: float, turns: bool) -> None:
    """A parabola is c h^2 off the chord through places h to both sides: 40 ms each of 80."""
    cents = off_cents * ((np.arange(400) - 200) / 8.0) ** 2
    tone = tone_on_grid(0.005 * np.arange(400), 440.0 * 2 ** (cents / 1200), 0.0)
    assert tone.turns_off(12.0, 0.08)[20:-20].all() == tone.turns_off(12.0, 0.08)[20:-20].any() == turns
    inside = np.abs(tone.time_s - 1.0) < 0.7
    moving = moving_fast(plain_frames(100), replace(tone, f0_hz=np.where(inside, tone.f0_hz, tone.f0_hz[60])))
    assert moving[40:60].any() == turns
    straight = tone_on_grid(0.005 * np.arange(400), 440.0 * 2 ** (np.arange(400) / 12.0), 0.0)
    assert not straight.turns_off(12.0, 0.08)[20:-20].any()


@pytest.mark.parametrize(
    ("f0_hz", "gap_s", "parted"),
    [(440.0, 0.019, False), (440.0, 0.022, True), (100.0, 0.024, False), (100.0, 0.027, True)],
)
def test_short_frames_further_apart_have_a_gap(f0_hz: float, gap_s: float, parted: bool) -> None:
    """2.5 cycles, or 20 ms."""
    t = np.concatenate([np.arange(0.0, 1.0, 0.002), 0.998 + gap_s + np.arange(0.0, 1.0, 0.002)])
    frames = replace(plain_frames(100, f0_hz=f0_hz), envelope=envelope(t, -2.0, f0_hz))
    tone = find_tone(frames)
    assert tone is not None
    inside = (tone.time_s > 0.1) & (tone.time_s < 1.9)
    assert (not tone.tracked[inside].all()) is parted
    assert tone.log_level[tone.tracked] == pytest.approx(-2.0)
    assert (tone.grid_s, tone.settled_dbfs) == (0.005, pytest.approx(-12.0))
    assert tone.time_s[0] == pytest.approx(0.01)


# Mains that modulates


def swings(seconds: float, **rates: float) -> Envelope:
    t = np.arange(0.0, seconds, 0.0025)
    return envelope(t, sum(m * np.cos(2 * np.pi * float(name[1:]) * t) for name, m in rates.items()))


def test_the_strongest_of_the_mains_rates_is_told() -> None:
    for first, second in ((0.02, 0.04), (0.04, 0.02)):
        found = find_sidebands(swings(3.0, _50=first, _120=second))
        assert found is not None
        assert found.rate_hz == (50.0 if first > second else 120.0)
        assert found.mains_hz == (50.0 if first > second else 60.0)
    assert find_sidebands(swings(1.4, _50=0.02)) is None
    found = find_sidebands(swings(1.6, _50=0.02))
    assert found is not None
    assert found.level_dbc == pytest.approx(20 * np.log10(0.01 / hann_response(50.0 * short_frame_s(997.0))), abs=0.05)
    assert find_sidebands(swings(3.0, _50=0.0)) is None


@pytest.mark.parametrize(("over", "found"), [(3.0, False), (3.5, True)])
def test_a_line_of_modulation_stands_out_beside_others(over: float, found: bool) -> None:
    """10 dB over four lines 5 and 7 Hz off."""
    t = 0.0025 * np.arange(400)
    level = 0.01 * sum(np.cos(2 * np.pi * (50.0 + off) * t + off) for off in (-7.0, -5.0, 5.0, 7.0))
    level = level + 0.01 * over * np.cos(2 * np.pi * 50.0 * t)
    ((sideband,), _) = _modulation(level[None], np.zeros((1, 400)), np.array([2000.0]), 50.0)
    assert bool(sideband > 0.0) is found


@pytest.mark.parametrize(("rate_hz", "found"), [(50.5, True), (50.7, False), (49.5, True), (49.3, False)])
def test_the_skirt_of_another_rate_is_none_of_the_mains(rate_hz: float, found: bool) -> None:
    """Stronger 1.25 Hz off: half way to it and more is another's."""
    level = 0.02 * np.cos(2 * np.pi * rate_hz * 0.0025 * np.arange(400))
    ((sideband,), _) = _modulation(level[None], np.zeros((1, 400)), np.array([2000.0]), 50.0)
    assert bool(sideband > 0.0) is found


def test_sidebands_of_level_and_pitch_are_those_of_the_short_frames_put_back() -> None:
    """A level of 1 + m cos and a phase of m sin make m / 2 each; no more than five and three times is made up for."""
    t = 0.0025 * np.arange(400)
    for rate_hz in (50.0, 120.0):
        turn = 2 * np.pi * rate_hz * t
        for f0_hz in np.linspace(2.3 * rate_hz, 1200.0, 60):
            seen = abs(float(hann_response(rate_hz * short_frame_s(f0_hz))))
            differenced = float(np.sinc(2.0 * knot_spacing_s(f0_hz) * rate_hz))
            level = (0.02 * np.cos(turn))[None]
            pitch = (0.02 * rate_hz / f0_hz * np.cos(turn))[None]
            ((by_level,), _) = _modulation(level, 0.0 * pitch, np.array([f0_hz]), rate_hz)
            ((by_pitch,), _) = _modulation(0.0 * level, pitch, np.array([f0_hz]), rate_hz)
            if not 0.17 < seen < 0.22 and not 0.27 < differenced < 0.33:
                assert np.isfinite(by_level) == (seen > 0.2 and differenced > 0.3)
            if np.isfinite(by_level):
                assert by_level * seen == pytest.approx(0.01, rel=0.01)
                assert by_pitch * seen * differenced == pytest.approx(0.01, rel=0.01)


@pytest.mark.parametrize(("m", "beta", "two_sided"), [(0.02, 0.0, True), (0.0, 0.02, True), (0.02, 0.02, False)])
def test_level_and_phase_that_swing_alike_have_one_sideband(m: float, beta: float, two_sided: bool) -> None:
    """1 + m cos wt and a phase of -beta sin wt leave (m + beta) / 2 on one side, (m - beta) / 2 on the other."""
    turn, f0_hz, rate_hz = 2 * np.pi * 60.0 * 0.0025 * np.arange(400), 2000.0, 60.0
    differenced = float(np.sinc(2.0 * knot_spacing_s(f0_hz) * rate_hz))
    pitch = -beta * rate_hz / f0_hz * differenced * np.cos(turn)
    _, (found,) = _modulation(m * np.cos(turn)[None], pitch[None], np.array([f0_hz]), rate_hz)
    assert found == two_sided


# Deviations of the mains


def test_the_deviations_of_the_mains_are_its_scatter() -> None:
    """Windows of 0.8 s every tenth of a second, the noise that they share with it: eighty takes of four seconds."""
    rng, n, order = np.random.default_rng(4), 41, 2
    window = np.hanning(8 * 16 + 1)
    read, stated = [], []
    for _ in range(80):
        noise = rng.standard_normal((2, 16 * (n - 1) + len(window)))
        shared = np.array([np.convolve(part, window, mode="valid")[::16] for part in noise])
        amplitude = np.zeros((n, 8), dtype=complex)
        amplitude[:, order - 1] = 1.0 + 0.03 * (shared[0] + 1j * shared[1]) / np.sqrt(np.sum(window**2))
        own = amplitude[:, order - 1]
        mains = MainsLines(
            mains_hz=50.0,
            time_s=0.1 * np.arange(n),
            lines_hz=50.0 * np.arange(1, 9),
            amplitude=amplitude,
            seen=np.ones((n, 8), dtype=bool),
            level_dbc=20 * np.log10(np.abs(own)),
            singing=np.ones(n, dtype=bool),
            wander_rad=np.zeros(n),
        )
        found = mains_deviations(mains)
        stated.append((found["level_dbc"], found["mains_hz"]))
        turn = np.mean(np.angle(own[4:] * own[:-4].conj()))
        read.append((np.median(mains.level_dbc), turn / (2 * np.pi * 0.4 * order)))
    ratio = np.mean(stated, axis=0) / np.std(read, axis=0)
    assert ratio == pytest.approx(1.0, abs=0.22)
    few = replace(mains, amplitude=amplitude[:7], level_dbc=mains.level_dbc[:3], time_s=mains.time_s[:7])
    assert mains_deviations(few) == {}
    eight = replace(mains, amplitude=amplitude[:8], level_dbc=mains.level_dbc[:4], time_s=mains.time_s[:8])
    assert set(mains_deviations(eight)) == {"level_dbc", "mains_hz"}
    assert mains_deviations(eight)["level_dbc"] > np.std(mains.level_dbc[:4])


# After a start and after retunes


@pytest.mark.parametrize(
    ("decay_s", "rate_hz", "rest_s", "rings"),
    [
        (0.25, 0.0, 0.6, True),
        (0.5, 0.0, 0.6, False),
        (0.5, 3.0, 0.6, True),
        (0.25, 0.0, 1.49, True),
        (0.25, 0.0, 1.51, False),
        (0.5, 3.0, 1.51, True),
        (0.3, 0.9, 1.51, False),
    ],
)
def test_a_ring_after_power_on(decay_s: float, rate_hz: float, rest_s: float, rings: bool) -> None:
    """Back within half a decibel of 6 dB in ln 12 time constants: less than a second, or with a turn.

    Where the first rest comes later than a second, a ring has a turn.
    """
    since = np.maximum(T - 0.5, 0.0)
    level = 6.0 * np.log(10) / 20 * np.exp(-since / decay_s) * np.cos(2 * np.pi * rate_hz * since)
    tone = tone_on_grid(T, 440.0, np.where(T < 0.5, -6.0, level))
    start = Start(shown=True, settled_s=0.5)
    found = _ring_of_the_start(tone, start, [segment(rest_s, 4.0)], [])
    assert bool(found) is rings
    if rings and not rate_hz:
        assert [(s.retune_s, s.over_s) for s in found] == [(0.5, pytest.approx(np.log(12.0) * decay_s, abs=0.05))]
    assert _ring_of_the_start(tone, Start(shown=False), [segment(rest_s, 4.0)], []) == []
    assert _ring_of_the_start(tone, start, [], []) == []


@pytest.mark.parametrize(
    ("known_hz", "decay_s", "share", "kept"),
    [
        (None, None, 0.0, True),
        (None, 2.9, 0.95, False),
        (None, 3.1, 0.95, True),
        (None, 0.3, 0.75, True),
        (None, 0.3, 0.85, False),
        (9.8, 0.3, 0.95, True),
        (10.1, 0.3, 0.95, False),
    ],
    ids=["no ring", "decays", "stays", "explains less", "explains more", "a known rate", "another"],
)
def test_a_swing_after_a_retune_is_a_rings_or_its_own(
    known_hz: float | None, decay_s: float | None, share: float, kept: bool
) -> None:
    """It goes on beyond 1.5 rests of 2 s, explains a fifth more, or comes at a rate within a tenth of a known one."""
    tone = tone_on_grid(T, 440.0, 0.05 * np.cos(2 * np.pi * 9.0 * T))
    rest = segment(1.0, 3.0, retune_s=1.0)
    (swing,) = find_swings(tone, [rest])
    known = [replace(swing, rate_hz=known_hz)] if known_hz else []
    rings = [Settling(retune_s=1.0, f0_hz=440.0, ring=True, decay_s=decay_s, share=share)] if decay_s else []
    found, settling = _after_retunes(tone, [(rest, 1.0)], known, rings)
    assert [s.rate_hz for s in found] == ([swing.rate_hz] if kept else [])
    # a ring that is a swing's is none; one beside a swing that is known elsewhere is
    assert [s.ring for s in settling] == [not kept or known_hz is not None] * len(rings)
