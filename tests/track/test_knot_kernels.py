"""The kernels that place and correct the knots of the phase, against their plain twins."""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from tests.track.twins import TWINS, Phase, assert_same, both


@pytest.mark.parametrize("spacing", [1.0, 86.4, 400.0])
@pytest.mark.parametrize("span", [(0.0, 1e9), (900.0, 2500.0), (1200.0, 1201.0)])
@pytest.mark.parametrize("most", [400, 3])
def test_place_knots(spacing: float, span: tuple[float, float], most: int) -> None:
    made = Phase(10)
    args = (made.knots, made.turns, made.slopes, spacing, *span)
    ((compiled, plain),) = both("place_knots", *args, out=(most, 3))
    # the kernel's four Newton steps end within 1e-9 samples of the root
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-8)


@pytest.mark.parametrize("kind", ["smooth", "stepped", "wild", "zero"])
@pytest.mark.parametrize("n", [3, 21, 22, 200])
def test_settle_knots(kind: str, n: int) -> None:
    rng = np.random.default_rng(41)
    knots = np.column_stack([np.cumsum(rng.uniform(60, 140, n)), np.arange(n) * 0.5, np.full(n, 5e-3)])
    angle = {"smooth": 0.05 * np.arange(n), "stepped": 3.0 * (np.arange(n) > n // 2), "zero": np.zeros(n)}.get(
        kind, rng.uniform(-np.pi, np.pi, n)
    )
    angle = angle + 1e-4 * rng.standard_normal(n)
    size = 0.0 if kind == "zero" else rng.uniform(0.5, 1.0, n)
    sums = np.column_stack([size * np.cos(angle), size * np.sin(angle), rng.uniform(-0.1, 1.0, n), np.full(n, 0.1)])
    smoother = np.array([-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36]) / 429.0
    ((compiled, plain),) = both("settle_knots", knots, sums, 2.0, smoother, 0.002, out=(7, n))
    np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-12)
    if kind == "smooth" and n == 200:
        # noise of 1e-4 rad is 8e-6 cycles of a second harmonic; smoothed it is less
        line = np.polyval(np.polyfit(np.arange(n), plain[6], 1), np.arange(n))
        assert np.std((compiled[1] - knots[:, 1] - line)[5:-5]) < 0.6 * np.std((plain[6] - line)[5:-5])


def test_curve_points() -> None:
    curve = Phase(7)
    places = np.sort(np.random.default_rng(8).uniform(curve.knots[0] - 90, curve.knots[-1] + 90, 500))
    places[[3, 400]] = curve.knots[[0, -1]]
    for order in (places, places[::-1].copy()):
        args = (curve.knots, curve.turns, curve.slopes)
        ((compiled, plain),) = both("curve_points", *args, order, out=(2, 500))
        assert_same(compiled, plain, atol=1e-9)
    both("curve_points", curve.knots, curve.turns, curve.slopes, np.empty(0), out=(2, 0))


@pytest.mark.parametrize("kind", ["noise", "constant", "line", "step"])
@pytest.mark.parametrize("n", [25, 80])
def test_torn_places(kind: str, n: int) -> None:
    rng = np.random.default_rng(9)
    line = 0.1 * np.arange(float(n))
    values = {"constant": np.full(n, 0.3), "line": line, "step": line + (np.arange(n) >= n // 2)}.get(kind)
    values = rng.standard_normal(n) if values is None else values
    results = []
    for owner in (kernels.torn_places, TWINS["torn_places"]):
        fits, out, found = np.empty((3, n)), np.empty((3, n - 24)), np.full(n - 24, -1)
        count = owner(values, 8, 4, 0.003, 8.0, fits, out, found)
        results.append((out, found[:count]))
    np.testing.assert_allclose(results[0][0], results[1][0], rtol=1e-10, atol=1e-12)
    np.testing.assert_array_equal(results[0][1], results[1][1])
    if kind == "step":
        # the gap holds the step; the jump is all of it
        at = results[0][1]
        assert len(at) == min(n - 24, 10)
        np.testing.assert_allclose(results[0][0][0, at], 1.0, rtol=1e-9)
    elif kind != "noise":
        assert len(results[0][1]) == 0
