"""A folder that others may write: no link of theirs is followed, and no pipe keeps anyone waiting."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import main
from listen.errors import OutputError, is_link_of_others
from listen.report.files import write_whole

pytestmark = pytest.mark.skipif(not hasattr(os, "geteuid"), reason="this system knows no users")
ANOTHER = 54321


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that others may write, with a take."""
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o777)
    t = np.arange(12_000) / 48_000
    soundfile.write(folder / "take.wav", 0.4 * np.sin(2 * np.pi * 440.0 * t), 48_000)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "diary.txt").write_text("mine")
    sqlite3.connect(tmp_path / "mine" / "book.sqlite").close()
    (folder / "cv.toml").write_text("[cv]\nvolts_per_full_scale = 10.0\n")
    pitch_hz = np.repeat([110.0, 220.0, 440.0], 24_000)
    soundfile.write(folder / "stairs.wav", 0.4 * np.sin(2 * np.pi * np.cumsum(pitch_hz) / 48_000), 48_000)
    soundfile.write(folder / "tone.wav", 0.4 * np.sin(2 * np.pi * 100.0 * np.arange(240_000) / 48_000), 48_000)
    monkeypatch.chdir(folder)
    return folder


def link_of_another(link: Path, to: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a link that belongs to another user; who may not give files away becomes another than who made it."""
    link.symlink_to(to)
    if os.geteuid() == 0:
        os.lchown(link, ANOTHER, ANOTHER)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: ANOTHER)
    return link


CALLS = {
    "json": ["check", "take.wav", "--json", "link"],
    "frames": ["check", "take.wav", "--frames", "link"],
    "json of many": ["check", "take.wav", "--workers", "1", "--json", "link"],
    "json of a comparison": ["compare", "take.wav", "take.wav", "--json", "link"],
    "stairs": ["stimulus", "link", "--cv-steps", "0:1:0.5", "--bench", "cv.toml"],
    "json lines": ["watch", "take.wav", "--seconds", "1", "--json-lines", "link"],
    "logbook": ["check", "take.wav", "--build", "x", "--logbook", "link"],
    "note": ["logbook", "--logbook", "link", "note", "x", "y"],
    "table": ["calibrate", "stairs.wav", "--cv-steps", "0:2:1", "--csv", "link"],
    "inverse table": ["calibrate", "stairs.wav", "--cv-steps", "0:2:1", "--inverse", "link"],
    "dial": ["calibrate", "stairs.wav", "--positions", "0:2:1", "--dial", "link"],
    "bench file": ["setup", "--tone", "tone.wav", "--meter", "2", "--write", "link"],
    "steps": ["stimulus", "new.wav", "--cv-steps", "0:1:0.5", "--bench", "cv.toml", "--steps-file", "link"],
    "loopback": ["stimulus", "link", "--loopback"],
    "frames of watching": ["watch", "take.wav", "--seconds", "1", "--frames", "link"],
    "export": ["logbook", "--logbook", "own.sqlite", "export", "--json", "link"],
    "export of steps": ["logbook", "--logbook", "own.sqlite", "export", "--steps", "link"],
}


@pytest.mark.parametrize("call", CALLS)
def test_a_link_of_another_user_is_refused(shared: Path, monkeypatch, capsys, call: str) -> None:
    victim = shared.parent / "mine" / ("book.sqlite" if call in ("logbook", "note") else "diary.txt")
    before = victim.read_bytes()
    if "own.sqlite" in CALLS[call]:
        assert main(["logbook", "--logbook", "own.sqlite", "note", "x", "y"]) == 0
        capsys.readouterr()
    link_of_another(shared / "link", victim, monkeypatch)
    assert main(CALLS[call]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert "is a link that another user made in a shared folder; name a file" in err
    assert victim.read_bytes() == before
    assert (shared / "link").is_symlink()


@pytest.mark.parametrize("option", ["--report", "--pictures", "--keep"])
def test_a_folder_behind_a_link_of_another_user_is_refused(shared: Path, monkeypatch, capsys, option: str) -> None:
    link_of_another(shared / "link", shared.parent / "mine", monkeypatch)
    assert main(["check", "take.wav", option, "link", "--workers", "1"]) == 2
    assert "is a link that another user made" in capsys.readouterr().err
    assert sorted(os.listdir(shared.parent / "mine")) == ["book.sqlite", "diary.txt"]


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
@pytest.mark.parametrize("call", [["show", "x"], ["note", "x", "again"]], ids=["read", "written"])
def test_a_link_beside_a_logbook_is_not_followed(shared: Path, monkeypatch, capsys, ending: str, call) -> None:
    """The database makes files beside its own."""
    assert main(["logbook", "--logbook", "own.sqlite", "note", "x", "first"]) == 0
    victim = shared.parent / "mine" / "diary.txt"
    link_of_another(shared / f"own.sqlite{ending}", victim, monkeypatch)
    capsys.readouterr()
    assert main(["logbook", "--logbook", "own.sqlite", *call]) in (0, 2)
    assert "fault of listen" not in capsys.readouterr().err
    assert victim.read_text() == "mine"


def test_a_page_that_is_a_link_of_another_user_is_refused(shared: Path, monkeypatch, capsys) -> None:
    (shared / "pages").mkdir()
    (shared / "pages").chmod(0o777)
    victim = shared.parent / "mine" / "diary.txt"
    link_of_another(shared / "pages" / "take.html", victim, monkeypatch)
    assert main(["check", "take.wav", "--report", "pages"]) == 2
    assert "is a link that another user made" in capsys.readouterr().err
    assert victim.read_text() == "mine"


def test_it_is_looked_at_again_when_it_is_written(shared: Path, monkeypatch) -> None:
    victim = shared.parent / "mine" / "diary.txt"
    link = link_of_another(shared / "link", victim, monkeypatch)
    with pytest.raises(OutputError, match="a link that another user made"):
        write_whole(link, b"theirs")
    write_whole(link, b"a cache of ours", instead=True)
    assert (link.is_symlink(), link.read_bytes(), victim.read_text()) == (False, b"a cache of ours", "mine")


def test_ones_own_links_and_private_folders_are_ones_own_affair(shared: Path, monkeypatch) -> None:
    victim = shared.parent / "mine" / "diary.txt"
    own = shared / "own"
    own.symlink_to(victim)
    assert not is_link_of_others(own)
    write_whole(own, b"new")
    assert (own.is_symlink(), victim.read_bytes()) == (True, b"new")
    shared.chmod(0o755)
    assert not is_link_of_others(link_of_another(shared / "link", victim, monkeypatch))
    assert not is_link_of_others(shared / "take.wav")
    assert not is_link_of_others(shared / "nowhere")


def test_a_pipe_in_place_of_a_bench_file_beside_is_none(shared: Path, capsys) -> None:
    os.mkfifo(shared / "bench.toml")
    assert main(["check", "take.wav", "--quiet"]) == 0, capsys.readouterr().err


@pytest.mark.parametrize("option", ["--keep", "--report"])
def test_a_pipe_in_place_of_a_folder(shared: Path, capsys, option: str) -> None:
    os.mkfifo(shared / "pipe")
    assert main(["check", "take.wav", option, "pipe", "--workers", "1"]) == 2
    assert "is a file, not a folder" in capsys.readouterr().err


def test_a_pipe_in_place_of_a_logbook(shared: Path, capsys) -> None:
    os.mkfifo(shared / "pipe")
    assert main(["logbook", "--logbook", "pipe"]) == 2
    assert "is a device or a pipe" in capsys.readouterr().err
