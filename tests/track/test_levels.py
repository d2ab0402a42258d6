"""Which rows hold a tone."""

from __future__ import annotations

import numpy as np
import pytest

from listen.track.levels import _has_tone
from tests.tones import frames_of, times, white


def table(**changes: list[float]) -> dict[str, np.ndarray]:
    harmonics = np.zeros((4, 10), dtype=complex)
    harmonics[:, 0] = changes.pop("size", [0.3, 0.3, 0.3, 0.3])
    columns = {"f0": [440.0] * 4, "noise": [1e-9] * 4, "centred": [1.0] * 4, "power": [0.045] * 4} | changes
    return {"harmonics": harmonics} | {name: np.array(values) for name, values in columns.items()}


def has_tone(residual: tuple[float, ...] = (0.0,) * 4, **changes: list[float]) -> list[bool]:
    return _has_tone(table(**changes), np.array(residual)).tolist()


def test_a_row_with_lines_beyond_all_bounds_takes_no_other_with_it() -> None:
    """Its pitch came out negative, or it says less than its residual: a fit that met two sounds at once."""
    assert has_tone() == [True] * 4
    assert has_tone(f0=[440.0, -14.0, 440.0, 440.0], size=[0.3, 5e4, 0.3, 0.3]) == [True, False, True, True]
    assert has_tone((0.0, 1e16, 0.0, 0.0), size=[0.3, 5e4, 0.3, 0.3]) == [True, False, True, True]


def test_what_lies_62_db_under_the_loudest_row_is_no_tone() -> None:
    faint = 0.3 * 10 ** (-61.9 / 20), 0.3 * 10 ** (-62.1 / 20)
    assert has_tone(size=[0.3, *faint, 0.3]) == [True, True, False, True]
    # noise and residual take a row, too
    assert has_tone((0.0, 0.0091, 0.0, 0.0), noise=[1e-9, 1e-9, 0.023, 1e-9]) == [True, False, False, True]


@pytest.mark.parametrize("note_hz", [131.0, 133.0])
def test_a_board_that_is_switched_on_beside_a_fainter_note_of_its_own_pitch_is_heard(note_hz: float) -> None:
    """A radio 50 dB down plays on, and stops 62 ms before the board starts a quarter of a semitone higher."""
    t = times(6.0)
    radio = 0.001 * sum(np.cos(2 * np.pi * note_hz * k * t + k) for k in (1.0, 1.26, 1.5))
    board = np.where(t > 2.16, 0.4 * np.cos(2 * np.pi * 133.7 * (t - 2.16)), 0.0)
    frames = frames_of(radio + board + white(len(t), -90.0))
    assert frames.oscillating[frames.time_s > 2.5].all()
