"""Command line: make takes of a class, check them, and say how many are right."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from tests.takes.classes import CLASSES
from tests.takes.runs import jobs_of, print_pairs, print_table, run, say


def _seeds(text: str) -> range:
    first, colon, last = text.partition(":")
    try:
        return range(int(first), int(last) if colon else int(first) + 1)
    except ValueError as fault:
        raise argparse.ArgumentTypeError(f"seeds are A:B or one number, not {text!r}") from fault


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.takes", description=__doc__)
    parser.add_argument("what", choices=[*CLASSES, "all", "table"], help="a class; all; or the table of all pairs")
    parser.add_argument("--seeds", type=_seeds, default=range(0, 1), metavar="A:B", help="from A to before B")
    parser.add_argument("--only", default="*", metavar="PATTERN", help="variants by pattern, as of file names")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "takes", metavar="DIR")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--sounds", type=Path, metavar="DIR", help="folder of recorded sounds (else $LISTEN_SOUNDS)")
    parser.add_argument("--only-make", action="store_true", help="make the files, check nothing")
    parser.add_argument("--show", action="store_true", help="a line for every take, not for wrong ones alone")
    return parser


def main() -> int:
    """Run; status 1 if a take is wrong."""
    arguments = _parser().parse_args()
    if arguments.sounds is not None:
        os.environ["LISTEN_SOUNDS"] = str(arguments.sounds.resolve())
    names = list(CLASSES) if arguments.what == "all" else ["pair" if arguments.what == "table" else arguments.what]
    jobs = jobs_of(names, arguments.seeds, arguments.only)
    if not jobs:
        say("No takes: the class needs recorded sounds that this machine lacks, or no variant fits --only.")
        return 0
    outcomes = run(jobs, arguments.cache, workers=arguments.workers, only_make=arguments.only_make)
    if arguments.only_make:
        say(f"{len(outcomes)} takes, {sum(o.seconds for o in outcomes):.0f} s of sound, in {arguments.cache}")
        return 0
    if arguments.what == "table":
        print_pairs(outcomes)
    print_table(outcomes, show=arguments.show)
    return int(any(o.score is None or not o.score.right for o in outcomes))


if __name__ == "__main__":
    sys.exit(main())
