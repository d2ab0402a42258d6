"""Short takes for the tests of many, and stand-ins for the check that die at their work."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import soundfile

from listen.api import workers

RATE_HZ = 48_000
REAL = workers.check_task


def tone(path: Path, f0_hz: float = 440.0, *, seconds: float = 1.0, second_percent: float = 0.0) -> Path:
    """Write a sine with a second harmonic, and a little noise."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = 0.4 * np.cos(2 * np.pi * f0_hz * t) + 0.004 * second_percent * np.cos(4 * np.pi * f0_hz * t)
    x += 1e-5 * np.random.default_rng(round(f0_hz)).standard_normal(len(t))
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
    return path


def some_takes(folder: Path, count: int = 6) -> Path:
    """Write takes of different pitch, every third of them lopsided."""
    for i in range(count):
        tone(folder / f"take {i + 1}.wav", 220.0 + 37.0 * i, second_percent=5.0 if i % 3 == 2 else 0.0)
    return folder


def deadly(task: workers.Task) -> workers.Done:
    """Die at takes that are called so, every time."""
    if "deadly" in task.path:
        os.kill(os.getpid(), signal.SIGKILL)
    return REAL(task)


def deadly_once(task: workers.Task) -> workers.Done:
    """Die at the first take that gets hold of the mark beside it."""
    mark = Path(task.path).with_name("mark")
    if mark.exists():
        mark.unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    return REAL(task)


def slow(task: workers.Task) -> workers.Done:
    """Take half a second more."""
    time.sleep(0.5)
    return REAL(task)
