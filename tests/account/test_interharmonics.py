"""What lies between the harmonics, and whether it goes on where nothing else sounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.bursts import Bursts
from listen.account.fixed_lines import FixedLine, lasts
from listen.account.half_orders import HalfOrders
from listen.account.interharmonics import InterharmonicParts

WINDOWS_S = np.arange(0.1, 10.0, 0.2)
ROWS_S = np.arange(0.0, 10.0, 0.02)
TOUCHED = (ROWS_S > 4.0) & (ROWS_S < 6.0)


def line(inside_dbfs: float, outside_dbfs: float) -> FixedLine:
    """Of one level within the rows that are touched, of another outside."""
    level = np.where((WINDOWS_S > 4.0) & (WINDOWS_S < 6.0), inside_dbfs, outside_dbfs)
    return FixedLine(frequency_hz=106.0, time_s=WINDOWS_S, level_dbfs=level, level_dbc=-40.0, of_the_recording=None)


@pytest.mark.parametrize(("outside_dbfs", "goes_on"), [(-50.0, True), (-69.0, True), (-71.0, False), (-95.0, False)])
def test_a_line_that_keeps_less_than_a_tenth_outside_the_events_ends_with_them(
    outside_dbfs: float, goes_on: bool
) -> None:
    assert lasts(line(-50.0, outside_dbfs), ROWS_S, TOUCHED) is goes_on


def test_a_line_that_comes_again_at_every_pass_is_the_boards() -> None:
    assert lasts(replace(line(-50.0, -95.0), comes_again=True), ROWS_S, TOUCHED)


def test_a_line_that_is_louder_outside_goes_on() -> None:
    assert lasts(line(-95.0, -50.0), ROWS_S, TOUCHED)


def test_one_in_twenty_of_the_windows_outside_is_enough() -> None:
    """A board's line that shows in one zone of the tuning."""
    one = line(-50.0, -95.0)
    one.level_dbfs[:3] = -50.0
    assert lasts(one, ROWS_S, TOUCHED)
    one.level_dbfs[1:3] = -95.0
    assert not lasts(one, ROWS_S, TOUCHED)


@pytest.mark.parametrize(("seen", "goes_on"), [(2, True), (3, False)])
def test_of_too_few_windows_nothing_is_concluded(seen: int, goes_on: bool) -> None:
    one = line(-50.0, -95.0)
    one.level_dbfs[seen:20] = np.nan
    one.level_dbfs[30:] = np.nan
    assert lasts(one, ROWS_S, TOUCHED) is goes_on
    one = line(-50.0, -95.0)
    one.level_dbfs[20 + seen : 30] = np.nan
    assert lasts(one, ROWS_S, TOUCHED) is goes_on


def test_lines_of_the_events_are_taken_out() -> None:
    n = len(ROWS_S)
    halves = HalfOrders(level_dbc=np.full(n, -np.inf), seen=np.zeros(n, dtype=bool))
    bursts = Bursts(level_dbc=np.full(n, -np.inf), cycle=np.zeros(n))
    short, long = line(-50.0, -95.0), line(-50.0, -50.0)
    found = InterharmonicParts(half_orders=halves, bursts=bursts, lines=(short, long))
    assert found.without_events(ROWS_S, TOUCHED).lines == (long,)
    kept = InterharmonicParts(half_orders=halves, bursts=bursts, lines=(long,))
    assert kept.without_events(ROWS_S, TOUCHED) is kept
