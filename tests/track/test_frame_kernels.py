"""The kernel that lays frames against its plain twin, and what it is for."""

from __future__ import annotations

import numpy as np
import pytest

from listen.native import kernels
from listen.track import reference_frames


def laid(owner: object, pitch: np.ndarray, cycles: float, rows: int, bent: float = 0.006) -> np.ndarray:
    """Frames of so many cycles along knots 90 samples apart of this pitch, cycles a sample."""
    samples = 500.0 + 90.0 * np.arange(len(pitch))
    turns = np.concatenate([[7.25], 7.25 + np.cumsum(45.0 * (pitch[1:] + pitch[:-1]))])
    centres = np.linspace(samples[0], samples[-1], rows)
    middle, slope = np.interp(centres, samples, turns), np.interp(centres, samples, pitch)
    calm = np.convolve(np.pad(pitch, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    out = np.full((3, rows), 7.0)
    wanted = np.full(rows, cycles)
    edges = turns[0] + 0.1, turns[-1] - 0.1
    owner.lay_frames(samples, pitch, calm, centres, middle, slope, wanted, bent, *edges, out)  # type: ignore[attr-defined]
    return out


PITCHES = {
    "steady": np.full(60, 0.02),
    "glide": 0.01 * np.exp(np.linspace(0.0, 0.3, 60)),
    "wobble": 0.02 * (1 + 0.05 * np.sin(np.arange(60) / 2.0)),
    "step": np.where(np.arange(60) < 30, 0.01, 0.03),
    "noise": 0.02 * (1 + 0.01 * np.random.default_rng(2).standard_normal(60)),
    "two knots": np.array([0.02, 0.021]),
}


@pytest.mark.parametrize("kind", list(PITCHES))
@pytest.mark.parametrize("cycles", [2.0, 4.0, 6.0, 40.0])
@pytest.mark.parametrize("rows", [1, 2, 37])
def test_lay_frames(kind: str, cycles: float, rows: int) -> None:
    compiled, plain = (laid(owner, PITCHES[kind], cycles, rows) for owner in (kernels, reference_frames))
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)
    assert (compiled[0] % 2 == 0).all()
    assert compiled[0].min() >= 2


def test_a_bend_shortens_a_frame_and_a_straight_glide_does_not() -> None:
    wobble = laid(kernels, PITCHES["wobble"], 16.0, 37)[0]
    assert wobble[8:-8].min() < 8.0
    glide = laid(kernels, 0.02 + 1e-4 * np.arange(60), 16.0, 37)[0]
    assert (glide[8:-8] == 16.0).all()


def test_frames_at_the_edges_lie_within_them() -> None:
    cycles, middle, _ = laid(kernels, PITCHES["steady"], 16.0, 37)
    first, last = 7.25 + 0.1, 7.25 + 59 * 90 * 0.02 - 0.1
    assert (middle - 0.5 * cycles >= first - 1e-9).all()
    assert (middle + 0.5 * cycles <= last + 1e-9).all()
    assert cycles[0] == cycles[-1] == 2.0
