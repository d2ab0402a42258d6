"""Changed input of every kind, a few seeds of each; ``scripts/fuzz`` runs as many as one likes."""

from __future__ import annotations

import random
import sys

import pytest

from listen.errors import OptionError
from tests.fuzz import running
from tests.fuzz.mutations import mutate_bytes, mutate_tree
from tests.fuzz.targets import TARGETS, Base, make_base

SEEDS = range(1_000_000, 1_000_012)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Base:
    return make_base(tmp_path_factory.mktemp("fuzz"))


@pytest.mark.parametrize("target", TARGETS)
def test_changed_input_ends_with_a_result_or_a_line(base: Base, target: str) -> None:
    count, bad = running.run_many([target], SEEDS, base)
    assert count == len(SEEDS)
    assert running.table(bad) == []


def test_a_seed_makes_the_same_change_each_time_and_another_another() -> None:
    def made(seed: int) -> tuple[bytes, str]:
        return mutate_bytes(random.Random(seed), b"x" * 50), repr(mutate_tree(random.Random(seed), {"a": [1, 2, 3]}))

    assert made(5) == made(5)
    assert len({made(seed) for seed in range(50)}) > 30


def wrong_of(action, base: Base, monkeypatch: pytest.MonkeyPatch) -> tuple[str, ...]:
    monkeypatch.setitem(running.TARGETS, "made up", action)
    return running.run("made up", 1, base).wrong


def test_what_is_wrong_is_counted(base: Base, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(_rng: random.Random, _base: Base) -> int:
        raise IndexError("out of range")

    def complains(_rng: random.Random, _base: Base) -> int:
        raise OptionError("it cannot be", "mend it")

    def long_line(_rng: random.Random, _base: Base) -> int:
        sys.stderr.write("listen: " + "x" * 400 + "\n")
        return 7

    def slow(_rng: random.Random, _base: Base) -> int:
        monkeypatch.setattr(running, "LONGEST_RUN_S", -1.0)
        return 0

    assert wrong_of(breaks, base, monkeypatch) == ("traceback",)
    assert wrong_of(complains, base, monkeypatch) == ()
    assert wrong_of(long_line, base, monkeypatch) == ("over 300 characters", "status 7")
    assert wrong_of(slow, base, monkeypatch) == ("over -1 s",)
