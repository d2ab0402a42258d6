"""A few of the takes that ``python -m tests.calibration.unseen`` scores by the hundred."""

from __future__ import annotations

import pytest

from tests.calibration.unseen import unseen, wrong


@pytest.mark.parametrize("seed", range(6))
def test_takes_are_wholly_right(tmp_path, seed):
    assert wrong(unseen(seed), tmp_path) == []
