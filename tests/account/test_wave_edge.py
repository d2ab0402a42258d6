"""What a recorder's anti-alias filter takes from the harmonics near the band's edge is no part of the wave."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from listen.account.waves.cycle import Cycle, changed
from listen.account.waves.edge import fitted
from listen.account.waves.gather import WaveBin
from tests.account.test_wave_fit import bin_of

RATE_HZ, OVER, F0_HZ = 48_000, 8, 600.0


def recorded(cycle: Cycle, *, short: bool) -> WaveBin:
    """All harmonics below 0.45 of the rate, behind a decimation filter: one of 16 samples, which sets in at 0.37 of the
    rate and halves at 0.47, or none."""
    bin_ = bin_of(cycle, orders=int(0.45 * RATE_HZ / F0_HZ))
    if not short:
        return replace(bin_, f0_hz=F0_HZ)
    taps = signal.firwin(32 * OVER + 1, 0.94 / OVER, window=("kaiser", 10.0))
    at_hz = F0_HZ * np.arange(1, len(bin_.lines) + 1)
    _, response = signal.freqz(taps, worN=at_hz, fs=RATE_HZ * OVER)
    return replace(bin_, f0_hz=F0_HZ, lines=bin_.lines * np.abs(response))


def sawtooth(reset_s: float, **parts: float) -> Cycle:
    return changed(Cycle(share=1.0 - reset_s * F0_HZ, bend=0.008, corner=6e-6 * F0_HZ), parts)


@pytest.mark.parametrize(("reset_s", "falls"), [(20e-6, False), (12e-6, True)])
def test_a_short_filter_makes_neither_spike_nor_cut(reset_s: float, falls: bool) -> None:
    made = recorded(sawtooth(reset_s), short=True)
    if falls:
        made = replace(made, lines=-made.lines)
    (bin_,), (fit,) = fitted([made], "sawtooth")
    assert not set(fit.free) & {"cut_top", "cut_bottom", "spike_area"}
    # what a reset and a low-pass take of the low harmonics; few tell no more
    took = np.hypot(min(fit.cycle.share, 1.0 - fit.cycle.share), np.sqrt(12.0) * fit.cycle.corner) / F0_HZ
    assert took == pytest.approx(np.hypot(reset_s, np.sqrt(12.0) * 6e-6), rel=0.02)
    assert abs(fit.cycle.bend) == pytest.approx(0.008, abs=1e-3)
    assert len(bin_.lines) * F0_HZ < 0.37 * RATE_HZ


def test_behind_a_short_filter_a_cut_and_a_spike_are_told() -> None:
    cycle = sawtooth(20e-6, cut_bottom=0.03, spike_area=1e-3, spike_at=0.4, spike_width=0.008)
    _, (fit,) = fitted([recorded(cycle, short=True)], "sawtooth")
    assert fit.cycle.cut_bottom == pytest.approx(0.03, rel=0.05)
    assert fit.cycle.spike_area == pytest.approx(1e-3, rel=0.05)


def test_a_spike_of_no_known_form_costs_no_harmonics() -> None:
    """Up and back by two jumps: what its form leaves is all over the band."""
    bin_ = recorded(sawtooth(20e-6), short=False)
    k = np.arange(1.0, len(bin_.lines) + 1)
    spike = 2.0 * np.pi * 0.1 * 0.03 * np.sinc(0.03 * k) * np.exp(-2j * np.pi * k * (0.4 + 0.3))
    (kept,), (fit,) = fitted([replace(bin_, lines=bin_.lines + spike)], "sawtooth")
    assert "spike_area" in fit.free
    assert len(kept.lines) == len(bin_.lines)
