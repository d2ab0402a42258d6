"""A ring of known natural frequency and damping comes back from its samples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import listen
from listen.circuit.level_loop import fit_ring


@pytest.mark.parametrize("damping", [0.1, 0.22, 0.5])
def test_a_second_order_step_response(damping: float) -> None:
    """Step response of a second-order system, as scipy.signal solves it."""
    from scipy.signal import TransferFunction, step

    natural = 2 * np.pi * 4.0
    t = np.arange(0.0, 1.2, 0.005)
    _, y = step(TransferFunction([natural**2], [1.0, 2 * damping * natural, natural**2]), T=t)
    noise = 1e-4 * np.random.default_rng(3).standard_normal(len(t))
    fitted = fit_ring(t, y + noise, 0.7 * damping * natural, 0.9 * natural)
    assert fitted is not None
    decay, omega, covariance = fitted
    assert np.hypot(decay, omega) == pytest.approx(natural, rel=3e-3)
    assert decay / np.hypot(decay, omega) == pytest.approx(damping, rel=0.01)
    assert np.sqrt(covariance[0, 0]) < 0.02 * decay


FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.mark.parametrize("name", ["sine-board-mended", "sine-board-unequal-supplies"])
def test_a_diode_board_has_no_loop_that_rings(name: str) -> None:
    """Its limiter has no memory: only the slow ends of the strokes move the level."""
    loop = listen.check(FIXTURES / f"{name}.wav").circuit.level_loop
    assert (loop.natural_hz.value, loop.damping.value, loop.state) == (None, None, None)
    assert loop.natural_hz.why
