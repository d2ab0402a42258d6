"""Captures that no oscillator made end with a result or a line for the user (`mutants.py` makes any number of them)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from listen.track import frame_runs
from listen.track.grid import Grid, lay_grid
from tests.track import mutants


@pytest.mark.parametrize("seed", range(40))
def test_a_mutant_is_checked_or_refused(seed: int, tmp_path: Path) -> None:
    assert mutants.check(mutants.capture(seed), tmp_path / "mutant.wav") in {"checked", "refused"}


@pytest.mark.parametrize("seed", [1563, 1843, 2117, 2227, 2292, 2666])
def test_a_phase_that_does_not_rise_is_none(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sweep with holes, then what single precision hardly holds: two knots had one phase, and points lay nowhere."""
    laid = []

    def lay(x, curve, points, low, high) -> Grid:  # type: ignore[no-untyped-def]
        grid = lay_grid(x, curve, points, low, high)
        laid.append((curve.turns, grid))
        return grid

    monkeypatch.setattr(frame_runs, "lay_grid", lay)
    assert mutants.check(mutants.dying_sweep(seed), tmp_path / "mutant.wav") == "checked"
    assert laid
    for turns, grid in laid:
        assert (np.diff(turns) > 0).all()
        assert np.isfinite(grid.place).all()
        assert np.isfinite(grid.y).all()
