"""Kill writers of a logbook again and again, and look whether all is there that they said was stored.

``python -m tests.logbook.kills 500`` has four processes writing at once, and kills one of them at a random moment,
so many times. Every 25 kills a new logbook is begun, so that its making is hit as well.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from listen.logbook import About, read_history, record

WRITERS = 4
KILLS_A_FILE = 25
_BULK = "x" * 20_000
"""A document is about as long as that of a check, so that an entry fills several pages of the file."""


@dataclass
class Tally:
    """What was done, and what was wrong."""

    kills: int = 0
    said: int = 0
    found: int = 0
    wrong: list[str] = field(default_factory=list)


def kill_writers(times: int, *, seed: int) -> Tally:
    """Kill writers so many times and return what was found."""
    rng = random.Random(seed)
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        while tally.kills < times and not tally.wrong:
            path = Path(folder) / f"{tally.kills}.sqlite"
            said = _one_file(path, min(KILLS_A_FILE, times - tally.kills), rng, tally)
            _look(path, said, tally)
    return tally


def _write(path: Path, name: str, line: Connection) -> None:
    """Write entry after entry, and say of each that it is stored, until killed."""
    try:
        for i in range(1_000_000):
            token = f"{name}-{i}"
            document = {"schema": "listen.check/1", "token": token, "bulk": _BULK}
            stored = record(document, build=f"board {i % 3}", path=path, about=About(note=token))
            line.send((stored.number, token))
    except Exception as error:
        line.send((0, f"{type(error).__name__}: {error}"))


def _one_file(path: Path, times: int, rng: random.Random, tally: Tally) -> dict[int, str]:
    """Let four write one logbook and kill one of them, so many times; return what they said."""
    said: dict[int, str] = {}
    writers: list[tuple[BaseProcess, Connection]] = []
    for i in range(times):
        while len(writers) < WRITERS:
            writers.append(_start(path, f"{i}-{len(writers)}"))
        time.sleep(rng.uniform(0.0, 0.04))
        process, line = writers.pop(rng.randrange(WRITERS))
        _end(process, line, said, tally)
        tally.kills += 1
    for process, line in writers:
        _end(process, line, said, tally)
    return said


def _start(path: Path, name: str) -> tuple[BaseProcess, Connection]:
    # A fork is at its first entry within milliseconds, so that kills land in writes and not in imports.
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_write, args=(path, name, theirs), daemon=True)
    process.start()
    theirs.close()
    return process, ours


def _end(process: BaseProcess, line: Connection, said: dict[int, str], tally: Tally) -> None:
    """Kill a writer and take down all that it had said until then."""
    process.kill()
    process.join()
    try:
        while line.poll():
            number, token = line.recv()
            if not number or number in said:
                tally.wrong.append(f"a writer said: {number} {token}")
            said[number] = token
    except (EOFError, OSError):  # its last word was cut off
        pass
    line.close()


def _look(path: Path, said: dict[int, str], tally: Tally) -> None:
    tally.said += len(said)
    if not path.exists():
        if said:
            tally.wrong.append(f"{path.name} is gone")
        return
    entries = {entry.number: entry for entry in read_history(path)} if said else {}
    tally.found += len(entries)
    for number, token in said.items():
        if number not in entries or entries[number].document["token"] != token:
            tally.wrong.append(f"{path.name}: entry {number} ({token}) was said to be stored and is not there")
    for entry in entries.values():
        if entry.document["bulk"] != _BULK or entry.note != entry.document["token"]:
            tally.wrong.append(f"{path.name}: entry {entry.number} is not whole")
    with closing(sqlite3.connect(path)) as connection:
        answer = connection.execute("PRAGMA integrity_check").fetchall()
    if answer != [("ok",)]:
        tally.wrong.append(f"{path.name}: {answer[:3]}")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    began = time.monotonic()
    result = kill_writers(count, seed=int(sys.argv[2]) if len(sys.argv) > 2 else os.getpid())
    lines = [
        *result.wrong,
        f"{result.kills} kills with {WRITERS} processes writing, {time.monotonic() - began:.0f} s: "
        f"{result.said} entries were said to be stored, {result.found} are there, {len(result.wrong)} complaints",
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    sys.exit(bool(result.wrong))
