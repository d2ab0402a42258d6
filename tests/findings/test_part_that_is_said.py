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


@pytest.mark.parametrize(
    ("up", "down", "variant"),
    [(1.01, 1.2, "peaked"), (0.99, 1.2, "rounded"), (1.2, 1.01, "peaked"), (0.9, 0.9, "rounded")],
)
def test_an_odd_curve_is_peaked_where_both_crests_are_higher_than_a_sines(up: float, down: float, variant: str) -> None:
    at: Any = lambda values, f0_hz: np.full(len(f0_hz), values)  # noqa: E731
    sizes: Any = SimpleNamespace(
        at=at, even=0.0, odd=0.05, residual_even=0.0, residual_odd=0.05, crest_positive=up, crest_negative=down
    )
    shape: Any = SimpleNamespace(rows=np.ones(N, dtype=bool), bins=SimpleNamespace(fits=np.ones((1, 9), dtype=bool)))
    limits: Any = {kind: {"attention": 1.0, "fault": 9.0} for kind in ("even-order-distortion", "odd-order-distortion")}
    judge = _Judge(FRAMES, shape, sizes, limits, True)
    judge._curved(SimpleNamespace(id_of=lambda name: name))  # type: ignore[arg-type]
    (one,) = judge.out
    assert (one.kind, one.variant) == ("odd-order-distortion", variant)
    assert one.measured.crest_loss_percent == pytest.approx(100 * (1 - max(up, down)))  # type: ignore[union-attr]
