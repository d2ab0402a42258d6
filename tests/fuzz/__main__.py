"""``python -m tests.fuzz [TARGET ...] --seeds 0:1000``: changed input for everything that reads files of others."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.running import run_many, table
from tests.fuzz.targets import TARGETS, make_base


def main() -> int:
    parser = argparse.ArgumentParser(prog="scripts/fuzz", description=__doc__)
    parser.add_argument("targets", metavar="TARGET", nargs="*", help=f"of {', '.join(TARGETS)} (default: all)")
    parser.add_argument("--seeds", default="0:300", metavar="FIRST:END", help="seeds of each target (default: 0:300)")
    options = parser.parse_args()
    unknown = [target for target in options.targets if target not in TARGETS]
    if unknown:
        parser.error(f"no target {unknown[0]}; known: {', '.join(TARGETS)}")
    first, _, end = options.seeds.partition(":")
    seeds = range(int(first), int(end))
    status = 0
    with tempfile.TemporaryDirectory(dir=_quick_folder()) as folder:
        base = make_base(Path(folder))
        for target in options.targets or TARGETS:
            began_s = time.monotonic()
            count, bad = run_many([target], seeds, base)
            head = f"{target:8} {count:7d} runs, {len(bad)} ended wrongly, {time.monotonic() - began_s:.0f} s"
            sys.stdout.write("\n".join([head, *table(bad), ""]))
            sys.stdout.flush()
            status = status or int(bool(bad))
    sys.stdout.write(f"most memory: {_peak_mb():.0f} MB\n")
    return status


def _quick_folder() -> str | None:
    """A folder in memory where there is one: most of a logbook's time is the disc's."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) and "TMPDIR" not in os.environ else None


def _peak_mb() -> float:
    """The most memory that this process ever had; the system counts in kB, macOS in bytes."""
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


if __name__ == "__main__":
    sys.exit(main())
