"""Whether accounts add up: the parts' shares of the distortion against what was measured, and what none explains.

``python -m tests.account.adding single pair --seeds 0:2 --folder FOLDER`` says so of takes by class and number.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import listen
from listen.account import Account
from listen.account.figures import worst_distortion_row

SUMS_WITHIN, UNEXPLAINED = 0.1, 0.2
"""The squares of the shares add up to the measured square within a tenth; no part explains less than a fifth of it."""
LEAST_PERCENT = 0.3
"""Distortion below this is a healthy build's own and the recording's noise: nothing is to be explained."""


@dataclass(frozen=True, kw_only=True)
class Sum:
    """Measured distortion at its worst, and what the parts' shares come to."""

    name: str
    measured_percent: float
    ratio: float
    """Sum of the squares over the measured square."""
    unexplained: float
    """Part of that sum that belongs to no part."""

    @property
    def holds(self) -> bool:
        return abs(self.ratio - 1) < SUMS_WITHIN and self.unexplained < UNEXPLAINED


def sum_of_account(name: str, account: Account | None) -> Sum | None:
    """None where there is nothing to be explained."""
    if account is None:
        return None
    row = worst_distortion_row(account) if account.is_oscillator and account.judged.any() else None
    if row is None or account.other_wave is not None:
        return None
    measured = float(account.recorded.thd_percent[row])
    if not measured > LEAST_PERCENT:
        return None
    squares = [(share.part, share.value**2) for share in account.shares.thd]
    total = sum(value for _, value in squares)
    left = sum(value for part, value in squares if part is None)
    return Sum(name=name, measured_percent=measured, ratio=total / measured**2, unexplained=left / max(total, 1e-12))


def sum_of_file(path: Path, **options: object) -> Sum | None:
    return sum_of_account(path.stem, listen.check(path, **options).judgement.account)


def sums_of_takes(classes: list[str], seeds: range, folder: Path, pattern: str = "*") -> Iterator[Sum]:
    from tests.takes.classes import CLASSES
    from tests.takes.files import ensure
    from tests.takes.runs import jobs_of

    for job in jobs_of(classes, seeds, pattern):
        path, truth = ensure(CLASSES[job.class_name], job.variant, job.seed, folder)
        options = {key: value for key, value in truth["options"].items() if key != "bench"}
        if truth["wave"] == "sine":
            found = sum_of_file(path, wave="sine", **options)
            if found is not None:
                yield found


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.account.adding", description=__doc__)
    parser.add_argument("classes", nargs="+")
    parser.add_argument("--seeds", default="0:1")
    parser.add_argument("--only", default="*")
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    first, last = map(int, options.seeds.split(":"))
    with tempfile.TemporaryDirectory() as own:
        folder = options.folder or Path(own)
        folder.mkdir(parents=True, exist_ok=True)
        found = list(sums_of_takes(options.classes, range(first, last), folder, options.only))
    for one in found:
        if not one.holds:
            sys.stdout.write(f"{one.name}: {one.measured_percent:.2f} %, sum {one.ratio:.3f}, {one.unexplained:.2f}\n")
    sys.stdout.write(f"{sum(one.holds for one in found)} of {len(found)} add up\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
