"""Near the top of the range five to nine harmonics fit: a dead band and slewing are still told from each other."""

from __future__ import annotations

import numpy as np
import pytest

from listen.demo.waves import slew
from tests.findings.takes import PEAK, noisy, turned
from tests.tones import BAND, OVERSAMPLING, RATE_HZ, bent, check_of, decimated, kinds, smooth_turn, times


def pitch_of(orders: int) -> float:
    return BAND * RATE_HZ / (orders + 0.5)


@pytest.mark.parametrize("orders", [5, 6, 7, 8, 9, 12])
@pytest.mark.parametrize("percent", [4.0, 6.0, 10.0])
def test_a_dead_band_is_told_as_one(orders: int, percent: float) -> None:
    d = percent / 100 / (1 + percent / 100)

    def banded(c: np.ndarray) -> np.ndarray:
        return PEAK * np.sign(c) * np.maximum(np.abs(c) - d, 0.0)

    x = bent(banded, lambda rate_hz: pitch_of(orders) * times(2.0, rate_hz))
    result = check_of(noisy(x))
    assert kinds(result) == {"crossover-distortion"}
    found = next(f for f in result.findings if f.kind == "crossover-distortion")
    assert float(found.evidence["dead_band_percent"]) == pytest.approx(percent, rel=0.1)


@pytest.mark.parametrize("orders", [5, 6, 7, 8, 9, 12])
@pytest.mark.parametrize("over", [1.07, 1.1, 1.13, 1.17])
def test_slewing_is_told_as_no_dead_band(orders: int, over: float) -> None:
    rate_hz = OVERSAMPLING * RATE_HZ
    wave = PEAK * np.cos(2 * np.pi * pitch_of(orders) * times(2.0, rate_hz))
    step = PEAK * 2 * np.pi * pitch_of(orders) / over / rate_hz
    out = np.empty(len(wave))
    slew(wave, step, step, out)
    result = check_of(noisy(decimated(out)))
    # a little of it may be less than any limit; more is slewing, or odd harmonics that no other cause explains
    assert kinds(result) <= {"slew-limiting", "odd-order-distortion"}


@pytest.mark.parametrize("orders", [5, 6, 8, 12, 20])
@pytest.mark.parametrize("over", [1.15, 1.25])
def test_slewing_is_measured_however_few_harmonics_fit(orders: int, over: float) -> None:
    """The slope that is left over the fundamental's, from the wave itself at 64 times the pitch and more."""
    rate_hz = OVERSAMPLING * RATE_HZ
    pitch_hz = pitch_of(orders)
    wave = PEAK * np.cos(2 * np.pi * pitch_hz * times(2.0, rate_hz))
    most = PEAK * 2 * np.pi * pitch_hz / over / rate_hz
    out = np.empty(len(wave))
    slew(wave, most, most, out)
    whole = out[-round(200 * rate_hz / pitch_hz) :]
    place = np.arange(len(whole)) * pitch_hz / rate_hz
    first = 2 * abs(np.mean(whole * np.exp(-2j * np.pi * place)))
    short = 100 * (1 - most / (2 * np.pi * pitch_hz / rate_hz * first))
    # half the range stays below the onset, as in a sweep
    x = np.concatenate([decimated(out), decimated(PEAK * np.cos(np.pi * pitch_hz * times(2.0, rate_hz)))])
    result = check_of(noisy(x))
    found = next(f for f in result.findings if f.kind == "slew-limiting")
    assert float(found.evidence["slope_short_percent"]) == pytest.approx(short, abs=1.5)


def test_a_wave_that_is_peaked_alike_at_all_pitches_is_not_slewing() -> None:
    """H3 and H5 of a triangle's signs, smaller: 4 % and 0.8 %, over more than two octaves."""
    phase = 2 * np.pi * turned()[0]
    x = 0.3 * (np.cos(phase) + 0.04 * np.cos(3 * phase) + 0.008 * np.cos(5 * phase))
    assert "slew-limiting" not in kinds(check_of(noisy(x)))


def test_what_is_slewed_to_a_triangle_at_all_pitches_is_slewing() -> None:
    """Far above the full-power pitch the wave is a triangle, and its slope falls short alike at all of them."""
    rate_hz = OVERSAMPLING * RATE_HZ
    phase = smooth_turn(300.0, 900.0, 1.6, rate_hz, 0.8)[0]
    most = PEAK * 2 * np.pi * 120.0 / rate_hz
    out = np.empty(len(phase))
    slew(PEAK * np.cos(2 * np.pi * phase), most, most, out)
    assert "slew-limiting" in kinds(check_of(noisy(decimated(out))))
