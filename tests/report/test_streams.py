"""Outputs and inputs that are no ordinary files: /dev/stdout, a shell's <(command), named pipes, a full device."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen import streams
from listen.bench import load_bench
from listen.calibration import read_steps_file
from listen.cli import main
from listen.report.files import write_whole

pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="named pipes and descriptors of POSIX"),
    pytest.mark.usefixtures("folder"),
]
RATE_HZ = 48_000


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    tone = 0.4 * np.sin(2.0 * np.pi * 441.0 * np.arange(RATE_HZ // 2) / RATE_HZ)
    soundfile.write(tmp_path / "take.wav", tone, RATE_HZ)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(streams, "LONGEST_WAIT_S", 0.2)
    return tmp_path


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    for end in ends:
        try:
            os.close(end)
        except OSError:  # the test closed it
            continue


def handed_over(text: str) -> str:
    """The name of a pipe as a shell's <(command) hands it over; its end of writing is closed."""
    reading, writing = os.pipe()
    os.write(writing, text.encode())
    os.close(writing)
    return f"/dev/fd/{reading}"


def test_json_goes_into_a_pipe_that_was_handed_over(pipe: tuple[int, int]) -> None:
    reading, writing = pipe
    assert main(["check", "take.wav", "--quiet", "--json", f"/dev/fd/{writing}"]) == 0
    os.close(writing)
    with open(os.dup(reading), "rb") as stream:
        assert json.loads(stream.read())["schema"] == "listen.check/1"


def test_what_the_shell_appends_to_keeps_what_it_held(folder: Path) -> None:
    command = f'"{sys.executable}" -m listen check take.wav --json /dev/stdout >>log.txt'
    (folder / "log.txt").write_text("earlier\n")
    environment = {**os.environ, "PYTHONPATH": str(Path(streams.__file__).parents[1])}
    done = subprocess.run(["sh", "-c", command], env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    text = (folder / "log.txt").read_text("utf-8")
    assert text.startswith("earlier\n")
    page, brace, document = text.partition("\n{\n")
    assert "take.wav" in page
    assert json.loads(brace + document)["schema"] == "listen.check/1"


def test_a_descriptor_that_cannot_be_written(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "precious.txt").write_text("mine")
    with (folder / "precious.txt").open("rb") as file:
        for number in (file.fileno(), 987):
            assert main(["check", "take.wav", "--quiet", "--json", f"/dev/fd/{number}"]) == 2
            assert capsys.readouterr().err == (
                f"listen: --json '/dev/fd/{number}' is not open for writing; redirect it, or name a file\n"
            )
    assert (folder / "precious.txt").read_text() == "mine"


@pytest.mark.parametrize("option", ["--json", "--frames"])
def test_a_named_pipe_that_nobody_reads(capsys: pytest.CaptureFixture[str], option: str) -> None:
    os.mkfifo("pipe")
    assert main(["check", "take.wav", "--quiet", option, "pipe"]) == 2
    said = "listen: nobody reads the pipe 'pipe'; start its reader first, or name a file\n"
    assert capsys.readouterr().err == said
    assert Path("pipe").is_fifo()


def test_a_named_pipe_whose_reader_comes_later(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "LONGEST_WAIT_S", 20.0)
    os.mkfifo("pipe")
    got: list[bytes] = []

    def read() -> None:
        time.sleep(0.2)
        got.append(Path("pipe").read_bytes())

    reader = threading.Thread(target=read)
    reader.start()
    data = os.urandom(300_000)  # more than a pipe holds
    write_whole("pipe", [data[:200_000], data[200_000:]])
    reader.join()
    assert got == [data]
    assert Path("pipe").is_fifo()


def test_events_of_watching_do_not_wait_for_a_reader(capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo("pipe")
    assert main(["watch", "take.wav", "--quiet", "--json-lines", "pipe"]) == 2
    assert "nobody reads the pipe 'pipe'" in capsys.readouterr().err


def test_watching_a_named_pipe_that_nobody_writes(capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo("pipe")
    assert main(["watch", "pipe", "--quiet", "--seconds", "1"]) == 2
    assert "listen: pipe: cannot be read (nobody writes into this pipe); start its writer" in capsys.readouterr().err


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no full device")
def test_lines_on_a_full_device(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "take.wav", "--quiet", "--json-lines", "/dev/full"]) == 2
    said = "listen: cannot write the JSON lines (No space left on device); make room there\n"
    assert capsys.readouterr().err == said


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no full device")
@pytest.mark.parametrize("option", ["--json", "--frames"])
def test_a_full_device(capsys: pytest.CaptureFixture[str], option: str) -> None:
    assert main(["check", "take.wav", "--quiet", option, "/dev/full"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("listen: cannot write '/dev/full' (no space left on device), a part of it may have gone")


def test_settings_and_tables_are_read_from_pipes_that_were_handed_over() -> None:
    bench = handed_over('[build]\nname = "north shelf"\n')
    assert load_bench(bench).build.name == "north shelf"
    assert load_bench(bench).build.name == "north shelf"  # a pipe gives it once
    limits = handed_over("[level-drift]\nattention = 1.5\nfault = 4\n")  # read twice: asked about, then used
    assert main(["check", "take.wav", "--quiet", "--limits", limits]) == 0
    assert read_steps_file(handed_over("cv_v\n0\n1.5\n")).values == (0.0, 1.5)


def test_sides_of_a_comparison_from_pipes_that_were_handed_over(folder: Path, pipe: tuple[int, int]) -> None:
    assert main(["check", "take.wav", "--quiet", "--json", "take.json"]) == 0
    document = handed_over((folder / "take.json").read_text())
    reading, writing = pipe

    def write() -> None:
        with open(writing, "wb") as stream:
            stream.write((folder / "take.wav").read_bytes())

    writer = threading.Thread(target=write)
    writer.start()
    assert main(["compare", document, f"/dev/fd/{reading}", "--json", "-"]) == 0
    writer.join()


def test_a_capture_from_a_named_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo("pipe")
    assert main(["check", "pipe", "--quiet"]) == 2
    said = "listen: pipe: nobody writes into this pipe"
    assert capsys.readouterr().err.startswith(said)

    def write() -> None:
        with open("pipe", "wb") as stream:
            time.sleep(0.4)  # longer than one waits where there is no writer
            stream.write(Path("take.wav").read_bytes())

    writer = threading.Thread(target=write)
    writer.start()
    assert main(["check", "pipe", "--quiet"]) == 0, capsys.readouterr().err
    writer.join()


def test_many_takes_want_files_of_settings(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = handed_over('[build]\nname = "north shelf"\n')
    assert main(["check", str(folder), "--quiet", "--workers", "1", "--bench", bench]) == 2
    assert "is a pipe, and every capture needs it; name a file" in capsys.readouterr().err


def test_files_that_are_read_again_are_no_pipes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["setup", "--silence", "take.wav", "--write", "/dev/null"]) == 2
    assert "--write '/dev/null' is a pipe or a device; name a bench file" in capsys.readouterr().err
    (folder / "bench.toml").write_text("[cv]\nvolts_per_full_scale = 10.0\n")
    assert main(["stimulus", "/dev/null", "--cv-steps", "0:1:1", "--bench", "bench.toml"]) == 2
    assert "no steps file stands beside it; add --steps-file" in capsys.readouterr().err


def test_links_to_descriptors_and_other_names(folder: Path) -> None:
    (folder / "link").symlink_to("/dev/stderr")
    (folder / "round").symlink_to("round")
    names = ["link", "/dev/stdout", f"/proc/{os.getpid()}/fd/7", "/proc/1/fd/7", "round", "take.wav", "/dev/null"]
    assert [streams.descriptor_of(name) for name in names] == [2, 1, 7, None, None, None, None]
