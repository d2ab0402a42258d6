"""Many takes: one run over a folder with one process and with two."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bench_children import LISTEN, Ran, ran
from bench_takes import write_sweep
from bench_words import markdown, table

SECONDS = 10
HEAD = ("takes", "processes", "time", "takes / s", "cpu", "over one")
UNITS = ("", "", " s", "", " s", "")


def folder_of_takes(folder: Path, count: int) -> Path:
    """Copies of one take, each a file of its own."""
    place = folder / "many"
    place.mkdir()
    first = place / "take-000.wav"
    write_sweep(first, SECONDS)
    for i in range(1, count):
        shutil.copy(first, place / f"take-{i:03d}.wav")
    return place


def measure(count: int, runs: int, folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Medians of so many runs with each number of processes, in turn."""
    place = folder_of_takes(folder, count)
    found: dict[int, list[Ran]] = {1: [], 2: []}
    say(f"many takes: {count} takes of {SECONDS} s, {runs} runs with 1 and with 2 processes")
    for _ in range(runs):
        for workers, each in found.items():
            command = [LISTEN, "check", "--wave", "any", "--workers", str(workers), str(place)]
            each.append(ran(command, fine=(0, 1)))
    shutil.rmtree(place)
    rows = [
        {
            "workers": w,
            "wall_s": float(np.median([r.wall_s for r in each])),
            "cpu_s": float(np.median([r.cpu_s for r in each])),
        }
        for w, each in found.items()
    ]
    return {"rows": rows, "count": count, "runs": runs}


def _cells(found: dict[str, Any]) -> list[list[str | float | None]]:
    one = found["rows"][0]["wall_s"]
    return [
        [f"{found['count']} of {SECONDS} s", str(r["workers"]), r["wall_s"], found["count"] / r["wall_s"], r["cpu_s"],
         one / r["wall_s"]]
        for r in found["rows"]
    ]  # fmt: skip


def lines(found: dict[str, Any]) -> list[str]:
    """The section as it is printed."""
    return [
        *table(HEAD, _cells(found), units=UNITS),
        f"Whole runs, from the call to the table; medians of {found['runs']}.",
    ]


def lost(found: dict[str, Any]) -> list[str]:
    """Two processes that are no quicker than one."""
    one, two = (row["wall_s"] for row in found["rows"])
    return [f"two processes are slower than one: {two:.1f} s against {one:.1f} s"] if two >= one else []


def readme(found: dict[str, Any]) -> list[str]:
    """The section as a table of the README."""
    return markdown(HEAD, _cells(found), units=UNITS)
