"""Quick retunes to notes so low that the tone is read some cycles after the move alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.tones import RATE_HZ, check_of, white


def take(bounce_db: float, low_hz: float) -> np.ndarray:
    """Rests at 1.6 times a low note, there, and back at the first; each move takes 60 ms."""
    t = np.arange(round(8.4 * RATE_HZ)) / RATE_HZ
    octaves, level_db = np.full(len(t), np.log2(1.6)), np.zeros(len(t))
    for at_s, way in ((2.8, -1.0), (5.6, 1.0)):
        octaves += way * np.log2(1.6) * np.clip((t - at_s) / 0.06, 0.0, 1.0)
        since = t - at_s - 0.06
        ring = bounce_db * np.exp(-np.maximum(since, 0.0) / 0.25) * np.cos(2 * np.pi * 3.4 * since)
        # what the move itself makes of the level is hidden
        level_db += np.where(since > 0, ring, bounce_db * np.clip(1.0 + since / 0.06, 0.0, 1.0))
    phase = 2 * np.pi * np.cumsum(low_hz * 2.0**octaves) / RATE_HZ
    return np.asarray(0.3 * 10 ** (level_db / 20) * np.sin(phase) + white(len(t), -80.0))


@pytest.mark.parametrize("low_hz", [18.0, 21.7, 26.0])
@pytest.mark.parametrize(("bounce_db", "kinds"), [(4.0, {"amplitude-bounce"}), (0.0, set())])
def test_a_bounce_after_the_move_is_found(low_hz: float, bounce_db: float, kinds: set[str]) -> None:
    found = {f.kind for f in check_of(take(bounce_db, low_hz), RATE_HZ).findings if f.severity != "note"}
    assert found == kinds
