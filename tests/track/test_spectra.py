"""Harmonics of rows that the tracker hands on: those of the frames table, of every so many rows."""

from __future__ import annotations

import numpy as np
import pytest

from listen.track import BAND, SpectraStore, track
from listen.track.spectra import spectra_of_rows
from tests.tones import RATE_HZ, Take


def test_the_harmonics_are_those_of_the_frames() -> None:
    phase = 2 * np.pi * np.cumsum(np.full(60_000, 211.0)) / RATE_HZ
    x = sum(0.3 / k * np.cos(k * phase + 0.1 * k**2) for k in range(1, 60))
    store = SpectraStore()
    frames = track(Take(samples=x), spectra=store)
    row = np.searchsorted(frames.time_s, store.time_s - 1e-6)
    np.testing.assert_allclose(frames.time_s[row], store.time_s, atol=1e-9)
    for i, lines in zip(row.tolist(), store.lines, strict=True):
        if not np.isfinite(frames.f0_hz[i]):
            continue
        size = np.abs(lines[1:11])
        np.testing.assert_allclose(20 * np.log10(size[1:] / size[0]), frames.harmonics_dbc[i], atol=1e-4)
        assert len(lines) - 1 == int(BAND * RATE_HZ / frames.f0_hz[i])
    middle = store.lines[len(row) // 2]
    np.testing.assert_allclose(np.abs(middle[1:60]), 0.3 / np.arange(1, 60), rtol=1e-3)


def test_rows_do_not_depend_on_the_store() -> None:
    phase = 2 * np.pi * np.cumsum(np.linspace(200.0, 400.0, 48_000)) / RATE_HZ
    x = Take(samples=np.cos(phase) + 0.3 * np.cos(2 * phase))
    plain, kept = track(x), track(x, spectra=SpectraStore())
    np.testing.assert_array_equal(plain.f0_hz, kept.f0_hz)
    np.testing.assert_array_equal(plain.harmonics_dbc, kept.harmonics_dbc)


@pytest.mark.parametrize(("seconds", "every"), [(10.0, 1), (30.0, 1), (30.1, 2), (600.0, 20)])
def test_a_long_take_keeps_one_row_in_so_many(seconds: float, every: int) -> None:
    assert SpectraStore().every_for(0, int(seconds * 48_000), 48_000.0) == every


def test_only_rows_asked_for_are_kept() -> None:
    amplitude = np.ones((4, 5), dtype=complex)
    limits, row = np.array([5, 5, 3, 5]), np.array([8, 9, 10, 11])
    assert spectra_of_rows(amplitude, limits, row, 0) == [None] * 4
    kept = spectra_of_rows(amplitude, limits, row, 2)
    assert [None if x is None else len(x) for x in kept] == [5, None, 3, None]
