"""A machine that withholds something: streams, a home, shared memory, threads, memory. Each is really withheld."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.ordinary_user import as_another_user

resource = pytest.importorskip("resource")

RATE_HZ = 48_000
CALL = [sys.executable, "-m", "listen.cli"]
REPO = Path(__file__).resolve().parents[1]


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    folder = tmp_path / "takes"
    folder.mkdir()
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    for i in range(3):
        soundfile.write(folder / f"take {i}.wav", 0.4 * np.sin(2 * np.pi * (440.0 + 50.0 * i) * t), RATE_HZ)
    return folder


def listen(
    arguments: Sequence[object],
    folder: Path,
    *,
    before: Callable[[], object] | None = None,
    wrapped: Sequence[str] = (),
    without: Sequence[str] = (),
) -> subprocess.CompletedProcess[str]:
    environment = {key: value for key, value in os.environ.items() if key not in without}
    environment |= {"PYTHONPATH": str(REPO), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(
        [*wrapped, *CALL, *map(str, arguments)],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        preexec_fn=before,
        timeout=120,
        check=False,
    )


def one_line(done: subprocess.CompletedProcess[str], what: str) -> None:
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert what in done.stderr
    assert "fault of listen" not in done.stderr
    assert len(done.stderr) <= 301


def in_a_namespace(*options: str) -> list[str]:
    """The words that run a command as another user of the system, or with mounts of its own."""
    words = ["unshare", "--user", *options]
    if shutil.which("unshare") is None or subprocess.run([*words, "true"], capture_output=True, check=False).returncode:
        pytest.skip("this system gives no namespaces to its users")
    return words


def closed(*numbers: int) -> Callable[[], None]:
    def close() -> None:
        for number in numbers:
            os.close(number)

    return close


@pytest.mark.parametrize("command", [["check", "-"], ["watch", "-"], ["calibrate", "-", "--cv-values", "0,1"]])
def test_a_closed_standard_input(takes: Path, command: list[str]) -> None:
    one_line(listen(command, takes, before=closed(0)), "standard input is closed")


def test_json_for_a_closed_standard_output(takes: Path) -> None:
    one_line(listen(["check", "take 0.wav", "--json", "-"], takes, before=closed(1)), "standard output is closed")


@pytest.mark.parametrize("numbers", [(1,), (2,), (1, 2), (0, 1, 2)])
@pytest.mark.parametrize("more", [[], ["--workers", "2"]], ids=["alone", "workers"])
def test_closed_streams_cost_no_result(takes: Path, tmp_path: Path, numbers, more) -> None:
    out = tmp_path / "out.json"
    done = listen(["check", "take 0.wav", "take 1.wav", "--json", out, *more], takes, before=closed(*numbers))
    assert (done.returncode, done.stderr) == (0, "")
    assert out.read_bytes().startswith(b"{" if more else b"[")
    assert out.read_bytes().endswith(b"\n")


def test_no_file_takes_the_place_of_a_closed_stream(tmp_path: Path) -> None:
    """A library that warns on the number of standard error would write into it."""
    code = (
        "import os, sys; sys.argv = ['listen', '--version']; from listen.cli import main; main(); "
        "sys.exit(os.open('new', os.O_WRONLY | os.O_CREAT))"
    )
    for numbers in ((0,), (1,), (2,), (0, 1, 2)):
        done = subprocess.run(
            [sys.executable, "-c", code],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(REPO)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            preexec_fn=closed(*numbers),
            check=False,
        )
        assert done.returncode > 2, "the number of the file"


@pytest.mark.parametrize("call", [["logbook"], ["logbook", "note", "x", "y"], ["check", "take 0.wav", "--build", "x"]])
def test_a_user_without_a_home(takes: Path, call: list[str]) -> None:
    nobody = in_a_namespace("--map-user=54321")
    places = ("HOME", "XDG_DATA_HOME", "LISTEN_LOGBOOK")
    done = listen(call, takes, wrapped=nobody, without=places)
    one_line(done, "this user has no folder for data")
    assert "--logbook" in done.stderr
    assert sorted(os.listdir(takes)) == ["take 0.wav", "take 1.wav", "take 2.wav"]
    named = listen([*call, "--logbook", "book.sqlite"], takes, wrapped=nobody, without=places)
    assert "fault of listen" not in named.stderr
    assert named.returncode == (2 if call == ["logbook"] else 0)


def test_shared_memory_that_may_not_be_written(takes: Path) -> None:
    mounts = in_a_namespace("--map-root-user", "--mount")
    script = 'mount -t tmpfs -o ro none /dev/shm && ! touch /dev/shm/x 2>/dev/null && exec "$@"'
    if subprocess.run([*mounts, "sh", "-c", script, "sh", "true"], capture_output=True, check=False).returncode:
        pytest.skip("this system does not let its users mount")
    done = listen(["check", ".", "--workers", "2"], takes, wrapped=[*mounts, "sh", "-c", script, "sh"])
    assert (done.returncode, done.stderr) == (0, "")
    assert "3 takes: 3 pass" in done.stdout


def no_more_threads() -> None:
    """Give each thread a stack that does not fit in the memory that may be used: none can be started."""
    resource.setrlimit(resource.RLIMIT_STACK, (1 << 36, resource.getrlimit(resource.RLIMIT_STACK)[1]))
    resource.setrlimit(resource.RLIMIT_AS, (1 << 33, 1 << 33))


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a thread's stack is of another size than the process's")
@pytest.mark.parametrize(
    "call", [["check", "take 0.wav"], ["check", ".", "--workers", "2"], ["compare", "take 0.wav", "take 0.wav"]]
)
def test_no_more_threads(takes: Path, call: list[str]) -> None:
    done = listen(call, takes, before=no_more_threads)
    assert (done.returncode, done.stderr) == (0, "")
    assert "─" in done.stdout or "-" in done.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a thread's stack is of another size than the process's")
def test_watching_takes_a_thread_and_says_so(takes: Path) -> None:
    one_line(listen(["watch", "take 0.wav", "--seconds", "1"], takes, before=no_more_threads), "no more threads")


@pytest.mark.parametrize("processes", [1, 3, 8])
def test_no_more_processes(takes: Path, processes: int) -> None:
    """Threads count too; the administrator may start as many as there is room for, so it becomes another user."""
    user = as_another_user()

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_NPROC, (processes, processes))

    done = listen(["check", ".", "--workers", "2"], takes, before=limit, wrapped=user)
    assert (done.returncode, done.stderr) == (0, "")
    assert "3 takes: 3 pass" in done.stdout


@pytest.mark.parametrize("mb", [150, 250, 350, 450, 590])
def test_too_little_memory_is_said_before_anything_else(takes: Path, mb: int) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (mb * 1_000_000,) * 2)

    one_line(listen(["check", "take 0.wav"], takes, before=limit), f"may use {mb} MB of address space")


@pytest.mark.parametrize("mb", [600, 700])
def test_the_least_memory_is_enough(takes: Path, mb: int) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (mb * 1_000_000,) * 2)

    done = listen(["check", REPO / "fixtures" / "sine-board-mended.wav", "--quiet"], takes, before=limit)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_disc_quota_of_nothing(takes: Path) -> None:
    """A limit of the size of files: the signal that comes with it would end the process."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))

    done = listen(["check", "take 0.wav", "--json", "out.json", "--quiet"], takes, before=limit)
    one_line(done, "cannot write 'out.json'")
    assert sorted(os.listdir(takes)) == ["take 0.wav", "take 1.wav", "take 2.wav"]


OUT_OF_MEMORY = """
import resource, sys
import listen
from listen.cli import main
command = sys.modules["listen.cli.main"]
listen.check("take 0.wav", threads=1)
pages = int(open("/proc/self/statm").read().split()[0])
limit = pages * resource.getpagesize() + int(sys.argv[1]) * 1_000_000
command._enough_memory = lambda: None
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
sys.exit(main(sys.argv[2:]))
"""
"""All libraries are loaded; what is left of the memory is too little for the work alone."""


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the limit does not hold")
@pytest.mark.parametrize("mb", [1, 8, 16])
def test_memory_that_is_gone_while_it_works(takes: Path, mb: int) -> None:
    t = np.arange(40 * RATE_HZ) / RATE_HZ
    soundfile.write(takes / "long.wav", 0.4 * np.sin(2 * np.pi * 440.0 * t), RATE_HZ)
    call = ["check", "long.wav", "--json", "out.json", "--frames", "out.csv", "--quiet"]
    done = subprocess.run(
        [sys.executable, "-c", OUT_OF_MEMORY, str(mb), *call],
        cwd=takes,
        env={**os.environ, "PYTHONPATH": str(REPO), "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    one_line(done, "not enough memory")
    assert sorted(os.listdir(takes)) == ["long.wav", "take 0.wav", "take 1.wav", "take 2.wav"]
