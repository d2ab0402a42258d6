"""Growth fitted to samples: exact exponentials, quick ones, a thump beside them, noise."""

from __future__ import annotations

import numpy as np
import pytest

from listen.circuit.exponential import fit_exponential

RATE_HZ = 48000.0


def growing(
    rate_per_s: float, f0_hz: float, cycles: float, noise: float, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    n = int(cycles / f0_hz * RATE_HZ)
    t = (np.arange(n) - n + 1) / RATE_HZ
    x = 0.1 * np.exp(rate_per_s * t) * np.cos(2 * np.pi * f0_hz * t + 0.7)
    return t, x + noise * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize(("rate", "f0"), [(30.0, 300.0), (500.0, 1589.6), (14000.0, 4950.0)])
def test_an_exponential_comes_back(rate: float, f0: float) -> None:
    t, x = growing(rate, f0, max(2.5, 4.0 * f0 / rate), 1e-7)
    fit = fit_exponential(t, x, 0.7 * rate, 1.01 * f0, 1e-7, False)
    assert fit is not None
    assert fit.rate_per_s == pytest.approx(rate, rel=2e-4)
    assert fit.f0_hz == pytest.approx(f0, rel=2e-4)
    assert fit.amplitude == pytest.approx(0.1, rel=1e-3)


def test_a_thump_beside_it_moves_nothing() -> None:
    t, x = growing(190.0, 508.0, 14.0, 2e-5)
    thump = 0.004 * np.exp((t[0] - t) / (0.3 * (t[-1] - t[0])))
    with_it = fit_exponential(t, x + thump, 150.0, 508.0, 2e-5, True)
    assert with_it is not None
    assert with_it.rate_per_s == pytest.approx(190.0, rel=5e-3)
    without = fit_exponential(t, x + thump, 150.0, 508.0, 2e-5, False)
    assert without is None or without.rms > 2 * with_it.rms


def test_its_sigma_is_the_scatter() -> None:
    fits = [fit_exponential(*growing(100.0, 500.0, 15.0, 1e-3, seed), 90.0, 500.0, 1e-3, False) for seed in range(60)]
    rates = np.array([f.rate_per_s for f in fits if f is not None])
    sigma = float(np.mean([f.sigma_per_s for f in fits if f is not None]))
    assert len(rates) == 60
    assert 0.7 < float(np.std(rates)) / sigma < 1.4
