"""Transforms of many rows against NumPy's, in both precisions, and against a sum written out."""

from __future__ import annotations

import numpy as np
import pytest

from listen.track import fourier

SIZES = [2, 4, 6, 8, 10, 12, 16, 30, 50, 90, 96, 250, 512, 2304, 4096, 6000]


@pytest.mark.parametrize("points", SIZES)
@pytest.mark.parametrize(("kind", "rounding"), [(np.float32, 3e-7), (np.float64, 1e-15)])
@pytest.mark.parametrize("rows", [1, 5, 16, 37])
def test_spectra(points: int, kind: type, rounding: float, rows: int) -> None:
    frames = np.random.default_rng(points).standard_normal((rows, points)).astype(kind)
    usual = np.fft.rfft(frames.astype(float), axis=1)
    room = np.empty(usual.shape, dtype=np.complex64 if kind is np.float32 else np.complex128)
    for found in (fourier.spectra(frames), fourier.spectra(frames, room)):
        assert found.dtype == room.dtype
        np.testing.assert_allclose(found, usual, rtol=0, atol=rounding * np.sqrt(points) * 4.0)


@pytest.mark.parametrize("points", SIZES)
@pytest.mark.parametrize("rows", [1, 5, 16, 37])
def test_rows_of_spectra(points: int, rows: int) -> None:
    frames = np.random.default_rng(points).standard_normal((rows, points))
    spectra = np.fft.rfft(frames, axis=1).astype(np.complex64)
    back = fourier.rows_of(spectra, points)
    assert back.dtype == np.float32
    np.testing.assert_allclose(back, frames, rtol=0, atol=3e-6)
    sums = fourier.rows_of(spectra, points, scaled=False)
    np.testing.assert_allclose(sums, points * frames, rtol=0, atol=3e-6 * points)


def test_a_line_is_where_the_definition_has_it() -> None:
    """X(k) = sum of x(n) exp(-2 pi i k n / N): Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 8."""
    n = np.arange(60)
    x = np.cos(2 * np.pi * 7 * n / 60 + 0.3)[None]
    spectrum = fourier.spectra(x)[0]
    written_out = (x[0] * np.exp(-2j * np.pi * np.outer(np.arange(31), n) / 60)).sum(axis=1)
    np.testing.assert_allclose(spectrum, written_out, rtol=0, atol=1e-12)
    assert spectrum[7] == pytest.approx(30.0 * np.exp(0.3j), abs=1e-12)


def test_more_than_two_axes_and_none_at_all() -> None:
    rows = np.random.default_rng(1).standard_normal((2, 3, 16))
    np.testing.assert_allclose(fourier.spectra(rows), np.fft.rfft(rows, axis=2), rtol=0, atol=1e-14)
    spectra = np.fft.rfft(rows, axis=2).astype(np.complex64)
    np.testing.assert_allclose(fourier.rows_of(spectra, 16), rows, rtol=0, atol=1e-6)
    assert fourier.spectra(np.empty((0, 16))).shape == (0, 9)


@pytest.mark.parametrize("points", [1, 3, 14, 15])
def test_other_lengths_are_refused(points: int) -> None:
    with pytest.raises(ValueError, match="even product of 2, 3 and 5"):
        fourier.spectra(np.zeros((2, points)))
