"""Ctrl-C and SIGTERM at any instant: 130 with one line, or an end as if nothing had come; SIGTERM within a second."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.interrupting import CALLS, Sent, _wrong, interrupt, make_takes, whole_run_s

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals differ there")
REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_takes(tmp_path_factory.mktemp("interrupts") / "takes", seconds=2.0)


@pytest.mark.skipif(not Path(sys.executable).with_name("listen").exists(), reason="the command is not installed")
@pytest.mark.parametrize("call", CALLS)
def test_signals_at_random_instants(takes: Path, call: str) -> None:
    rng, usual_s = random.Random(f"now {call}"), whole_run_s(call, takes)
    for number in (signal.SIGINT, signal.SIGTERM) * 2:
        sent = interrupt(call, number, rng.uniform(0.05, 1.0) * usual_s, takes)
        assert sent.wrong == "", sent


def test_what_is_wrong_is_told(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    takes.mkdir()

    def wrong(number: int, status: int, took_s: float, err: str) -> str:
        return _wrong(number, status, took_s, err, takes)

    assert wrong(signal.SIGINT, 130, 3.0, "listen: interrupted\n") == ""
    assert wrong(signal.SIGINT, 130, 0.1, "listen: interrupted\nUserWarning: leaked\n") == "more than one line"
    assert wrong(signal.SIGTERM, 130, 1.5, "listen: interrupted\n") == "over 1 s"
    assert wrong(signal.SIGTERM, 1, 0.1, "Traceback") == "a line without an interruption"
    assert wrong(signal.SIGTERM, 3, 0.1, "") == "status 3"
    (takes / ".out.json.0a.part").write_text("")
    assert wrong(signal.SIGTERM, 0, 0.1, "") == "left behind: ['.out.json.0a.part']"
    assert Sent.__dataclass_fields__.keys() >= {"wrong", "took_s"}


# Programs that stand at a place where an interrupt is easily lost. Each says when it is there.
PLACES = {
    "within one long computation": "import re; say(); re.match('(a+)+b', 'a' * 60)",
    "as an object goes": (
        "import time\n"
        "class Slow:\n"
        "    def __del__(self):\n        say(); time.sleep(30)\n"
        "def work():\n    thing = Slow()\n    del thing\n    time.sleep(30)\n"
        "work()"
    ),
    "while it is unwound": "import time\ntry:\n    say(); time.sleep(30)\nfinally:\n    time.sleep(30)",
    "in a thread that is waited for": (
        "import threading, time; t = threading.Thread(target=time.sleep, args=(30,)); t.start(); say(); t.join()"
    ),
}


@pytest.mark.parametrize("place", PLACES)
def test_a_kill_is_done_within_a_second_wherever_it_comes(place: str) -> None:
    code = (
        "import sys, os\nfrom listen.cli import main as entry\nimport importlib\n"
        "module = importlib.import_module('listen.cli.interrupts') and sys.modules['listen.cli.main']\n"
        "def say():\n    os.write(1, b'there\\n')\n"
        f"def run(options):\n    exec({PLACES[place]!r}, {{'say': say}})\n    return 0\n"
        "module._run_command = run\nsys.argv = ['listen', '--version']\nsys.exit(entry())"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=REPO, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "there\n"
        sent_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (130, "listen: interrupted\n")
    assert time.monotonic() - sent_s < 1.5, "a second, and what a busy machine adds"


@pytest.mark.parametrize("error", ["ImportError('IMPORTANT: PLEASE READ THIS')", "SystemExit(3)", "OSError(5, 'no')"])
def test_an_interrupt_that_comes_out_as_another_error_is_one(error: str) -> None:
    """As within the import of a library whose compiled part gives up."""
    code = (
        "import sys, os, signal\nfrom listen.cli import main as entry\nmodule = sys.modules['listen.cli.main']\n"
        "def run(options):\n    try:\n        os.kill(os.getpid(), signal.SIGTERM)\n        sum(range(1000))\n"
        f"    except KeyboardInterrupt:\n        raise {error}\n    return 0\n"
        "module._run_command = run\nsys.argv = ['listen', '--version']\nsys.exit(entry())"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "listen: interrupted\n")


def test_an_interrupt_that_was_lost_is_sent_again() -> None:
    code = (
        "import sys, os, time\nfrom listen.cli import main as entry\nmodule = sys.modules['listen.cli.main']\n"
        "class Slow:\n    def __del__(self):\n        os.write(1, b'there\\n'); time.sleep(30)\n"
        "def run(options):\n    thing = Slow()\n    del thing\n    time.sleep(30)\n    return 0\n"
        "module._run_command = run\nsys.argv = ['listen', '--version']\nsys.exit(entry())"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=REPO,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "there\n"
        sent_s = time.monotonic()
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (130, "listen: interrupted\n")
    assert time.monotonic() - sent_s < 10.0


@pytest.mark.parametrize("status", [0, 130])
def test_a_process_that_is_ended_while_its_workers_stand_leaves_no_words_of_a_library(takes: Path, status: int) -> None:
    """The time of grace may be over before workers are gone; what cleans up behind them is another process."""
    code = (
        "import os\nfrom listen.api.workers import Task, check_all\n"
        "settings = dict.fromkeys(('channel', 'wave', 'bench', 'limits', 'gain_control', 'start_s', 'end_s'))\n"
        "tasks = [Task(index=i, path=f'take {i}.wav', settings=settings) for i in range(3)]\n"
        f"for done in check_all(tasks, workers=2):\n    assert done.document, done\n    os._exit({status})\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(REPO)}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=takes, env=environment, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (status, "")
