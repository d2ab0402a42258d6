"""Standard deviations of a wave's shape are those that noise and a recorder's ripple give it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from listen.account.waves.choose import choose
from listen.account.waves.cycle import Cycle
from listen.account.waves.deviation import deviations
from listen.account.waves.fit import fit_cycle
from listen.account.waves.gather import _hann_shared, _overstated
from tests.account.test_wave_fit import bin_of

ORDERS = np.arange(1.0, 61.0)


def errors(noise: float, ripple: float, names: tuple[str, ...], draws: int = 40) -> dict[str, np.ndarray]:
    """Errors over their deviations, of triangles with rounded corners and a bow."""
    true = Cycle(share=0.493, bend=0.02, corner=0.004)
    out: dict[str, list[float]] = {name: [] for name in names}
    for seed in range(draws):
        bin_ = bin_of(true, noise=noise, seed=seed)
        rng = np.random.default_rng([seed, 1])
        lines = bin_.lines * (1.0 + ripple * (rng.standard_normal(60) + 1j * rng.standard_normal(60)))
        bin_ = replace(bin_, lines=lines)
        fit = fit_cycle(lines, bin_.sigma, true, ("share", "bend", "corner"))
        own, _ = deviations(bin_, fit)
        for name in names:
            out[name].append((getattr(fit.cycle, name) - getattr(true, name)) / own[name])
    return {name: np.array(z) for name, z in out.items()}


@pytest.mark.parametrize(("noise", "ripple"), [(1e-5, 0.0), (3e-4, 0.0), (1e-6, 2e-4), (1e-6, 3e-3)])
def test_errors_are_as_large_as_their_deviations(noise: float, ripple: float) -> None:
    for name, z in errors(noise, ripple, ("share", "bend", "corner")).items():
        # a bow is told by the lowest harmonics, few, whose own ripple is known from these few
        assert 0.45 < np.sqrt(np.mean(z**2)) < (1.9 if name == "bend" else 1.6), name


def test_a_time_too_short_to_be_seen_is_known_by_its_square() -> None:
    true = Cycle(pulse=True, share=0.5)
    own = []
    for seed in range(20):
        bin_ = bin_of(true, noise=1e-4, seed=seed)
        fit = fit_cycle(bin_.lines, bin_.sigma, true, ("share", "bend", "corner"))
        own.append((fit.cycle.corner, deviations(bin_, fit)[0]["corner"]))
    read, sigma = np.array(own).T
    assert np.all(read < 3.0 * sigma)
    assert 5e-5 < np.median(sigma) < 5e-4


def test_a_spikes_unknown_form_makes_it_less_sure() -> None:
    true = Cycle(share=0.995, bend=0.0, spike_area=2e-3, spike_at=0.4, spike_width=0.01)
    bin_ = bin_of(true, noise=1e-5)
    fit = choose(bin_, "sawtooth", None)
    assert "spike_area" in fit.free
    sharp = replace(fit, cycle=replace(fit.cycle, spike_width=1e-6, spike_tail=0.0))
    residual = bin_.lines - fit.lines(ORDERS)
    same = replace(bin_, lines=sharp.lines(ORDERS) + residual)
    assert deviations(bin_, fit)[0]["spike_area"] > 3.0 * deviations(same, sharp)[0]["spike_area"]


def test_overlapping_windows_share_what_their_products_do() -> None:
    window = np.sin(np.pi * np.linspace(0.0, 1.0, 2001)) ** 2
    for apart in (0.25, 0.5, 0.75):
        shift = int(2000 * apart)
        product = float(np.sum(window[shift:] * window[: len(window) - shift]) / np.sum(window**2))
        assert _hann_shared(np.array([apart]))[0] == pytest.approx(product, abs=1e-6)


def test_rows_that_overlap_by_half_vary_as_drawn_noise_does() -> None:
    rng = np.random.default_rng(3)
    window = np.sin(np.pi * (np.arange(100) + 0.5) / 100) ** 2
    rows = 5
    noise = rng.standard_normal((4000, 50 * (rows + 1)))
    each = np.array([noise[:, 50 * i : 50 * i + 100] @ window for i in range(rows)])
    drawn = float(np.std(each.mean(axis=0)) / np.std(each))
    frames = SimpleNamespace(time_s=0.02 * np.arange(rows), frame_s=np.full(rows, 0.04))
    stated = np.sqrt(3.0 / rows) / _overstated(frames, np.arange(rows))  # type: ignore[arg-type]
    assert stated == pytest.approx(drawn, rel=0.05)
