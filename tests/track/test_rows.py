"""What a row says of its own frame, whatever lies beside it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.tones import frames_of, times, white


@pytest.mark.parametrize("thump", [0.1, 0.02])
def test_a_thump_is_left_in_its_own_frames_alone(thump: float) -> None:
    """The offset is taken off as its mean over half a second: what is in a few frames must not shift the others."""
    t = times(3.0)
    noise_dbfs = -80.0
    x = 0.4 * np.cos(2 * np.pi * 211.0 * t) + white(len(t), noise_dbfs)
    x += thump * np.where(t > 1.5, np.exp(-np.abs(t - 1.5) / 0.004), 0.0)
    frames = frames_of(x)
    off = np.abs(frames.time_s - 1.5)
    own = off < 0.03
    beside = (off > 0.08) & (frames.time_s > 0.1) & (frames.time_s < 2.9)
    # what was put in: noise, less the share that the harmonics of a mean cycle take of it
    expected = noise_dbfs - 20 * np.log10(0.4)
    np.testing.assert_allclose(frames.residual_dbc[beside], expected, atol=1.5)
    assert frames.residual_dbc[own].max() > expected + 10.0
