"""Facts of the table of evidence that weigh one cause against another."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listen.bench import BuildSettings
from listen.circuit import facts
from listen.circuit.slopes_read import held_slopes
from listen.circuit.types import Quantity


def beyond(low_cents: float, high_cents: float, **stated: Any) -> facts.Fact:
    expected = SimpleNamespace(low_cents=Quantity(value=low_cents), high_cents=Quantity(value=high_cents))
    circuit: Any = SimpleNamespace(expected_pitch=expected)
    known: Any = SimpleNamespace(settings=BuildSettings(**stated))
    return facts._beyond_parts(circuit, known)


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        # a gain-bandwidth of 3 x 150 f0: 9 f0 / 2 ft of the pitch at the top, a tenth of it at the bottom
        (-10.0, -130.0, "in-proportion"),
        (-10.0, 130.0, "one-end"),
        (-200.0, -10.0, "one-end"),
        (-10.0, -20.0, "none"),
        (-200.0, -200.0, None),
    ],
)
def test_measured_parts_leave_the_top_to_the_amplifier(low: float, high: float, says: str | None) -> None:
    assert beyond(low, high, measured=True, tolerance_percent=(1.0, 1.0)) == says


def test_flanks_held_at_unequal_slopes_give_no_bound_over_them() -> None:
    # a wave of two straight flanks: up in 0.4 of the cycle, down in 0.6; slopes over 2 pi times the fundamental
    phase = np.arange(4096) / 4096
    wave = np.interp(phase, [0.0, 0.4, 1.0], [0.0, 1.0, 0.0])
    lines = np.fft.rfft(wave)[1:11] * (2.0 / len(phase))
    own = 2 * np.pi * abs(lines[0])
    turned = lines * np.exp(-1j * np.angle(lines[0]) * np.arange(1, 11)) / abs(lines[0])
    rising, falling = held_slopes(turned[1:])
    assert 0.85 / 0.4 < rising * own < 1.0 / 0.4
    assert 0.85 / 0.6 < falling * own < 1.0 / 0.6


def test_parts_that_nobody_measured_exclude_nothing() -> None:
    assert beyond(-10.0, -130.0, tolerance_percent=(1.0, 1.0)) is None
