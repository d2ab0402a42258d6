"""Takes of a few rows are judged as far as they go; 50 ms is the least."""

from __future__ import annotations

import numpy as np
import pytest

from tests.tones import check_of, times


@pytest.mark.parametrize("seconds", [0.05, 0.06, 0.08, 0.1, 0.12, 0.14, 0.16, 0.2])
@pytest.mark.parametrize("wave", ["sine", "triangle", "square", "any"])
def test_a_short_take_is_judged(seconds: float, wave: str) -> None:
    result = check_of(0.3 * np.cos(2 * np.pi * 500.0 * times(seconds)), wave=wave)
    # ten frames are enough to tell a sine from what was stated
    found = {f.kind for f in result.findings if f.severity != "note"}
    assert found <= ({"wrong-wave"} if wave in ("triangle", "square") and seconds >= 0.2 else set())
    assert len(result.frames) == pytest.approx(seconds / 0.02, abs=1)


def test_a_short_take_with_lost_samples_is_judged() -> None:
    x = 0.3 * np.cos(2 * np.pi * 500.0 * times(0.1))
    x[2000:2060] = 0.0
    assert "capture-gap" in {finding.kind for finding in check_of(x).findings}
