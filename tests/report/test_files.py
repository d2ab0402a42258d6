"""Output files: never an input, never a folder, never half-written."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from listen.errors import OutputError
from listen.report import check_target, files, write_whole
from tests.ordinary_user import held_to_permissions

REPO = Path(__file__).resolve().parents[2]
WAYS = ["nameless", "named", "not to be named"]


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "named":
        monkeypatch.delattr(os, "O_TMPFILE", raising=False)
    if request.param == "not to be named":

        def refuse(*_arguments: Any, **_settings: Any) -> None:
            raise PermissionError(errno.EPERM, "Operation not permitted")

        monkeypatch.setattr(files.os, "link", refuse)
    return str(request.param)


def test_a_new_file_is_written(tmp_path: Path, way: str) -> None:
    write_whole(tmp_path / "new.json", b"{}\n")
    assert (tmp_path / "new.json").read_bytes() == b"{}\n"
    assert os.listdir(tmp_path) == ["new.json"], way


def test_pieces_are_joined(tmp_path: Path, way: str) -> None:
    write_whole(tmp_path / "new.csv", (bytes([n]) * n for n in range(200)))
    assert (tmp_path / "new.csv").read_bytes() == b"".join(bytes([n]) * n for n in range(200)), way


def test_an_old_file_is_replaced_and_keeps_its_permissions(tmp_path: Path, way: str) -> None:
    target = tmp_path / "old.json"
    target.write_bytes(b"a long old text\n")
    target.chmod(0o640)
    write_whole(target, b"new\n")
    assert target.read_bytes() == b"new\n"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert os.listdir(tmp_path) == ["old.json"], way


def test_a_new_file_has_the_permissions_of_any_new_file(tmp_path: Path, way: str) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_whole(tmp_path / "ours", b"")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode, way


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
def test_a_link_stays_a_link(tmp_path: Path, way: str) -> None:
    (tmp_path / "real.json").write_bytes(b"old")
    (tmp_path / "link.json").symlink_to("real.json")
    write_whole(tmp_path / "link.json", b"new")
    assert (tmp_path / "link.json").is_symlink(), way
    assert (tmp_path / "real.json").read_bytes() == b"new"


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_when_writing_stops_half_way_the_old_file_is_whole_and_nothing_is_left(
    tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    target = tmp_path / "old.json"
    target.write_bytes(b"old\n")
    write, calls = os.write, []

    def half(handle: int, data: Any) -> int:
        calls.append(handle)
        if len(calls) > 1:
            raise error
        return write(handle, bytes(data)[:10])

    monkeypatch.setattr(files.os, "write", half)
    with pytest.raises((OutputError, KeyboardInterrupt)) as caught:
        write_whole(target, b"x" * 100)
    monkeypatch.undo()
    assert len(calls) == 2, way
    assert target.read_bytes() == b"old\n"
    assert os.listdir(tmp_path) == ["old.json"]
    if isinstance(error, OSError):
        assert "no space left on device" in str(caught.value)


def test_what_is_not_a_file_is_written_to_and_never_replaced(way: str) -> None:
    write_whole(os.devnull, b"gone")
    assert not stat.S_ISREG(os.stat(os.devnull).st_mode), way


def test_a_folder_that_is_gone_is_a_line(tmp_path: Path, way: str) -> None:
    with pytest.raises(OutputError, match="cannot write"):
        write_whole(tmp_path / way / "x.json", b"")


def test_good_targets_are_let_through(tmp_path: Path) -> None:
    (tmp_path / "take.wav").write_bytes(b"RIFF")
    (tmp_path / "there.json").write_bytes(b"")
    for name in ("new.json", "there.json"):
        check_target(tmp_path / name, option="--json", inputs=[tmp_path / "take.wav"])


@pytest.mark.parametrize("name", ["take.wav", "hard.wav", "soft.wav", "sub/../take.wav"])
def test_an_input_is_refused_under_any_name(tmp_path: Path, name: str) -> None:
    take = tmp_path / "take.wav"
    take.write_bytes(b"RIFF")
    (tmp_path / "sub").mkdir()
    os.link(take, tmp_path / "hard.wav")
    (tmp_path / "soft.wav").symlink_to("take.wav")
    with pytest.raises(OutputError, match=r"--json .* is one of the inputs"):
        check_target(tmp_path / name, option="--json", inputs=[take])


def test_two_outputs_that_do_not_exist_yet_are_told_apart(tmp_path: Path) -> None:
    check_target(tmp_path / "b", option="--frames", inputs=[tmp_path / "a"])
    with pytest.raises(OutputError, match="inputs"):
        check_target(tmp_path / "a", option="--frames", inputs=[tmp_path / "." / "a"])


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("", "empty file name"),
        (".", "is a folder"),
        ("folder", "is a folder"),
        ("nowhere/", "is a folder"),
        ("nowhere/out.json", "does not exist"),
        ("plain/out.json", "does not exist"),
        ("x" * 300 + "/out.json", "does not exist"),
    ],
)
def test_bad_targets_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, says: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "plain").write_bytes(b"")
    with pytest.raises(OutputError, match=says):
        check_target(name, option="--json")
    assert sorted(os.listdir(tmp_path)) == ["folder", "plain"]


@pytest.mark.skipif(os.name == "nt", reason="permissions differ there")
def test_a_file_that_may_not_be_written_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "kept.json"
    target.write_bytes(b"")
    target.chmod(0o444)
    code = f"from listen.report import check_target; check_target({str(target)!r}, option='--json')"
    done = subprocess.run(
        [*held_to_permissions(), sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True
    )
    assert "OutputError" in done.stderr
    assert "may not be written" in done.stderr
