"""Means of adjacent rows: no row is left out, none is taken together across a gap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.circuit.rows_along import rows_along
from listen.circuit.smoothing import SHARED
from listen.track import Frames
from tests.accounts import plain_frames


def frames_of(count: int, noise: float = 0.0) -> Frames:
    """H2 of a tenth of the tone, level and pitch 1; the noise of neighbours agrees in four tenths."""
    rng = np.random.default_rng(count)

    def drawn() -> np.ndarray:
        values = rng.standard_normal(count + 1)
        return np.asarray(noise * (values[1:] + 0.5 * values[:-1]) / np.sqrt(1.25))

    plain = plain_frames(count)
    harmonics = np.full(plain.harmonics_dbc.shape, -120.0)
    harmonics[:, 0] = 20.0 * np.log10(0.1 * (1.0 + drawn()))
    return replace(plain, harmonics_dbc=harmonics, fundamental_dbfs=20.0 * np.log10(1.0 + drawn()))


@pytest.mark.parametrize(("count", "places", "together"), [(100, 100, 1), (300, 150, 2), (450, 150, 3), (3000, 150, 5)])
def test_as_many_rows_are_averaged_as_leave_150_places(count: int, places: int, together: int) -> None:
    found = rows_along(frames_of(count), np.arange(count))
    assert len(found.time_s) == places
    if together < 5:
        assert found.shared == pytest.approx(SHARED / (together + 2 * SHARED * (together - 1)))
    else:
        # places that are left out lie between
        assert found.shared == 0.0


def test_means_have_the_noise_and_the_correlation_that_are_stated() -> None:
    found = rows_along(frames_of(450, noise=0.01), np.arange(450))
    level = np.log(found.y[:, 0].real)
    own, next_ = float(np.var(level)), float(np.mean(level[1:] * level[:-1]))
    # a mean of three whose neighbours agree in 0.4
    assert np.sqrt(own) == pytest.approx(0.01 * np.sqrt((3 + 4 * SHARED) / 9), rel=0.2)
    assert next_ / own == pytest.approx(found.shared, abs=0.2)
    ratio = np.abs(found.y[:, 1]) / np.abs(found.y[:, 0])
    assert np.mean(ratio) == pytest.approx(0.1, rel=2e-3)


def test_no_mean_reaches_across_a_gap() -> None:
    rows = np.concatenate([np.arange(200), np.arange(400, 603)])
    frames = frames_of(700)
    found = rows_along(frames, rows)
    time_s = np.asarray(frames.time_s)
    assert not ((found.time_s > time_s[199]) & (found.time_s < time_s[400])).any()
    assert np.all(np.diff(found.time_s) > 0)


def test_a_harmonic_that_is_missing_in_a_row_is_missing_in_its_mean() -> None:
    frames = frames_of(300)
    harmonics = np.array(frames.harmonics_dbc)
    harmonics[7, 0] = np.nan
    found = rows_along(replace(frames, harmonics_dbc=harmonics), np.arange(300))
    assert not found.present[3, 1]
    assert found.y[3, 1] == 0.0
    assert np.count_nonzero(~found.present[:, 1]) == 1
    assert found.present[:, 0].all()
