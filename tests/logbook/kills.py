"""Kill writers of a logbook again and again, and look whether all is there that they said was stored.

``python -m tests.logbook.kills 500`` has four processes writing at once, and kills one of them at a random moment,
so many times. Every 25 kills another logbook is begun, so that its making is hit as well; every other one is of an
older layout, so that bringing it forward is.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from listen.logbook import About, read_history, record, verify

WRITERS = 4
KILLS_A_FILE = 25
OLD = Path(__file__).parent / "logbook-1.sqlite"


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
            old = tally.kills // KILLS_A_FILE % 2 == 1
            if old:
                shutil.copy(OLD, path)
            said = _one_file(path, min(KILLS_A_FILE, times - tally.kills), rng, tally)
            _look(path, said, 4 if old else 0, tally)
    return tally


def _document(token: str) -> dict[str, str]:
    # About as long as that of a check, so that an entry fills several pages of the file.
    return {"schema": "listen.check/1", "token": token, "bulk": "x" * 20_000}


def _write(path: Path, name: str, line: Connection) -> None:
    """Write entry after entry, and say of each that it is stored, until killed."""
    try:
        for i in range(1_000_000):
            token = f"{name}-{i}"
            stored = record(_document(token), build=f"board {i % 3}", path=path, about=About(note=token))
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


def _look(path: Path, said: dict[int, str], before: int, tally: Tally) -> None:
    """Look for all that was said, and at the `before` entries that were there at first."""
    tally.said += len(said)
    if not said and not before:
        return
    entries = {entry.number: entry for entry in read_history(path)}
    tally.found += len(entries) - before
    if set(range(1, before + 1)) - set(entries):
        tally.wrong.append(f"{path.name}: an entry of the older logbook is gone")
    for number, token in said.items():
        if number not in entries or entries[number].note != token:
            tally.wrong.append(f"{path.name}: entry {number} ({token}) was said to be stored and is not there")
    for number, entry in entries.items():
        if number > before and entry.document != _document(entry.note or ""):
            tally.wrong.append(f"{path.name}: entry {number} is not whole")
    tally.wrong += [f"{path.name}: {text}" for text in verify(path).wrong]


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
