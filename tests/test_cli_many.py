"""``listen check`` of a folder as a user calls it: table, files, status, and what an end in the middle leaves."""

from __future__ import annotations

import csv
import html
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from listen.cli import main
from tests.api.many_takes import some_takes, tone

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of three takes, and beside it the place to write to, which is where one stands."""
    monkeypatch.chdir(tmp_path)
    return some_takes(tmp_path / "takes", 3)


def only_line(text: str) -> str:
    assert text.count("\n") == 1, text
    assert "Traceback" not in text
    return text.rstrip("\n")


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("call", "says"),
    [
        (["takes", "--workers", "0"], "--workers '0'"),
        (["takes", "--workers", "-1"], "--workers"),
        (["takes", "--workers", "two"], "give 1 or more"),
        (["takes", "--workers", "2", "--cluster", "localhost:8786"], "exclude each other"),
        (["takes", "--cluster", "here"], "--cluster 'here' is no address"),
        (["takes", "--cluster", ""], "is no address"),
        (["takes", "--cluster", "inproc://1:2"], "is no address"),
        (["takes", "--cluster", "nonsense://localhost:9"], "no cluster answers"),
        (["takes", "--keep", ""], "--keep needs a file name"),
        (["takes", "--keep", "takes/take 1.wav"], "is a file, not a folder"),
        (["takes", "--keep", "no/where"], "does not exist"),
        (["takes", "--frames", "-"], "--frames needs a folder here"),
        (["takes", "--frames", "takes/take 1.wav"], "is a file, not a folder"),
        (["takes", "--json", "takes/take 1.wav"], "is one of the inputs"),
        (["takes", "--json", "no/where.json"], "does not exist"),
        (["takes", "--report", "no/where"], "does not exist"),
        (["takes", "--report", "page.html"], "would be a folder of that name"),
        (["takes", "-"], "standard input cannot be checked among many"),
        (["takes", "--bench", "missing.toml"], "missing.toml"),
        (["takes", "--limits", "missing.toml"], "missing.toml"),
        (["takes", "--temperature", "20"], "goes into the logbook"),
        (["empty"], "empty: holds no sound file"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, call: list[str], says: str
) -> None:
    (tmp_path / "empty").mkdir()
    before = sorted(tmp_path.rglob("*"))
    assert main(["check", *call]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says in only_line(err)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_folder_is_a_table_and_the_worst_decides_the_status(
    folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["check", "takes", "--workers", "1"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    assert [line[12:].split()[1] for line in out.splitlines() if " take " in line] == ["1.wav", "2.wav", "3.wav"]
    assert max(map(len, out.splitlines())) <= 80
    (folder / "take 3.wav").unlink()
    assert main(["check", "takes", "--workers", "1"]) == 0
    (folder / "a.wav").write_bytes(b"")
    capsys.readouterr()
    assert main(["check", "takes", "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert " unusable │ a.wav" in out
    assert only_line(err) == "listen: takes/a.wav: is empty (0 bytes); record it again"
    (tmp_path / "b.wav").write_bytes(b"")
    assert main(["check", "takes", "b.wav", "gone.wav", "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert " unusable │ gone.wav" in out
    assert only_line(err) == "listen: 3 of 5 captures could not be checked; the table says why"


@pytest.mark.usefixtures("folder")
def test_files_are_one_run_where_that_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    files = [f"takes/take {i}.wav" for i in (2, 1)]
    assert main(["check", *files, "--workers", "2"]) == 0
    out = capsys.readouterr().out
    assert out.index("take 2.wav") < out.index("take 1.wav")
    assert "2 takes: 2 pass." in out
    assert main(["check", *files]) == 0
    assert capsys.readouterr().out.count("     take │ ") == 2


def test_one_document_holds_all_and_nothing_else_is_on_standard_output(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "z.wav").write_bytes(b"RIFF")
    assert main(["check", "takes", "--json", "-", "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert "listen: takes/z.wav: is no sound file" in only_line(err)
    document = json.loads(out)
    assert [take["path"] for take in document["takes"]][-1] == os.path.join("takes", "z.wav")
    assert main(["check", "takes", "--json", "all.json", "--workers", "2", "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "z.wav" in only_line(err)
    assert json.loads(Path("all.json").read_text()) == document


def test_each_take_has_its_files_under_a_name_of_its_own(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tone(folder / "monday" / "take 1.wav", 300.0)
    tone(folder / "monday" / "take-1.wav", 310.0)
    tone(folder / "monday-take 1.flac", 320.0)
    assert main(["check", "takes", "--frames", "frames", "--report", "pages", "--workers", "2"]) == 1
    assert capsys.readouterr().err == ""
    names = ["monday-take 1", "monday-take 1-2", "monday-take-1", "take 1", "take 2", "take 3"]
    assert sorted(os.listdir("frames")) == sorted(f"{name}.csv" for name in names)
    assert sorted(os.listdir("pages")) == sorted(f"{name}.html" for name in [*names, "index"])
    # The file in the folder itself comes first, so the one in the sub-folder has the number.
    second = Path("frames/monday-take 1-2.csv").read_text().splitlines()
    pitch = float(second[len(second) // 2].split(",")[1])
    assert pitch == pytest.approx(300.0, abs=0.1)


@pytest.mark.usefixtures("folder")
def test_no_input_is_written_over(capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy("takes/take 1.wav", "takes/take 1.csv")
    files = ["takes/take 1.csv", "takes/takes-take 1.csv"]
    data = Path("takes/take 1.csv").read_bytes()
    shutil.copy("takes/take 1.csv", "takes/takes-take 1.csv")
    assert main(["check", *files, "--frames", "takes", "--workers", "1"]) == 2
    assert "would write over" in only_line(capsys.readouterr().err)
    assert Path("takes/takes-take 1.csv").read_bytes() == data


@pytest.mark.usefixtures("folder")
def test_results_go_into_the_logbook_once_the_run_is_over(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "takes", "--workers", "1", "--build", "shelf", "--logbook", "book.sqlite"]) == 1
    assert only_line(capsys.readouterr().err) == "3 results are in the logbook book.sqlite"
    assert main(["logbook", "show", "shelf", "--logbook", "book.sqlite"]) == 0
    assert capsys.readouterr().out.count("check") >= 3


@pytest.mark.usefixtures("folder")
def test_without_its_library_a_cluster_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    monkeypatch.delitem(sys.modules, "listen.api.cluster", raising=False)
    assert main(["check", "takes", "--cluster", "localhost:8786"]) == 2
    assert 'install it: pip install "listen[cluster]"' in only_line(capsys.readouterr().err)


def test_one_file_needs_no_workers(folder: Path) -> None:
    code = (
        "import sys\nfrom listen.cli import main\n"
        f"main(['check', {os.fspath(folder / 'take 1.wav')!r}, '--quiet'])\n"
        "sys.exit(str(sorted({'joblib', 'distributed', 'dask'} & set(sys.modules))))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.stderr == "[]\n"


# Ends in the middle: each needs a process of its own.


def start(folder: Path, *options: str) -> subprocess.Popen[str]:
    """Start a slow run of a folder in a session of its own, and wait until three takes are kept."""
    code = (
        "import signal, sys\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from listen.api import workers\nfrom tests.api import many_takes\n"
        "workers.check_task = many_takes.slow\n"
        "from listen.cli import main\nsys.exit(main(sys.argv[1:]))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "check", os.fspath(folder), "--workers", "2", "--keep", "kept", *options],
        cwd=folder.parent,
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    deadline = time.monotonic() + 60.0
    while kept(folder) < 3 and time.monotonic() < deadline:
        time.sleep(0.02)
    assert process.poll() is None
    return process


def kept(folder: Path) -> int:
    place = folder.parent / "kept"
    return len([path for path in place.iterdir() if path.suffix == ".json"]) if place.is_dir() else 0


def children(process: subprocess.Popen[str]) -> list[int]:
    """Processes of the session that was started for a run, itself apart."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdecimal() and int(place.name) != process.pid:
            try:
                after_name = (place / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(after_name[3]) == process.pid and after_name[0] != "Z":
                found.append(int(place.name))
    return found


def wait_for_none(process: subprocess.Popen[str]) -> list[int]:
    deadline = time.monotonic() + 10.0
    while children(process) and time.monotonic() < deadline:
        time.sleep(0.05)
    return children(process)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for orphans in /proc")
@pytest.mark.parametrize("whom", ["the process", "its group"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_is_one_line_and_leaves_no_process(tmp_path: Path, whom: str, number: int) -> None:
    process = start(some_takes(tmp_path / "takes", 12), "--json", "all.json")
    assert len(children(process)) >= 2
    (os.killpg if whom == "its group" else os.kill)(process.pid, number)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert (out, only_line(err)) == ("", "listen: interrupted")
    assert wait_for_none(process) == []
    assert sorted(os.listdir(tmp_path)) == ["kept", "takes"]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for orphans in /proc")
def test_a_run_that_was_killed_is_carried_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    takes = some_takes(tmp_path / "takes", 12)
    process = start(takes)
    process.kill()
    process.communicate(timeout=60)
    assert wait_for_none(process) == []
    done = kept(takes)
    assert 3 <= done < 12
    before: dict[str, Any] = {path.name: path.stat().st_mtime_ns for path in (tmp_path / "kept").glob("*.json")}
    call = ["check", os.fspath(takes), "--workers", "2", "--keep", os.fspath(tmp_path / "kept")]
    assert main([*call, "--json", os.fspath(tmp_path / "carried.json")]) == 1
    assert f"{done} of them taken from before" in capsys.readouterr().out
    assert all((tmp_path / "kept" / name).stat().st_mtime_ns == time_ns for name, time_ns in before.items())
    assert main(["check", os.fspath(takes), "--json", os.fspath(tmp_path / "anew.json"), "--quiet"]) == 1
    carried, anew = ((tmp_path / f"{name}.json").read_bytes() for name in ("carried", "anew"))
    assert carried == anew


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("memo.m4a", b"\x00\x00\x00\x20ftypM4A \x00\x00\x00\x00"),
        ("memo.mp3", b"ID3\x04\x00\x00\x00\x00\x00\x00\x00\x00"),
        ("memo.amr", b"#!AMR\n\x00\x00\x00\x00\x00\x00"),
        ("memo.wma", b"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9\x00\xaa"),
    ],
)
def test_what_telephones_record_has_its_row(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str, head: bytes
) -> None:
    (folder / name).write_bytes(head + bytes(2000))
    assert main(["check", "takes", "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert name in out
    assert "is a lossy sound file" in " ".join(out.replace("│", " ").split())
    assert "record to WAV or FLAC" in " ".join(out.replace("│", " ").split())
    assert "4 takes: 2 pass, 1 fault, 1 unusable." in out
    assert name in only_line(err)


@pytest.mark.usefixtures("folder")
def test_frames_with_decimal_commas() -> None:
    for decimal in ("point", "comma"):
        call = ["check", "takes", "--frames", "frames", "--workers", "1", "--quiet", "--keep", "kept"]
        assert main([*call, "--decimal", decimal]) == 1
        assert main(["check", "takes/take 1.wav", "--frames", f"{decimal}.csv", "--quiet", "--decimal", decimal]) == 0
        assert Path("frames/take 1.csv").read_bytes() == Path(f"{decimal}.csv").read_bytes()
    point, comma = Path("point.csv").read_text(), Path("comma.csv").read_text()
    rows = [list(csv.reader(text.splitlines(), delimiter=mark)) for text, mark in ((point, ","), (comma, ";"))]
    assert rows[0][0] == rows[1][0]
    assert [[cell.replace(",", ".") for cell in row] for row in rows[1]] == rows[0]
    assert any("," in cell for cell in rows[1][5])


@pytest.mark.usefixtures("folder")
def test_a_limit_that_looks_like_a_fraction_is_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    limits = Path("limits.toml")
    limits.write_text("[asymmetric-clipping]\nattention = 0.02\n")
    take = "takes/take 1.wav"
    for call in (["check", take], ["check", "takes", "--workers", "1"], ["compare", take, take]):
        assert main([*call, "--limits", "limits.toml"]) == 2
        said = only_line(capsys.readouterr().err)
        assert "[asymmetric-clipping] attention = 0.02 is 0.02 %; were 2 % meant?" in said
        assert "write attention = 2, or add --small-limits if 0.02 % is meant" in said
    assert main(["check", take, "--quiet", "--limits", "limits.toml", "--small-limits"]) in (0, 1)
    assert capsys.readouterr().err == ""
    # a strict one, and one that is no per cent, are no question
    limits.write_text(
        "[odd-order-distortion]\nattention = 0.2\n[level-drift]\nattention = 0.05\n[slow-start]\nattention = 0.01\n"
    )
    assert main(["check", take, "--quiet", "--limits", "limits.toml"]) in (0, 1)
    assert capsys.readouterr().err == ""


def test_the_index_has_every_take_worst_first(folder: Path) -> None:
    """Three takes, one of them lopsided, one that is no sound, and one whose name is an attack."""
    (folder / "broken.wav").write_bytes(b"RIFF but no more")
    tone(folder / "<b>&%41 sub.wav", 300.0)
    assert main(["check", "takes", "--report", "pages", "--workers", "1", "--quiet"]) == 2
    page = Path("pages/index.html").read_text()
    assert "<script" not in page
    assert "<b>&%41" not in page
    outcomes = re.findall(r'<span class="severity \w+">(\w+)</span>', page)
    assert outcomes == ["unusable", "fault", "pass", "pass", "pass"]
    assert "1 unusable" in page
    assert "3 pass, 1 fault, 1 unusable" in page
    links = [unquote(html.unescape(link)) for link in re.findall(r'<a href="([^"]*)"', page)]
    assert sorted([*links, "index.html"]) == sorted(os.listdir("pages"))
    assert len(links) == 4
    # a take whose own page is called so keeps it
    tone(folder / "index.wav", 310.0)
    assert main(["check", "takes", "--report", "pages", "--workers", "1", "--quiet"]) == 2
    assert "index.wav" in Path("pages/all-takes.html").read_text()
    assert "<figure" in Path("pages/index.html").read_text()
