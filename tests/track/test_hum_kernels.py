"""The kernels of the hum against their plain twins."""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from listen.track import reference_hum
from tests.track.twins import assert_same


def ends(lengths: list[int]) -> np.ndarray:
    return np.cumsum([0, *lengths])


@pytest.mark.parametrize(
    ("width", "size", "step", "count"), [(50, 256, 25, 7), (1, 4, 1, 3), (8, 8, 3, 1), (9, 32, 4, 0)]
)
@pytest.mark.parametrize("lost", [0.0, 0.1, 1.0])
def test_level_windows(width: int, size: int, step: int, count: int, lost: float) -> None:
    rng = np.random.default_rng(width)
    rest = 3.0 + 0.01 * np.arange(count * step + width) + rng.standard_normal(count * step + width)
    rest[rng.random(len(rest)) < lost] = np.nan
    results = []
    for owner in (kernels, reference_hum):
        out, share = np.full((count, size), 7.0), np.full(count, 7.0)
        owner.level_windows(rest, step, np.hanning(width + 2)[1:-1], out, share)
        results.append((out, share))
    for compiled, plain in zip(*results, strict=True):
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-12)


def test_a_straight_line_leaves_nothing_of_a_window() -> None:
    out, lost = np.empty((2, 64)), np.empty(2)
    kernels.level_windows(5.0 - 0.25 * np.arange(60.0), 10, np.ones(50), out, lost)
    np.testing.assert_allclose(out, 0.0, atol=1e-12)
    np.testing.assert_array_equal(lost, 0.0)


@pytest.mark.parametrize(("n", "width"), [(60, 25), (60, 24), (25, 25), (7, 7), (2, 2), (1, 1), (40, 1)])
@pytest.mark.parametrize("kind", ["noise", "stray", "equal", "drift", "not finite"])
def test_limit_strays(kind: str, n: int, width: int) -> None:
    rng = np.random.default_rng(n + width)
    values = {"equal": np.full(n, 0.3), "drift": 1e-3 * np.arange(n)}.get(kind, 1e-4 * rng.standard_normal(n))
    if kind == "stray":
        values[[0, n // 2, n - 1]] = 0.3, -0.2, 0.1
    elif kind == "not finite":
        values[n // 3] = np.nan
    results = []
    for owner in (kernels, reference_hum):
        out = np.full(n, 7.0)
        owner.limit_strays(values, 5.0, width, out)
        results.append(out)
    np.testing.assert_allclose(*results, rtol=0, atol=1e-16)
    if kind in {"equal", "drift"} and width > 2:
        np.testing.assert_array_equal(results[0], values)
    if kind == "stray" and width > 20:
        assert np.abs(results[0]).max() < 2e-3


@pytest.mark.parametrize("fill", ["random", "equal", "zero", "few values"])
def test_line_levels(fill: str) -> None:
    rng = np.random.default_rng(3)
    spectra = rng.standard_normal((5, 40, 2))
    if fill == "equal":
        spectra[:] = 0.5
    elif fill == "zero":
        spectra[:] = 0.0
    elif fill == "few values":
        spectra = np.round(spectra)
    # several bins, one, an even and an odd number of those beside; none
    near = np.array([3, 4, 5, 9, 12, 13])
    beside = np.array([0, 1, 2, 6, 7, 20, 21, 22, 23, 30, 31])
    at = near, ends([3, 1, 0, 2]), beside, ends([5, 4, 2, 0])
    results = []
    for owner in (kernels, reference_hum):
        out = np.full((5, 4, 2), 7.0)
        owner.line_levels(spectra, 0.25, *at, np.empty(5), out)
        results.append(out)
    assert_same(results[0], results[1], 1e-14)
    assert np.isnan(results[0][:, 3, 1]).all()
    assert np.isnan(results[0][:, 2, 0]).all()
    assert np.isfinite(results[0][:, :2]).all()


def test_the_skirt_of_another_line_is_none_of_the_mains() -> None:
    """A strong line just beyond the bins that are searched, and one within them."""
    rng = np.random.default_rng(4)
    spectra = 0.01 * rng.standard_normal((2, 40, 2))
    spectra[0, 13:18, 0] += [0.2, 0.6, 1.0, 0.6, 0.2]
    spectra[1, 10:15, 0] += [0.2, 0.6, 1.0, 0.6, 0.2]
    near, beside = np.arange(10, 15), np.concatenate([np.arange(2, 7), np.arange(20, 26)])
    results = []
    for owner in (kernels, reference_hum):
        out = np.full((2, 1, 2), 7.0)
        owner.line_levels(spectra, 1.0, near, ends([5]), beside, ends([11]), np.empty(11), out)
        results.append(out)
    np.testing.assert_allclose(*results, rtol=1e-12)
    assert results[0][0, 0, 0] == results[0][0, 0, 1] < 0.03
    assert results[0][1, 0, 0] == pytest.approx(1.0, abs=0.05)


def test_line_levels_of_what_is_not_finite() -> None:
    spectra = np.full((1, 8, 2), np.nan)
    out = np.empty((1, 1, 2))
    kernels.line_levels(spectra, 1.0, np.arange(2), ends([2]), np.arange(2, 7), ends([5]), np.empty(5), out)
    assert np.isnan(out[0, 0, 1])
