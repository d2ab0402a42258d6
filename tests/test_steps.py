"""Where the phase jumps, and where only the rough phase bends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.track import steps
from tests.tones import RATE_HZ, exponential, frames_of, white


def _sweep(low_hz: float, high_hz: float, seconds: float) -> np.ndarray:
    phase = exponential(low_hz, high_hz, seconds)
    return 0.3 * np.cos(2 * np.pi * phase) + white(len(phase), -80.0)


def test_few_places_of_a_fast_sweep_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rough phase bends every 40 ms: some fifty of its bends here look like jumps of what it is wrong by."""
    looked_at: list[float] = []
    usual = steps._switch

    def counted(rough: Any, x: Any, first: int, sample: float, slope: float) -> Any:
        looked_at.append(sample)
        return usual(rough, x, first, sample, slope)

    monkeypatch.setattr(steps, "_switch", counted)
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
