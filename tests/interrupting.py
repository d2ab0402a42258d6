"""Signals at random instants of a run: ``python -m tests.interrupting 100`` says which of so many ended otherwise.

Good is a status of 130 with one line, or an end as if nothing had come; SIGTERM has a second; files are whole.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

REPO = Path(__file__).resolve().parents[1]
RATE_HZ = 48_000
WITHIN_S = 1.0
PATIENCE_S = 20.0
CALLS: dict[str, Sequence[str]] = {
    "check": ("check", "take 0.wav", "--json", "out.json", "--report", "pages"),
    "workers": ("check", ".", "--workers", "2", "--keep", "kept", "--json", "out.json"),
    "compare": ("compare", "take 0.wav", "take 1.wav", "--json", "out.json"),
    "stream": ("check", "-", "--json", "out.json"),
    "calibrate": ("calibrate", "../stairs.wav", "--cv-steps", "0:2:1", "--json", "out.json"),
    "excerpt": ("excerpt", "take 0.wav", "--into", "sounds"),
    "logbook": ("check", "take 0.wav", "--build", "x", "--logbook", "book.sqlite", "--json", "out.json"),
}


@dataclass(frozen=True, kw_only=True)
class Sent:
    """One signal, and how the run ended."""

    call: str
    number: int
    after_s: float
    took_s: float
    status: int
    err: str
    wrong: str


def make_takes(folder: Path, seconds: float = 4.0) -> Path:
    """Write three takes of a swept tone, and a staircase beside their folder."""
    folder.mkdir(exist_ok=True)
    n = round(seconds * RATE_HZ)
    for i in range(3):
        f0_hz = (200.0 + 20.0 * i) * 4.0 ** (np.arange(n) / n)
        x = 0.4 * np.sin(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ) + 1e-5 * np.random.default_rng(i).standard_normal(n)
        soundfile.write(folder / f"take {i}.wav", x, RATE_HZ, subtype="PCM_24")
    pitch_hz = np.repeat([110.0, 220.0, 440.0], RATE_HZ)
    soundfile.write(folder.parent / "stairs.wav", 0.4 * np.sin(2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ), RATE_HZ)
    return folder


def _defaults() -> None:
    """Give signals their usual effect: a shell may have a job in the background ignore them."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def start(call: str, folder: Path) -> subprocess.Popen[str]:
    """Start one of the calls in a session of its own."""
    with open(folder / "take 0.wav", "rb") as stream:
        return _popen(call, folder, stream)


def _popen(call: str, folder: Path, stream: BinaryIO) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [Path(sys.executable).with_name("listen"), *CALLS[call]],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(REPO), "OPENBLAS_NUM_THREADS": "1", "TMPDIR": str(folder.parent)},
        stdin=stream,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=_defaults,
    )


def whole_run_s(call: str, folder: Path) -> float:
    """Return how long a run takes that nothing interrupts."""
    began_s = time.monotonic()
    process = start(call, folder)
    process.communicate()
    assert process.returncode in (0, 1)
    return time.monotonic() - began_s


def interrupt(call: str, number: int, after_s: float, folder: Path) -> Sent:
    """Send a signal, to the whole group as a terminal does for Ctrl-C, to the process alone for a kill."""
    (folder / "out.json").unlink(missing_ok=True)
    process = start(call, folder)
    time.sleep(after_s)
    sent_s = time.monotonic()
    if process.poll() is None:
        if number == signal.SIGINT:
            os.killpg(process.pid, number)
        else:
            process.send_signal(number)
    try:
        _, err = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        _, err = process.communicate()
    took_s = time.monotonic() - sent_s
    wrong = _wrong(number, process.returncode, took_s, err, folder)
    return Sent(
        call=call, number=number, after_s=after_s, took_s=took_s, status=process.returncode, err=err, wrong=wrong
    )


def _wrong(number: int, status: int, took_s: float, err: str, folder: Path) -> str:
    lines = err.splitlines()
    if err.startswith("Fatal Python error: init"):
        return ""  # Python itself was starting
    if status == -number and "listen/cli/main" in err:
        return "a traceback"
    if status == 130 and lines not in (["listen: interrupted"], []):
        return "more than one line"
    if status in (0, 1) and lines:
        return "a line without an interruption"
    if status not in (0, 1, 130, -number):
        return f"status {status}"
    if number == signal.SIGTERM and took_s > WITHIN_S:
        return f"over {WITHIN_S:g} s"
    if (folder / "out.json").exists():
        json.loads((folder / "out.json").read_text("utf-8"))
    left = [name for name in os.listdir(folder) if name.endswith(".part")]
    left += [name for name in os.listdir(folder.parent) if name.startswith("listen-")]
    return f"left behind: {left}" if left else ""


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    ends: Counter[tuple[str, str, int, str]] = Counter()
    bad = 0
    with tempfile.TemporaryDirectory() as name:
        folder = make_takes(Path(name) / "takes")
        usual_s = {call: whole_run_s(call, folder) for call in CALLS}
        for i in range(count):
            call, number = list(CALLS)[i % len(CALLS)], (signal.SIGINT, signal.SIGTERM)[i // len(CALLS) % 2]
            for path in (folder / "kept").glob("*"):
                path.unlink()
            sent = interrupt(call, number, rng.uniform(0.0, 1.1 * usual_s[call]), folder)
            ends[call, number.name, sent.status, sent.wrong] += 1
            if sent.wrong:
                bad += 1
                sys.stdout.write(f"{sent}\n")
    for (call, name, status, wrong), times in sorted(ends.items()):
        sys.stdout.write(f"{times:5d}  {call:8} {name:8} status {status:4d} {wrong}\n")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
