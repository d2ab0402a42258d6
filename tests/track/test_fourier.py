"""Transforms of many rows against NumPy's, in both precisions."""

from __future__ import annotations

import numpy as np
import pytest

from listen.track import fourier


@pytest.mark.parametrize("points", [1, 2, 3, 8, 90, 512, 2304])
@pytest.mark.parametrize(("kind", "rounding"), [(np.float32, 3e-7), (np.float64, 1e-15)])
def test_spectra_and_back(points: int, kind: type, rounding: float) -> None:
    rows = np.random.default_rng(points).standard_normal((5, points)).astype(kind)
    usual = np.fft.rfft(rows.astype(float), axis=1)
    room = np.empty(usual.shape, dtype=np.complex64 if kind is np.float32 else np.complex128)
    for found in (fourier.spectra(rows), fourier.spectra(rows, room)):
        assert found.dtype == room.dtype
        np.testing.assert_allclose(found, usual, rtol=0, atol=rounding * points)
    back = fourier.rows_of(room, points)
    assert back.dtype == kind
    np.testing.assert_allclose(back, rows, rtol=0, atol=10 * rounding)
    sums = fourier.rows_of(room, points, scaled=False)
    np.testing.assert_allclose(sums, points * rows, rtol=0, atol=10 * rounding * points)


def test_more_than_two_axes() -> None:
    rows = np.random.default_rng(1).standard_normal((2, 3, 16))
    np.testing.assert_allclose(fourier.spectra(rows), np.fft.rfft(rows, axis=2), rtol=0, atol=1e-14)
    np.testing.assert_allclose(fourier.rows_of(np.fft.rfft(rows, axis=2), 16), rows, rtol=0, atol=1e-14)
