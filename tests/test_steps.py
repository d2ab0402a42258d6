"""Where the phase jumps, and where only the rough phase bends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.track import phase_discontinuities
from tests.tones import RATE_HZ, exponential, frames_of, smooth_turn, sum_of, white


def _sweep(low_hz: float, high_hz: float, seconds: float) -> np.ndarray:
    phase = exponential(low_hz, high_hz, seconds)
    return 0.3 * np.cos(2 * np.pi * phase) + white(len(phase), -80.0)


def test_few_places_of_a_fast_sweep_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rough phase bends every 40 ms: some fifty of its bends here look like jumps of what it is wrong by."""
    looked_at: list[float] = []
    usual = phase_discontinuities.proved_step

    def counted(*args: Any) -> Any:
        looked_at.append(args[3])
        return usual(*args)

    monkeypatch.setattr(phase_discontinuities, "proved_step", counted)
    assert frames_of(_sweep(500.0, 8000.0, 15.0)).phase_steps == ()
    assert len(looked_at) <= 8


@pytest.mark.parametrize(("missing", "high_hz"), [(3, 1001.0), (40, 1001.0), (3, 1100.0)])
def test_samples_cut_out_are_found(missing: int, high_hz: float) -> None:
    x = _sweep(1000.0, high_hz, 4.0)
    at = int(0.6 * len(x))
    (step,) = frames_of(np.delete(x, slice(at, at + missing))).phase_steps
    assert step.time_s * RATE_HZ == pytest.approx(at, abs=2)
    turns = missing * 1000.0 * (high_hz / 1000.0) ** 0.6 / RATE_HZ
    # a whole cycle more or less cannot be seen
    assert step.cycles == pytest.approx(turns - round(turns), abs=0.01)


@pytest.mark.parametrize(("missing", "least"), [(0, 0), (90, 26), (200, 27)])
def test_samples_cut_out_of_a_pitch_that_wavers_are_found(missing: int, least: int) -> None:
    """Noise of 1 to 8 Hz, 10 cents r.m.s.: the pitch moves by 10 cents in the gap under test, of 40 ms at 150 Hz."""
    n = 30 * int(RATE_HZ)
    rng = np.random.default_rng(150 + missing)
    frequency = np.fft.rfftfreq(n, 1 / RATE_HZ)
    lines = rng.standard_normal(len(frequency)) + 1j * rng.standard_normal(len(frequency))
    noise = np.fft.irfft(np.where((frequency > 1.0) & (frequency < 8.0), lines, 0.0), n)
    cents = 10.0 * noise / noise.std()
    x = 0.3 * np.cos(2 * np.pi * np.cumsum(150.0 * 2 ** (cents / 1200)) / RATE_HZ) + white(n, -85.0)
    ats = np.arange(1, 29) * int(RATE_HZ) + rng.integers(-9000, 9000, 28)
    for at in ats[::-1].tolist():
        x = np.delete(x, slice(at, at + missing))
    found = np.array([step.time_s * RATE_HZ for step in frames_of(x).phase_steps])
    right = sum(np.abs(found - at).min() < 4.0 for at in ats - missing * np.arange(28)) if missing else 0
    assert right >= least
    assert len(found) - right <= 1


@pytest.mark.parametrize("octaves_per_s", [1.0, 2.0])
@pytest.mark.parametrize(
    ("low_hz", "turn_s", "after_s", "cycles"),
    [(236.6, 1.515, 0.619, 1.46), (110.59, 1.0, 0.302, 0.46), (80.65, 2.308, 0.738, 0.55)],
)
def test_half_cycles_cut_out_of_a_quick_turn_are_found(
    octaves_per_s: float, low_hz: float, turn_s: float, after_s: float, cycles: float
) -> None:
    """The rough pitch knows no value where half a cycle is missing, and the turn has moved on meanwhile."""
    phase, f0_hz = smooth_turn(low_hz, low_hz * 2 ** (turn_s * octaves_per_s), turn_s, rest_s=1.5)
    x = 0.3 * np.cos(2 * np.pi * phase) + white(len(phase), -85.0)
    at = int(RATE_HZ * (1.5 + after_s))
    missing = round(cycles * RATE_HZ / f0_hz[at])
    (step,) = frames_of(np.delete(x, slice(at, at + missing))).phase_steps
    assert step.time_s * RATE_HZ == pytest.approx(at, abs=4.0)


@pytest.mark.parametrize(("f0_hz", "missing"), [(3102.2, 511), (3102.2, 1009), (7921.0, 300), (1477.0, 1042)])
def test_a_gap_of_nearly_whole_cycles_is_found(f0_hz: float, missing: int) -> None:
    """What is left of whole cycles is 0.77, 0.32, 0.64 and 3.02 samples, forward or back."""
    x = 0.3 * np.cos(2 * np.pi * f0_hz * np.arange(4 * int(RATE_HZ)) / 44_100.0) + white(4 * int(RATE_HZ), -85.0)
    at = 90_000
    (step,) = frames_of(np.delete(x, slice(at, at + missing)), 44_100.0).phase_steps
    turns = missing * f0_hz / 44_100.0
    assert step.time_s * 44_100.0 == pytest.approx(at, abs=8.0)
    assert step.cycles == pytest.approx(turns - round(turns), abs=0.005)


@pytest.mark.parametrize("missing", [100, 282, 283, 284, 431])
def test_many_samples_cut_out_of_a_high_note_at_a_low_rate_are_found(missing: int) -> None:
    """Ten samples a cycle: the jump is what is left of whole cycles, and its place is a few knots off."""
    rate_hz, f0_hz = 22050.0, 2238.3
    x = 0.3 * np.cos(2 * np.pi * f0_hz * np.arange(4 * int(rate_hz)) / rate_hz) + white(4 * int(rate_hz), -85.0)
    at = 52_300
    found = frames_of(np.concatenate([x[:at], x[at + missing :]]), rate_hz).phase_steps
    turn = missing * f0_hz / rate_hz
    assert len(found) == 1
    assert found[0].time_s == pytest.approx(at / rate_hz, abs=0.003)
    assert found[0].cycles == pytest.approx(turn - round(turn), abs=0.01)


def test_a_low_tone_on_the_mains_frequency_alone_is_hum() -> None:
    t = np.arange(96_000) / 48_000.0
    lines = (
        np.cos(2 * np.pi * 50.02 * t) + 0.5 * np.cos(2 * np.pi * 100.04 * t + 1) + 0.3 * np.cos(2 * np.pi * 150.06 * t)
    )
    assert not frames_of(0.018 * lines + white(len(t), -95.0)).oscillating.any()
    # a tone that is recorded as loud as tones are is one, whatever its note
    assert frames_of(0.2 * lines + white(len(t), -95.0)).oscillating.mean() > 0.9


@pytest.mark.parametrize("missing", [131, 291])
@pytest.mark.parametrize("wave", ["square", "sawtooth"])
def test_samples_cut_out_of_a_wave_with_edges_are_found(wave: str, missing: int) -> None:
    k = np.arange(1, 200)
    lines = np.where(k % 2, 4 / np.pi / k, 0.0) * -1j if wave == "square" else 2j / np.pi / k
    phase = 0.3 + 99.4 * np.arange(200_000) / RATE_HZ
    x = 0.2 * sum_of(phase, lines, 99.4) + white(len(phase), -86.0)
    at = 101_000
    found = frames_of(np.concatenate([x[:at], x[at + missing :]])).phase_steps
    assert [round(step.missing_samples) for step in found] == [
        missing if missing * 99.4 / RATE_HZ < 0.5 else missing - 483
    ]
    assert frames_of(x).phase_steps == ()
