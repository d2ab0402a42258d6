"""Errors of the account's parts lie within their stated standard deviations as often as they should.

A slice of ``python -m tests.account.stated_parts``.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.account.stated_parts import errors

SEEDS = (5, 11, 100)
"""In the first a parabola takes a twentieth of the depth, in the second the last step of the mains' fit is 0.001 Hz."""


FIGURES = {"hunting": 2, "line": 2, "mains": 2, "half_orders": 1, "burst": 3, "law": 1, "drift": 1, "dropout": 3}
FIGURES |= {"even_curve": 1, "odd_curve": 1, "dead_band": 1}


@pytest.mark.parametrize("family", FIGURES)
def test_deviations_of_parts_are_neither_missing_nor_far_off(family: str) -> None:
    found = errors([family], SEEDS)
    assert len(found) == FIGURES[family]
    for name, values in found.items():
        far = np.abs(values)
        assert np.isfinite(far).all(), name
        # of three normal errors the largest is over four deviations once in 5,000, the smallest over 2.2 once in 50,000
        assert far.max() < 4.0, name
        assert far.min() < 2.2, name
        # ... and all are under a twentieth of one once in 15,000
        assert far.max() > 0.05, name
