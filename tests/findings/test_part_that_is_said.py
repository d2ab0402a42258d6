"""A part that is reported explains its harmonics where it is smaller than its limit, too."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listen.findings import measured
from listen.findings.rules_shape import _Judge
from tests.accounts import plain_frames

N = 300
FRAMES = plain_frames(N, f0_hz=np.geomspace(200.0, 800.0, N))


def make(worst: float, _: np.ndarray, facts: dict[str, float]) -> measured.DeadBand:
    return measured.DeadBand(dead_band_percent=worst, **facts)


@pytest.mark.parametrize(("top", "explained"), [(1.05, 200), (0.95, 0)])
def test_it_explains_what_it_makes_at_half_its_limit(top: float, explained: int) -> None:
    """A third of the tuning over the limit, a third at 0.55 of it, and one at 0.45."""
    shape: Any = SimpleNamespace(rows=np.ones(N, dtype=bool), bins=SimpleNamespace(fits=np.ones((1, 9), dtype=bool)))
    sizes: Any = SimpleNamespace()
    judge = _Judge(FRAMES, shape, sizes, {"crossover-distortion": {"attention": 2.0, "fault": 8.0}}, True)
    values = 2.0 * np.repeat([top, 0.55, 0.45], 100)
    taken = judge.add("crossover-distortion", values, make, part="dead")
    assert np.flatnonzero(taken).tolist() == list(range(explained))
    assert len(judge.out) == (1 if explained else 0)
    if judge.out:
        assert judge.out[0].rows.max() < 100
