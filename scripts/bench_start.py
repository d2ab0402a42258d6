"""A cold start: fresh processes, from the call to the verdict."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench_children import LISTEN, Ran, medians, ran
from bench_takes import write_sweep
from bench_words import losses, markdown, table

IMPORTS = "python, importing numpy, soundfile"
HEAD = ("", "time", "cpu", "peak memory")
UNITS = ("", " s", " s", " MB")


def measure(runs: int, folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Medians of so many fresh processes each, interleaved, after one of each that is not counted."""
    takes = {seconds: folder / f"start-{seconds}.wav" for seconds in (10, 60)}
    for seconds, path in takes.items():
        write_sweep(path, seconds)
    commands: dict[str, list[str]] = {
        "listen --help": [LISTEN, "--help"],
        IMPORTS: [sys.executable, "-c", "import numpy, soundfile"],
        "listen check, 10 s": [LISTEN, "check", "--wave", "any", str(takes[10])],
        "listen check, 60 s": [LISTEN, "check", "--wave", "any", str(takes[60])],
    }
    found: dict[str, list[Ran]] = {name: [] for name in commands}
    say(f"cold start: {runs} fresh processes of each, interleaved")
    for turn in range(runs + 1):
        for name, command in commands.items():
            one = ran(command, fine=(0, 1))
            if turn:
                found[name].append(one)
    rows = {name: medians(each) for name, each in found.items()}
    return {
        "rows": {n: {"seconds": r.wall_s, "cpu_s": r.cpu_s, "peak_mb": r.peak_mb} for n, r in rows.items()},
        "runs": runs,
    }


def _cells(found: dict[str, Any]) -> list[list[str | float | None]]:
    return [[name, row["seconds"], row["cpu_s"], row["peak_mb"]] for name, row in found["rows"].items()]


def lost(found: dict[str, Any]) -> list[str]:
    """A whole check against the bare imports of the libraries that such a tool stands on."""
    rows, words = found["rows"], {"seconds": ("listen check of 10 s is slower than", " s")}
    return losses(rows["listen check, 10 s"], {IMPORTS: rows[IMPORTS]}, words)


def lines(found: dict[str, Any]) -> list[str]:
    """The section as it is printed."""
    return [
        *table(HEAD, _cells(found), units=UNITS),
        f"Fresh processes with warm discs, medians of {found['runs']}, interleaved.",
    ]


def readme(found: dict[str, Any]) -> list[str]:
    """The section as a table of the README."""
    return markdown(("from the call to the answer", *HEAD[1:]), _cells(found), units=UNITS)
