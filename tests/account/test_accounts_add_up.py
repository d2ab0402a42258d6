"""The parts of a take make what was measured, and little of it is left unexplained."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.account.adding import Sum, sum_of_account, sum_of_file, sums_of_takes
from tests.accounts import account_of, plain_frames
from tests.findings import takes
from tests.tones import check_of

FIXTURES = sorted((Path(__file__).resolve().parents[2] / "fixtures").glob("sine-*.wav"))
Maker = Callable[[], np.ndarray]
MADE: dict[str, Maker] = {
    "one half clipped": lambda: takes.clipped(9.0),
    "the other half clipped": lambda: takes.clipped(15.0, "negative"),
    "both halves clipped": lambda: takes.clipped(6.0, "both"),
    "even curve": lambda: takes.lopsided(3.0),
    "odd curve": lambda: takes.rounded(2.0),
    "dead band": lambda: takes.crossover(4.0),
    "slewing": lambda: takes.slewed(1.3),
    "clipped and hunting": lambda: np.clip(takes.hunting(3.0), -0.24, 1.0),
}


def test_every_account_of_known_waves_adds_up() -> None:
    sums = [(name, sum_of_account(name, check_of(make()).judgement.account)) for name, make in MADE.items()]
    assert [name for name, found in sums if found is None] == []
    assert [found for _, found in sums if found is not None and not found.holds] == []


def test_the_fixtures_add_up() -> None:
    found = [one for path in FIXTURES if (one := sum_of_file(path)) is not None]
    assert found
    assert [one for one in found if not one.holds] == []


def test_takes_with_one_fault_and_two_add_up(tmp_path: Path) -> None:
    """Of 100 takes by number 95 are to; of these few, all but one."""
    chosen = ("even-order-distortion", "crossover-distortion", "asymmetric-clipping/mains-hum")
    sums = [one for name in chosen for one in sums_of_takes(["single", "pair"], range(1), tmp_path, name)]
    assert len(sums) >= 2
    assert sum(not one.holds for one in sums) <= 1, sums


@pytest.mark.parametrize(("ratio", "left", "holds"), [(1.05, 0.1, True), (1.12, 0.0, False), (1.0, 0.25, False)])
def test_what_adds_up(ratio: float, left: float, holds: bool) -> None:
    assert Sum(name="", measured_percent=1.0, ratio=ratio, unexplained=left).holds is holds


def test_a_healthy_tone_has_nothing_to_explain() -> None:
    assert sum_of_account("", account_of(plain_frames(thd_percent=0.05))) is None
