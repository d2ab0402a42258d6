"""The command line: what it hands to the verb, what it prints where, and the status it leaves with."""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from listen import cli
from listen.cli.options import long_options
from listen.errors import CaptureError
from tests.helpers import PlainCapture, PlainResult, make_judgement, make_result

ROOT = Path(__file__).resolve().parent.parent
PASS = {"verdict": "pass", "headline": "A healthy board.", "findings": ()}


class Bench:
    """Stands in for the verb: it remembers how it was called, and answers as it is told."""

    def __init__(self) -> None:
        self.calls: list[dict[str, Any]] = []
        self.answers: dict[str, Callable[[], PlainResult]] = {}

    def check(self, path: str, **settings: Any) -> PlainResult:
        self.calls.append({"path": path, **settings})
        name = os.path.basename(path)
        if name.startswith("bad"):
            raise CaptureError(f"{path}: not a recording", "give a WAV file")
        if name.startswith("stop"):
            raise KeyboardInterrupt
        if name.startswith("broken"):
            raise ZeroDivisionError("division by zero")
        judgement = make_judgement(**PASS) if name.startswith("good") else make_judgement()
        return make_result(judgement, capture=PlainCapture(path=path))


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    bench = Bench()
    module: Any = types.ModuleType("listen.api.checking")
    module.check = bench.check
    monkeypatch.setitem(sys.modules, "listen.api.checking", module)
    monkeypatch.delenv("LISTEN_TRACEBACK", raising=False)
    return bench


def only_line(text: str) -> str:
    assert text.count("\n") == 1, text
    assert text.endswith("\n")
    assert "Traceback" not in text
    return text.rstrip("\n")


# Errors of the call first, then what is handed on, then what is printed and written.


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ([], "no command was given"),
        (["chekc", "x.wav"], "invalid choice: 'chekc'"),
        (["check"], "CAPTURE"),
        (["check", "--", *()], "CAPTURE"),
        (["--wave", "sine"], "invalid choice: 'sine'"),
        (["check", "good.wav", "--chanel", "2"], 'did you mean "--channel"?'),
        (["check", "good.wav", "--chan", "2"], 'did you mean "--channel"?'),
        (["check", "good.wav", "--law", "auto"], "there is no option --law"),
        (["logbook", "drift", "Alder", "--report", "pages"], "there is no option --report; known: --against"),
        (["check", "good.wav", "--channel"], "--channel"),
        (["check", "good.wav", "--channel", "0"], "channels count from 1"),
        (["check", "good.wav", "--channel", "left"], "channels count from 1"),
        (["check", "good.wav", "--channel", "1.5"], "channels count from 1"),
        (["check", "good.wav", "--start", "-1"], "--start '-1'"),
        (["check", "good.wav", "--end", "nan"], "--end 'nan'"),
        (["check", "good.wav", "--end", "inf"], "--end 'inf'"),
        (["check", "good.wav", "--start", "1;5"], "for example 2.5 or 2,5"),
        (["check", "good.wav", "--wave", "sinus"], 'did you mean "sine"?'),
        (["check", "good.wav", "--gain-control", "JFET"], 'did you mean "jfet"?'),
        (["check", "good.wav", "--gain-control", "valve"], "known: jfet, diodes, lamp, ldr, none, other"),
        (["check", "good.wav", "--json", ""], "--json needs a file name"),
        (["check", "good.wav", "--frames", "-"], "--frames needs a file"),
        (["check", "good.wav", "good2.wav", "--frames", "f.csv"], "--frames takes one capture, not 2"),
        (["check", "good.wav", "--json", "no/where/x.json"], "does not exist"),
        (["check", "good.wav", "--json", "."], "is a folder"),
        (["check", "good.wav", "--frames", "."], "is a folder"),
        (["check", "good.wav", "--json", "good.wav"], "is one of the inputs"),
        (["check", "good.wav", "--frames", "./good.wav"], "is one of the inputs"),
        (["check", "good.wav", "--bench", "l.toml", "--json", "l.toml"], "is one of the inputs"),
        (["check", "good.wav", "--limits", "l.toml"], "l.toml: no such file"),
        (["check", "good.wav", "--json", "same", "--frames", "same"], "is one of the inputs"),
        (["check", "good.wav", "--quiet=yes"], "--quiet"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    call: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.wav").write_bytes(b"RIFF")
    assert cli.main(call) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says in only_line(err)
    assert bench.calls == []
    assert os.listdir(tmp_path) == ["good.wav"]


def test_settings_reach_the_verb(
    bench: Bench, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "l").write_text("", encoding="utf-8")
    call = "check good.wav --channel 2 --wave any --gain-control lamp --topology wien-bridge --bench b --limits l"
    call += " --start 1 --end 2.5 --quiet"
    assert cli.main(call.split()) == 0
    assert bench.calls == [
        {
            "path": "good.wav",
            "progress": None,
            "channel": 2,
            "wave": "any",
            "bench": "b",
            "limits": "l",
            "gain_control": "lamp",
            "topology": "wien-bridge",
            "start_s": 1.0,
            "end_s": 2.5,
        }
    ]
    assert capsys.readouterr() == ("", "")


def test_what_was_not_said_is_left_to_the_verb(bench: Bench) -> None:
    cli.main(["check", "good.wav"])
    settings = {key: value for key, value in bench.calls[0].items() if key not in ("path", "progress")}
    assert set(settings.values()) == {None}


@pytest.mark.parametrize(
    ("captures", "status"),
    [
        (["good.wav"], 0),
        (["fault.wav"], 1),
        (["bad.wav"], 2),
        (["good.wav", "fault.wav"], 1),
        (["fault.wav", "good.wav"], 1),
        (["bad.wav", "good.wav", "fault.wav"], 2),
        (["good.wav", "bad.wav"], 2),
    ],
)
def test_the_worst_capture_decides_the_status_and_none_stops_the_others(
    bench: Bench, capsys: pytest.CaptureFixture[str], captures: list[str], status: int
) -> None:
    assert cli.main(["check", *captures]) == status
    out, err = capsys.readouterr()
    assert [call["path"] for call in bench.calls] == captures
    usable = [name for name in captures if not name.startswith("bad")]
    assert [line.split("│ ")[1] for line in out.splitlines() if line.startswith("     take")] == usable
    assert err.count("\n") == len(captures) - len(usable)


@pytest.mark.usefixtures("bench")
def test_with_json_to_standard_output_the_document_is_alone(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "fault.wav", "--json", "-"]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == "listen.check/1"
    assert err == ""


@pytest.mark.usefixtures("bench")
def test_several_captures_are_an_array_also_where_one_is_bad(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "good.wav", "bad.wav", "fault.wav", "--json", "-"]) == 2
    out, err = capsys.readouterr()
    assert [document["capture"]["path"] for document in json.loads(out)] == ["good.wav", "fault.wav"]
    assert only_line(err) == "listen: bad.wav: not a recording; give a WAV file"


@pytest.mark.usefixtures("bench")
def test_files_and_page_together(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    paths = {name: str(tmp_path / name) for name in ("out.json", "frames.csv")}
    assert cli.main(["check", "fault.wav", "--json", paths["out.json"], "--frames", paths["frames.csv"]]) == 1
    assert "    fault │ " in capsys.readouterr().out
    assert json.loads(Path(paths["out.json"]).read_text())["verdict"] == "fault"
    assert Path(paths["frames.csv"]).read_text().startswith("time_s,f0_hz,")
    assert sorted(os.listdir(tmp_path)) == ["frames.csv", "out.json"]


@pytest.mark.usefixtures("bench")
def test_quiet_prints_nothing_and_still_writes(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "fault.wav", "--quiet"]) == 1
    assert capsys.readouterr() == ("", "")
    assert cli.main(["check", "fault.wav", "--quiet", "--json", "-"]) == 1
    assert json.loads(capsys.readouterr().out)["verdict"] == "fault"


@pytest.mark.usefixtures("bench")
def test_a_bad_capture_leaves_an_old_result_alone(tmp_path: Path) -> None:
    old = tmp_path / "old.json"
    old.write_text("old")
    assert cli.main(["check", "bad.wav", "--json", str(old), "--frames", str(tmp_path / "f.csv")]) == 2
    assert old.read_text() == "old"
    assert os.listdir(tmp_path) == ["old.json"]


@pytest.mark.usefixtures("bench")
def test_an_interrupt_is_one_line_and_130(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    assert cli.main(["check", "good.wav", "stop.wav", "--json", str(target)]) == 130
    assert only_line(capsys.readouterr().err) == "listen: interrupted"
    assert not target.exists()


@pytest.mark.usefixtures("bench")
def test_a_fault_of_our_own_is_one_line_too_and_can_be_looked_into(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cli.main(["check", "broken.wav"]) == 2
    line = only_line(capsys.readouterr().err)
    assert "fault of listen itself (ZeroDivisionError: division by zero)" in line
    monkeypatch.setenv("LISTEN_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(["check", "broken.wav"])


@pytest.mark.usefixtures("bench")
def test_a_name_with_a_line_break_does_not_break_the_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "bad\nname\x1b[2J.wav"]) == 2
    assert "\x1b" not in only_line(capsys.readouterr().err)


@pytest.mark.parametrize("call", [["--help"], ["check", "--help"], ["-h"], ["--version"]])
def test_help_and_version_are_no_errors(capsys: pytest.CaptureFixture[str], call: list[str]) -> None:
    assert cli.main(call) == 0
    out, err = capsys.readouterr()
    assert out.startswith(("usage: listen", "listen "))
    assert err == ""


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run([sys.executable, "-m", "listen", "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("listen ")


def test_every_option_of_check_is_in_its_help(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["check", "--help"])
    out = capsys.readouterr().out
    for option in long_options(check_parser()):
        assert option in out


def check_parser() -> argparse.ArgumentParser:
    commands = next(a for a in cli.build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    parser: argparse.ArgumentParser = commands.choices["check"]
    return parser


# The rest needs a process of its own.


def run(*call: str, **settings: Any) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-m", "listen.cli", *call], cwd=ROOT, timeout=120, check=False, **settings)


def test_help_is_quick_and_imports_nothing_heavy() -> None:
    heavy = ("numpy", "scipy", "numba", "librosa", "rich", "pydantic", "soundfile")
    code = (
        "import sys; from listen.cli import main; main(['--help']); main(['check', '--help']); "
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    times_s = []
    for _ in range(3):
        # processor time: what else the machine does is none of it
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        run("--help", stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times_s.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(times_s) < 0.3


def test_a_check_imports_no_more_than_it_needs() -> None:
    """These take longer to import than a short take to check: what needs them imports them where it does."""
    heavy = ("scipy", "librosa", "matplotlib", "rich", "pydantic")
    code = (
        "import sys; from listen.cli import main; main(['check', 'fixtures/sine-board-mended.wav', '--quiet']); "
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(("call", "seldom"), [("main()", True), ("main(['--version'])", False)])
def test_a_process_of_its_own_seldom_looks_for_garbage(call: str, seldom: bool) -> None:
    code = (
        "import atexit, gc, sys\n"
        "atexit.register(lambda: print(gc.get_freeze_count() > 1000))  # runs after what is registered later\n"
        f"from listen.cli import main\nusual = gc.get_threshold()[0]\n{call}\n"
        "print(gc.isenabled(), gc.get_threshold()[0] > 10 * usual)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-2:] == [f"True {seldom}", str(seldom)]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no full device")
def test_a_full_standard_output_is_one_line() -> None:
    with open("/dev/full", "wb") as full:
        done = run("--version", stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert "cannot write to standard output (no space left on device)" in only_line(done.stderr.decode())


@pytest.mark.skipif(os.name == "nt", reason="pipes end differently there")
def test_a_reader_that_leaves_is_no_error() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = run("--version", stdout=writer, stderr=subprocess.PIPE)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.skipif(os.name == "nt", reason="signals differ there")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_is_one_line_and_130(number: int) -> None:
    code = (
        # a process started in the background by a shell ignores the interrupt: take the usual handler
        "import signal, sys, types, time; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "module = types.ModuleType('listen.api.checking')\n"
        "def check(path, **settings):\n    print('ready', flush=True)\n    time.sleep(60)\n"
        "module.check = check; sys.modules['listen.api.checking'] = module\n"
        "from listen.cli import main; sys.exit(main(['check', 'x.wav']))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert only_line(err) == "listen: interrupted"
