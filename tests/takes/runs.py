"""Make takes, check them, score them, and print what came of it."""

from __future__ import annotations

import fnmatch
import os
import sys
import warnings
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.takes.classes import CLASSES
from tests.takes.files import ensure
from tests.takes.scoring import Reported, Score, score


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One take to make and check."""

    class_name: str
    variant: str
    seed: int


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One take, checked."""

    job: Job
    name: str
    seconds: float
    expected: tuple[str, ...]
    reported: tuple[str, ...]
    score: Score | None
    error: str = ""


def jobs_of(names: Sequence[str], seeds: range, pattern: str = "*") -> list[Job]:
    """Return the takes of some classes; ``pattern`` picks variants."""
    return [
        Job(class_name=name, variant=variant, seed=seed)
        for name in names
        for seed in seeds
        for variant in CLASSES[name].variants()
        if fnmatch.fnmatch(variant, pattern)
    ]


def check(path: Path, truth: dict[str, Any], threads: int) -> list[Reported]:
    """Check a take as its truth says that it is to be checked."""
    import listen

    options = dict(truth["options"])
    bench = path.with_name(f"{truth['name']}.bench.toml") if options.pop("bench", None) else None
    result = listen.check(path, wave=truth["wave"], bench=bench, threads=threads, **options)
    return [
        Reported(
            kind=f.kind,
            severity=f.severity,
            half=getattr(f, "half", None),
            start_s=getattr(f, "start_s", None),
            end_s=getattr(f, "end_s", None),
            sentence=str(getattr(f, "sentence", "")),
        )
        for f in result.findings
    ]


def _words(item: dict[str, Any]) -> str:
    half = f" ({item['half']})" if item["half"] in ("positive", "negative") else ""
    also = f" or {'/'.join(item['also_accepted'])}" if item["also_accepted"] else ""
    return f"{item['kind']}{half}{also}"


def _told(finding: Reported) -> str:
    half = f" ({finding.half})" if finding.half in ("positive", "negative") else ""
    return f"{finding.kind}{half} {finding.severity}"


def run_one(job: Job, folder: Path, only_make: bool, threads: int) -> Outcome:
    """Make one take and, unless told otherwise, check and score it."""
    path, truth = ensure(CLASSES[job.class_name], job.variant, job.seed, folder)
    expected = tuple(_words(item) for item in truth["expected"]) + tuple(f"note {n}" for n in truth["notes"])
    result, reported, error = None, (), ""
    if not only_make:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                findings = check(path, truth, threads)
            result = score(truth, findings)
            reported = tuple(_told(f) for f in findings if f.severity != "note" or f.kind in truth["notes"])
        except Exception as fault:  # a check that breaks off is a wrong answer, not the end of the run
            error = f"{type(fault).__name__}: {fault}"
    return Outcome(
        job=job, name=truth["name"], seconds=truth["seconds"], expected=expected, reported=reported,
        score=result, error=error,
    )  # fmt: skip


def _work(arguments: tuple[Job, Path, bool, int]) -> Outcome:
    return run_one(*arguments)


def run(jobs: Sequence[Job], folder: Path, *, workers: int = 2, only_make: bool = False) -> list[Outcome]:
    """Run many takes over some processes, in order."""
    folder.mkdir(parents=True, exist_ok=True)
    threads = 1 if workers > 1 else 2
    todo = [(job, folder, only_make, threads) for job in jobs]
    if workers <= 1 or len(jobs) < 2:
        return [_work(one) for one in todo]
    with ProcessPoolExecutor(min(workers, os.cpu_count() or 1)) as pool:
        return list(pool.map(_work, todo, chunksize=1))


def say(text: str = "") -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")


def line_of(outcome: Outcome) -> str:
    """One line for a take: expected, reported, and what is amiss."""
    expected = ", ".join(outcome.expected) or "nothing"
    if outcome.error:
        return f"  {outcome.name}: expected {expected}; {outcome.error}"
    reported = ", ".join(outcome.reported) or "nothing"
    assert outcome.score is not None
    amiss = [f"missed {kind}" for kind in outcome.score.missed] + [f"false {kind}" for kind in outcome.score.false]
    return f"  {outcome.name}: expected {expected}; reported {reported}" + (f"; {', '.join(amiss)}" if amiss else "")


def print_table(outcomes: Sequence[Outcome], *, show: bool = False) -> None:
    """Print a row a class, then a line for each take that is wrong (all, if ``show``)."""
    say(f"{'class':16} {'takes':>6} {'right':>6} {'without notes':>14} {'severity off':>13} {'false an hour':>14}")
    names = list(dict.fromkeys(o.job.class_name for o in outcomes))
    for name in names:
        mine = [o for o in outcomes if o.job.class_name == name]
        scored = [o.score for o in mine if o.score is not None]
        hours = sum(o.seconds for o in mine) / 3600.0
        alarms = sum(len(s.false) for s in scored)
        say(
            f"{name:16} {len(mine):6} {sum(s.right for s in scored):6} "
            f"{sum(s.right_without_notes for s in scored):14} {sum(bool(s.wrong_severity) for s in scored):13} "
            f"{alarms / max(hours, 1e-9):14.1f}"
        )
    for outcome in outcomes:
        if show or outcome.error or outcome.score is None or not outcome.score.right:
            say(line_of(outcome))


def print_pairs(outcomes: Sequence[Outcome]) -> None:
    """Print right of all for each pair of kinds, kinds down and across."""
    cells: dict[tuple[str, str], list[bool]] = {}
    for outcome in outcomes:
        one, other = outcome.job.variant.split("/")
        right = bool(outcome.score and outcome.score.right)
        cells.setdefault((one, other), []).append(right)
        cells.setdefault((other, one), []).append(right)
    kinds = list(dict.fromkeys(kind for pair in cells for kind in pair))
    say("Right of all takes of each pair; columns are numbered as the rows are.")
    say(" " * 29 + "".join(f"{n + 1:>5}" for n in range(len(kinds))) + "   right")
    for n, row in enumerate(kinds):
        texts, all_right, count = [], 0, 0
        for column in kinds:
            cell = cells.get((row, column))
            texts.append("    ." if cell is None else f"{sum(cell):>3}/{len(cell)}")
            all_right += sum(cell or [])
            count += len(cell or [])
        say(f"{n + 1:>3} {row:25}" + "".join(texts) + f"   {all_right}/{count}")
