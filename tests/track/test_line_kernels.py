"""The kernels of a frame's lines and of its shape against their plain twins."""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from tests.track.twins import TWINS, both, single

POINTS = 24


def residual(kind: str, n: int, seed: int = 16) -> np.ndarray:
    """Noise, with a line that stands out; constants; nothing."""
    noise = np.random.default_rng(seed).standard_normal(n)
    line = 3.0 * np.cos(2 * np.pi * 2.37 * np.arange(n) / POINTS)
    return single({"constant": np.ones(n), "zero": np.zeros(n), "line": noise + line}.get(kind, noise))


@pytest.mark.parametrize("cycles", [2, 4, 6, 8, 16, 40, 150])
@pytest.mark.parametrize("kind", ["noise", "line", "constant", "zero"])
def test_between_lines(kind: str, cycles: int) -> None:
    r = residual(kind, 9000)
    bins = POINTS * cycles // 2 + 1
    # more frames than the lanes of any processor, and some left over
    centres = np.linspace(2000, 7000, 21).astype(np.int64)
    last = np.resize([2, bins - 1, bins - 9, bins, bins // 2, 3 * bins, -1], 21)
    first = np.resize([2, 2, 20, 30, bins // 2, 5, 2, -4], 21)
    args = (r, POINTS, cycles, centres, last, first, 3 * cycles // 2 + 2)
    power = float(np.mean(r.astype(float) ** 2)) * cycles
    (compiled, plain), (lines, own) = both(
        "interharmonic_lines", *args, out=[np.empty((21, 7)), np.empty((21, 6), dtype=np.float32)]
    )
    np.testing.assert_allclose(lines, own, rtol=0, atol=2e-5 * POINTS * np.sqrt(power + 1e-30))
    # transforms in single precision: 1e-7 of the frame's power in each bin, whatever is in it
    np.testing.assert_allclose(compiled[:, [2, 4]], plain[:, [2, 4]], rtol=0)
    np.testing.assert_array_equal(np.isnan(compiled[:, :2]), np.isnan(plain[:, :2]))
    np.testing.assert_allclose(compiled[:, [0, 1, 3]], plain[:, [0, 1, 3]], rtol=1e-5, atol=1e-9 * power)
    if kind in {"noise", "line"}:
        np.testing.assert_allclose(compiled[:, 5:], plain[:, 5:], rtol=1e-5, atol=1e-7 * power)
    if kind == "line" and cycles == 40:
        assert compiled[3, 6] == pytest.approx(2.37 * cycles, abs=3.0)
    if cycles == 2:
        # a frame of two cycles has no bin that is more than one away from a harmonic
        assert np.isnan(compiled[:, 0]).all()
        assert not compiled[:, 2].any()


def test_the_median_is_one_of_the_values_whatever_they_are() -> None:
    """Equal values, values far apart, a few of them huge: the search ends, at what sorting finds."""
    rng = np.random.default_rng(3)
    n, cycles = 12000, 40
    for kind in range(12):
        r = rng.standard_normal(n) * np.exp(rng.normal(0.0, kind, n))
        if kind % 3 == 1:
            r = np.where(rng.random(n) < 0.001, 1e3, 0.0)
        if kind % 3 == 2:
            r = np.repeat(rng.standard_normal(n // POINTS), POINTS)
        centres = np.linspace(1000, n - 1000, 18).astype(np.int64)
        ends = np.full(18, 10**6), np.full(18, 2)
        outs = [np.empty((18, 7)), np.empty((18, 0), dtype=np.float32)]
        (compiled, plain), _ = both("interharmonic_lines", single(r), POINTS, cycles, centres, *ends, 62, out=outs)
        np.testing.assert_allclose(compiled[:, 0], plain[:, 0], rtol=1e-4, atol=1e-11 * plain[:, 1].max())


@pytest.mark.parametrize("bad", [np.nan, -np.nan, np.inf, 1e30])
def test_a_residual_that_is_not_finite_spoils_no_frame_beside(bad: float) -> None:
    r = residual("noise", 9000)
    centres, results = np.array([2000, 5000, 8000]), []
    for value in (float(r[5000]), bad):
        r[5000] = value
        out = np.empty((3, 7))
        kernels.interharmonic_lines(
            r, POINTS, 16, centres, np.full(3, 193), np.full(3, 2), 26, out, np.empty((3, 6), dtype=np.float32)
        )
        results.append(out)
    np.testing.assert_array_equal(results[0][[0, 2]], results[1][[0, 2]])


@pytest.mark.parametrize("kind", ["tone", "noise", "zero", "not finite"])
@pytest.mark.parametrize("bins", [3, 40])
def test_line_pitches(kind: str, bins: int) -> None:
    rng = np.random.default_rng(31)
    spectra = rng.standard_normal((2, 9, bins, 2))
    if kind == "tone":
        spectra[0] /= np.arange(1, bins + 1)[:, None] ** 2
        spectra[1] *= 1e-4
    spectra *= kind != "zero"
    tops = np.array([1, 2, 5, 12, 13, 20, 39, 30, 7]).clip(1, bins - 1)
    if kind == "not finite":
        spectra[0, 3, 1] = np.nan
        spectra[1, 4, 2] = np.nan
    columns, few = int(tops.max()) + 1, min(12, int(tops.max()))
    scale = rng.uniform(1e-3, 2e-3, 9)
    room = [np.empty((9, columns, 2)), np.empty((9, few)), np.zeros(9, dtype=np.int64), np.empty((9, 2))]
    room.append(np.full(few, 99))
    results = both("line_pitches", spectra, scale, tops, np.arange(2, 20, 2), 0.02, out=room)
    for compiled, plain in results:
        np.testing.assert_allclose(compiled, plain, rtol=1e-11, atol=1e-15)
    amplitude, _, used, sums, far = (compiled for compiled, _ in results)
    assert (amplitude[0, 2:] == 0.0).all()
    assert used.min() == 1
    if kind == "tone":
        assert (used <= tops).all()
        assert (sums[:, 1] > 0).all()
    if kind == "zero":
        assert not far.any()
    if kind == "noise":
        assert far[0] == 0
        assert 0 < far[1:].min() <= far.max() < 18


@pytest.mark.parametrize("limits", [[30, 12, 2, 60, 90], [11, 11, 11, 12, 13], [-1, 0, 1, 2, 2**62]])
def test_high_orders(limits: list[int]) -> None:
    amplitude = np.random.default_rng(26).standard_normal((5, 60, 2))
    amplitude[3] = 0.0
    ((compiled, plain),) = both("high_orders", amplitude, np.array(limits), 11, out=(5, 2))
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)


def amplitudes(kind: str) -> np.ndarray:
    amplitude = 1e-3 * np.random.default_rng(22).standard_normal((6, 60, 2))
    if kind == "sawtooth":
        amplitude[:, 1:, 1] += 1.0 / np.arange(1, 60)
    elif kind == "square":
        amplitude[:, 1::2, 1] += 1.0 / np.arange(1, 60, 2)
    elif kind != "noise":
        amplitude[:, 1, 0] = 0.5
    if kind == "not finite":
        amplitude[2, 40] = np.nan
    return amplitude


LIMITS, LEAST = np.array([2, 60, 60, 31, 9, 8]), np.array([1e-6, 4e-6, 0.0, 1e-6, 1e-6, 1e9])


@pytest.mark.parametrize("kind", ["noise", "sawtooth", "sine", "not finite"])
def test_loud_orders(kind: str) -> None:
    ((compiled, plain),) = both("loud_orders", amplitudes(kind), LIMITS, LEAST, out=[np.full(6, 7)])
    np.testing.assert_array_equal(compiled, plain)
    assert compiled[0] == compiled[5] == 1


@pytest.mark.parametrize("kind", ["noise", "sawtooth", "square", "sine", "not finite"])
@pytest.mark.parametrize(("points", "rows"), [(64, [0, 1, 3, 5]), (1024, [1, 2, 4, 0, 0]), (512, list(range(6)) * 7)])
def test_cycle_shapes(kind: str, points: int, rows: list[int]) -> None:
    args = (amplitudes(kind), np.array(rows), LIMITS, LEAST, 0.25, points)
    ((compiled, plain),) = both("cycle_shapes", *args, out=(len(rows), 8))
    # a place where the crest of a wave is flat may be either end of it; heights and flat parts are the same
    size = np.abs(plain[:, :1]) + np.abs(plain[:, 1:2])
    np.testing.assert_allclose(compiled[:, :2] / size, plain[:, :2] / size, rtol=0, atol=1e-6)
    # what is flat is told from straight lines between points: in single precision 1e-5 of a point's rise
    np.testing.assert_allclose(compiled[:, 2:4], plain[:, 2:4], rtol=2e-4, atol=2e-5)
    np.testing.assert_allclose(
        compiled[:, 4:6], plain[:, 4:6], rtol=1e-5, atol=1e-5 * float(np.abs(plain[:, 4:6]).max())
    )
    assert np.isfinite(compiled).all()


def test_the_shape_of_a_sine_is_known() -> None:
    amplitude = np.zeros((1, 3, 2))
    amplitude[0, 1] = 0.3, 0.4
    out = np.empty((1, 8))
    kernels.cycle_shapes(amplitude, np.array([0]), np.array([3]), np.zeros(1), 0.25, 512, out)
    high, low, flat_high, flat_low, up, down, place_high, place_low = out[0]
    assert (high, low) == (pytest.approx(0.5, rel=1e-6), pytest.approx(-0.5, rel=1e-6))
    # the part of a sine above 98 % of its crest: arccos(0.98) / pi; straight lines between 512 points: 3e-4
    np.testing.assert_allclose([flat_high, flat_low], np.arccos(0.98) / np.pi, rtol=1e-3)
    np.testing.assert_allclose([up, -down], 2 * np.pi * 0.5, rtol=1e-4)
    crest = -np.arctan2(0.4, 0.3) / (2 * np.pi) % 1.0
    np.testing.assert_allclose([place_high, place_low], [crest, (crest + 0.5) % 1.0], atol=1e-4)
    assert "cycle_shapes" in TWINS
