"""The kernel of a cycle through a chain of stages against its plain twin."""

from __future__ import annotations

import itertools
from threading import Thread

import numpy as np
import pytest

from listen.account.curve.wave import NO_KNEE, ORDERS, SLOW
from listen.native import kernels
from tests.track.twins import both

COLUMNS = 15
KNEE, CORNER, EVEN_RE, EVEN_IM, ODD_RE, ODD_IM, BEND, BEND_AT, BEND_WIDTH, DEAD, TOP, BOTTOM, STEEP, LAG, LEAN = range(
    COLUMNS
)
FLAGS = list(itertools.product([False, True], repeat=5))
PARTS = {
    "even": (EVEN_RE, EVEN_IM),
    "odd": (ODD_RE, ODD_IM),
    "bend": (BEND,),
    "dead": (DEAD,),
    "top": (TOP,),
    "bottom": (BOTTOM,),
    "slew": (STEEP, LEAN),
}
NONE = np.array([0.01, 0, 0, 0, 0, 0, 0, 1.0, 0.07, 0, NO_KNEE, NO_KNEE, 0, 0, 0])
RANGES = np.array(
    [
        *((0.001, 0.4), (0.0, 0.5), (-0.1, 0.1), (-0.1, 0.1), (-0.1, 0.1), (-0.1, 0.1), (0.0, 0.5), (0.05, 1.5)),
        *((0.02, 0.3), (0.0, 0.4), (0.3, 1.3), (0.3, 1.3), (0.0, 2.5), (0.0, 0.5), (-0.5, 0.5)),
    ]
)
"""What a fit lets each value be (the bounds of parameters.py)."""
WIDTHS = (0.05, 0.07)
"""A fit and its derivative have two widths in a call."""


def random_rows(seed: int, n: int, parts: list[str]) -> np.ndarray:
    """Rows in which these parts are there, and of each now and then one is not."""
    rng = np.random.default_rng(seed)
    table = np.tile(NONE, (n, 1))
    values = RANGES[:, 0] + (RANGES[:, 1] - RANGES[:, 0]) * rng.random((n, COLUMNS))
    for column in (KNEE, CORNER, BEND_AT, LAG):
        table[:, column] = values[:, column]
    # one call has the widths of a fit and of its derivative
    table[:, BEND_WIDTH] = rng.choice(WIDTHS, n)
    for part in parts:
        there = rng.random(n) < 0.8
        for column in PARTS[part]:
            table[there, column] = values[there, column]
    return table


def measured_lines(seed: int, rows: int) -> np.ndarray:
    """Harmonics of a bent wave: H2 of some per cent, the higher the fainter."""
    rng = np.random.default_rng(seed)
    lines = 0.08 * rng.standard_normal((rows, ORDERS - 1, 2)) / np.arange(1, ORDERS)[:, None] ** 2
    return np.ascontiguousarray(lines.reshape(rows, -1))


def compare(table: np.ndarray, returned: np.ndarray, flags: tuple[bool, ...]) -> np.ndarray:
    ((compiled, plain),) = both("staged_lines", table, returned, *flags, out=(len(table), 2 * ORDERS))
    assert np.isfinite(plain).all()
    # the tables of diodes differ by 1e-9, which grows in a loop that goes round with halves that are not alike
    close = 1e-5 if flags[3] and flags[4] else 1e-7
    np.testing.assert_allclose(compiled, plain, rtol=close, atol=close)
    return compiled


@pytest.mark.parametrize("flags", FLAGS, ids=lambda flags: "".join("01"[flag] for flag in flags))
def test_all_parts_at_once(flags: tuple[bool, ...]) -> None:
    # more rows than the lanes of any processor, and some left over
    compare(random_rows(5, 37, list(PARTS)), measured_lines(6, 5), flags)


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("flags", [FLAGS[0], FLAGS[1], FLAGS[2], FLAGS[16], FLAGS[-1]])
def test_each_part_alone_and_all_but_it(part: str, flags: tuple[bool, ...]) -> None:
    returned = measured_lines(8, 11)
    compare(random_rows(7, 11, [part]), returned, flags)
    compare(random_rows(9, 11, [other for other in PARTS if other != part]), returned, flags)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 7, 8, 9, 16, 17])
def test_any_number_of_rows(n: int) -> None:
    whole = random_rows(11, 17, list(PARTS))
    # so that each call follows cycles of as many points
    whole[0, STEEP] = 1.5
    found = compare(whole[:n], measured_lines(12, 3), (True, False, False, True, False))
    np.testing.assert_allclose(
        found, compare(whole, measured_lines(12, 3), (True, False, False, True, False))[:n], rtol=0, atol=1e-12
    )


@pytest.mark.parametrize("width", [0.02, 0.07, 0.12, 0.2, 0.3])
@pytest.mark.parametrize("solved", [False, True])
def test_diodes_of_any_width_that_a_fit_may_try(width: float, solved: bool) -> None:
    table = random_rows(21, 40, ["bend"])
    table[:, BEND_WIDTH] = width
    # driven from a little to twenty times the voltage from which they conduct
    table[:, BEND_AT] = np.geomspace(0.05, 1.5, 40)
    compare(table, measured_lines(22, 1), (solved, False, False, False, False))


def test_many_widths_of_diodes_in_one_call() -> None:
    table = random_rows(13, 24, ["bend"])
    table[:, BEND], table[:, BEND_WIDTH] = 0.3, np.linspace(0.02, 0.08, 24)
    compare(table, measured_lines(14, 1), (True, False, False, False, False))


def test_measured_lines_of_fewer_rows_are_taken_again_and_again() -> None:
    table, returned = random_rows(15, 20, ["top", "even"]), measured_lines(16, 4)
    flags = (False, True, True, True, False)
    once = compare(table, returned, flags)
    again = compare(table, np.ascontiguousarray(np.tile(returned, (5, 1))), flags)
    # later rows start from what the first ones settled at, and are right to what two turns leave
    np.testing.assert_allclose(once, again, rtol=0, atol=2e-5)


def test_nothing_is_a_sine() -> None:
    for flags in FLAGS:
        out = compare(np.tile(NONE, (3, 1)), np.zeros((1, 18)), flags)
        np.testing.assert_allclose(out, np.eye(20)[18] + np.eye(20)[19] + np.zeros((3, 20)), atol=1e-12)


@pytest.mark.parametrize("steep", [0.0, SLOW, SLOW + 1e-9, 1.0, 4.0, 1e6])
@pytest.mark.parametrize("lag", [0.0, 1e-9, 0.5])
def test_slopes_at_the_ends_of_their_range(steep: float, lag: float) -> None:
    table = np.tile(NONE, (5, 1))
    table[:, STEEP], table[:, LAG] = steep, lag
    for flags in ((False, True, True, False, False), (True, False, False, True, False)):
        compare(table, measured_lines(17, 5), flags)


@pytest.mark.parametrize("level", [1e-3, 0.2, 1.0, 3.9999, NO_KNEE, 5.0])
def test_levels_at_the_ends_of_their_range(level: float) -> None:
    table = np.tile(NONE, (5, 1))
    table[:, TOP], table[:, BOTTOM], table[:, KNEE] = level, 0.5 * (level + 1.0), 1e-3
    for flags in ((False, True, True, False, False), (True, False, False, True, False)):
        compare(table, measured_lines(18, 5), flags)


def test_no_row_is_changed_by_the_others() -> None:
    """Rows with and without a part share a group of lanes."""
    table, returned = random_rows(19, 16, list(PARTS)), measured_lines(20, 16)
    table[:, STEEP] = 0.0
    flags = (True, False, True, True, False)
    together = compare(table, returned, flags)
    for i in range(16):
        own = np.empty((1, 20))
        kernels.staged_lines(table[i : i + 1].copy(), returned[i : i + 1].copy(), *flags, own)
        np.testing.assert_allclose(own[0], together[i], rtol=0, atol=1e-12)


def test_widths_that_came_before_change_nothing() -> None:
    rng = np.random.default_rng(5)
    every = np.linspace(0.03, 0.28, 23)
    returned = measured_lines(5, 1)
    flags = (True, False, False, True, False)
    for _ in range(60):
        table = random_rows(int(rng.integers(1000)), 24, ["bend"])
        table[:, BEND_WIDTH] = rng.choice(every, 24)
        out, alone = np.empty((2, 24, 2 * ORDERS))
        kernels.staged_lines(table, returned, *flags, out)
        # the tables of diodes are those of a thread: a new one begins without
        thread = Thread(target=kernels.staged_lines, args=(table, returned, *flags, alone))
        thread.start()
        thread.join()
        np.testing.assert_array_equal(out, alone)
