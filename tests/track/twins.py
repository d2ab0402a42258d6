"""What the tests of kernels share: a phase curve with its samples, and the run of a kernel beside its twin."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from listen import native
from listen.account.curve import wave
from listen.native import kernels
from listen.track import reference, reference_frames, reference_grid, reference_hum, reference_pitch_estimate

MODULES = (reference, reference_pitch_estimate, reference_frames, reference_grid, reference_hum)


def public(module: Any) -> dict[str, Callable[..., Any]]:
    """Functions of a module of twins."""
    found = vars(module).items()
    return {n: f for n, f in found if inspect.isfunction(f) and f.__module__ == module.__name__ and n[0] != "_"}


TWINS: dict[str, Callable[..., Any]] = {name: f for module in MODULES for name, f in public(module).items()}
TWINS["staged_lines"] = wave.staged_lines


def stub() -> dict[str, ast.FunctionDef]:
    """What the stub says of each kernel."""
    text = (Path(native.__file__).parent / "kernels.pyi").read_text(encoding="utf-8")
    return {node.name: node for node in ast.parse(text).body if isinstance(node, ast.FunctionDef)}


class Phase:
    """A phase curve with uneven knots, its samples, and noise on a tone along it."""

    def __init__(self, seed: int, n: int = 3000, slope: float = 0.01, first: int = 700) -> None:
        rng = np.random.default_rng(seed)
        self.first = first
        self.knots = first - 30.3 + np.cumsum(rng.uniform(60.0, 140.0, n // 60))
        rates = slope * np.exp(np.cumsum(rng.normal(0.0, 0.02, len(self.knots))))
        self.turns = 1234.5 + np.concatenate([[0.0], np.cumsum(np.diff(self.knots) * 0.5 * (rates[1:] + rates[:-1]))])
        self.slopes = rates
        self.dphi, self.phase = np.empty(n), np.empty(n)
        kernels.phase_samples(self.knots, self.turns, rates, first, self.dphi, self.phase)
        self.x = 0.1 + 0.5 * np.cos(2 * np.pi * self.phase) + 0.01 * rng.standard_normal(n)

    def frames(self, cycles: list[int]) -> tuple[np.ndarray, np.ndarray]:
        """Centres of frames of so many cycles that fit, evenly placed, and the cycles."""
        m = np.array(cycles, dtype=float)
        low, high = self.phase[0] + 0.5 * m, self.phase[-1] - 0.5 * m
        return low + (high - low) * (np.arange(len(m)) + 0.5) / len(m), m


def single(values: Any) -> np.ndarray:
    return np.ascontiguousarray(values, dtype=np.float32)


def assert_same(compiled: np.ndarray, plain: np.ndarray, atol: float) -> None:
    """Equal where finite; where one is not finite (inf or NaN, as the sums' order has it) the other is not either."""
    finite = np.isfinite(plain)
    np.testing.assert_array_equal(np.isfinite(compiled), finite)
    np.testing.assert_allclose(compiled[finite], plain[finite], rtol=0, atol=atol)


def both(name: str, *args: Any, out: Any) -> list[tuple[Any, Any]]:
    """Run the kernel and its twin on copies of the arrays that take results: pairs of results.

    What one leaves alone the other must leave alone too; ``out``: arrays, or the shape of one.
    """
    arrays = [np.full(out, 7.0)] if isinstance(out, tuple) else out
    taken = [[array.copy() for array in arrays] for _ in range(2)]
    compiled = getattr(kernels, name)(*args, *taken[0])
    with np.errstate(invalid="ignore", divide="ignore"):
        plain = TWINS[name](*args, *taken[1])
    assert compiled == plain
    return list(zip(*taken, strict=True))
