"""Near the top of the range five to nine harmonics fit: a dead band and slewing are still told from each other."""

from __future__ import annotations

import numpy as np
import pytest

from listen.demo.waves import slew
from tests.findings.takes import PEAK, noisy
from tests.tones import BAND, OVERSAMPLING, RATE_HZ, bent, check_of, decimated, kinds, times


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
