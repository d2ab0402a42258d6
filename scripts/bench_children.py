"""Fresh processes: time, processor time and peak memory of each.

A child starts with its parent's memory on its record, so a small process of its own starts it: Linux keeps the largest
resident set over the change of program.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

LISTEN = str(Path(sys.executable).with_name("listen"))

_STARTER = """
import json, os, sys, time
begun = time.perf_counter()
child = os.fork()
if child == 0:
    out = os.open(os.devnull, os.O_WRONLY)
    os.dup2(out, 1)
    os.execvp(sys.argv[1], sys.argv[1:])
_, status, used = os.wait4(child, 0)
wall = time.perf_counter() - begun
code = os.waitstatus_to_exitcode(status)
scale = 1 if sys.platform == "darwin" else 1024
print(json.dumps([code, wall, used.ru_utime + used.ru_stime, used.ru_maxrss * scale / 1e6]))
"""


@dataclass(frozen=True)
class Ran:
    """One child: wall and processor seconds, peak resident megabytes (of 10^6 bytes)."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def ran(command: Sequence[str], *, fine: Sequence[int] = (0,)) -> Ran:
    """Run a command in a fresh process.

    Raises
    ------
    RuntimeError
        It left with another status than those that are fine.
    """
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", _STARTER, *command],
        capture_output=True,
        text=True,
        check=True,
    )
    code, wall, cpu, peak = json.loads(done.stdout.splitlines()[-1])
    if code not in fine:
        raise RuntimeError(f"{' '.join(command)} left with status {code}:\n{done.stderr}")
    return Ran(wall, cpu, peak)


def medians(runs: Sequence[Ran]) -> Ran:
    """Median time, the largest peak."""
    return Ran(
        float(np.median([one.wall_s for one in runs])),
        float(np.median([one.cpu_s for one in runs])),
        max(one.peak_mb for one in runs),
    )
