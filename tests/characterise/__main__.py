"""``scripts/characterise``: the smallest fault found and the false alarms per hour, kind by kind, by seed."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.characterise.results import result_of, table
from tests.characterise.takes import jobs


def main() -> int:
    parser = argparse.ArgumentParser(prog="scripts/characterise", description=__doc__)
    parser.add_argument("--healthy", type=int, default=2000, metavar="N", help="healthy takes (default: 2000)")
    parser.add_argument(
        "--faulty", type=int, default=200, metavar="M", help="takes of each kind of fault (default: 200)"
    )
    parser.add_argument("--minutes", type=float, default=float("inf"), metavar="T", help="stop after so long")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "characterise", metavar="DIR",
        help="folder of results: a run that was stopped goes on from there",
    )  # fmt: skip
    parser.add_argument(
        "--table", type=Path, metavar="FILE", help="write the table there too, after every hundred takes"
    )
    options = parser.parse_args()
    options.cache.mkdir(parents=True, exist_ok=True)
    began_s, results = time.monotonic(), []
    todo = jobs(options.healthy, options.faulty)
    for number, job in enumerate(todo, start=1):
        results.append(result_of(job, options.cache))
        last = results[-1]
        if last.error or last.false or (last.expected and not last.found):
            amiss = last.error or ", ".join([f"false {kind}" for kind in last.false] or [f"missed {last.kind}"])
            sys.stderr.write(f"{number}/{len(todo)} {job.class_name} {job.variant} {job.seed}: {amiss}\n")
        if options.table is not None and number % 100 == 0:
            options.table.write_text("\n".join(table(results)) + "\n")
        if time.monotonic() - began_s > 60.0 * options.minutes:
            sys.stderr.write(f"stopped after {number} of {len(todo)} takes; the same command goes on from there\n")
            break
    text = "\n".join(table(results)) + "\n"
    if options.table is not None:
        options.table.write_text(text)
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
