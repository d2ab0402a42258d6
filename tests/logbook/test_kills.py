"""The short form of scripts/torture-logbook."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]


@pytest.mark.skipif(os.name == "nt", reason="POSIX processes")
def test_what_was_said_to_be_stored_is_there_after_kills_and_four_writers() -> None:
    # In a process of its own: the compiler's threads, which other tests start, do not live through a fork.
    done = subprocess.run(
        [sys.executable, "-m", "tests.logbook.kills", "50", "20260301"],
        cwd=REPO,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("50 kills with 4 processes writing")
    said = int(done.stdout.split(": ")[1].split()[0])
    assert said >= 20, "hardly anything was written: nothing was tried"
