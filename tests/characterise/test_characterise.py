"""The takes are mixed as they are said to be, a run goes on where it was stopped, the table counts right."""

from __future__ import annotations

import contextlib
from collections import Counter
from dataclasses import replace
from pathlib import Path

from tests.characterise import results
from tests.characterise.results import Result, smallest_found, table
from tests.characterise.takes import Job, class_of, jobs, times_of
from tests.takes import sounds
from tests.takes.class_single import CAUSES
from tests.takes.files import ensure


def _result(kind: str | None, size: float | None = None, found: bool = False, false: tuple[str, ...] = ()) -> Result:
    return Result(
        kind=kind,
        size=size,
        expected=bool(size and size > 2.3),
        found=found,
        false=list(false),
        seconds=36.0,
        times=size or 0.0,
    )


def test_half_are_solved_circuits_and_rooms() -> None:
    todo = jobs(200, 10)
    healthy = [job for job in todo if job.kind is None]
    assert len(healthy) == 200
    assert Counter(job.kind for job in todo if job.kind) == dict.fromkeys(CAUSES, 10)
    assert len({(job.class_name, job.variant, job.seed) for job in todo}) == len(todo)
    classes = Counter(job.class_name for job in healthy)
    assert classes["circuit"] == 50
    if sounds.folder() is not None:
        assert classes["room"] == 50
        assert sum(not job.variant.endswith("alone") for job in todo if job.kind) == 5 * len(CAUSES)
    # a run that is stopped early has some of each
    assert len({job.kind for job in todo[:60]}) > len(CAUSES) // 2


def test_the_smallest_fault_found() -> None:
    sizes = [1.0 + 0.01 * i for i in range(300)]
    assert smallest_found(sizes, [size >= 2.0 for size in sizes]) == 2.0
    # one of two hundred may be missed, a tenth may not
    assert smallest_found(sizes, [size >= 2.0 and size != sizes[290] for size in sizes]) == 2.0
    assert smallest_found(sizes, [i % 10 != 0 for i in range(300)]) != sizes[1]


def test_the_table_counts_alarms_by_the_hour() -> None:
    found = [_result("slow-start", 1.0), _result("slow-start", 3.0, True), _result("mains-hum", -45.0, True)]
    rows = table([*found, *[_result(None, false=("mains-hum",)) for _ in range(3)], *[_result(None)] * 97])
    by_kind = {row.split(" | ")[0].strip("| "): row for row in rows}
    assert by_kind["slow-start"].endswith("| 2 | 3 s | 0.5 | 1 of 1 | 1 of 1 | 0 | 0.00 |")
    assert by_kind["mains-hum"].endswith("| 1 | -45 dBc | -50 |  |  | 3 | 3.00 |")
    assert rows[-1] == "100 healthy takes, 1.00 h; 3 takes with a fault; 0 checks broke off."


def test_a_take_is_checked_once(tmp_path, monkeypatch) -> None:
    job, calls = Job(class_name="fault", variant="slow-start/alone", seed=1, kind="slow-start"), []

    def checked(asked: Job) -> Result:
        calls.append(asked)
        return _result("slow-start", 3.0, True)

    monkeypatch.setattr(results, "_checked", checked)
    first = results.result_of(job, tmp_path)
    assert results.result_of(job, tmp_path) == first
    assert calls == [job]
    # a result that was cut off, or of another program, counts no more
    (kept,) = tmp_path.glob("*.json")
    kept.write_text(kept.read_text()[:20])
    assert results.result_of(job, tmp_path) == first
    monkeypatch.setattr(results, "_program_digest", lambda: "another")
    results.result_of(job, tmp_path)
    assert len(calls) == 3


def test_the_size_asked_for_is_the_one_that_is_built(monkeypatch) -> None:
    """What was drawn is told again without making the take; what is less than twice the limit is not counted there."""
    job = Job(class_name="fault", variant="slow-start/alone", seed=7003, kind="slow-start")
    orders = []

    class Stop(Exception):
        pass

    class Cause:
        def needs(self, _rng, order):
            orders.append(order)
            raise Stop

    monkeypatch.setitem(CAUSES, "slow-start", Cause())
    with contextlib.suppress(RuntimeError):
        ensure(class_of(job), job.variant, job.seed, Path("."))
    assert orders[0].times == times_of(job)
    small = replace(_result("slow-start", 3.0, False), times=1.9)
    rows = table([small, _result("slow-start", 3.0, True)])
    assert "| 1 of 2 | 1 of 1 |" in next(row for row in rows if row.startswith("| slow-start"))
