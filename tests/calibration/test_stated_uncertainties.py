"""Errors of what a calibration states lie within one stated standard deviation in about 68 of 100 cases.

Monte-Carlo over tables and notes with known truth. Of half the tables the steps scatter as is usual, of the others
three times as much, which only their residuals can say.
"""

from __future__ import annotations

import pytest

from tests.calibration.stated import clock_errors, contact_errors, loop_errors, pitch_errors, shares, table_errors

TABLES, NOTES, CONTACTS, LOOPS = 300, 120, 140, 26
LEAST, MOST = 0.60, 0.76
STATED = (
    "octaves per volt",
    "voltage of a note",
    "hertz per volt",
    "exponent",
    "split, scale",
    "split, proportional",
    "split, inverse",
)


@pytest.fixture(scope="module")
def of_tables() -> dict[str, tuple[float, int]]:
    return shares([table_errors(seed, size) for seed in range(TABLES) for size in (1.0, 3.0)])


@pytest.mark.parametrize("name", STATED)
def test_of_a_table(of_tables: dict[str, tuple[float, int]], name: str) -> None:
    share, count = of_tables[name]
    assert count > TABLES
    assert LEAST <= share <= MOST


def test_of_a_held_note() -> None:
    """A third of the notes has no pitch noise of its own."""
    found = shares([pitch_errors(seed) for seed in range(NOTES)])
    assert set(found) == {"pitch of a row", "settled pitch"}
    for share, count in found.values():
        assert count >= NOTES
        assert LEAST <= share <= MOST


def test_of_the_recording_chain() -> None:
    """The coupling's corner from a cell, the clock against a reference that wanders, the response of a loop."""
    found = shares([contact_errors(seed) for seed in range(2 * CONTACTS)])
    assert set(found) == {"corner of one coupling", "corners of two couplings"}
    found |= shares([clock_errors(seed) for seed in range(TABLES)])
    found |= shares([loop_errors(seed) for seed in range(LOOPS)])
    for name, (share, count) in found.items():
        assert count > 0.75 * CONTACTS, name
        assert LEAST <= share <= MOST, name
