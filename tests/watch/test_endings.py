"""How a watch ends by signals: Ctrl-C waits for the check however long it takes, SIGTERM has a second for all of it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.tones import times
from tests.watch.streams import encoded, wav_header

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals differ there")
REPO = Path(__file__).resolve().parents[2]
TONE = wav_header(0xFFFFFFFF) + encoded(0.3 * np.sin(2 * np.pi * 440 * times(3.0)), "s16")
WITHIN_S = 1.5
"""A second, and what a busy machine adds."""
# The closing check of a take so long that it is not over in a second; the findings' own checks are as they were.
# A shell lets jobs in the background ignore Ctrl-C, tests among them: here it has its usual effect.
SLOW = (
    "import signal, sys, time\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "import listen.watch.engine as engine\nfrom listen.cli import main\nreal = engine.check\n"
    "def slow(*given, **named):\n    sys.stderr.write('checking\\n')\n    sys.stderr.flush()\n    {long}\n"
    "    return real(*given, **named)\n"
    "engine.check = slow\nsys.argv[0] = 'listen'\nsys.exit(main())"
)
LONG = {
    "waiting": "time.sleep(30)",
    "computing": "import numpy\n    while True:\n        numpy.linalg.svd(numpy.ones((300, 300)))",
}


@contextlib.contextmanager
def watching(*options: str, long: str, folder: Path, **settings) -> Iterator[subprocess.Popen[bytes]]:
    """A watch that has heard three seconds, whose closing check is long."""
    with subprocess.Popen(
        [sys.executable, "-c", SLOW.format(long=long), "watch", "-", "--json-lines", "lines", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(REPO), "TMPDIR": str(folder)},
        **settings,
    ) as process:
        assert process.stdin is not None
        try:
            process.stdin.write(TONE)
            process.stdin.flush()
            end_s = time.monotonic() + 30.0
            while not any(event["type"] == "reading" and event["heard_s"] > 2.8 for event in events(folder)):
                assert time.monotonic() < end_s
                time.sleep(0.02)
            yield process
        finally:
            process.kill()


def events(folder: Path) -> list[dict]:
    path = folder / "lines"
    text = path.read_text() if path.exists() else ""
    return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]


def wait_for_the_check(process: subprocess.Popen[bytes]) -> None:
    assert process.stderr is not None
    while process.stderr.readline() != b"checking\n":
        assert process.poll() is None


@pytest.mark.parametrize("during", ["hearing", "checking"])
@pytest.mark.parametrize("long", LONG)
def test_sigterm_ends_it_within_a_second_however_long_the_take(tmp_path, during, long):
    with watching("--keep", "my take.wav", "--wave", "any", long=LONG[long], folder=tmp_path) as process:
        if during == "checking":
            process.stdin.close()
            wait_for_the_check(process)
        sent_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        status = process.wait(20)
        took_s = time.monotonic() - sent_s
        said = process.stderr.read().decode().splitlines()
    assert status == 2
    assert took_s < WITHIN_S
    assert said[-1] == (
        "listen: terminated before the take was checked; it is whole: listen check 'my take.wav' --wave any"
    )
    assert soundfile.info(tmp_path / "my take.wav").duration == pytest.approx(3.0)
    last = events(tmp_path)[-1]
    reason = "interrupted" if during == "hearing" else "end of stream"
    assert (last["type"], last["reason"], last["verdict"]) == ("summary", reason, None)
    assert last["heard_s"] == pytest.approx(3.0)


def test_sigterm_leaves_no_take_that_was_not_to_be_kept(tmp_path):
    with watching(long=LONG["waiting"], folder=tmp_path) as process:
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 2
        assert process.stderr.read().decode().splitlines()[-1] == (
            "listen: terminated before the take was checked; it was not kept: give --keep"
        )
    assert [path.name for path in tmp_path.iterdir()] == ["lines"]


def test_sigterm_ends_it_where_nobody_reads_what_it_says(tmp_path):
    """Standard output is a full pipe: the program hangs in a write, and what came before is a whole take."""
    with subprocess.Popen(
        [sys.executable, "-m", "listen.cli", "watch", "-", "--json-lines", "-", "--keep", "take.wav"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        pipesize=4096,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(REPO)},
    ) as process:
        process.stdin.write(TONE[:4000])
        process.stdin.flush()
        assert b'"start"' in process.stdout.readline()
        process.stdin.write(TONE[4000:])
        process.stdin.flush()
        time.sleep(2.0)
        sent_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 2
        assert time.monotonic() - sent_s < WITHIN_S
        assert b"it is whole: listen check take.wav" in process.stderr.read()
    assert soundfile.info(tmp_path / "take.wav").duration > 0.3


def test_ctrl_c_waits_for_the_check_and_a_second_one_does_not(tmp_path):
    with watching("--keep", "take.wav", long="time.sleep(1.5)", folder=tmp_path) as process:
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
    assert events(tmp_path)[-1]["verdict"] == "pass"
    (tmp_path / "lines").unlink()
    with watching("--keep", "again.wav", long="time.sleep(60)", folder=tmp_path) as process:
        process.send_signal(signal.SIGINT)
        wait_for_the_check(process)
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 130
        assert process.stderr.read() == b"listen: interrupted\n"
    assert soundfile.info(tmp_path / "again.wav").duration == pytest.approx(3.0)
