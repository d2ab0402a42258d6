"""Kill a writer again and again, and look at what it leaves: ``python -m tests.report.kills 500``."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SIZE = 1_000_000
_WRITER = """
import sys
from listen.report.files import write_whole
print("ready", flush=True)
while True:
    for letter in (b"a", b"b"):
        write_whole(sys.argv[1], letter * int(sys.argv[2]))
"""


def kill_writers(times: int, *, seed: int) -> list[str]:
    """Kill a writer so many times at a random moment and return what was wrong afterwards.

    The first moments are those in which the file does not exist yet.
    """
    rng = random.Random(seed)
    wrong = []
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "result.json"
        for i in range(times):
            if i % 2:
                target.unlink(missing_ok=True)
            _kill_one(target, rng.uniform(0.0, 0.03))
            for found in Path(folder).iterdir():
                data = found.read_bytes()
                if len(data) != SIZE or len(set(data)) != 1:
                    wrong.append(f"kill {i}: {found.name} has {len(data)} bytes of {sorted(set(data))}")
                # Between its naming and its renaming a whole copy may be left beside an older file.
                if found != target:
                    found.unlink()
    return wrong


def _kill_one(target: Path, after_s: float) -> None:
    command = [sys.executable, "-c", _WRITER, str(target), str(SIZE)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(after_s)
        process.kill()


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    complaints = kill_writers(count, seed=int(time.time()))
    sys.stdout.write("\n".join([*complaints, f"{count} kills, {len(complaints)} complaints", ""]))
    sys.exit(bool(complaints))
