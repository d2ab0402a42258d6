"""What a row says of its own frame, whatever lies beside it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.tones import cents, frames_of, times, white


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


@pytest.mark.parametrize(("order", "off"), [(2, 1.002), (3, 0.9985), (5, 1.001)])
def test_another_tone_s_partial_beside_a_harmonic_does_not_pull_the_pitch(order: int, off: float) -> None:
    """A few cents beside a weak harmonic, 12 dB down: within a frame the two are one line that turns too quickly."""
    t = times(3.0)
    x = 0.3 * np.cos(2 * np.pi * 220.0 * t) + 0.075 * np.cos(2 * np.pi * order * 220.0 * off * t + 1.0)
    frames = frames_of(x + white(len(t), -90.0))
    middle = (frames.time_s > 0.3) & (frames.time_s < 2.7)
    assert np.median(np.abs(cents(frames.f0_hz[middle], 220.0))) < 0.02
