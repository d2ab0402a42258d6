"""The kernels of the phase against their plain twins."""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from tests.track.twins import TWINS, Phase, assert_same, both


@pytest.mark.parametrize(("seed", "n", "slope"), [(1, 3000, 0.01), (2, 500, 0.3), (3, 120, 0.002), (4, 1, 0.01)])
def test_phase_samples(seed: int, n: int, slope: float) -> None:
    made = Phase(seed, max(n, 130), slope)
    args = (made.knots, made.turns, made.slopes, made.first)
    for compiled, plain in both("phase_samples", *args, out=[np.empty(n), np.empty(n)]):
        # the phase is some 1e3 cycles: its last digit is 2e-13 of a cycle
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=4e-12)


def test_phase_samples_beyond_the_knots() -> None:
    knots, turns, slopes = np.array([10.0, 20.0, 30.0]), np.array([0.0, 1.0, 2.1]), np.array([0.1, 0.1, 0.12])
    room = [np.full(60, np.nan), np.full(60, np.nan)]
    for compiled, plain in both("phase_samples", knots, turns, slopes, -5, out=room):
        assert np.isfinite(plain).all()
        np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e300])
def test_a_curve_that_is_none_leads_nowhere(bad: float) -> None:
    made = Phase(2)
    for name in ("knots", "turns", "slopes"):
        curve = {key: getattr(made, key).copy() for key in ("knots", "turns", "slopes")}
        curve[name][[3, 20]] = bad
        kernels.phase_samples(*curve.values(), made.first, np.empty(3000), np.empty(3000))
        centres, cycles = made.frames(CYCLES)
        kernels.short_frames(*curve.values(), made.first, made.x, centres, cycles, np.empty((len(CYCLES), 4)))
        kernels.curve_points(*curve.values(), made.knots, np.empty((2, len(made.knots))))
        assert 0 <= kernels.place_knots(*curve.values(), 86.4, 0.0, 1e9, np.empty((300, 3))) <= 300


CYCLES = [2, 4, 5, 4, 8, 2]


@pytest.mark.parametrize("kind", ["noise", "constant", "zero", "not finite"])
@pytest.mark.parametrize(("slope", "n"), [(0.01, 3000), (0.3, 3000), (0.002, 6000)])
def test_short_frames(kind: str, slope: float, n: int) -> None:
    made = Phase(5, n, slope)
    x = {"noise": made.x, "constant": np.full(n, 0.3), "zero": np.zeros(n)}.get(kind, made.x.copy())
    if kind == "not finite":
        x[[n // 2, n // 2 + 100]] = np.nan, np.inf
    centres, cycles = made.frames(CYCLES)
    args = (made.knots, made.turns, made.slopes, made.first, x, centres, cycles)
    ((compiled, plain),) = both("short_frames", *args, out=(len(cycles), 4))
    # phases are counted in single precision over 256 samples, 77 cycles of the highest pitch: 4e-6 of a cycle
    assert_same(compiled, plain, atol=1e-6 if slope > 0.1 else 3e-7)
    assert np.isfinite(compiled).all() == (kind != "not finite") or slope != 0.01
    if kind == "noise" and slope == 0.01:
        # the mean that was put in, within five times the noise's 0.01 / sqrt(100)
        np.testing.assert_allclose(compiled[:, 3], 0.1, atol=0.006)


def test_short_frames_beyond_the_ends() -> None:
    """No sample there, no frame; and no sample, no frames."""
    made = Phase(6)
    low, high = made.phase[0], made.phase[-1]
    centres = np.array([low - 9.0, low, low + 3.0, 0.5 * (low + high), high - 1.0, high, high + 40.0])
    cycles = np.array([2.0, 2.0, 2.0, 4.0, 4.0, 2.0, 8.0])
    curve = (made.knots, made.turns, made.slopes, made.first)
    ((compiled, plain),) = both("short_frames", *curve, made.x, centres, cycles, out=(7, 4))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(compiled[[0, 6]], np.zeros((2, 4)))
    out = np.full((7, 4), 7.0)
    kernels.short_frames(*curve, np.empty(0), centres, cycles, out)
    assert not out.any()


def test_short_frames_find_the_tone_that_was_put_in() -> None:
    made = Phase(8, slope=0.0231)
    x = 0.4 * np.cos(2 * np.pi * (made.phase + 0.1))
    centres, cycles = made.frames([4] * 9)
    out = np.empty((9, 4))
    kernels.short_frames(made.knots, made.turns, made.slopes, made.first, x, centres, cycles, out)
    np.testing.assert_allclose(out[:, 0] + 1j * out[:, 1], 0.4 * np.exp(0.2j * np.pi), atol=2e-4)
    assert "short_frames" in TWINS
